"""Tours from home back to home, one after the other: a day has one or more, a week some days of them.

First everything's cargo is drawn and hung together (what is delivered on one tour and collected on a later one, what
stays aboard overnight), then each tour is driven, then they are laid end to end. The evening of one tour and the
morning of the next are two stays here, with a pause between; `merged` makes one stop of them, as the van sees it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from agent.world import papers
from agent.world.cargo import Cargo, Handling, Wish, stow
from agent.world.cases import pack_cases
from agent.world.faults import Faults
from agent.world.goods import Namer
from agent.world.places import XY, Place
from agent.world.power import Current, Span, wire
from agent.world.schedule import Profile, Stop, drive_all, handle, visiting_order
from agent.world.supply import HALF_HOUR_S, cut, run_spans

Floats = NDArray[np.float64]
Timed = list[list[tuple[float, Handling]]]

_NIGHT_S = 3600.0
_COLLECTED = 0.35
_STAYS_ABOARD = 0.15


@dataclass(frozen=True, slots=True, eq=False)
class Tour:
    """One tour, or several laid end to end. `halves`: stops that go on as the next one after a pause in `pauses`."""

    order: tuple[str | None, ...]
    dates: tuple[date, ...]
    start_utc_s: float
    stops: tuple[Stop, ...]
    timed: Timed
    xy: Floats
    speed_mps: Floats
    heading: Floats
    jams: tuple[Span, ...]
    current: Current
    halves: tuple[int, ...] = ()
    pauses: tuple[Span, ...] = ()

    @property
    def nights(self) -> tuple[Span, ...]:
        """The pauses that are longer than an hour."""
        return tuple(_nights(self.pauses))


def _nights(pauses: Sequence[Span]) -> list[Span]:
    return [pause for pause in pauses if pause[1] - pause[0] > _NIGHT_S]


@dataclass(frozen=True, slots=True)
class Errand:
    """A tour before it is driven: its sites in order and its date."""

    order: list[str | None]
    day: date
    cargo: Cargo


def errand(rng: np.random.Generator, *, namer: Namer, places: Sequence[Place], profile: Profile, day: date) -> Errand:
    """Which sites, and what is carried between them."""
    order = visiting_order(rng, places, profile)
    cargo = stow(namer, rng, stops=order, items=int(rng.integers(*profile.items)), slips=profile.slips)
    return Errand(order, day, cargo)


def big_cases(errands: Sequence[Errand], faults: Faults, *, seed: int) -> None:
    """Adds the fault's cases to each tour's cargo."""
    rng = faults.generator("cases", seed)
    for number, one in enumerate(errands):
        namer = Namer(rng, above=50_000 + 1000 * number)
        pack_cases(one.cargo, rng, namer, stops=one.order, count=int(rng.poisson(faults.cases)) + 1)


def drive_tour(
    rng: np.random.Generator,
    errand: Errand,
    handlings: Sequence[Sequence[Handling]],
    *,
    by_id: Mapping[str, Place],
    profile: Profile,
    known: Mapping[str, XY],
) -> Tour:
    """Drives one tour with what is handled at each of its stops; `known` are docks where the van stood before."""
    order = errand.order
    stops, xy, speed, heading, jams = drive_all(rng, order, by_id, handlings, profile, known=known)
    timed = handle(rng, stops, handlings)
    current = wire(rng, stops=stops, duration_s=len(xy), cut=profile.power_cut)
    midnight = papers.local_time(errand.day, by_id[profile.home].timezone)
    start_s = midnight + int(rng.integers(21600, 28800))
    dates = tuple(errand.day for _ in order)
    return Tour(tuple(order), dates, start_s, stops, timed, xy, speed, heading, jams, current)


def combine(errands: Sequence[Errand]) -> Cargo:
    """One cargo with all the tours' things, its stops numbered on."""
    whole = Cargo()
    base = 0
    for number, one in enumerate(errands):
        part, first = one.cargo, len(whole.things)
        whole.things += part.things
        whole.start += [start if start < 0 else start + base for start in part.start]
        whole.handlings += [
            [Handling(h.act, h.thing + first, h.unit + 10_000_000 * number) for h in handlings]
            for handlings in part.handlings
        ]
        whole.wishes += [
            replace(w, thing=None if w.thing is None else w.thing + first, load=w.load + base, unload=w.unload + base)
            for w in part.wishes
        ]
        whole.idle |= {thing + first for thing in part.idle}
        whole.notes += part.notes
        base += len(one.order)
    return whole


def hang_together(cargo: Cargo, errands: Sequence[Errand], rng: np.random.Generator) -> None:
    """Makes some deliveries be collected on a later tour, and some of what came home stay aboard for the next."""
    order = [site for one in errands for site in one.order]
    bounds = np.cumsum([0, *(len(one.order) for one in errands)]).tolist()
    busy: set[int] = set()
    for first, last in pairwise(bounds[1:]):
        home = last - 1
        for stop in range(first + 1, home):
            site = order[stop]
            earlier = [i for i in range(first) if site is not None and order[i] == site and site != order[0]]
            for unit, numbers in _landed(cargo, earlier).items():
                if busy & set(numbers) or rng.random() > _COLLECTED:
                    continue
                busy |= set(numbers)
                cargo.handlings[stop] += [Handling("load", n, unit + 500_000) for n in numbers]
                cargo.handlings[home] += [Handling("unload", n, unit + 500_000) for n in numbers]
                cargo.wishes += [Wish(n, stop, home) for n in numbers]
        drops = [i for i in range(first + 1, home) if order[i] not in {None, order[0]}]
        for unit, numbers in _landed(cargo, [first - 1]).items():
            if busy & set(numbers) or rng.random() > _STAYS_ABOARD:
                continue
            busy |= set(numbers)
            to = int(rng.choice([*drops, home]))
            off = [h for h in cargo.handlings[first - 1] if h.unit == unit and h.act == "unload"]
            cargo.handlings[first - 1] = [h for h in cargo.handlings[first - 1] if h not in off]
            cargo.handlings[to] += off
            cargo.notes.append(f"{cargo.things[numbers[0]].name} stays aboard at home and rides on")


