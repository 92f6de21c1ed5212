"""What stands about, is set down beside the van, passes by, or sits in people's clothes: faults of a finished day.

Each function gives further tags with their changes of place, numbered from 0; `staging` also moves what the day has.
Nothing here ever travels as cargo, so the truth of moves and manifests stays what it was.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from agent.world.account import Day
from agent.world.around import BEFORE_S, HOLD_M, Change, Visit, Where, walk
from agent.world.goods import GOODS, Namer, Tagged
from agent.world.schedule import Stop


@dataclass(slots=True)
class Crowd:
    """Tags to be added to a day, and where they are when; `Change.tag` counts within `tags`."""

    tags: list[Tagged] = field(default_factory=list)
    changes: list[Change] = field(default_factory=list)

    def add(self, tag: Tagged) -> int:
        """Enters a tag; returns its number."""
        self.tags.append(tag)
        return len(self.tags) - 1

    def move(self, at_s: float, tag: int, where: Where, *, spot: int = -1, metres: float = 0.0) -> None:
        """From then on the tag is there."""
        self.changes.append(Change(at_s, tag, where, spot, metres))


def any_item(namer: Namer, rng: np.random.Generator) -> Tagged:
    """Something of ours, of any kind."""
    return namer.item(GOODS[int(rng.integers(len(GOODS)))])


def open_doors(day: Day) -> Iterator[tuple[Stop, float, float]]:
    """Each stop with each time in which the doors stand open at it."""
    door = list(day.current.door)
    for (opens_s, _), (closes_s, _) in zip(door[::2], door[1::2], strict=True):
        stop = next(s for s in day.stops if s.arrived_s <= opens_s <= s.departed_s)
        yield stop, opens_s, closes_s


def stock(day: Day, rng: np.random.Generator, namer: Namer, mean: float) -> Crowd:
    """Many things of ours stand near the doors for the whole of each stop, now and then shifted by somebody."""
    crowd = Crowd()
    spots = {stop.spot: stop for stop in day.stops if stop.opens_s is not None}
    for spot, stop in sorted(spots.items()):
        for _ in range(int(rng.poisson(mean if stop.site == day.stops[0].site else mean / 3))):
            tag = crowd.add(any_item(namer, rng) if rng.random() < 0.8 else namer.foreign())
            crowd.move(BEFORE_S, tag, Where.OUTSIDE, spot=spot, metres=0.8 + float(rng.gamma(2.0, 2.0)))
            for visit in day.stops:
                if visit.spot == spot and rng.random() < 0.15:
                    at_s = float(rng.uniform(visit.arrived_s, visit.departed_s))
                    crowd.move(at_s, tag, Where.OUTSIDE, spot=spot, metres=0.8 + float(rng.gamma(2.0, 2.0)))
    return crowd


def staging(day: Day, rng: np.random.Generator, namer: Namer, mean: float) -> tuple[Crowd, tuple[Change, ...]]:
    """Things beside the open doors for minutes; second, the day's own changes with longer staging and leaving about.

    Of the extra things some are put in by mistake and taken out again, and some still stand there when the van leaves.
    """
    crowd = Crowd()
    for stop, opens_s, closes_s in open_doors(day):
        if closes_s - opens_s < 240:
            continue
        for _ in range(int(rng.poisson(mean))):
            tag = crowd.add(any_item(namer, rng))
            if rng.random() < 0.5:
                crowd.move(BEFORE_S, tag, Where.OUTSIDE, spot=stop.spot, metres=float(rng.uniform(5, 11)))
            at_s = float(rng.uniform(opens_s + 5, closes_s - 120))
            crowd.move(at_s, tag, Where.OUTSIDE, spot=stop.spot, metres=float(rng.uniform(0.3, 1.6)))
            gone_s = at_s + float(rng.gamma(2.0, 180.0)) + 20
            if rng.random() < 0.15 and at_s + 60 < closes_s:
                in_s = float(rng.uniform(at_s + 5, closes_s - 40))
                out_s = min(in_s + float(rng.uniform(20, 200)), closes_s - 5)
                crowd.move(in_s, tag, Where.ABOARD, metres=float(rng.uniform(0.3, HOLD_M - 0.3)))
                crowd.move(out_s, tag, Where.OUTSIDE, spot=stop.spot, metres=float(rng.uniform(0.3, 1.6)))
                gone_s = out_s + float(rng.gamma(2.0, 60.0))
            if rng.random() < 0.3:
                gone_s = stop.departed_s + float(rng.uniform(60, 1800))
            if rng.random() < 0.5:
                crowd.move(gone_s, tag, Where.AWAY)
            else:
                crowd.move(gone_s, tag, Where.OUTSIDE, spot=stop.spot, metres=float(rng.uniform(4, 12)))
    return crowd, _lingering(day, rng)


def _lingering(day: Day, rng: np.random.Generator) -> tuple[Change, ...]:
    """Half of what is loaded stood at the doors since they opened; two fifths of what got off stay beside the van."""
    opened: dict[int, list[tuple[float, float]]] = defaultdict(list)
    for stop, opens_s, closes_s in open_doors(day):
        opened[stop.spot].append((opens_s, closes_s))
    changes: list[Change | None] = list(day.changes)
    past: dict[int, int] = {}
    stays: set[int] = set()
    for number, change in enumerate(day.changes):
        tag, before = change.tag, past.get(change.tag)
        if day.tags[tag].kind == "item" and before is not None:
            was = day.changes[before]
            if was.where == Where.OUTSIDE and change.where == Where.ABOARD and rng.random() < 0.5:
                since = next((a for a, b in opened[was.spot] if a <= change.at_s <= b), None)
                if since is not None and since + 30 < change.at_s and was.at_s > since:
                    at_s = float(rng.uniform(since + 2, change.at_s - 15))
                    changes[before] = replace(was, at_s=at_s, metres=float(rng.uniform(0.3, 2.0)))
            elif was.where == Where.ABOARD and change.where == Where.OUTSIDE and rng.random() < 0.4:
                changes[number] = replace(change, metres=float(rng.uniform(0.3, 1.5)))
                stays.add(tag)
            elif tag in stays:
                stays.discard(tag)
                if change.where != Where.ABOARD and change.at_s - was.at_s < 900:
                    changes[number] = None
                    continue
        past[tag] = number
    return tuple(sorted((c for c in changes if c is not None), key=lambda change: change.at_s))


def passers_by(day: Day, rng: np.random.Generator, namer: Namer, per_hour: float) -> Crowd:
    """Tags carried or driven past while the van stands, at stops and in jams; one in three of them is ours."""
    crowd = Crowd()

    def passing(at_s: float, until_s: float, where: Where, spot: int, nearest: float) -> None:
        ours = rng.random() < 0.33
        for _ in range(int(rng.integers(1, 7))):
            tag = crowd.add(any_item(namer, rng) if ours else namer.foreign())
            begin_s = at_s + float(rng.uniform(0, 4))
            crowd.move(begin_s, tag, where, spot=spot, metres=float(rng.uniform(nearest, 4.0)))
            crowd.move(max(until_s, begin_s + 1) + float(rng.uniform(0, 4)), tag, Where.AWAY)

    for stop in day.stops:
        stay_s = min(stop.departed_s, stop.arrived_s + 7200.0) - stop.arrived_s
        for _ in range(int(rng.poisson(per_hour * stay_s / 3600))):
            at_s = stop.arrived_s + float(rng.uniform(0, stay_s))
            passing(at_s, at_s + float(rng.uniform(3, 40)), Where.OUTSIDE, stop.spot, 0.8)
    for begin, end in _halts(day):
        jammed = any(first <= begin < last for first, last in day.jams)
        if rng.random() < per_hour * (0.05 if jammed else 0.015):
            passing(begin + float(rng.uniform(0, 3)), end + float(rng.uniform(-2, 8)), Where.BESIDE, -1, 1.2)
    return crowd


def _halts(day: Day) -> list[tuple[float, float]]:
    """When the van stands on the road, at lights or in a jam."""
    still = (day.speed_mps == 0).astype(np.int8)
    for stop in day.stops:
        still[int(stop.arrived_s) : int(stop.departed_s) + 1] = 0
    edges = np.flatnonzero(np.diff(np.concatenate([[0], still, [0]])))
    return [(float(a), float(b)) for a, b in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True) if b - a > 5]


def garments(day: Day, rng: np.random.Generator, namer: Namer, mean: float) -> Crowd:
    """Unregistered tags that go where their wearer goes; a passenger with a badge rides some of the legs."""
    crowd = Crowd()
    for wearer, person in enumerate(day.tags):
        if person.kind == "person":
            track = [change for change in day.changes if change.tag == wearer]
            _worn(crowd, namer, track, int(rng.poisson(mean)))
    visits = [Visit(s.spot, s.arrived_s, s.departed_s, worked=s.opens_s is not None) for s in day.stops]
    joins = int(rng.integers(0, len(visits) - 1))
    leaves = int(rng.integers(joins + 1, len(visits)))
    passenger = crowd.add(namer.person())
    end_s = min(visits[leaves].arrive_s + 30, visits[leaves].depart_s)
    walked = walk(rng, passenger, _within(visits, joins, leaves))
    track = [change for change in walked if BEFORE_S < change.at_s < end_s]
    track.append(Change(end_s, passenger, Where.AWAY))
    crowd.changes += track
    _worn(crowd, namer, track, int(rng.poisson(mean)))
    return crowd


def _within(visits: Sequence[Visit], joins: int, leaves: int) -> list[Visit]:
    """The visits of somebody who joins at one stop, a little before it ends, and leaves at another."""
    part = list(visits[joins : leaves + 1])
    part[0] = replace(part[0], arrive_s=max(part[0].arrive_s, part[0].depart_s - 400.0))
    return part


def _worn(crowd: Crowd, namer: Namer, track: Sequence[Change], count: int) -> None:
    for _ in range(count):
        tag = crowd.add(namer.foreign())
        crowd.changes += [replace(change, tag=tag) for change in track]
