"""What goes wrong with a receiver: jumps that it is sure of, canyons, tunnels, dates that are 1024 weeks back.

Takes a finished track and changes what it says. The jumps' and canyons' sizes are those of receivers in towns (common
practice, no source); the week number of GPS has ten bits (IS-GPS-200), so 1024 weeks are 619 315 200 s.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from agent.world.account import Day
from agent.world.gpsnoise import RADIUS_95, Track, gauss_markov
from agent.world.places import Plane

Floats = NDArray[np.float64]

_CANYON_M = 350.0
_BIAS_M = 22.0


def _shift(track: Track, plane: Plane, at: NDArray[np.intp], east_m: Floats, north_m: Floats) -> Track:
    """The same track, moved by so many metres at these seconds."""
    lat, lon = track.lat.copy(), track.lon.copy()
    x, y = plane.to_xy(lon[at], lat[at])
    lon[at], lat[at] = plane.to_lonlat(x + east_m, y + north_m)
    return replace(track, lat=lat, lon=lon)


def jumps(day: Day, rng: np.random.Generator, plane: Plane, per_hour: float) -> Track:
    """Positions 40 to 600 m off for a second to two minutes, with a stated error of a few metres."""
    track = day.track
    seconds = len(track.mode)
    speed, eph = track.speed_mps.copy(), track.eph_m.copy()
    for _ in range(int(rng.poisson(per_hour * seconds / 3600))):
        begin = int(rng.integers(0, seconds))
        lasts = int(rng.uniform(1, 6)) if rng.random() < 0.4 else int(rng.uniform(8, 120))
        at = np.arange(begin, min(begin + lasts, seconds))
        far, way = float(np.clip(rng.lognormal(4.7, 0.7), 40, 600)), float(rng.uniform(0, 2 * np.pi))
        track = _shift(track, plane, at, np.full(len(at), far * np.cos(way)), np.full(len(at), far * np.sin(way)))
        eph[at] = rng.uniform(2, 6) * np.exp(0.1 * rng.normal(size=len(at)))
        if rng.random() < 0.5:  # the filter took the leap for motion
            speed[at[:3]] = rng.uniform(3, 25)
    return replace(track, speed_mps=speed, eph_m=eph)


def canyon(day: Day, rng: np.random.Generator, plane: Plane, share: float) -> Track:
    """Around some sites fixes are off by tens of metres for minutes, and the receiver states less than half of it."""
    track = day.track
    seconds = len(track.mode)
    weight = np.zeros(seconds)
    for spot in sorted({stop.spot for stop in day.stops[1:-1]}):
        if rng.random() < share:
            xy = next(stop.xy for stop in day.stops if stop.spot == spot)
            apart = np.hypot(*(day.xy - np.asarray(xy)).T)
            weight = np.maximum(weight, np.clip((_CANYON_M - apart) / 60.0, 0, 1))
    bias = _BIAS_M * np.stack([gauss_markov(rng, seconds=seconds, memory_s=90.0) for _ in range(2)])
    noise = rng.normal(0, 4.0, (2, seconds))
    at = np.flatnonzero(weight)
    east, north = ((bias + noise) * weight)[:, at]
    track = _shift(track, plane, at, east, north)
    claim = RADIUS_95 * _BIAS_M * 0.4 * np.exp(0.3 * gauss_markov(rng, seconds=seconds, memory_s=200.0))
    slip = np.abs(rng.normal(0, 0.5, seconds)) * weight
    eph = (1 - weight) * track.eph_m + weight * claim
    return replace(track, eph_m=eph, speed_mps=np.abs(track.speed_mps + slip))


def tunnel(day: Day, rng: np.random.Generator, share: float) -> Track:
    """On some legs there is no sky for 30 s to five minutes while the van drives, at most half of the leg."""
    mode = day.track.mode.copy()
    for before, after in pairwise(day.stops):
        lasts_s = after.arrived_s - before.departed_s
        if lasts_s < 150 or rng.random() >= share:
            continue
        begin = int(before.departed_s + rng.uniform(0.05, 0.5) * lasts_s)
        end = begin + int(rng.uniform(30, min(300.0, 0.5 * lasts_s)))
        found = end + int(rng.uniform(2, 12))
        mode[begin:found] = np.minimum(mode[begin:found], 1)
        mode[found : found + 3] = np.minimum(mode[found : found + 3], 2)
    return replace(day.track, mode=mode)


def roll_over(day: Day, rng: np.random.Generator) -> Track:
    """Dates 1024 weeks back: one receiver in two says nothing else, the other for 20 s to 15 min after each start."""
    rolled = np.zeros(len(day.track.mode), dtype=np.bool_)
    if rng.random() < 0.5:
        rolled[:] = True
    else:
        for begin, end in day.boots:
            rolled[int(begin) : int(min(begin + rng.uniform(20, 900), end))] = True
    return replace(day.track, rolled=rolled)
