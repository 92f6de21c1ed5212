"""All sites of one version as a book of GeoJSON features: read, changed, compared, written as lines of coordinates.

Pure. A book is what travels to the vans; `agent.geofences` judges it, here as on the vehicle. Outlines are typed as one
`lat, lon` a line, as people say them; GeoJSON's longitude-first order is met at this edge only.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping, Sequence
from typing import Any, Literal

import shapely
from msgspec import Struct

from agent.errors import ConfigError
from agent.geo import Frame
from agent.records import Problem
from agent.sites import Site, parse_sites

Feature = dict[str, Any]
Kind = Literal["new", "changed", "gone", "unchanged"]
PART, HOLE = "part", "hole"
_LINE = re.compile(r"\s*([^,;\s]+)\s*[,;\s]\s*([^,;\s]+)\s*")
_FEWEST_CORNERS = 3
_LAT_MOST, _LON_MOST = 90.0, 180.0
_PROPERTIES = (("name", "name"), ("sgln", "SGLN"), ("timezone", "time zone"), ("radio_off", "radio off"))


class Book(Struct, frozen=True):
    """Features by site id, in the order of their names in the table; `sites` is the same as the vehicle reads it."""

    features: tuple[Feature, ...] = ()
    sites: tuple[Site, ...] = ()

    def feature(self, site_id: str) -> Feature | None:
        """One site's feature; None where there is none."""
        return next((each for each in self.features if each["id"] == site_id), None)

    def site(self, site_id: str) -> Site | None:
        """One site."""
        return next((each for each in self.sites if each.id == site_id), None)

    def content(self) -> dict[str, Any]:
        """What is sent, exported and kept: one FeatureCollection."""
        return {"type": "FeatureCollection", "features": list(self.features)}


class Change(Struct, frozen=True):
    """What became of one site between two books; `what` says in words what changed."""

    kind: Kind
    site: str
    name: str
    what: tuple[str, ...] = ()
    before: Feature | None = None
    after: Feature | None = None


def read_book(content: object, *, name: str = "these sites") -> Book:
    """A book of a FeatureCollection, or of an object of file name to FeatureCollection; ConfigError with all wrong."""
    whole = isinstance(content, dict) and content.get("type") == "FeatureCollection"
    files: Mapping[str, Any] = content if isinstance(content, dict) and not whole else {name: content}
    sites = parse_sites({file: json.dumps(part) for file, part in files.items()})
    features = [each for part in files.values() for each in part["features"]]
    return Book(tuple(features), sites)


def read_texts(files: Mapping[str, str]) -> Book:
    """The same from texts, as somebody uploads them."""
    sites = parse_sites(files)
    features = [each for text in files.values() for each in json.loads(text.removeprefix("\ufeff"))["features"]]
    return Book(tuple(features), sites)


def with_feature(book: Book, feature: Feature, *, name: str = "this site") -> Book:
    """The book with a feature put in the place of the one with its id, or added; ConfigError with what is wrong."""
    others = [each for each in book.features if each["id"] != feature.get("id")]
    read_book({"type": "FeatureCollection", "features": [feature]}, name=name)  # its own faults, under its own number
    if any(each["id"] == feature["id"] for each in book.features):
        features = [feature if each["id"] == feature["id"] else each for each in book.features]
    else:
        features = [*others, feature]
    return read_book({"type": "FeatureCollection", "features": features}, name="all sites together")


def without(book: Book, site_id: str) -> Book:
    """The book without one site."""
    return Book(
        tuple(each for each in book.features if each["id"] != site_id),
        tuple(each for each in book.sites if each.id != site_id),
    )


def merged(book: Book, others: Book) -> Book:
    """The book with all of `others` added or put in place; nothing goes. ConfigError as `read_book`."""
    fresh = {each["id"]: each for each in others.features}
    kept = [fresh.pop(each["id"], each) for each in book.features]
    return read_book({"type": "FeatureCollection", "features": [*kept, *fresh.values()]}, name="all sites together")


