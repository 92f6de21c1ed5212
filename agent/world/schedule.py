"""The day's schedule: which sites in which order, how long at each, the drive between, each handling's time.

Durations follow from the work: a stop is as long as its handlings need and people take. Knows no radio and no receiver.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import Point

from agent.world.cargo import Handling, Slips, handling_times, seconds_needed
from agent.world.places import XY, Place, dock_at, street_at
from agent.world.power import Span
from agent.world.route import drive, road

Floats = NDArray[np.float64]

_CLEAR_M = 250.0
_NEXT_DOOR_M = 200.0


@dataclass(frozen=True, slots=True)
class Profile:
    """What kind of day. Ranges are inclusive from, exclusive to."""

    vehicle: str = "van-07"
    home: str = "depot"
    stops: tuple[int, int] = (6, 10)
    items: tuple[int, int] = (40, 121)
    slips: Slips = field(default_factory=Slips)
    second_badge: float = 0.4
    roadside_halt: float = 0.5
    street: float = 0.2
    radio_off: float = 0.15
    power_cut: bool = True
    long_stop: bool = True


@dataclass(frozen=True, slots=True)
class Stop:
    """A standing still that counts: at `site`, or at a place that is no site. The last one ends with the day."""

    site: str | None
    arrived_s: float
    departed_s: float
    xy: XY
    spot: int
    roofed: bool
    street: bool
    opens_s: float | None
    closes_s: float | None


def visiting_order(rng: np.random.Generator, places: Sequence[Place], profile: Profile) -> list[str | None]:
    """The sites in the order of visit, home first and last, perhaps with a halt at no site between two of them."""
    quiet = rng.random() < profile.radio_off
    customers = [place for place in places if place.id != profile.home and (quiet or not place.radio_off)]
    if not customers:
        raise ValueError(f"the sites hold {profile.home} alone; a day needs at least one more")
    wanted = int(rng.integers(*profile.stops))
    picked = [customers[int(i)] for i in rng.permutation(len(customers))[:wanted]]
    here = np.array(next(place.middle for place in places if place.id == profile.home))
    order: list[str | None] = [profile.home]
    while picked:
        far = [float(np.hypot(*(np.array(place.middle) - here))) for place in picked]
        liking = rng.uniform(0.6, 1.6, len(picked))
        # Next door is seldom the next stop: who works at the one yard walks over to the other.
        ranked = sorted(range(len(picked)), key=lambda i: (far[i] < _NEXT_DOOR_M, far[i] * liking[i]))
        nxt = picked.pop(ranked[0])
        here = np.array(nxt.middle)
        order.append(nxt.id)
    while len(order) - 1 < profile.stops[0]:  # a small region: some sites are visited twice
        again = customers[int(rng.integers(len(customers)))].id
        order.append(again if again != order[-1] or len(customers) == 1 else customers[0].id)
    if rng.random() < profile.roadside_halt and len(order) > 2:
        order.insert(int(rng.integers(2, len(order))), None)
    return [*order, profile.home]


def drive_all(
    rng: np.random.Generator,
    order: Sequence[str | None],
    by_id: Mapping[str, Place],
    handlings: Sequence[Sequence[Handling]],
    profile: Profile,
    *,
    known: Mapping[str, XY] = MappingProxyType({}),
) -> tuple[tuple[Stop, ...], Floats, Floats, Floats, tuple[Span, ...]]:
    """Times and paths: stops, then xy (n, 2), speed and heading (n,) a row a second, then the jams.

    `known`: the docks of an earlier tour; this one begins at home's, and often takes the others' again.
    """
    last = len(order) - 1
    street = [site is not None and 0 < i < last and rng.random() < profile.street for i, site in enumerate(order)]
    docks = _docks(rng, order, by_id, street, known)
    inner = [i for i in range(1, last) if order[i] is not None]
    roofed = int(rng.choice(inner))
    long = int(rng.choice(inner)) if profile.long_stop else -1
    jammed = int(rng.integers(0, last))
    stops: list[Stop] = []
    xy: list[Floats] = []
    speeds: list[Floats] = []
    headings: list[Floats] = []
    jams: list[Span] = []
    now = 0
    for i, site in enumerate(order):
        extra_s = float(rng.uniform(3200, 4800)) if i == long else 0.0
        stay_s, opens_s, lead_s = _stay(rng, site, handlings[i], extra_s=extra_s, home=i in {0, last})
        stops.append(
            Stop(
                site=site,
                arrived_s=float(now),
                departed_s=float(now + stay_s),
                xy=docks[i],
                spot=docks.index(docks[i]),
                roofed=i == roofed and not street[i],
                street=street[i],
                opens_s=None if site is None else round(now + opens_s, 1),
                closes_s=None if site is None else round(now + stay_s - lead_s, 1),
            )
        )
        xy.append(np.repeat(np.asarray([docks[i]]), stay_s, axis=0))
        speeds.append(np.zeros(stay_s))
        headings.append(np.full(stay_s, float(headings[-1][-1]) if headings else 0.0))
        now += stay_s
        if i < last:
            leg = drive(road(docks[i], docks[i + 1], rng), rng, jammed=i == jammed)
            if leg.jam_s is not None:
                jams.append((float(now + leg.jam_s[0]), float(now + leg.jam_s[1])))
            xy.append(leg.xy[:-1])
            speeds.append(leg.speed_mps[:-1])
            headings.append(leg.track_deg[:-1])
            now += len(leg.speed_mps) - 1
    return tuple(stops), np.concatenate(xy), np.concatenate(speeds), np.concatenate(headings), tuple(jams)


def _docks(
    rng: np.random.Generator,
    order: Sequence[str | None],
    by_id: Mapping[str, Place],
    street: Sequence[bool],
    known: Mapping[str, XY],
) -> list[XY]:
    """Where the van stands at each stop; a site visited again often means the same dock again."""
    docks: list[XY] = []
    for i, site in enumerate(order):
        if site is None:
            ahead = by_id[next(s for s in order[i:] if s is not None)]
            docks.append(_roadside(rng, docks[-1], ahead.middle, tuple(by_id.values())))
        elif site in known and (i == 0 or rng.random() < 0.6):
            docks.append(known[site])
        elif site in order[:i] and rng.random() < 0.6:
            docks.append(docks[order.index(site)])
        elif street[i]:
            docks.append(street_at(by_id[site], rng, metres=float(rng.uniform(3, 12))))
        else:
            docks.append(dock_at(by_id[site], rng))
    return docks


def _roadside(rng: np.random.Generator, here: XY, ahead: XY, places: Sequence[Place]) -> XY:
    """A spot between the two that is well clear of every site."""
    while True:
        share = float(rng.uniform(0.3, 0.7))
        x, y = (a + share * (b - a) + float(rng.normal(0, 200)) for a, b in zip(here, ahead, strict=True))
        if all(place.outline.distance(Point(x, y)) > _CLEAR_M for place in places):
            return x, y


def _stay(
    rng: np.random.Generator, site: str | None, handlings: Sequence[Handling], *, extra_s: float, home: bool
) -> tuple[int, float, float]:
    """Seconds of standing, from arrival to open doors, and from closed doors to departure."""
    opens_s, lead_s = float(rng.uniform(20, 70)), float(rng.uniform(25, 80))
    if site is None:
        return int(rng.uniform(150, 480)), opens_s, lead_s
    stay_s = 200 + 1.25 * seconds_needed(handlings) + float(rng.gamma(2.0, 110.0)) + extra_s
    return (int(stay_s + 240), opens_s + 60, lead_s) if home else (int(stay_s), opens_s, lead_s)


def handle(
    rng: np.random.Generator, stops: Sequence[Stop], todo: Sequence[Sequence[Handling]]
) -> list[list[tuple[float, Handling]]]:
    """Every handling of every stop with its time."""
    timed: list[list[tuple[float, Handling]]] = []
    for stop, handlings in zip(stops, todo, strict=True):
        if stop.opens_s is None or stop.closes_s is None:
            timed.append([])
            continue
        slack = stop.closes_s - stop.opens_s - seconds_needed(handlings)
        late = stop.closes_s - 900 if slack > 2400 else None
        timed.append(handling_times(rng, handlings, opens_s=stop.opens_s, closes_s=stop.closes_s, late_from_s=late))
    return timed
