"""Antenna health: a port that hears less and less over days is told before it fails; floor 1.

Counted are chances and reads: each tag that is surely aboard while the van drives, in each round, on each port that
took part. While it drives nothing gets on or off, so that a day's share is a property of port and load. A port's last
three days are compared with days a week ago and four weeks ago, by medians, and each of the three must be worse than
all of those: one odd day decides nothing.

The load is another every day. Where the van's own fixture is heard on a port, its share is used alone, for it hangs in
one place. Otherwise the port is compared with the van's others, which hear the same load: a port that fell by no more
than they did is not told. Hence without a fixture neither a van with one antenna is judged, nor a fading that all ports
have in common (a supply, a shared cable).

All figures are judgement; `tests/test_antennas.py` measures on simulated vans how often they are wrong, and how early
they are right. Knows no time but the number of the day.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from statistics import median
from typing import Literal

from msgspec import Struct
from msgspec.structs import replace

# A day counts for a port with so many chances; of the load's tags, so many different ones too.
FIXTURE_CHANCES = 100
LOAD_CHANCES, LOAD_TAGS = 1000, 8
# Days compared: the last so many, against so many of those that lie back between these days.
LATELY, BEFORE = 3, 3
SPANS: dict[str, tuple[int, int]] = {"a week": (7, 13), "four weeks": (25, 34)}
KEPT_DAYS = 40
# The last counted day must be this recent, and a port that never heard much says nothing by hearing less.
RECENT_DAYS = 7
PLAIN: dict[str, float] = {"fixture": 0.3, "load": 0.05}  # one tag in a bad spot swings with every puddle
# At this share of before it is told; told again after so many days if it is still so.
FADED, AGAIN_DAYS = 0.5, 14

Source = Literal["fixture", "load"]


class PortDay(Struct, frozen=True):
    """One port on one day: in `heard` of `chances` a tag aboard was heard; `tags` different ones of the load."""

    day: int
    port: int
    source: Source
    heard: int
    chances: int
    tags: int = 1

    @property
    def share(self) -> float:
        """Reads by chances."""
        return self.heard / self.chances if self.chances else 0.0

    @property
    def counts(self) -> bool:
        """Whether there was enough of it."""
        if self.source == "fixture":
            return self.chances >= FIXTURE_CHANCES
        return self.chances >= LOAD_CHANCES and self.tags >= LOAD_TAGS


class Fading(Struct, frozen=True):
    """A port hears `share` of what it heard so long ago."""

    port: int
    share: float
    ago: str


class Health(Struct, frozen=True):
    """`days` are over; `today` counts (port, source) → (heard, chances), `tags` the load's different tags."""

    day: int | None = None
    today: Mapping[str, tuple[int, int]] = {}
    tags: tuple[str, ...] = ()
    days: tuple[PortDay, ...] = ()
    told: Mapping[int, int] = {}  # port → the day on which it was last told

    def take(
        self,
        day: int,
        *,
        ports: Collection[int],
        fixtures: Collection[str],
        load: Collection[str],
        reads: Collection[tuple[str, int]],
    ) -> tuple[Health, tuple[Fading, ...]]:
        """One round on the road: who was aboard, and (tag, port) of who was heard. A new day closes the one before."""
        now, found = (self, ()) if day == self.day else self.close(day)
        today = dict(now.today)
        for source, tags in (("fixture", fixtures), ("load", load)):
            for port in ports:
                key = f"{port} {source}"
                heard, chances = today.get(key, (0, 0))
                today[key] = (heard + sum((tag, port) in reads for tag in tags), chances + len(tags))
        seen = set(now.tags)
        return replace(now, today=today, tags=(*now.tags, *(tag for tag in load if tag not in seen))), found

    def close(self, day: int) -> tuple[Health, tuple[Fading, ...]]:
        """Another day begins: keep the one before, and say which ports have faded. A day in the past begins anew."""
        if self.day is None or day < self.day:
            return Health(day, days=tuple(d for d in self.days if d.day < day), told=self.told), ()
        closed = list(self.days)
        for key, (heard, chances) in sorted(self.today.items()):
            port, source = key.split()
            tags = 1 if source == "fixture" else len(self.tags)
            one = PortDay(self.day, int(port), source, heard, chances, tags)  # type: ignore[arg-type]
            if one.counts:
                closed.append(one)
        days = tuple(d for d in closed if d.day >= day - KEPT_DAYS)
        faded = faded_ports(days, day=day)
        news = tuple(f for f in faded if day - self.told.get(f.port, day - AGAIN_DAYS) >= AGAIN_DAYS)
        still = {f.port for f in faded}
        told = {port: on for port, on in self.told.items() if port in still} | {f.port: day for f in news}
        return Health(day, days=days, told=told), news


def faded_ports(days: Iterable[PortDay], *, day: int) -> tuple[Fading, ...]:
    """Every port that hears half of what it did, or less, by the days before `day`; the longer span where both do."""
    by: dict[Source, dict[int, list[PortDay]]] = {"fixture": {}, "load": {}}
    for one in sorted(days, key=lambda d: d.day):
        by[one.source].setdefault(one.port, []).append(one)
    found: dict[int, Fading] = {}
    for ago, span in SPANS.items():
        fixture = {port: _fall(of_port, day, span) for port, of_port in by["fixture"].items()}
        load = {port: _fall(of_port, day, span) for port, of_port in by["load"].items()}
        for port in sorted(fixture.keys() | load.keys()):
            fall = fixture.get(port)
            common = 1.0
            if fall is None:
                fall = load.get(port)
                others = [other.share for at, other in load.items() if at != port and other is not None]
                common = min(1.0, median(others)) if others else 0.0
            if fall is not None and fall.is_plain and common and fall.share / common <= FADED:
                found[port] = Fading(port, fall.share / common, ago)
    return tuple(found[port] for port in sorted(found))


class _Fall(Struct, frozen=True):
    """The last days' share by that of the days before; plain where each of the last days was worse than all before."""

    share: float
    is_plain: bool


def _fall(days: list[PortDay], day: int, span: tuple[int, int]) -> _Fall | None:
    """How the last days compare with those before; None where there are too few to say."""
    lately = [d.share for d in days[-LATELY:]]
    last = days[-1].day
    before = [d.share for d in days if span[0] <= last - d.day <= span[1]]
    if len(lately) < LATELY or len(before) < BEFORE or day - last > RECENT_DAYS:
        return None
    usual = median(before)
    if usual < PLAIN[days[-1].source]:
        return None
    return _Fall(median(lately) / usual, max(lately) < min(before))
