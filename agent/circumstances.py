"""What went on around a tag, from the tally's own parts: where the van was, its doors, and when nothing could be heard.

Times given are UTC seconds unless they are named `t_s`, which is the tally's axis. Decides nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from itertools import pairwise

from agent.evidence import NO_ROUNDS, Passage, Span, Strength
from agent.evidence_records import NO_SITE, Site
from agent.itinerary import Segment, Stop
from agent.privacy import WITHHELD, is_working
from agent.records import Read, ReaderState
from agent.sites import site_uri
from agent.state import Setup, State

# Rounds follow each other within some twenty seconds at most; a silence of the reader longer than this is told.
# Judgement.
QUIET_S = 90.0
MINUTE_S = 60.0
WITHHELD_NAME = "place not kept (outside working hours)"


def zone_of(setup: Setup) -> str:
    """The time zone in which this vehicle's day is told: the home site's, else UTC."""
    home = setup.site_of.get(setup.vehicle.home or "")
    return home.timezone if home is not None and home.timezone else "UTC"


def sites_by_uri(setup: Setup) -> dict[str, Site]:
    """(id, name) of every site by the URI that events name it by."""
    sites: dict[str, Site] = {site_uri(site): (site.id, site.name) for site in setup.site_of.values()}
    return {**sites, WITHHELD: (None, WITHHELD_NAME)}


def passages_of_state(
    setup: Setup,
    segments: Sequence[Segment],
    manifest_of: Mapping[int, str],
    *,
    utc: Callable[[float], float],
    now_t_s: float,
) -> tuple[Passage, ...]:
    """Stops and legs as the tally found them, oldest first; outside working hours a place is not told."""
    found = []
    for segment in segments:
        from_s = utc(segment.from_s)
        to_s = max(from_s, utc(now_t_s if segment.to_s is None else segment.to_s))
        ends = segment.to_s is not None
        if not isinstance(segment, Stop):
            found.append(Passage("leg", from_s, to_s, manifest=manifest_of.get(segment.number), ends=ends))
            continue
        place = segment.place
        if not is_working(setup.vehicle.privacy, from_s):
            found.append(Passage("stop", from_s, to_s, name=WITHHELD_NAME, ends=ends))
            continue
        site = setup.site_of.get(place.site or "")
        name = site.name if site is not None else place.site or NO_SITE
        found.append(Passage("stop", from_s, to_s, place.site, name, place.p, place.others, ends=ends))
    return tuple(found)


def open_spans(changes: Iterable[tuple[float, bool | None]], *, end_s: float) -> tuple[Span, ...]:
    """When the doors stood open; `changes` are (moment, open, closed or not known)."""
    spans = []
    since_s: float | None = None
    for at_s, is_open in changes:
        if since_s is not None and is_open is not True:
            spans.append(Span(since_s, at_s))
            since_s = None
        elif since_s is None and is_open:
            since_s = at_s
    if since_s is not None:
        spans.append(Span(since_s, end_s))
    return tuple(spans)


def reader_spans(changes: Iterable[tuple[float, ReaderState]], *, end_s: float) -> list[Span]:
    """When the reader was down, and when an antenna was lost."""
    spans = []
    since_s: dict[int | None, float] = {}
    for at_s, item in changes:
        if item.state in {"down", "antenna_lost"}:
            since_s.setdefault(item.antenna, at_s)
        elif item.antenna in since_s:
            spans.append(Span(since_s.pop(item.antenna), at_s, _down(item.antenna)))
    return spans + [Span(begin_s, end_s, _down(antenna)) for antenna, begin_s in since_s.items()]


def _down(antenna: int | None) -> str:
    return "reader down" if antenna is None else f"antenna {antenna} lost"


def quiet_spans(rounds_s: Iterable[float], *, but: Sequence[Span], radio_off: Sequence[Passage] = ()) -> list[Span]:
    """When no round ended for longer than `QUIET_S`, where `but` does not say why already.

    `radio_off` are stops at which the reader must be silent.
    """
    found = []
    for before_s, after_s in pairwise(rounds_s):
        if after_s - before_s <= QUIET_S or any(s.from_s < after_s and s.to_s > before_s for s in but):
            continue
        silent = any(stop.from_s < after_s and stop.to_s > before_s for stop in radio_off)
        found.append(Span(before_s, after_s, "radio off here" if silent else NO_ROUNDS))
    return found


def radio_off_stops(setup: Setup, passages: Iterable[Passage]) -> list[Passage]:
    """The stops at sites where the reader must not transmit."""
    return [p for p in passages if p.site is not None and p.site in setup.site_of and setup.site_of[p.site].radio_off]


def by_minute(reads: Iterable[tuple[float, Read]]) -> list[Strength]:
    """Reads gathered by minute and antenna, oldest first; how many tags a reader merged into one read counts."""
    gathered: dict[tuple[float, int], list[Read]] = {}
    for at_s, read in reads:
        gathered.setdefault((at_s // MINUTE_S * MINUTE_S, read.antenna), []).append(read)
    return [
        Strength(
            at_s=at_s,
            antenna=antenna,
            reads=sum(read.count for read in found),
            strongest_dbm=max(read.rssi for read in found),
            mean_dbm=sum(read.rssi for read in found) / len(found),
            weakest_dbm=min(read.rssi for read in found),
        )
        for (at_s, antenna), found in sorted(gathered.items())
    ]


def untrusted(state: State) -> tuple[str, ...]:
    """A sentence on each part of the record whose UTC time nobody knows."""
    found = []
    for boot, t_s, _ in state.axis.bases:
        moment = state.axis.moment(state.timeline, t_s)
        if not moment.trusted:
            spread_s = moment.not_after_s - moment.not_before_s
            how = f"known to within {spread_s / MINUTE_S:.0f} min" if spread_s else "the computer's own clock's"
            found.append(f"No receiver told the time in start {boot} of the computer: its times are {how}.")
    return tuple(found)
