"""The day's schedule: which sites in which order, how long at each, the drive between, each handling's time.

Durations follow from the work: a stop is as long as its handlings need and people take. Knows no radio and no receiver.
"""

# ruff: noqa: PLR2004 - the world is made of figures, and each reads best where it is drawn
from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from agent.world.cargo import Cargo, Faults, Handling, handling_times, seconds_needed
from agent.world.places import XY, Place, dock_at, street_at
from agent.world.power import Span
from agent.world.route import drive, road

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Profile:
    """What kind of day. Ranges are inclusive from, exclusive to."""

    vehicle: str = "van-07"
    home: str = "depot"
    stops: tuple[int, int] = (6, 10)
    items: tuple[int, int] = (40, 121)
    faults: Faults = field(default_factory=Faults)
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
        far = [float(np.hypot(*(np.array(place.middle) - here))) * float(rng.uniform(0.6, 1.6)) for place in picked]
        # Next door is another day's job: who stands at both yards walks over.
        ranked = sorted(range(len(picked)), key=lambda i: (far[i] < 150 and len(picked) > 1, far[i]))
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
    cargo: Cargo,
    profile: Profile,
) -> tuple[tuple[Stop, ...], Floats, Floats, Floats, tuple[Span, ...]]:
    """Times and paths: stops, then xy (n, 2), speed and heading (n,) a row a second, then the jams."""
    docks: list[XY] = []
    street = [i not in {0, len(order) - 1} and rng.random() < profile.street for i in range(len(order))]
    for i, site in enumerate(order):
        if site is None:
            ahead = by_id[next(s for s in order[i:] if s is not None)]
            mid = (np.array(docks[-1]) + np.array(ahead.middle)) / 2 + rng.normal(0, 150, 2)
            docks.append((float(mid[0]), float(mid[1])))
        elif site in order[:i] and rng.random() < 0.6:
            docks.append(docks[order.index(site)])
        elif street[i]:
            docks.append(street_at(by_id[site], rng, metres=float(rng.uniform(3, 12))))
        else:
            docks.append(dock_at(by_id[site], rng))
    spots = [docks.index(dock) for dock in docks]
    last = len(order) - 1
    inner = [i for i in range(1, last) if order[i] is not None]
    roofed = int(rng.choice(inner))
    long = int(rng.choice(inner)) if profile.long_stop else -1
    jammed = int(rng.integers(0, last))
    stops: list[Stop] = []
    pieces: list[Floats] = []
    speeds: list[Floats] = []
    headings: list[Floats] = []
    jams: list[Span] = []
    now = 0
    for i, site in enumerate(order):
        work_s = seconds_needed(cargo.handlings[i])
        stay = 200 + 1.25 * work_s + float(rng.gamma(2.0, 110.0))
        opens, lead = float(rng.uniform(20, 70)), float(rng.uniform(25, 80))
        if i == long:
            stay += float(rng.uniform(3200, 4800))
        if site is None:
            stay = float(rng.uniform(150, 480))
        if i in {0, last}:
            stay += 240
            opens += 60
        stay_s = int(stay)
        worked = site is not None
        stops.append(
            Stop(
                site=site,
                arrived_s=float(now),
                departed_s=float(now + stay_s),
                xy=docks[i],
                spot=spots[i],
                roofed=i == roofed and not street[i],
                street=street[i] and site is not None,
                opens_s=round(now + opens, 1) if worked else None,
                closes_s=round(now + stay_s - lead, 1) if worked else None,
            )
        )
        pieces.append(np.repeat(np.asarray([docks[i]]), stay_s, axis=0))
        speeds.append(np.zeros(stay_s))
        headings.append(np.full(stay_s, float(headings[-1][-1]) if headings else 0.0))
        now += stay_s
        if i < last:
            leg = drive(road(docks[i], docks[i + 1], rng), rng, jammed=i == jammed)
            if leg.jam_s is not None:
                jams.append((float(now + leg.jam_s[0]), float(now + leg.jam_s[1])))
            pieces.append(leg.xy[:-1])
            speeds.append(leg.speed_mps[:-1])
            headings.append(leg.track_deg[:-1])
            now += len(leg.speed_mps) - 1
    return tuple(stops), np.concatenate(pieces), np.concatenate(speeds), np.concatenate(headings), tuple(jams)


def handle(rng: np.random.Generator, stops: Sequence[Stop], cargo: Cargo) -> list[list[tuple[float, Handling]]]:
    """Every handling of every stop with its time."""
    timed: list[list[tuple[float, Handling]]] = []
    for stop, handlings in zip(stops, cargo.handlings, strict=True):
        if stop.opens_s is None or stop.closes_s is None:
            timed.append([])
            continue
        slack = stop.closes_s - stop.opens_s - seconds_needed(handlings)
        late = stop.closes_s - 900 if slack > 2400 else None
        timed.append(handling_times(rng, handlings, opens_s=stop.opens_s, closes_s=stop.closes_s, late_from_s=late))
    return timed
