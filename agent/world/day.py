"""A day of one van, drawn from a seed: where it drives, when it has power, what is carried on and off, who rides.

`make_day` puts the parts together (places, route, cargo, around, gpsnoise) and keeps the truth beside what instruments
may see of it; `make_week` does so for several days of the same van. Faults befall the finished day, but for those of
power and cargo.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from agent.units import format_utc
from agent.world import papers, supply
from agent.world.account import Day
from agent.world.around import BEFORE_S, Change, Visit, Where, whereabouts
from agent.world.beset import beset
from agent.world.cargo import Cargo, Handling
from agent.world.faults import NONE, Faults
from agent.world.goods import Namer, Tagged
from agent.world.gpsnoise import observe
from agent.world.places import XY, read_places
from agent.world.power import Current, Span
from agent.world.schedule import Profile, Stop
from agent.world.tours import (
    Errand,
    Tour,
    big_cases,
    combine,
    drive_tour,
    errand,
    hang_together,
    lay_end_to_end,
    merged,
    rounds_of_the_day,
)

__all__ = ["Day", "make_day", "make_week", "utc"]

DOORS, IGNITION = 1, 2


def make_day(seed: int, *, sites: Mapping[str, Any], profile: Profile | None = None, faults: Faults = NONE) -> Day:
    """The day of this seed at the sites of this FeatureCollection, which must hold the profile's `home`."""
    return make_week(seed, sites=sites, days=1, profile=profile, faults=faults)


def make_week(
    seed: int, *, sites: Mapping[str, Any], days: int = 5, profile: Profile | None = None, faults: Faults = NONE
) -> Day:
    """So many days of the same van as one record, the nights at home between them.

    What is delivered on one day is in part collected on a later one, some of what comes home stays aboard overnight.
    """
    profile = profile or Profile()
    rng = np.random.default_rng([seed, 0xDA7])
    _, places = read_places(sites, home=profile.home)
    begun = papers.date_of(seed)
    namer = Namer(rng)
    drawn: list[tuple[np.random.Generator, Profile, Errand]] = []
    for day, extra in _agenda(begun, days, faults, seed):
        number = len(drawn)
        own = np.random.default_rng([seed, 0xDA7, number]) if number else rng
        kind = _second(profile) if extra else profile
        if number:
            slips = replace(kind.slips, aboard_before=0.0, idle_stock=(0, 3))
            kind, namer = replace(kind, slips=slips), Namer(own, above=2000 * number)
        drawn.append((own, kind, errand(own, namer=namer, places=places, profile=kind, day=day)))
    errands = [one for _, _, one in drawn]
    if faults.cases:
        big_cases(errands, faults, seed=seed)
    cargo = errands[0].cargo
    if len(errands) > 1:
        cargo = combine(errands)
        hang_together(cargo, errands, np.random.default_rng([seed, 0xDA7, 99]))
    by_id = {place.id: place for place in places}
    tours: list[Tour] = []
    known: dict[str, XY] = {}
    first = 0
    for own, kind, one in drawn:
        handlings = cargo.handlings[first : first + len(one.order)]
        tour = drive_tour(own, one, handlings, by_id=by_id, profile=kind, known=known)
        known |= {stop.site: stop.xy for stop in tour.stops if stop.site is not None}
        tours.append(tour)
        first += len(one.order)
    whole = tours[0] if len(tours) == 1 else lay_end_to_end(np.random.default_rng([seed, 0xDA7, 98]), tours)
    return _finish(rng, whole, cargo, seed=seed, sites=sites, profile=profile, faults=faults)


def _second(profile: Profile) -> Profile:
    """A further trip on the same day is a short one."""
    return replace(profile, stops=(2, 4), items=(8, 31), long_stop=False, power_cut=False, roadside_halt=0.2)


