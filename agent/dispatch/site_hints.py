"""What real stops say of outlines: vans that stop beside one, and places where they stop that are no site; pure.

A stop is known by where a van stood when it departed, as its manifests say, and by what it did at a place that is no
site. A site that a van did not think of is not in this: stops more than 100 m outside an outline
(`agent.sites.REACH_M`) are told as stops at no site, and positions that a van withheld are not there at all.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterable, Sequence
from typing import Any

import shapely
from msgspec import Struct

from agent.dispatch.sitebook import Feature, frame_of, in_metres
from agent.geo import Frame, distance_m
from agent.sites import Site, SiteIndex

OUTSIDE_M = 5.0  # Judgement: less is a position's error
FEWEST_OUTSIDE = 3  # Judgement: two may be chance
SHARE_OUTSIDE = 0.5  # Judgement: fewer are the exception that an outline need not hold
FEWEST_NEW = 3  # Judgement
TOGETHER_M = 40.0  # Judgement: a yard's width
ROOM_M = 10.0  # Judgement: a usual error around a stop


class StopSeen(Struct, frozen=True):
    """A van stood there; `site` is what it took the place for, None for no site."""

    vehicle: str
    at_s: float
    lat: float
    lon: float
    site: str | None
    error_m: float | None = None


class OutsideHint(Struct, frozen=True):
    """Vans stop outside this outline: so far (the middle one), so often; `proposal` would hold those stops too."""

    site: str
    name: str
    distance_m: float
    outside: int
    stops: int
    vans: int
    where: tuple[tuple[float, float], ...]
    proposal: Feature


class PlaceHint(Struct, frozen=True):
    """Vans stop here, and it is no site; `radius_m` holds the stops."""

    lat: float
    lon: float
    radius_m: float
    stops: int
    vans: int
    last_s: float
    where: tuple[tuple[float, float], ...]


def outside_hints(sites: Iterable[Site], stops: Sequence[StopSeen]) -> tuple[OutsideHint, ...]:
    """For each site where it is so, those that lie farthest outside first."""
    by_site: dict[str, list[StopSeen]] = {}
    for stop in stops:
        if stop.site is not None:
            by_site.setdefault(stop.site, []).append(stop)
    found = [hint for site in sites if (hint := _outside(site, by_site.get(site.id, []))) is not None]
    return tuple(sorted(found, key=lambda hint: -hint.distance_m))


def _outside(site: Site, stops: Sequence[StopSeen]) -> OutsideHint | None:
    if len(stops) < FEWEST_OUTSIDE:
        return None
    frame = frame_of(site)
    shape = in_metres(site, frame)
    far = []
    for stop in stops:
        point = shapely.Point(frame.to_metres(stop.lat, stop.lon))
        if (away_m := shape.distance(point)) > OUTSIDE_M:
            far.append((away_m, point, stop))
    if len(far) < FEWEST_OUTSIDE or len(far) < SHARE_OUTSIDE * len(stops):
        return None
    return OutsideHint(
        site=site.id,
        name=site.name,
        distance_m=statistics.median(away_m for away_m, _, _ in far),
        outside=len(far),
        stops=len(stops),
        vans=len({stop.vehicle for _, _, stop in far}),
        where=tuple((stop.lat, stop.lon) for _, _, stop in far),
        proposal=_grown(site, frame, shape, [point for _, point, _ in far]),
    )


def _grown(site: Site, frame: Frame, shape: Any, points: Sequence[Any]) -> Feature:  # noqa: ANN401 - shapely
    """The outline with the side where the stops are; a circle just larger."""
    if site.radius_m is not None:
        radius_m = math.ceil(max(math.hypot(point.x, point.y) for point in points) + ROOM_M)
        return {"geometry": {"type": "Point", "coordinates": [site.shape.x, site.shape.y]}, "radius_m": radius_m}
    ways = [shapely.shortest_line(point, shape).buffer(ROOM_M, cap_style="square") for point in points]
    side = shapely.union_all(ways).convex_hull
    grown = shape.union(side).simplify(1.0)
    degrees = shapely.transform(
        grown, lambda array: [frame.to_degrees(float(x), float(y))[::-1] for x, y in array]
    )
    rounded = shapely.transform(degrees, lambda array: array.round(7))
    geometry = shapely.geometry.mapping(rounded)
    return {"geometry": {"type": geometry["type"], "coordinates": _lists(geometry["coordinates"])}}


def _lists(value: Any) -> Any:  # noqa: ANN401 - nested coordinates
    return [_lists(each) for each in value] if isinstance(value, tuple | list) else value


def place_hints(stops: Iterable[StopSeen], sites: Sequence[Site] = ()) -> tuple[PlaceHint, ...]:
    """Where stops at no site lie together, the most frequent first; what a site of `sites` holds by now is left out."""
    index = SiteIndex(sites)
    unplaced = [stop for stop in stops if stop.site is None]
    near = _neighbours(unplaced)
    left = set(range(len(unplaced)))
    found = []
    while left:
        # The stop with most others around it is a place's middle; each stop belongs to one place.
        middle = max(left, key=lambda number: (len(near[number] & left), -number))
        group = [unplaced[number] for number in sorted(near[middle] & left)]
        if len(group) < FEWEST_NEW:
            break
        left -= near[middle]
        lat, lon = statistics.fmean(each.lat for each in group), statistics.fmean(each.lon for each in group)
        if any(each.distance_m == 0.0 for each in index.near(lat, lon, 1.0, reach_m=1.0)):
            continue
        radius_m = math.ceil(max(distance_m(lat, lon, each.lat, each.lon) for each in group) + ROOM_M)
        found.append(
            PlaceHint(
                lat=round(lat, 6),
                lon=round(lon, 6),
                radius_m=radius_m,
                stops=len(group),
                vans=len({each.vehicle for each in group}),
                last_s=max(each.at_s for each in group),
                where=tuple((each.lat, each.lon) for each in group),
            )
        )
    return tuple(found)


def _neighbours(stops: Sequence[StopSeen]) -> list[set[int]]:
    """By index, the stops that lie together with each, itself included."""
    if not stops:
        return []
    points = [shapely.Point(stop.lon, stop.lat) for stop in stops]
    boxes = []
    for stop in stops:
        frame = Frame(stop.lat, stop.lon)
        east_deg, north_deg = TOGETHER_M / max(frame.x_m_per_deg, 1.0), TOGETHER_M / frame.y_m_per_deg
        boxes.append(
            shapely.box(stop.lon - east_deg, stop.lat - north_deg, stop.lon + east_deg, stop.lat + north_deg)
        )
    found: list[set[int]] = [{index} for index in range(len(stops))]
    for one, other in zip(*shapely.STRtree(points).query(boxes, predicate="intersects").tolist(), strict=True):
        if distance_m(stops[one].lat, stops[one].lon, stops[other].lat, stops[other].lon) <= TOGETHER_M:
            found[one].add(other)
    return found
