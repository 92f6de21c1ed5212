"""How the van moves: roads as polylines, and a drive along them second by second.

Speeds, accelerations, corners, traffic lights and a jam. The figures are those of a laden van in town and on country
roads (common practice, no source). No halt on the road reaches 90 s, because a longer one is a stop (formats.md
section 7) and stops are the schedule's business.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from agent.world.places import XY

_ACCELERATION_MPS2 = 1.3
_BRAKING_MPS2 = 1.0
_CORNER_MPS = 5.5
_YARD_MPS = 3.0
_YARD_M = 35.0
_JAM_MPS = 4.5
_LOOK_AHEAD_M = 320.0
_LONGEST_HALT_S = 80.0


Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Control:
    """A point of the road that must be passed at no more than `speed_mps`; at 0 the van waits `wait_s` there."""

    at_m: float
    speed_mps: float
    wait_s: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class Drive:
    """One leg, a row a second from the first moment of motion to the first at rest: metres (n, 2), m/s (n,)."""

    xy: Floats
    speed_mps: Floats
    track_deg: Floats
    jam_s: tuple[int, int] | None


def road(start: XY, end: XY, rng: np.random.Generator) -> Floats:
    """A polyline (n, 2) from `start` to `end` with bends to either side, in pieces of 200 to 1,500 m."""
    a, b = np.asarray(start), np.asarray(end)
    length = float(np.hypot(*(b - a)))
    if length < 120:
        return np.stack([a, b])
    pieces = max(2, round(length / rng.uniform(350, 900)))
    along = np.sort(rng.uniform(0.05, 0.95, pieces - 1))
    across = np.array([-(b - a)[1], (b - a)[0]]) / length
    swing = np.cumsum(rng.normal(0, 0.06 * length / math.sqrt(pieces), pieces - 1))
    swing *= np.sin(np.pi * along)  # the road comes back to the line at both ends
    bends = a + np.outer(along, b - a) + np.outer(swing, across)
    return np.vstack([a, bends, b])


def _controls(
    lengths: Floats,
    headings: Floats,
    limits: Floats,
    rng: np.random.Generator,
    *,
    jam: tuple[float, float] | None,
) -> list[Control]:
    """Corners, lights and the jam's halts along a road of these pieces, in order."""
    ends = np.cumsum(lengths)
    found: list[Control] = []
    for i, corner_m in enumerate(ends[:-1]):
        turn = abs((headings[i + 1] - headings[i] + 180) % 360 - 180)
        if turn > 35:
            found.append(Control(float(corner_m), _CORNER_MPS))
        if rng.random() < 0.3:
            wait_s = int(rng.uniform(5, 75)) if rng.random() < 0.55 else 0
            if wait_s and corner_m > 30 and ends[-1] - corner_m > 60:
                found.append(Control(float(corner_m) - 8.0, 0.0, wait_s))
    if jam is not None:
        at_m = jam[0]
        found = [c for c in found if not jam[0] - 20 < c.at_m < jam[1] + 20 or c.wait_s == 0]
        while at_m < jam[1]:
            found.append(Control(at_m, 0.0, int(min(_LONGEST_HALT_S - 10, rng.gamma(2.0, 11.0) + 2))))
            at_m += float(rng.uniform(12, 90))
        found.append(Control(jam[0] - 30.0, _JAM_MPS))
    slower = np.flatnonzero(np.diff(limits) < 0)
    found += [Control(float(ends[i]), float(limits[i + 1])) for i in slower]
    found += [Control(float(ends[-1]) - _YARD_M, _YARD_MPS), Control(float(ends[-1]), 0.0)]
    return sorted(found, key=lambda control: control.at_m)


def drive(points: Floats, rng: np.random.Generator, *, jammed: bool = False) -> Drive:
    """Drives along the polyline (n, 2) from standstill to standstill."""
    steps = np.diff(points, axis=0)
    lengths = np.hypot(steps[:, 0], steps[:, 1])
    headings = np.degrees(np.arctan2(steps[:, 0], steps[:, 1])) % 360
    starts = np.concatenate([[0.0], np.cumsum(lengths)])
    total = float(starts[-1])
    town = (starts[:-1] < 900) | (starts[1:] > total - 900)
    limits = np.where(town, rng.uniform(8, 13, len(lengths)), rng.uniform(13, 23, len(lengths)))
    jam = None
    if jammed and total > 2500:
        begin = float(rng.uniform(0.25, 0.55) * total)
        jam = (begin, min(begin + float(rng.uniform(500, 1200)), total - 400))
    controls = _controls(lengths, headings, limits, rng, jam=jam)
    at_m, speed = [0.0], [0.0]
    position, pace, nxt = 0.0, 0.0, 0
    while True:
        piece = min(int(np.searchsorted(starts, position, side="right")) - 1, len(lengths) - 1)
        allowed = float(limits[piece]) if min(position, total - position) > _YARD_M else _YARD_MPS
        if jam is not None and jam[0] - 30 < position < jam[1]:
            allowed = min(allowed, _JAM_MPS)
        for control in controls[nxt:]:
            ahead = max(control.at_m - position, 0.0)
            if ahead > _LOOK_AHEAD_M:
                break
            allowed = min(allowed, math.sqrt(control.speed_mps**2 + 2 * _BRAKING_MPS2 * ahead))
        pace = max(min(pace + _ACCELERATION_MPS2, allowed) * (1 + rng.normal(0, 0.02)), 0.5)
        position += pace
        while controls[nxt].speed_mps > 0 and position >= controls[nxt].at_m:
            nxt += 1
        if controls[nxt].speed_mps == 0 and position >= controls[nxt].at_m - 0.5:
            position, pace = controls[nxt].at_m, 0.0
            waited = max(controls[nxt].wait_s, 1)
            last = nxt == len(controls) - 1
            at_m.extend([position] * (1 if last else waited))
            speed.extend([0.0] * (1 if last else waited))
            if last:
                break
            nxt += 1
            continue
        at_m.append(position)
        speed.append(pace)
    way = np.asarray(at_m)
    xy = np.stack([np.interp(way, starts, points[:, 0]), np.interp(way, starts, points[:, 1])], axis=1)
    track = headings[np.clip(np.searchsorted(starts, way, side="right") - 1, 0, len(headings) - 1)]
    jam_s = None
    if jam is not None:
        jam_s = int(np.searchsorted(way, jam[0] - 30)), int(np.searchsorted(way, jam[1]))
    return Drive(xy[1:], np.asarray(speed[1:]), track[1:], jam_s)