def _agenda(begun: date, days: int, faults: Faults, seed: int) -> list[tuple[date, bool]]:
    """The tours to come: each one's date, and whether it is a further one on that date."""
    rng = faults.generator("second-trips", seed)
    agenda = []
    for number in range(days):
        more = 0
        if faults.second_trips:
            more = min(max(int(rng.poisson(faults.second_trips)), 1 if days == 1 else 0), 2)
        agenda += [(begun + timedelta(days=number), extra > 0) for extra in range(1 + more)]
    return agenda


def _finish(
    rng: np.random.Generator,
    tour: Tour,
    cargo: Cargo,
    *,
    seed: int,
    sites: Mapping[str, Any],
    profile: Profile,
    faults: Faults,
) -> Day:
    """Who rides and what stands about, the receiver's track and the papers of a tour that is driven."""
    plane, places = read_places(sites, home=profile.home)
    stops, timed = merged(tour)
    seconds = len(tour.xy)
    current = supply.beset(tour.current, faults, seed=seed, stops=tour.stops, duration_s=seconds)
    badges = 1 + int(rng.random() < profile.second_badge)
    visits = [Visit(s.spot, s.arrived_s, s.departed_s, worked=s.opens_s is not None) for s in tour.stops]
    tags, changes = whereabouts(
        Namer(rng),
        rng,
        cargo=cargo,
        visits=visits,
        timed=tour.timed,
        jams=tour.jams,
        badges=badges,
        vehicle=profile.vehicle,
    )
    if tour.pauses:
        changes = _between_tours(np.random.default_rng([seed, 0xDA7, 97]), tour, tags, changes)
    track = observe(
        rng,
        plane=plane,
        xy=tour.xy,
        speed_mps=tour.speed_mps,
        track_deg=tour.heading,
        powered=current.powered(seconds),
        sky=_mask(seconds, [(s.arrived_s - 6, s.departed_s + 8) for s in stops if s.roofed], inside=False),
        walls=_mask(seconds, [(s.arrived_s - 20, s.departed_s + 20) for s in stops if s.site], inside=True),
        start_utc_s=tour.start_utc_s,
    )
    near, away = _spots(tour.xy, stops)
    register = papers.register_csv(rng, tags, vehicle=profile.vehicle, home=profile.home)
    trips = rounds_of_the_day(tour) if tour.pauses else None
    day = Day(
        seed=seed,
        vehicle=profile.vehicle,
        vehicle_toml=papers.vehicle_toml(profile.vehicle, profile.home),
        register_csv=register,
        plan_csv=papers.plan_csv(cargo, sites=tour.order, vehicle=profile.vehicle, dates=tour.dates, trips=trips),
        sites_geojson=sites,
        start_utc_s=tour.start_utc_s,
        duration_s=float(seconds),
        boots=current.boots,
        boot_mono_s=12.0,
        inputs=_inputs(current),
        stops=stops,
        radio_off=frozenset(place.id for place in places if place.radio_off),
        tags=tuple(tags),
        changes=tuple(changes),
        truth=papers.truth(stops, cargo, timed, start_utc_s=tour.start_utc_s),
        narrative=_story(stops, cargo, timed, current),
        dead_zones=_dead_zones(rng, stops, seconds),
        jams=tour.jams,
        xy=tour.xy,
        speed_mps=tour.speed_mps,
        track=track,
        current=current,
        nights=tour.nights,
        faults=faults,
        dead=(),
        _spot_near=near,
        _spot_away=away,
    )
    return beset(day)