# -- comparing ---------------------------------------------------------------------------------------------------------


def compare(before: Book, after: Book) -> tuple[Change, ...]:
    """Every site of either book: what changed first, then what did not, each by its name."""
    old_by, new_by = _pairs(before), _pairs(after)
    found = []
    for site_id in old_by.keys() | new_by.keys():
        old, new = old_by.get(site_id), new_by.get(site_id)
        what = _differences(old, new) if old is not None and new is not None and old[0] != new[0] else ()
        kind: Kind = "new" if old is None else "gone" if new is None else "changed" if what else "unchanged"
        name = (new or old or ({}, None))[1].name  # type: ignore[union-attr]  # it is in one of them
        found.append(Change(kind, site_id, name, what, old and old[0], new and new[0]))
    order: tuple[Kind, ...] = ("new", "changed", "gone", "unchanged")
    return tuple(sorted(found, key=lambda each: (order.index(each.kind), each.name, each.site)))


def _pairs(book: Book) -> dict[str, tuple[Feature, Site]]:
    sites = {site.id: site for site in book.sites}
    return {each["id"]: (each, sites[each["id"]]) for each in book.features}


def _differences(before: tuple[Feature, Site], after: tuple[Feature, Site]) -> tuple[str, ...]:
    old, new = before[1], after[1]
    told = []
    for key, label in _PROPERTIES:
        was, now = getattr(old, key), getattr(new, key)
        if was != now:
            told.append(f"{label}: {_said(was)}, now {_said(now)}")
    if old.radius_m != new.radius_m or not shapely.equals_exact(old.shape, new.shape):
        told.append(_outline_change(old, new))
    if not told and _others(before[0]) != _others(after[0]):
        told.append("a property that is not used here")
    return tuple(told)


def _others(feature: Feature) -> Feature:
    return {key: value for key, value in feature.items() if key != "geometry"}


def _said(value: object) -> str:
    if value is None:
        return "none"
    return ("yes" if value else "no") if isinstance(value, bool) else str(value)


def _outline_change(old: Site, new: Site) -> str:
    frame = frame_of(old)
    was, now = in_metres(old, frame), in_metres(new, frame)
    if was.centroid.distance(now.centroid) > 0 and not was.intersects(now):
        return f"another place, {was.centroid.distance(now.centroid):.0f} m away"
    more, less = now.difference(was).area, was.difference(now).area
    return f"outline: {more:.0f} m² added, {less:.0f} m² taken away"


def is_elsewhere(old: Site, new: Site) -> bool:
    """Whether an id would now stand for another place: the two outlines do not even touch."""
    frame = frame_of(old)
    return not in_metres(old, frame).intersects(in_metres(new, frame))


# -- metres ------------------------------------------------------------------------------------------------------------


def frame_of(site: Site) -> Frame:
    """A flat frame around a site's middle."""
    middle = site.shape.envelope.centroid
    return Frame(float(middle.y), float(middle.x))


def in_metres(site: Site, frame: Frame) -> Any:  # noqa: ANN401 - shapely ships no types
    """The outline in a frame's metres; a circle as a polygon of 256 corners."""

    def moved(points: Any) -> Any:  # noqa: ANN401 - arrays
        return [frame.to_metres(float(lat), float(lon)) for lon, lat in points]

    shape = shapely.transform(site.shape, moved)
    return shape if site.radius_m is None else shape.buffer(site.radius_m, quad_segs=64)


def area_m2(site: Site) -> float:
    """The area inside; a circle's by its radius."""
    if site.radius_m is not None:
        return math.pi * site.radius_m**2
    return float(in_metres(site, frame_of(site)).area)


# -- lines of coordinates ----------------------------------------------------------------------------------------------