def _landed(cargo: Cargo, stops: Sequence[int]) -> dict[int, list[int]]:
    """What is unloaded for good at these stops, by unit."""
    found: dict[int, list[int]] = {}
    for stop in stops:
        for handling in cargo.handlings[stop]:
            if handling.act == "unload":
                found.setdefault(handling.unit, []).append(handling.thing)
    return found


def lay_end_to_end(rng: np.random.Generator, tours: Sequence[Tour]) -> Tour:
    """One tour of several; a tour of an earlier or the same date's end begins when the one before ends."""
    parts: list[Tour] = []
    pauses: list[Span] = []
    xy, speed, heading = [tours[0].xy], [tours[0].speed_mps], [tours[0].heading]
    now = len(tours[0].xy)
    parts.append(tours[0])
    for before, tour in pairwise(tours):
        begins = now
        if tour.dates[0] != before.dates[0]:
            begins = max(int(tour.start_utc_s - tours[0].start_utc_s), now)
        if begins > now:
            xy.append(np.repeat(tour.xy[:1], begins - now, axis=0))
            speed.append(np.zeros(begins - now))
            heading.append(np.full(begins - now, heading[-1][-1]))
        pauses.append((float(now), float(begins)))
        parts.append(_later(tour, float(begins)))
        xy.append(tour.xy)
        speed.append(tour.speed_mps)
        heading.append(tour.heading)
        now = begins + len(tour.xy)
    stops = [stop for part in parts for stop in part.stops]
    spots: dict[XY, int] = {}
    stops = [replace(stop, spot=spots.setdefault(stop.xy, len(spots))) for stop in stops]
    ignition = tuple(switch for part in parts for switch in part.current.ignition)
    awake = [night for night in _nights(pauses) if rng.random() < 0.25]  # on the depot's own current
    boots = run_spans(rng, ignition, duration_s=now, lingers_s=HALF_HOUR_S, awake=awake)
    door = tuple(switch for part in parts for switch in part.current.door)
    current = Current(door, ignition, boots, frozenset())
    cuts = sum(bool(part.current.cut_after) for part in parts)
    return Tour(
        order=tuple(site for part in parts for site in part.order),
        dates=tuple(day for part in parts for day in part.dates),
        start_utc_s=tours[0].start_utc_s,
        stops=tuple(stops),
        timed=[timed for part in parts for timed in part.timed],
        xy=np.concatenate(xy),
        speed_mps=np.concatenate(speed),
        heading=np.concatenate(heading),
        jams=tuple(jam for part in parts for jam in part.jams),
        current=cut(rng, current, stops, share=1.0, most=cuts) if cuts else current,
        halves=tuple(int(n) for n in (np.cumsum([len(part.order) for part in parts])[:-1] - 1)),
        pauses=tuple(pauses),
    )


def _later(tour: Tour, by_s: float) -> Tour:
    """The same tour so many seconds later."""
    stops = [
        replace(
            stop,
            arrived_s=stop.arrived_s + by_s,
            departed_s=stop.departed_s + by_s,
            opens_s=None if stop.opens_s is None else stop.opens_s + by_s,
            closes_s=None if stop.closes_s is None else stop.closes_s + by_s,
        )
        for stop in tour.stops
    ]
    current = replace(
        tour.current,
        door=tuple((at_s + by_s, on) for at_s, on in tour.current.door),
        ignition=tuple((at_s + by_s, on) for at_s, on in tour.current.ignition),
    )
    return replace(
        tour,
        stops=tuple(stops),
        timed=[[(round(at_s + by_s, 1), handling) for at_s, handling in timed] for timed in tour.timed],
        jams=tuple((begin + by_s, end + by_s) for begin, end in tour.jams),
        current=current,
    )


def merged(tour: Tour) -> tuple[tuple[Stop, ...], Timed]:
    """The stops as the van sees them, each evening and the morning after as one, and each one's handlings."""
    stops: list[Stop] = []
    timed: Timed = []
    for number, (stop, handlings) in enumerate(zip(tour.stops, tour.timed, strict=True)):
        if number - 1 in tour.halves:
            stops[-1] = replace(stops[-1], departed_s=stop.departed_s)
            timed[-1] = [*timed[-1], *handlings]
        else:
            stops.append(stop)
            timed.append(list(handlings))
    return tuple(stops), timed


def rounds_of_the_day(tour: Tour) -> list[int]:
    """For each stop which departure of its date from its site it is, from 1 (a plan's `trip`)."""
    seen: dict[tuple[str | None, date], int] = {}
    trips = []
    for number, (site, day) in enumerate(zip(tour.order, tour.dates, strict=True)):
        if number not in tour.halves and number < len(tour.order) - 1:
            seen[site, day] = seen.get((site, day), 0) + 1
        trips.append(max(seen.get((site, day), 0), 1))
    return trips
