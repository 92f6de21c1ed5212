"""What is allowed in a set of sites and yet likely a mistake, or a cause of doubt later; pure.

`agent.geofences` refuses what cannot be right. This speaks of what can: overlaps, narrow parts, places far from all
others, sites too small for a receiver, neighbours too close to tell apart. The bounds are marked as judgement where
they are that.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from typing import Any, Literal

import shapely
from msgspec import Struct

from agent.dispatch.sitebook import frame_of, in_metres
from agent.geo import distance_m
from agent.sites import Site, SiteIndex

Kind = Literal["overlap", "narrow", "small", "far", "close"]

LEAST_OVERLAP_M2 = 1.0  # Judgement: less is two drawings of one edge
NARROW_M = 10.0  # Judgement: about twice the error of a position under open sky
NARROW_LONG_M = 20.0  # Judgement: a sharp corner is shorter than this
CLOSE_M = 40.0  # Judgement: farther apart than this a stop is hardly ever given to the wrong one
FAR_M = 100_000.0  # Judgement: one digit of a degree is 111 km
USUAL_ERROR_M = 10.0  # Judgement: 95 in 100 positions of a van between houses lie within it
_SIGMAS_95 = math.sqrt(-2.0 * math.log(0.05))  # of a normal error on two axes: Rayleigh's distribution
SURE = 0.95  # Judgement: below it even a van in the middle is told as doubtful


class SiteWarning(Struct, frozen=True):
    """One thing to look at: whose, what is so, and what may be done."""

    kind: Kind
    sites: tuple[str, ...]
    text: str
    do: str


def warnings_of(sites: Sequence[Site]) -> tuple[SiteWarning, ...]:
    """Every warning, those of pairs first."""
    found = [*_pairs(sites)]
    for site in sites:
        found += [*_narrow(site), *_small(site)]
    return (*found, *_far(sites))


def _pairs(sites: Sequence[Site]) -> Iterator[SiteWarning]:
    if not sites:
        return
    boxes = [_box(site) for site in sites]
    tree = shapely.STRtree(boxes)
    for first, second in sorted(zip(*tree.query(boxes, predicate="intersects").tolist(), strict=True)):
        if first >= second:
            continue
        one, other = sites[first], sites[second]
        frame = frame_of(one)
        here, there = in_metres(one, frame), in_metres(other, frame)
        common_m2, apart_m = here.intersection(there).area, here.distance(there)
        names, both = f"{one.name} and {other.name}", (one.id, other.id)
        if common_m2 >= LEAST_OVERLAP_M2:
            text = f"{names} overlap by {common_m2:.0f} m²"
            yield SiteWarning("overlap", both, text, "draw them apart, or a stop there is given to either")
        elif apart_m <= CLOSE_M:
            text = f"{names} lie {apart_m:.0f} m apart"
            do = "a stop between them is told with a probability; nothing need be done"
            yield SiteWarning("close", both, text, do)


def _box(site: Site) -> Any:  # noqa: ANN401 - shapely ships no types
    west, south, east, north = site.shape.bounds
    reach_m = CLOSE_M + (site.radius_m or 0.0)
    frame = frame_of(site)
    lat_deg, lon_deg = reach_m / frame.y_m_per_deg, reach_m / max(frame.x_m_per_deg, 1.0)
    return shapely.box(west - lon_deg, south - lat_deg, east + lon_deg, north + lat_deg)


def _narrow(site: Site) -> Iterator[SiteWarning]:
    """What an opening by a disc takes away, where it is longer than a corner."""
    if site.radius_m is not None:
        return
    shape = in_metres(site, frame_of(site))
    half_m = NARROW_M / 2.0
    open_part = shape.buffer(-half_m).buffer(half_m * 1.001)
    if open_part.is_empty:
        text = f"{site.name} is nowhere wider than {NARROW_M:.0f} m"
        yield SiteWarning("narrow", (site.id,), text, "draw the yard or the street side with it")
        return
    rest = shape.difference(open_part)
    longest_m = max((_length_m(part) for part in getattr(rest, "geoms", [rest])), default=0.0)
    if longest_m >= NARROW_LONG_M:
        text = f"{site.name} has a part {longest_m:.0f} m long that is narrower than {NARROW_M:.0f} m"
        yield SiteWarning("narrow", (site.id,), text, "look whether a corner went astray")


def _length_m(part: Any) -> float:  # noqa: ANN401 - shapely ships no types
    if part.is_empty:
        return 0.0
    ring = shapely.get_coordinates(part.minimum_rotated_rectangle)
    return max((math.dist(a, b) for a, b in itertools.pairwise(ring)), default=0.0)


def _small(site: Site) -> Iterator[SiteWarning]:
    """Where the likeliest spot of all, the middle, is not sure enough at a usual error."""
    frame = frame_of(site)
    shape = in_metres(site, frame)
    x_m, y_m = shapely.maximum_inscribed_circle(shape, tolerance=0.5).coords[0]
    lat, lon = frame.to_degrees(float(x_m), float(y_m))
    near = SiteIndex((site,)).near(lat, lon, USUAL_ERROR_M / _SIGMAS_95)
    p = near[0].p_inside if near else 0.0
    if p < SURE:
        text = (
            f"{site.name} is small beside a receiver's usual error of {USUAL_ERROR_M:.0f} m: even from its middle a"
            f" van is found inside with {int(p * 100)} % only"
        )
        yield SiteWarning("small", (site.id,), text, "draw it to the kerb, or give it a radius")


def _far(sites: Sequence[Site]) -> Iterator[SiteWarning]:
    middles = [(float(site.shape.centroid.y), float(site.shape.centroid.x)) for site in sites]
    if len(sites) < 3:  # noqa: PLR2004 - of two, neither is the odd one out
        return
    tree = shapely.STRtree([shapely.Point(lon, lat) for lat, lon in middles])
    for site, (lat, lon) in zip(sites, middles, strict=True):
        nearest, all_within = math.inf, tree.query(shapely.Point(lon, lat).buffer(3.0)).tolist()
        for index in all_within if len(all_within) > 1 else range(len(sites)):
            if sites[index] is not site:
                nearest = min(nearest, distance_m(lat, lon, *middles[index]))
        if nearest > FAR_M:
            text = f"{site.name} lies {nearest / 1000:.0f} km from every other site"
            do = f"look whether a digit is wrong: it stands at {lat:.4f}, {lon:.4f}"
            yield SiteWarning("far", (site.id,), text, do)
