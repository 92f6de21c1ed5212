"""The receiver's reports: late, wrong by more than they say, jumping, and silent where a roof is over the dock."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from agent.units import format_utc
from tests.bench.steelbox.habits import Habits
from tests.bench.steelbox.places import degrees
from tests.bench.steelbox.story import Story


def fixes(
    story: Story, habits: Habits, spans: list[tuple[float, float]], rng: np.random.Generator
) -> list[tuple[float, dict[str, Any]]]:
    """When each TPV reached the computer, and what it says, within the spans in which the computer ran."""
    sky = habits.sky
    knots_s = np.concatenate([[story.begin_s - 1e6], *(leg.at_s for leg in story.drives), [story.now_s + 1e6]])
    spot = story.stops[0].place.spot
    east = np.concatenate([[spot[0]], *(leg.x_m for leg in story.drives), [story.drives[-1].x_m[-1]]])
    north = np.concatenate([[spot[1]], *(leg.y_m for leg in story.drives), [story.drives[-1].y_m[-1]]])
    speed = np.concatenate([[0.0], *(leg.speed_mps for leg in story.drives), [0.0]])
    found: list[tuple[float, dict[str, Any]]] = []
    hidden = [
        ((stop.arrived_s or story.begin_s) + 6, (stop.departed_s or story.now_s) + float(rng.uniform(4, 25)))
        for stop in story.stops
        if not stop.place.open_sky
    ]
    for begin_s, end_s in spans:
        first_s = begin_s + float(rng.uniform(5, 70))
        times = np.arange(first_s, end_s - 1, sky.every_s)
        if not len(times):
            continue
        seen = times - sky.lag_s
        x, y = np.interp(seen, knots_s, east), np.interp(seen, knots_s, north)
        v = np.interp(seen, knots_s, speed)
        under = np.zeros(len(times), dtype=np.bool_)
        for a, b in hidden:
            under |= (times >= a) & (times <= b)
        every_10_min = np.arange(begin_s, end_s + 600, 600)
        canyon = np.interp(times, every_10_min, rng.random(len(every_10_min))) > 0.85
        sigma = sky.sigma_m * np.where(canyon, 3.0, 1.0) * np.where(under & (sky.dock == "poor"), 4.0, 1.0)
        dx, dy = _wander(len(times), sky.every_s, rng) * sigma, _wander(len(times), sky.every_s, rng) * sigma
        for at_s in _poisson(begin_s, end_s, sky.jumps_per_h / 3600, rng):
            far_m, angle = float(rng.uniform(50, 400)), float(rng.uniform(0, 2 * math.pi))
            jump = (times >= at_s) & (times < at_s + rng.uniform(4, 40))
            dx[jump] += far_m * math.cos(angle)
            dy[jump] += far_m * math.sin(angle)
        held: dict[str, Any] | None = None
        for i, at_s in enumerate(times):
            arrives_s = float(at_s) + 0.15
            lost = bool(under[i]) and sky.dock != "poor"
            if lost and sky.dock == "silent":
                continue
            if lost and sky.dock == "stale" and held is not None:
                found.append((arrives_s, held))
                continue
            tpv: dict[str, Any] = {"class": "TPV", "device": "/dev/ttyS0", "time": format_utc(float(at_s))}
            if lost:
                found.append((arrives_s, tpv | {"mode": 1}))
                continue
            lat, lon = degrees(float(x[i] + dx[i]), float(y[i] + dy[i]))
            tpv |= {"mode": 3, "lat": round(lat, 7), "lon": round(lon, 7)}
            tpv["eph"] = round(2.4477 * float(sigma[i]) * sky.lie, 1)
            if sky.says_speed:
                tpv["speed"] = round(abs(float(v[i] + rng.normal(0, 0.15))), 2)
            held = tpv
            found.append((arrives_s, tpv))
    return found


def _wander(count: int, every_s: float, rng: np.random.Generator) -> np.ndarray:
    """A first-order Gauss-Markov error of unit variance that forgets itself within a minute or so."""
    keep = math.exp(-every_s / 80.0)
    noise = rng.standard_normal(count) * math.sqrt(1 - keep**2)
    out = np.empty(count)
    last = float(rng.standard_normal())
    for i in range(count):
        last = keep * last + float(noise[i])
        out[i] = last
    return out


def _poisson(begin_s: float, end_s: float, rate: float, rng: np.random.Generator) -> list[float]:
    return sorted(float(t) for t in rng.uniform(begin_s, end_s, int(rng.poisson(rate * (end_s - begin_s)))))