def _between_tours(
    rng: np.random.Generator, tour: Tour, tags: Sequence[Tagged], changes: Sequence[Change]
) -> list[Change]:
    """People go home at night, and most of what rides on a later tour is brought to the dock only before it."""
    first_of = [0, *(half + 1 for half in tour.halves)]
    begins = [tour.stops[first].arrived_s for first in first_of]
    brought: dict[int, float] = {}
    for later, (first, stop) in enumerate(zip(begins, first_of, strict=True)):
        for _, handling in tour.timed[stop] if later else ():
            if handling.act == "load" and handling.thing not in brought and rng.random() < 0.75:
                since = max(begins[later - 1], first - 43_200)
                brought[handling.thing] = float(rng.uniform(since, first))
    kept = [
        replace(change, at_s=brought[change.tag]) if change.at_s == BEFORE_S and change.tag in brought else change
        for change in changes
    ]
    badges = [i for i, tag in enumerate(tags) if tag.kind == "person"]
    kept += [Change(begin + 60, badge, Where.AWAY) for begin, end in tour.nights for badge in badges]
    return sorted(kept, key=lambda change: change.at_s)


def _inputs(current: Current) -> tuple[tuple[float, int, bool], ...]:
    """The reader's input ports: when, which, on or off."""
    doors = [(t, DOORS, on) for t, on in current.door]
    return tuple(sorted([*doors, *((t, IGNITION, on) for t, on in current.ignition)]))


def _mask(seconds: int, spans: Sequence[tuple[float, float]], *, inside: bool) -> NDArray[np.bool_]:
    """(seconds,): `inside` within any of the spans, its opposite elsewhere."""
    mask = np.full(seconds, not inside)
    for begin, end in spans:
        mask[max(int(begin), 0) : max(int(end), 0)] = inside
    return mask


def _spots(xy: NDArray[np.float64], stops: Sequence[Stop]) -> tuple[NDArray[np.int16], NDArray[np.float64]]:
    """For each second the nearer of the last and the next stop's spots, and the metres to it."""
    near = np.empty(len(xy), dtype=np.int16)
    away = np.empty(len(xy))
    for i, stop in enumerate(stops):
        begin, leave = int(stop.arrived_s), int(stop.departed_s)
        near[begin:leave], away[begin:leave] = stop.spot, 0.0
        if i + 1 == len(stops):
            break
        arrive = int(stops[i + 1].arrived_s)
        back = np.hypot(*(xy[leave:arrive] - stop.xy).T)
        ahead = np.hypot(*(xy[leave:arrive] - stops[i + 1].xy).T)
        near[leave:arrive] = np.where(back <= ahead, stop.spot, stops[i + 1].spot)
        away[leave:arrive] = np.minimum(back, ahead)
    return near, away


def _dead_zones(rng: np.random.Generator, stops: Sequence[Stop], seconds: int) -> tuple[Span, ...]:
    """Times without coverage: one of 10 to 40 min that begins on a leg, and some short ones."""
    leg = int(rng.integers(0, len(stops) - 2))
    begin = float(rng.uniform(stops[leg].departed_s, stops[leg + 1].arrived_s))
    zones = [(begin, begin + float(rng.uniform(600, 2400)))]
    for _ in range(int(rng.integers(1, 5))):
        short = float(rng.uniform(0, seconds))
        zones.append((short, short + float(rng.uniform(20, 180))))
    return tuple(sorted(zones))


def _story(
    stops: Sequence[Stop], cargo: Cargo, timed: Sequence[Sequence[tuple[float, Handling]]], current: Current
) -> tuple[tuple[float, str], ...]:
    """What an onlooker would tell, in order of time."""
    told: list[tuple[float, str]] = [(0.0, note) for note in cargo.notes]
    for stop, handlings in zip(stops, timed, strict=True):
        place = stop.site or "a place that is no site"
        told.append((stop.arrived_s, f"stands at {place}"))
        words = {"load": "loaded", "unload": "unloaded", "off": "taken off for a moment", "on": "put back"}
        told += [(at_s, f"{cargo.things[h.thing].name} {words[h.act]} at {place}") for at_s, h in handlings]
        told.append((stop.departed_s, f"leaves {place}"))
    told += [(end, "the power is cut") for _, end in current.cut_after]
    return tuple(sorted(told))


def utc(day: Day, t_s: float) -> str:
    """A moment of the day as UTC text."""
    return format_utc(day.start_utc_s + t_s)
