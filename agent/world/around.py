"""Where every tag is at every moment, as far as a radio in the van cares: aboard, outside a door, beside, in the cab.

Makes of the day's handlings the staging before a load and what lies about after an unload, and adds what else carries
tags: other firms' goods at the docks, a lorry alongside in a jam, badges on people who walk in and out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum

import numpy as np

from agent.world.cargo import Cargo, Handling
from agent.world.goods import Namer, Tagged

HOLD_M = 4.0


class Where(IntEnum):
    """Kinds of whereabouts; OUTSIDE is at a spot, metres from the open rear doors, PARKED in another van beside it."""

    AWAY = 0
    ABOARD = 1
    OUTSIDE = 2
    BESIDE = 3
    CAB = 4
    PARKED = 5


@dataclass(frozen=True, slots=True)
class Change:
    """From `at_s` on this tag is there.

    `metres`: ABOARD from the hold's front wall, OUTSIDE from its rear doors, BESIDE and PARKED from its side, as far as
    would weaken the link as much without the other vehicle's body.
    """

    at_s: float
    tag: int
    where: Where
    spot: int = -1
    metres: float = 0.0


@dataclass(frozen=True, slots=True)
class Visit:
    """A stop as the things see it: where (a spot's number) and when, and whether people work there."""

    spot: int
    arrive_s: float
    depart_s: float
    worked: bool


BEFORE_S = -1.0e9


def whereabouts(
    namer: Namer,
    rng: np.random.Generator,
    *,
    cargo: Cargo,
    visits: Sequence[Visit],
    timed: Sequence[Sequence[tuple[float, Handling]]],
    jams: Sequence[tuple[float, float]],
    badges: int,
    vehicle: str,
) -> tuple[list[Tagged], list[Change]]:
    """Every tag of the day (the cargo's first, in its order) and every change of place, in order of time."""
    tags = list(cargo.things)
    changes: list[Change] = []
    for tag, start in enumerate(cargo.start):
        if start < 0:
            changes.append(Change(BEFORE_S, tag, Where.ABOARD, metres=float(rng.uniform(0.3, HOLD_M - 0.3))))
        else:
            far = (1.0, 11.0) if tag in cargo.idle else (1.5, 8.0)
            changes.append(Change(BEFORE_S, tag, Where.OUTSIDE, visits[start].spot, float(rng.uniform(*far))))
    for visit, handlings in zip(visits, timed, strict=True):
        place: dict[int, float] = {}
        for at_s, handling in handlings:
            along = place.setdefault(handling.unit, float(rng.uniform(0.3, HOLD_M - 0.3)))
            changes += _handled(rng, visit, at_s, handling, along)
    for tag in sorted(cargo.idle):
        spot = visits[cargo.start[tag]].spot
        for visit in visits:
            if visit.spot == spot and rng.random() < 0.4:  # somebody shifts it
                at_s = float(rng.uniform(visit.arrive_s, visit.depart_s))
                changes.append(Change(at_s, tag, Where.OUTSIDE, spot, float(rng.uniform(1.0, 12.0))))
    tags.append(namer.fixture(vehicle))
    changes.append(Change(BEFORE_S, len(tags) - 1, Where.ABOARD, metres=HOLD_M / 2))
    _strangers(namer, rng, tags, changes, visits=visits, jams=jams)
    for _ in range(badges):
        tags.append(namer.person())
        changes += walk(rng, len(tags) - 1, visits)
    return tags, sorted(changes, key=lambda change: change.at_s)


def _strangers(
    namer: Namer,
    rng: np.random.Generator,
    tags: list[Tagged],
    changes: list[Change],
    *,
    visits: Sequence[Visit],
    jams: Sequence[tuple[float, float]],
) -> None:
    """Adds other firms' tags: some at each dock, some in the lorry alongside in a jam."""
    for spot in sorted({visit.spot for visit in visits if visit.worked}):
        for _ in range(int(rng.poisson(3.0))):
            tags.append(namer.foreign())
            changes.append(Change(BEFORE_S, len(tags) - 1, Where.OUTSIDE, spot, float(rng.uniform(1.8, 12.0))))
    for begin_s, end_s in jams:
        for _ in range(int(rng.integers(2, 6))):
            tags.append(namer.foreign())
            near_s = float(rng.uniform(begin_s, begin_s + 0.5 * (end_s - begin_s)))
            gone_s = float(rng.uniform(near_s + 30, end_s))
            changes.append(Change(near_s, len(tags) - 1, Where.BESIDE, metres=float(rng.uniform(1.2, 3.0))))
            changes.append(Change(gone_s, len(tags) - 1, Where.AWAY))


def _handled(rng: np.random.Generator, visit: Visit, at_s: float, handling: Handling, along: float) -> list[Change]:
    """What one carrying on or off does to the whereabouts of its tag."""
    tag = handling.thing
    aboard = Change(at_s, tag, Where.ABOARD, metres=min(max(along + float(rng.normal(0, 0.15)), 0.1), HOLD_M - 0.1))
    outside = Change(at_s, tag, Where.OUTSIDE, visit.spot, float(rng.uniform(1.0, 2.5)))
    if handling.act in {"on", "off"}:
        return [aboard if handling.act == "on" else outside]
    if handling.act == "load":
        brought_s = at_s - float(rng.uniform(8, 70))
        if brought_s < visit.arrive_s:
            return [aboard]
        return [Change(brought_s, tag, Where.OUTSIDE, visit.spot, float(rng.uniform(0.8, 2.5))), aboard]
    moved_s = at_s + float(rng.gamma(2.0, 30.0))
    draw = rng.random()
    if draw < 0.15:  # set down beside the van, and there it stays
        return [Change(at_s, tag, Where.OUTSIDE, visit.spot, float(rng.uniform(0.3, 1.5)))]
    if draw < 0.5:
        return [outside, Change(moved_s, tag, Where.AWAY)]
    return [outside, Change(moved_s, tag, Where.OUTSIDE, visit.spot, float(rng.uniform(1.0, 9.0)))]


def walk(rng: np.random.Generator, tag: int, visits: Sequence[Visit]) -> list[Change]:
    """A person's day: in the cab while the van moves, about the van and away from it while it is worked on."""
    changes = [Change(BEFORE_S, tag, Where.CAB)]
    for visit in visits:
        at_s = max(visit.arrive_s, 0.0) + float(rng.uniform(15, 40))
        back_s = visit.depart_s - float(rng.uniform(15, 45))
        while at_s < back_s:
            draw = rng.random() if visit.worked else 0.9
            if draw < 0.3:
                changes.append(Change(at_s, tag, Where.ABOARD, metres=float(rng.uniform(0.5, HOLD_M))))
                at_s += float(rng.gamma(2.0, 12.0)) + 5
            elif draw < 0.75:
                changes.append(Change(at_s, tag, Where.OUTSIDE, visit.spot, float(rng.uniform(0.8, 9.0))))
                at_s += float(rng.gamma(2.0, 20.0)) + 5
            else:
                changes.append(Change(at_s, tag, Where.AWAY))
                at_s += float(rng.gamma(2.0, 60.0)) + 5
        changes.append(Change(back_s, tag, Where.CAB))
    return changes
