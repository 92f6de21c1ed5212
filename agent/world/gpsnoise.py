"""What a satellite receiver makes of a true path: errors that persist, a stated precision, no fix under a roof.

The error of each axis is a first-order Gauss-Markov process (Gelb, Applied Optimal Estimation, 1974, section 3.6) with
minutes of memory plus a little white noise; near walls it is larger and the receiver knows so only in part. `eph` is
the receiver's own 95 % radius, off by some tens of per cent as real ones are (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from agent.units import format_utc
from agent.world.places import Plane

RADIUS_95 = 2.4477  # of a circular normal error, in standard deviations (Rayleigh distribution)
_WHITE_M = 0.35
ROLL_OVER_S = 1024 * 7 * 86_400.0  # ten bits of week number: IS-GPS-200

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Track:
    """A row a second: what the receiver says; `mode` 0 is a receiver without power, 1 one that sees no sky.

    `rolled` says when its dates are 1024 weeks back, None for never.
    """

    mode: NDArray[np.int8]
    lat: Floats
    lon: Floats
    altitude_m: Floats
    speed_mps: Floats
    track_deg: Floats
    eph_m: Floats
    start_utc_s: float
    device: str
    rolled: NDArray[np.bool_] | None = None

    def tpv(self, second: int) -> dict[str, Any] | None:
        """The TPV of this second as gpsd words it, or None while the receiver has no power."""
        if not 0 <= second < len(self.mode) or self.mode[second] == 0:
            return None
        mode = int(self.mode[second])
        tpv: dict[str, Any] = {"class": "TPV", "device": self.device, "mode": mode}
        if mode < 2:
            return tpv
        eph = float(self.eph_m[second])
        back_s = ROLL_OVER_S if self.rolled is not None and self.rolled[second] else 0.0
        tpv["time"] = format_utc(self.start_utc_s + second - back_s)
        tpv["ept"] = 0.005
        tpv["lat"] = round(float(self.lat[second]), 7)
        tpv["lon"] = round(float(self.lon[second]), 7)
        if mode == 3:
            tpv["altHAE"] = round(float(self.altitude_m[second]), 2)
            tpv["epv"] = round(eph * 1.6, 2)
        tpv["epx"] = round(eph / 1.41, 3)
        tpv["epy"] = round(eph / 1.41 * 1.05, 3)
        tpv["track"] = round(float(self.track_deg[second]) % 360, 2)
        tpv["speed"] = round(float(self.speed_mps[second]), 3)
        tpv["eps"] = 0.5
        tpv["eph"] = round(eph, 2)
        return tpv


def gauss_markov(rng: np.random.Generator, *, seconds: int, memory_s: float) -> Floats:
    """A stationary process of unit variance and this correlation time, a value a second."""
    keep = float(np.exp(-1 / memory_s))
    shocks = rng.normal(0, np.sqrt(1 - keep * keep), seconds)
    values = np.empty(seconds)
    value = float(rng.normal())
    for i, shock in enumerate(shocks.tolist()):
        value = keep * value + shock
        values[i] = value
    return values


def observe(
    rng: np.random.Generator,
    *,
    plane: Plane,
    xy: Floats,
    speed_mps: Floats,
    track_deg: Floats,
    powered: NDArray[np.bool_],
    sky: NDArray[np.bool_],
    walls: NDArray[np.bool_],
    start_utc_s: float,
    device: str = "/dev/ttyS1",
) -> Track:
    """The receiver's track over a true path: `xy` (n, 2) metres, the other arrays (n,), all a row a second.

    `sky` False is under a roof, `walls` True close to buildings, `powered` False without current.
    """
    seconds = len(xy)
    sigma = np.where(walls, rng.uniform(4.0, 8.0), rng.uniform(1.8, 3.2))
    # Precision follows the surroundings within some seconds, not at once.
    kernel = np.full(15, 1 / 15)
    sigma = np.convolve(np.pad(sigma, 7, mode="edge"), kernel, mode="valid")
    east = gauss_markov(rng, seconds=seconds, memory_s=float(rng.uniform(60, 240)))
    north = gauss_markov(rng, seconds=seconds, memory_s=float(rng.uniform(60, 240)))
    seen = xy + np.stack([east, north], axis=1) * sigma[:, None] + rng.normal(0, _WHITE_M, (seconds, 2))
    honesty = np.exp(0.25 * gauss_markov(rng, seconds=seconds, memory_s=400.0)) * rng.uniform(0.8, 1.3)
    lon, lat = plane.to_lonlat(seen[:, 0], seen[:, 1])
    speed = np.abs(speed_mps + rng.normal(0, np.where(walls, 0.18, 0.07)))
    wander = np.cumsum(rng.normal(0, 12, seconds))
    track = np.where(speed_mps > 0.5, track_deg + rng.normal(0, 3, seconds), track_deg + wander)
    altitude = 62 + 6 * gauss_markov(rng, seconds=seconds, memory_s=900.0)
    return Track(
        mode=_modes(rng, powered=powered, sky=sky),
        lat=lat,
        lon=lon,
        altitude_m=altitude,
        speed_mps=speed,
        track_deg=track,
        eph_m=RADIUS_95 * sigma * honesty,
        start_utc_s=start_utc_s,
        device=device,
    )


def _modes(rng: np.random.Generator, *, powered: NDArray[np.bool_], sky: NDArray[np.bool_]) -> NDArray[np.int8]:
    """Fix modes: some seconds of mode 1 after each start and each return of the sky, then 2 for a moment, then 3."""
    modes = np.zeros(len(powered), dtype=np.int8)
    usable = powered & sky
    modes[powered] = 1
    began = np.flatnonzero(usable & ~np.concatenate([[False], usable[:-1]]))
    ended = np.flatnonzero(usable & ~np.concatenate([usable[1:], [False]])) + 1
    for first, last in zip(began.tolist(), ended.tolist(), strict=True):
        cold = first == 0 or not powered[first - 1]
        wait_s = int(rng.uniform(8, 40) if cold else rng.uniform(2, 12))
        modes[min(first + wait_s, last) : last] = 3
        modes[min(first + wait_s, last) : min(first + wait_s + 3, last)] = 2
    return modes
