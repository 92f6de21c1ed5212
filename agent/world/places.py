"""Where things are: a flat local frame, and the sites of a GeoJSON FeatureCollection with their docks.

Leaves checking the sites to agent/sites.py; what stands here trusts a valid collection. Metres east and north.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import LineString, MultiPolygon, Point, Polygon, shape
from shapely.geometry.base import BaseGeometry

# WGS 84, from its definition (NIMA TR8350.2).
_SEMI_MAJOR_M = 6378137.0
_FLATTENING = 1 / 298.257223563

XY = tuple[float, float]
Numbers = TypeVar("Numbers", float, NDArray[np.float64])


@dataclass(frozen=True, slots=True)
class Plane:
    """An equirectangular frame about one point, with the ellipsoid's radii there; good to metres over a region."""

    lat: float
    lon: float

    def _metres_per_degree(self) -> tuple[float, float]:
        squared = _FLATTENING * (2 - _FLATTENING)
        w = 1 - squared * math.sin(math.radians(self.lat)) ** 2
        north = _SEMI_MAJOR_M * (1 - squared) / w**1.5
        east = _SEMI_MAJOR_M / math.sqrt(w) * math.cos(math.radians(self.lat))
        return math.radians(east), math.radians(north)

    def to_xy(self, lon: Numbers, lat: Numbers) -> tuple[Numbers, Numbers]:
        """Degrees (numbers or arrays, longitude first as in GeoJSON) to metres east and north."""
        east, north = self._metres_per_degree()
        return (lon - self.lon) * east, (lat - self.lat) * north

    def to_lonlat(self, x: Numbers, y: Numbers) -> tuple[Numbers, Numbers]:
        """Metres east and north to degrees, longitude first."""
        east, north = self._metres_per_degree()
        return self.lon + x / east, self.lat + y / north


@dataclass(frozen=True, slots=True)
class Place:
    """A site as the world sees it: its outline in metres and the point of it that lies well inside."""

    id: str
    name: str
    outline: BaseGeometry
    middle: XY
    timezone: str
    radio_off: bool


def read_places(sites: Mapping[str, Any], *, home: str) -> tuple[Plane, tuple[Place, ...]]:
    """The frame about `home`'s middle and every site of the collection in it; KeyError where there is no `home`."""
    features = {str(feature["id"]): feature for feature in sites["features"]}
    middle = shape(features[home]["geometry"]).representative_point()
    plane = Plane(middle.y, middle.x)
    places = []
    for site, feature in features.items():
        properties = feature["properties"]
        outline = shapely.transform(
            shape(feature["geometry"]), lambda c: np.stack(plane.to_xy(c[:, 0], c[:, 1]), axis=1)
        )
        if properties.get("radius_m"):
            outline = outline.buffer(float(properties["radius_m"]))
        inside = outline.representative_point()
        places.append(
            Place(
                id=site,
                name=properties["name"],
                outline=outline,
                middle=(inside.x, inside.y),
                timezone=properties.get("timezone") or "UTC",
                radio_off=bool(properties.get("radio_off")),
            )
        )
    return plane, tuple(places)


def dock_at(place: Place, rng: np.random.Generator) -> XY:
    """A spot inside the outline where a van stands to load, some metres from the edge where there is room."""
    for inset in (12.0, 6.0, 2.0, 0.0):
        room = place.outline.buffer(-inset)
        if not room.is_empty:
            break
    west, south, east, north = room.bounds
    for _ in range(200):
        x, y = float(rng.uniform(west, east)), float(rng.uniform(south, north))
        if room.contains(Point(x, y)):
            return x, y
    return place.middle


def street_at(place: Place, rng: np.random.Generator, *, metres: float) -> XY:
    """A spot on the street `metres` outside the outline."""
    grown = place.outline.buffer(metres)
    polygon = max(grown.geoms, key=lambda part: part.area) if isinstance(grown, MultiPolygon) else grown
    if not isinstance(polygon, Polygon):
        raise TypeError(f"site {place.id}: the outline is no polygon but {polygon.geom_type}")
    ring = LineString(polygon.exterior.coords)
    point = ring.interpolate(float(rng.uniform(0, ring.length)))
    return point.x, point.y