def outline_text(feature: Feature | None) -> str:
    """An outline as lines: one `lat, lon` a line; `hole` before a hole's corners, `part` before a further part's."""
    geometry = (feature or {}).get("geometry") or {}
    if geometry.get("type") == "Point":
        return _position_text(geometry["coordinates"])
    polygons = geometry.get("coordinates", [])
    lines: list[str] = []
    for number, rings in enumerate(polygons if geometry.get("type") == "MultiPolygon" else [polygons]):
        for index, ring in enumerate(rings):
            lines += [HOLE] if index else [PART] if number else []
            lines += [_position_text(position) for position in ring[:-1]]
    return "\n".join(lines)


def _position_text(position: Sequence[float]) -> str:
    return f"{_degrees(position[1])}, {_degrees(position[0])}"


def _degrees(value: float) -> str:
    return f"{float(value):.15f}".rstrip("0").rstrip(".") if abs(value) < 1e-4 else repr(float(value))  # noqa: PLR2004 - repr would write an exponent


def parse_outline(text: str) -> dict[str, Any]:
    """Lines as a Polygon or MultiPolygon; ConfigError names each wrong line by its number."""
    problems: list[Problem] = []
    polygons = _typed_rings(text, problems)
    for ring in (ring for rings in polygons for ring in rings):
        if len(ring) > 1 and ring[0] == ring[-1]:
            ring.pop()  # somebody closed it as GeoJSON does
        if len(ring) < _FEWEST_CORNERS and not problems:
            do = "give at least three corners, one lat, lon a line"
            problems.append(Problem("outline", "corners", str(len(ring)), do, "too few corners for an outline"))
        ring.extend([list(each) for each in ring[:1]])
    if problems:
        raise ConfigError(problems)
    if len(polygons) == 1:
        return {"type": "Polygon", "coordinates": polygons[0]}
    return {"type": "MultiPolygon", "coordinates": polygons}


def _typed_rings(text: str, problems: list[Problem]) -> list[list[list[list[float]]]]:
    """Polygons of rings of [lon, lat], none of them closed yet."""
    polygons: list[list[list[list[float]]]] = [[[]]]
    for number, line in enumerate(text.splitlines(), start=1):
        word = line.strip().lower()
        if word == PART:
            polygons += [[[]]] if polygons[-1][0] else []
        elif word == HOLE:
            polygons[-1].append([])
        elif word and (position := _typed_position(line, f"line {number}", problems)) is not None:
            polygons[-1][-1].append(position)
    return polygons


def parse_circle(centre: str, radius: str) -> tuple[dict[str, Any], float]:
    """A centre as `lat, lon` and a radius in metres: the Point and the number; ConfigError with what is wrong."""
    problems: list[Problem] = []
    position = _typed_position(centre, "centre", problems)
    radius_m = _number(radius)
    if radius_m is None or radius_m <= 0:
        problems.append(Problem("outline", "radius", radius[:40], "give metres above 0, such as 60", "no radius"))
    if problems or position is None or radius_m is None:
        raise ConfigError(problems)
    return {"type": "Point", "coordinates": position}, radius_m


def _typed_position(line: str, where: str, problems: list[Problem]) -> list[float] | None:
    match = _LINE.fullmatch(line)
    lat, lon = (_number(match[1]), _number(match[2])) if match else (None, None)
    if lat is None or lon is None:
        do = "write latitude, then longitude, in decimal degrees: 48.3100, -31.2716"
        problems.append(Problem("outline", where, line.strip()[:40], do, "no coordinates"))
        return None
    if abs(lat) > _LAT_MOST:
        do = "latitude comes first: swap them" if abs(lon) <= _LAT_MOST else "write degrees, -90 to 90"
        problems.append(Problem("outline", where, line.strip()[:40], do, "a latitude beyond 90"))
        return None
    if abs(lon) > _LON_MOST:
        problems.append(
            Problem("outline", where, line.strip()[:40], "write degrees, -180 to 180", "a longitude beyond 180")
        )
        return None
    return [lon, lat]


def _number(text: str) -> float | None:
    try:
        value = float(text)
    except ValueError:
        return None
    return value if math.isfinite(value) else None
