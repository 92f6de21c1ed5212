"""The invented region: sites with their fences, lay-bys, roads between them, and how a van drives along one."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

ORIGIN = (44.9, -27.6)  # open sea
M_PER_DEG = 111_132.95
Array = NDArray[np.float64]
NAMES = (
    "Hire depot", "Old Corn Hall", "Ferry Stage", "Tannery Rooms", "Mill Theatre", "Quarry Field", "Harbour Shed",
    "Lantern House", "Brass Works", "Moor Chapel", "Ropewalk Studio", "North Pavilion", "Salt Barn",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Place:
    """Where a van stops. Metres east and north of the origin; `site` is None where it is no site.

    `spot` is where the van stands; `open_sky` is False where the receiver loses its satellites at the dock.
    """

    site: str | None
    name: str
    centre: tuple[float, float]
    spot: tuple[float, float]
    ring: tuple[tuple[float, float], ...] = ()
    sgln: str | None = None
    open_sky: bool = True
    radio_off: bool = False


def degrees(x_m: float, y_m: float) -> tuple[float, float]:
    """Latitude and longitude of a point of the region."""
    return ORIGIN[0] + y_m / M_PER_DEG, ORIGIN[1] + x_m / (M_PER_DEG * math.cos(math.radians(ORIGIN[0])))


def make_places(rng: np.random.Generator) -> tuple[list[Place], list[Place]]:
    """The sites, the depot first, and some lay-bys."""
    sites: list[Place] = []
    for number, name in enumerate(NAMES):
        if number in (4, 8):  # a neighbour across the yard of the one before
            half = 22.0
            gap_m = float(rng.uniform(12.0, 40.0))
            east = max(x for x, _ in sites[-1].ring)
            centre = (east + gap_m + half, sites[-1].centre[1] + float(rng.uniform(-8, 8)))
            turn = 0.0
        else:
            half = float(rng.uniform(22.0, 50.0))
            reach_m, angle = (0.0, 0.0) if not number else (float(rng.uniform(2500, 9000)), number * 2.4)
            centre = (reach_m * math.cos(angle), reach_m * math.sin(angle))
            turn = float(rng.uniform(0, 1.5)) if number not in (3, 7) else 0.0
        corners = [(-half, -half * 0.8), (half, -half * 0.8), (half, half * 0.8), (-half, half * 0.8)]
        ring = tuple(
            (
                centre[0] + x * math.cos(turn) - y * math.sin(turn),
                centre[1] + x * math.sin(turn) + y * math.cos(turn),
            )
            for x, y in corners
        )
        away_m = half * 0.8 + float(rng.uniform(6.0, 14.0)) if number and rng.random() < 0.12 else half * 0.4
        spot = (centre[0] + away_m * math.sin(turn), centre[1] - away_m * math.cos(turn))
        sites.append(
            Place(
                site="depot" if not number else f"site-{number:02d}",
                name=name,
                centre=centre,
                spot=spot,
                ring=ring,
                sgln=f"urn:epc:id:sgln:9521141.{number + 1:05d}.0" if rng.random() < 0.7 else None,
                open_sky=bool(rng.random() < 0.65),
                radio_off=number == 11 and bool(rng.random() < 0.3),
            )
        )
    angles = rng.uniform(0, 2 * math.pi, 3)
    laybys = [
        Place(None, "lay-by", (r * math.cos(a), r * math.sin(a)), (r * math.cos(a), r * math.sin(a)))
        for a, r in zip(angles, rng.uniform(1200, 2200, 3), strict=True)
    ]
    return sites, laybys


def geojson(sites: list[Place]) -> dict[str, Any]:
    """The sites as an RFC 7946 FeatureCollection; rings run counter-clockwise."""
    features = []
    for place in sites:
        ring = [[round(v, 7) for v in reversed(degrees(x, y))] for x, y in (*place.ring, place.ring[0])]
        properties: dict[str, Any] = {"name": place.name, "timezone": "Etc/UTC"}
        properties |= {"sgln": place.sgln} if place.sgln else {}
        properties |= {"radio_off": True} if place.radio_off else {}
        geometry = {"type": "Polygon", "coordinates": [ring]}
        features.append({"type": "Feature", "id": place.site, "properties": properties, "geometry": geometry})
    return {"type": "FeatureCollection", "features": features}


@dataclass(frozen=True, slots=True, eq=False)
class Drive:
    """Where the van is in each second of a leg."""

    at_s: Array
    x_m: Array
    y_m: Array
    speed_mps: Array
    jam: tuple[float, float] | None


def drive(a: tuple[float, float], b: tuple[float, float], *, begin_s: float, rng: np.random.Generator) -> Drive:
    """From a to b along a bent road, with red lights under 75 s and now and then a creeping jam."""
    start, end = np.asarray(a), np.asarray(b)
    span = end - start
    length_m = float(np.hypot(*span)) or 1.0
    share = np.linspace(0, 1, 41)
    bend = np.zeros(41)
    if length_m > 400:
        for k in (1, 2, 3):
            bend += float(rng.normal(0, 0.08 / k)) * length_m * np.sin(k * math.pi * share)
    normal = np.array([-span[1], span[0]]) / length_m
    points = start + share[:, None] * span + bend[:, None] * normal
    gone = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    total_m = gone[-1]
    top = 4.0 if length_m < 400 else float(rng.uniform(10.0, 19.0))
    holds = [] if length_m < 400 else sorted(rng.uniform(0.05, 0.95, int(rng.poisson(2.5))) * total_m)
    jam_m = float(rng.uniform(0.1, 0.8)) * total_m if length_m > 1500 and rng.random() < 0.15 else math.inf
    at_m, speed, path, speeds = 0.0, 0.0, [0.0], [0.0]
    jam: list[float] = []
    while at_m < total_m - 0.3 and len(path) < 6000:
        in_jam = jam_m <= at_m < jam_m + 350
        limit = top if not in_jam else (1.0 if int(len(path) / 37) % 2 else 5.0)
        goal_m = min([h for h in holds if h > at_m + 1.0] + [total_m])
        speed = min(speed + 1.3, limit, math.sqrt(2 * 1.5 * max(goal_m - at_m, 0.0)) + 0.4)
        at_m = min(at_m + speed, total_m)
        path.append(at_m)
        speeds.append(speed)
        if in_jam:
            jam.append(begin_s + len(path))
        if holds and goal_m < total_m and goal_m - at_m < 1.2:
            for _ in range(int(rng.uniform(10, 75))):
                path.append(at_m)
                speeds.append(0.0)
            holds = [h for h in holds if h > goal_m]
            speed = 0.0
    along = np.asarray(path)
    speeds[-1] = 0.0
    return Drive(
        at_s=begin_s + np.arange(len(path), dtype=np.float64),
        x_m=np.interp(along, gone, points[:, 0]),
        y_m=np.interp(along, gone, points[:, 1]),
        speed_mps=np.asarray(speeds),
        jam=(jam[0], jam[-1]) if jam else None,
    )
