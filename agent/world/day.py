"""A day of one van, drawn from a seed: where it drives, when it has power, what is carried on and off, who rides.

`make_day` puts the parts together (places, route, cargo, around, gpsnoise) and keeps the truth beside what instruments
may see of it. Seconds count from the day's start; the first computer starts at 0.
"""

from __future__ import annotations

import bisect
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from agent.units import format_utc
from agent.world import papers
from agent.world.around import Change, Visit, whereabouts
from agent.world.cargo import Cargo, Faults, Handling, handling_times, seconds_needed, stow
from agent.world.goods import Namer, Tagged
from agent.world.gpsnoise import Track, observe
from agent.world.places import XY, Place, dock_at, read_places, street_at
from agent.world.power import Current, Span, wire
from agent.world.route import drive, road

DOORS, IGNITION = 1, 2
_FIRST_MONDAY_S = 1772409600  # 2026-03-02T00:00:00Z
_DAY_S = 86400


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

    def doors_open(self, t_s: float) -> bool:
        """Whether the rear doors stand open."""
        return self.current.doors(t_s)

    def spot_near(self, t_s: float) -> tuple[int, float]:
        """The nearest of the last and the next stop's spots, and metres to it."""
        second = min(max(int(t_s), 0), len(self.xy) - 1)
        return int(self._spot_near[second]), float(self._spot_away[second])

    def wall_clock_s(self, boot: int) -> float:
        """What this boot's wall clock says at its start: no battery clock, so 1970 or, after an orderly end, that end."""
        if boot == 0 or self.boots[boot - 1] in self.current.cut_after:
            return self.boot_mono_s
        return self.start_utc_s + self.boots[boot - 1][1]


def make_day(seed: int, *, sites: Mapping[str, Any], profile: Profile | None = None) -> Day:
    """The day of this seed at the sites of this FeatureCollection, which must hold the profile's `home`."""
    profile = profile or Profile()
    rng = np.random.default_rng([seed, 0xDA7])
    plane, places = read_places(sites, home=profile.home)
    by_id = {place.id: place for place in places}
    order = _order(rng, places, profile)
    namer = Namer(rng)
    cargo = stow(namer, rng, stops=order, items=int(rng.integers(*profile.items)), faults=profile.faults)
    stops, xy, speed, heading, jams = _drive_all(rng, order, by_id, cargo, profile)
    timed = _handle(rng, stops, cargo)
    current = wire(rng, stops=stops, duration_s=len(xy), cut=profile.power_cut)
    start_s = _FIRST_MONDAY_S + (seed % 60) * _DAY_S + int(rng.integers(5 * 3600, 7 * 3600))
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
    day_date = papers.local_date(start_s, by_id[profile.home].timezone)
    return Day(
        seed=seed,
        vehicle_toml=papers.vehicle_toml(profile.vehicle, profile.home),
        register_csv=papers.register_csv(rng, tags, vehicle=profile.vehicle, home=profile.home),
        plan_csv=papers.plan_csv(cargo, sites=order, vehicle=profile.vehicle, date=day_date),
        sites_geojson=sites,
        start_utc_s=start_s,
        duration_s=float(len(xy)),
        boots=current.boots,
        boot_mono_s=12.0,
        inputs=tuple(sorted([(t, DOORS, on) for t, on in current.door] + [(t, IGNITION, on) for t, on in current.ignition])),
        stops=stops,
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


def _order(rng: np.random.Generator, places: Sequence[Place], profile: Profile) -> list[str | None]:
    """The sites in the order of visit, home first and last, perhaps with a halt at no site between two of them."""
    customers = [place for place in places if place.id != profile.home]
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


def _drive_all(
    rng: np.random.Generator,
    order: Sequence[str | None],
    by_id: Mapping[str, Place],
    cargo: Cargo,
    profile: Profile,
) -> tuple[tuple[Stop, ...], NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], tuple[Span, ...]]:
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
    pieces, speeds, headings, jams = [], [], [], []
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


def _handle(rng: np.random.Generator, stops: Sequence[Stop], cargo: Cargo) -> list[list[tuple[float, Handling]]]:
    """Every handling of every stop with its time."""
    timed = []
    for stop, handlings in zip(stops, cargo.handlings, strict=True):
        if stop.opens_s is None or stop.closes_s is None:
            timed.append([])
            continue
        slack = stop.closes_s - stop.opens_s - seconds_needed(handlings)
        late = stop.closes_s - 900 if slack > 2400 else None
        timed.append(
            handling_times(rng, handlings, opens_s=stop.opens_s, closes_s=stop.closes_s, late_from_s=late)
        )
    return timed


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
