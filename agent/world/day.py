"""A day of one van, drawn from a seed: where it drives, when it has power, what is carried on and off, who rides.

`make_day` puts the parts together (places, route, cargo, around, gpsnoise) and keeps the truth beside what instruments
may see of it. Seconds count from the day's start; the first computer starts at 0.
"""

from __future__ import annotations

import bisect
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from agent.units import format_utc
from agent.world import papers
from agent.world.around import Change, Visit, whereabouts
from agent.world.cargo import Cargo, Handling, stow
from agent.world.goods import Namer, Tagged
from agent.world.gpsnoise import Track, observe
from agent.world.places import read_places
from agent.world.power import Current, Span, wire
from agent.world.schedule import Profile, Stop, drive_all, handle, visiting_order

DOORS, IGNITION = 1, 2
_SILENT_WITHIN_M = 90.0


@dataclass(frozen=True, slots=True, eq=False)
class Day:
    """The day and all that may be asked of it. `truth` holds moves, manifests and stops as in truth.json."""

    seed: int
    vehicle_toml: str
    register_csv: str
    plan_csv: str
    sites_geojson: Mapping[str, Any]
    start_utc_s: float
    duration_s: float
    boots: tuple[Span, ...]
    boot_mono_s: float
    inputs: tuple[tuple[float, int, bool], ...]
    stops: tuple[Stop, ...]
    radio_off: frozenset[str]
    tags: tuple[Tagged, ...]
    changes: tuple[Change, ...]
    truth: dict[str, Any]
    narrative: tuple[tuple[float, str], ...]
    dead_zones: tuple[Span, ...]
    jams: tuple[Span, ...]
    xy: NDArray[np.float64]
    speed_mps: NDArray[np.float64]
    track: Track
    current: Current
    _spot_near: NDArray[np.int16]
    _spot_away: NDArray[np.float64]

    def coverage(self, t_s: float) -> bool:
        """Whether the mobile network reaches the van."""
        return not any(begin <= t_s < end for begin, end in self.dead_zones)

    def fix_at(self, t_s: float) -> dict[str, Any] | None:
        """The TPV of this whole second, None while the receiver has no power."""
        return self.track.tpv(int(t_s))

    def moving(self, t_s: float) -> bool:
        """Whether the wheels turn."""
        return bool(self.speed_mps[min(max(int(t_s), 0), len(self.speed_mps) - 1)] > 0)

    def at_stop(self, t_s: float) -> bool:
        """Whether the van stands at a true stop (not at a light)."""
        number = bisect.bisect_right(self.stops, t_s, key=lambda stop: stop.arrived_s) - 1
        return number >= 0 and t_s < self.stops[number].departed_s

    def radio_off_at(self, t_s: float) -> bool:
        """Whether the van is at a site where the reader must not transmit, or within earshot of its dock."""
        spot, away_m = self.spot_near(t_s)
        return away_m < _SILENT_WITHIN_M and any(s.spot == spot and s.site in self.radio_off for s in self.stops)

    def doors_open(self, t_s: float) -> bool:
        """Whether the rear doors stand open."""
        return self.current.doors(t_s)

    def spot_near(self, t_s: float) -> tuple[int, float]:
        """The nearest of the last and the next stop's spots, and metres to it."""
        second = min(max(int(t_s), 0), len(self.xy) - 1)
        return int(self._spot_near[second]), float(self._spot_away[second])

    def wall_clock_s(self, boot: int) -> float:
        """What this boot's wall clock says: there is no battery, so 1970 or, after an orderly end, the time of that."""
        if boot == 0 or self.boots[boot - 1] in self.current.cut_after:
            return self.boot_mono_s
        return self.start_utc_s + self.boots[boot - 1][1]


def make_day(seed: int, *, sites: Mapping[str, Any], profile: Profile | None = None) -> Day:
    """The day of this seed at the sites of this FeatureCollection, which must hold the profile's `home`."""
    profile = profile or Profile()
    rng = np.random.default_rng([seed, 0xDA7])
    plane, places = read_places(sites, home=profile.home)
    by_id = {place.id: place for place in places}
    order = visiting_order(rng, places, profile)
    namer = Namer(rng)
    cargo = stow(namer, rng, stops=order, items=int(rng.integers(*profile.items)), faults=profile.faults)
    stops, xy, speed, heading, jams = drive_all(rng, order, by_id, cargo, profile)
    timed = handle(rng, stops, cargo)
    current = wire(rng, stops=stops, duration_s=len(xy), cut=profile.power_cut)
    home = by_id[profile.home]
    day_date = papers.date_of(seed)
    start_s = papers.local_time(day_date, home.timezone) + int(rng.integers(21600, 28800))
    badges = 1 + int(rng.random() < profile.second_badge)
    visits = [Visit(s.spot, s.arrived_s, s.departed_s, worked=s.opens_s is not None) for s in stops]
    tags, changes = whereabouts(
        namer, rng, cargo=cargo, visits=visits, timed=timed, jams=jams, badges=badges, vehicle=profile.vehicle
    )
    track = observe(
        rng,
        plane=plane,
        xy=xy,
        speed_mps=speed,
        track_deg=heading,
        powered=current.powered(len(xy)),
        sky=_mask(len(xy), [(s.arrived_s - 6, s.departed_s + 8) for s in stops if s.roofed], inside=False),
        walls=_mask(len(xy), [(s.arrived_s - 20, s.departed_s + 20) for s in stops if s.site], inside=True),
        start_utc_s=start_s,
    )
    near, away = _spots(xy, stops)
    return Day(
        seed=seed,
        vehicle_toml=papers.vehicle_toml(profile.vehicle, profile.home),
        register_csv=papers.register_csv(rng, tags, vehicle=profile.vehicle, home=profile.home),
        plan_csv=papers.plan_csv(cargo, sites=order, vehicle=profile.vehicle, day=day_date),
        sites_geojson=sites,
        start_utc_s=start_s,
        duration_s=float(len(xy)),
        boots=current.boots,
        boot_mono_s=12.0,
        inputs=_inputs(current),
        stops=stops,
        radio_off=frozenset(place.id for place in places if place.radio_off),
        tags=tuple(tags),
        changes=tuple(changes),
        truth=papers.truth(stops, cargo, timed, start_utc_s=start_s),
        narrative=_story(stops, cargo, timed, current),
        dead_zones=_dead_zones(rng, stops, len(xy)),
        jams=jams,
        xy=xy,
        speed_mps=speed,
        track=track,
        current=current,
        _spot_near=near,
        _spot_away=away,
    )


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
