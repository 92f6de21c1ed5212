"""GeoJSON → sites, or everything that is wrong with it; floor 1.

Takes texts, opens no file (time zones come from the interpreter's tz database). RFC 7946 FeatureCollections as
formats.md section 2 says; every problem of every file is told at once, with the file, the feature, what stands there
and what to do. A ring may run either way round: old programs write both.
"""

from __future__ import annotations

import difflib
import json
import math
import re
import statistics
import zoneinfo
from collections.abc import Callable, Iterator, Mapping
from typing import Any, TypeVar

import shapely
from msgspec import Struct

from agent.errors import ConfigError
from agent.geo import distance_m
from agent.records import Problem

_SITE_ID = re.compile(r"[a-z0-9-]{1,40}")
WITHHELD_ID = "withheld"  # stands in events for a place that is not kept (agent.privacy); no site may be called so
# GS1 EPC Tag Data Standard 2.3, 6.3.3: company prefix and location reference have twelve digits together; the extension
# is up to twenty characters of GS1 AI encodable set 82, some of them escaped.
_SGLN = re.compile(r"urn:epc:id:sgln:(\d{6,12})\.(\d{0,6})\.((?:[A-Za-z0-9!'()*+,\-.:;=_]|%[0-9A-Fa-f]{2}){1,20})")
_SGLN_DIGITS = 12
_KNOWN = ("name", "sgln", "timezone", "radio_off", "radius_m")
_CRS84 = ("CRS84", "EPSG::4326", "EPSG:4326")

LARGEST_M = 50_000.0  # a site wider than this is a mistake: common practice, no source
FAR_M = 500_000.0  # a van's day does not reach farther; only used to suspect swapped coordinates
_RING_POINTS = 4  # RFC 7946, 3.1.6
_PAIR = 2

T = TypeVar("T")
Ring = list[tuple[float, float]]
Shape = Any  # shapely ships no types


class Site(Struct, frozen=True):
    """A site. `shape` is a shapely Polygon, MultiPolygon or (with `radius_m`) Point, in degrees, x = lon, y = lat."""

    id: str
    name: str
    shape: Shape
    sgln: str | None = None
    timezone: str | None = None
    radio_off: bool = False
    radius_m: float | None = None


class _Wrong(Exception):  # noqa: N818 - never leaves this module
    """One thing wrong within a feature: what it is, what stands there, what to do."""

    def __init__(self, what: str, got: object, do: str) -> None:
        super().__init__(what)
        self.what, self.got, self.do = what, "" if got is None else _shown(got), do


def parse_sites(files: Mapping[str, str]) -> tuple[Site, ...]:
    """The sites of all files ({file name: text}), in the order given; raises ConfigError with every problem."""
    problems: list[Problem] = []
    found: list[tuple[Site, str, str]] = []
    for file, text in files.items():
        for number, feature in _features(file, text, problems):
            where = f"feature {number}"
            if isinstance(feature, dict) and isinstance(feature.get("id"), str):
                where += f" ({_shown(feature['id'])})"
            wrong: list[_Wrong] = []
            site = _site(feature, wrong)
            problems += [Problem(file=file, where=where, what=one.what, got=one.got, do=one.do) for one in wrong]
            if site is not None:
                found.append((site, file, where))
    problems += _told_twice(found, "id", "give each site an id of its own")
    problems += _told_twice(found, "sgln", "give each site an SGLN of its own, or leave it out at all but one")
    problems += _far_away(found)
    if problems:
        raise ConfigError(problems)
    return tuple(site for site, _, _ in found)


def _features(file: str, text: str, problems: list[Problem]) -> Iterator[tuple[int, Any]]:
    """The features of one file, numbered from 1; adds what is wrong with the file itself."""
    try:
        document = json.loads(text.removeprefix("\ufeff"))
    except json.JSONDecodeError as error:
        where, got = f"line {error.lineno}, column {error.colno}", _shown(text[error.pos : error.pos + 20])
        problems.append(Problem(file=file, where=where, what=f"this is not JSON: {error.msg}", got=got, do="mend it"))
        return
    except (RecursionError, ValueError):
        what = "brackets nested too deeply, or a number of thousands of digits"
        problems.append(Problem(file=file, where="top", what=what, got="", do="write plain GeoJSON"))
        return
    if not isinstance(document, dict) or document.get("type") != "FeatureCollection":
        kind = document.get("type") if isinstance(document, dict) else type(document).__name__
        do = 'wrap the features in {"type": "FeatureCollection", "features": [...]}'
        problems.append(Problem(file=file, where="top", what="no FeatureCollection", got=_shown(kind), do=do))
        return
    crs = document.get("crs")
    if crs is not None and not any(name in json.dumps(crs) for name in _CRS84):
        do = "save it in WGS 84 longitude and latitude and leave crs out"
        problems.append(Problem(file=file, where="crs", what="another coordinate system", got=_shown(crs), do=do))
    features = document.get("features")
    if not isinstance(features, list):
        do = "give a list of features, [] for none"
        problems.append(Problem(file=file, where="features", what="no list", got=_shown(features), do=do))
        return
    yield from enumerate(features, start=1)


def _site(feature: object, wrong: list[_Wrong]) -> Site | None:
    """One feature as a site, or None with what is wrong added."""
    if not isinstance(feature, dict) or feature.get("type") != "Feature":
        wrong.append(_Wrong("no Feature", feature, 'give {"type": "Feature", "id": …, "properties": …, "geometry": …}'))
        return None
    properties = feature.get("properties")
    if not isinstance(properties, dict):
        if properties is not None:
            wrong.append(_Wrong("properties is no object", properties, 'give {"name": …}'))
        properties = {}
    before = len(wrong)
    site_id = _checked(_id, feature.get("id"), wrong)
    name = _checked(_name, properties.get("name"), wrong)
    sgln = _checked(_sgln, properties.get("sgln"), wrong)
    timezone = _checked(_timezone, properties.get("timezone"), wrong)
    radio_off = _checked(_radio_off, properties.get("radio_off"), wrong)
    wrong += _nearly_known(properties)
    geometry = feature.get("geometry")
    kind = geometry.get("type") if isinstance(geometry, dict) else None
    radius_m = None
    if kind == "Point":
        radius_m = _checked(_radius_m, properties.get("radius_m"), wrong)
    elif properties.get("radius_m") is not None:
        do = "leave it out, or make the geometry a Point"
        wrong.append(_Wrong("radius_m belongs to a Point", properties["radius_m"], do))
    shape = _shape(kind, geometry.get("coordinates") if isinstance(geometry, dict) else None, wrong)
    if len(wrong) > before or site_id is None or name is None:
        return None
    return Site(
        id=site_id,
        name=name,
        shape=shape,
        sgln=sgln,
        timezone=timezone,
        radio_off=bool(radio_off),
        radius_m=radius_m,
    )


def _checked(check: Callable[[object], T], value: object, wrong: list[_Wrong]) -> T | None:
    """The checked value, or None with what is wrong added."""
    try:
        return check(value)
    except _Wrong as one:
        wrong.append(one)
        return None


def _id(value: object) -> str:
    if value == WITHHELD_ID:
        raise _Wrong("this id stands for places that are not kept", value, "give the site another id")
    if isinstance(value, str) and _SITE_ID.fullmatch(value):
        return value
    what = "the id is missing" if value is None else "this cannot be a site's id"
    raise _Wrong(what, value, 'give the Feature (not its properties) an "id" of 1 to 40 of a-z, 0-9 and -')


def _name(value: object) -> str:
    if isinstance(value, str) and value.strip():
        return value.strip()
    raise _Wrong("the name is missing", value, 'give properties a "name" that people know the site by')


def _sgln(value: object) -> str | None:
    if value is None:
        return None
    match = _SGLN.fullmatch(value) if isinstance(value, str) else None
    if match and len(match[1]) + len(match[2]) == _SGLN_DIGITS:
        return match[0]
    do = "give urn:epc:id:sgln:PREFIX.LOCATION.EXTENSION, the first two twelve digits together, EXTENSION 0 if none"
    raise _Wrong("this is no SGLN", value, do)


def _timezone(value: object) -> str | None:
    if value is None:
        return None
    if isinstance(value, str):
        try:
            return zoneinfo.ZoneInfo(value).key
        except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
            near = difflib.get_close_matches(value, zoneinfo.available_timezones(), n=1)
            do = f"write {near[0]} if that is meant" if near else "give a name such as Atlantic/Azores"
            raise _Wrong("unknown time zone", value, do) from None
    raise _Wrong("unknown time zone", value, "give a name such as Atlantic/Azores")


def _radio_off(value: object) -> bool:
    if value is None:
        return False
    if isinstance(value, bool):
        return value
    raise _Wrong("radio_off is neither true nor false", value, "give true or false, without quotation marks")


def _radius_m(value: object) -> float:
    if isinstance(value, float | int) and not isinstance(value, bool) and 0.0 < value <= LARGEST_M / 2:
        return float(value)
    what = "a Point needs radius_m" if value is None else "this cannot be a radius"
    raise _Wrong(what, value, f"give properties a radius_m in metres, above 0 and up to {LARGEST_M / 2:.0f}")


def _nearly_known(properties: dict[str, Any]) -> Iterator[_Wrong]:
    """Keys that differ from a known one by spelling alone; other keys are anybody's to add."""
    plain = {key.replace("_", ""): key for key in _KNOWN}
    for key in properties:
        known = plain.get(re.sub(r"[\s_-]", "", key).lower())
        if known is not None and key != known:
            yield _Wrong("a misspelt property", key, f"write {known}")


def _shape(kind: object, coordinates: object, wrong: list[_Wrong]) -> Shape | None:
    """The geometry, or None with what is wrong added."""
    if kind == "Point":
        point = _position(coordinates, "the point", wrong)
        return None if point is None else shapely.Point(point)
    before = len(wrong)
    polygons: list[list[Ring]] = []
    if kind == "Polygon":
        polygons = [_rings(coordinates, "", wrong)]
    elif kind != "MultiPolygon":
        wrong.append(_Wrong("no outline", kind, "give a Polygon, a MultiPolygon, or a Point with radius_m"))
    elif isinstance(coordinates, list) and coordinates:
        polygons = [_rings(part, f"polygon {n}, ", wrong) for n, part in enumerate(coordinates, start=1)]
    else:
        wrong.append(_Wrong("no polygons", coordinates, "give [[ring, hole, …], …]"))
    return None if len(wrong) > before else _area(polygons, wrong)


def _area(polygons: list[list[Ring]], wrong: list[_Wrong]) -> Shape | None:
    """Closed rings as a valid area of a site's size."""
    parts = [shapely.Polygon(rings[0], rings[1:]) for rings in polygons]
    shape = parts[0] if len(parts) == 1 else shapely.MultiPolygon(parts)
    if not shape.is_valid:
        wrong.append(_crossing(shapely.is_valid_reason(shape)))
        return None
    west, south, east, north = shape.bounds
    wide_m = max(distance_m(south, west, south, east), distance_m(south, west, north, west))
    if wide_m > LARGEST_M:
        do = f"draw it no wider than {LARGEST_M / 1000:.0f} km"
        wrong.append(_Wrong("this is no site but a country", f"{wide_m / 1000:.0f} km", do))
        return None
    return shape


def _rings(coordinates: object, prefix: str, wrong: list[_Wrong]) -> list[Ring]:
    if not isinstance(coordinates, list) or not coordinates:
        wrong.append(_Wrong(f"{prefix}no ring", coordinates, "give the outer ring, then any holes"))
        return []
    rings = []
    for number, ring in enumerate(coordinates):
        name = prefix + ("the ring" if number == 0 else f"hole {number}")
        rings.append(_ring(ring, name, wrong))
    return rings


def _ring(ring: object, name: str, wrong: list[_Wrong]) -> Ring:
    if not isinstance(ring, list):
        wrong.append(_Wrong(f"{name} is no list of positions", ring, "give [[longitude, latitude], …]"))
        return []
    before = len(wrong)
    points = [_position(position, f"{name}, position {n}", wrong) for n, position in enumerate(ring, start=1)]
    good = [point for point in points if point is not None]
    if len(wrong) > before:
        return []
    if good and good[0] != good[-1]:
        wrong.append(_Wrong(f"{name} is not closed", list(good[-1]), "repeat the first position at the end"))
        return []
    if len(good) < _RING_POINTS:
        wrong.append(_Wrong(f"{name} has too few positions", len(good), "give at least 4, the last equal to the first"))
        return []
    return good


def _position(position: object, name: str, wrong: list[_Wrong]) -> tuple[float, float] | None:
    """(lon, lat); a third number (height) is passed over."""
    if not isinstance(position, list) or len(position) < _PAIR or not all(_is_number(value) for value in position):
        wrong.append(_Wrong(f"{name} is no position", position, "give [longitude, latitude]"))
        return None
    lon, lat = _finite(position[0]), _finite(position[1])
    if lon is None or lat is None:
        wrong.append(_Wrong(f"{name} is not finite", position, "give [longitude, latitude] in degrees"))
        return None
    if abs(lat) > 90.0:  # noqa: PLR2004 - degrees
        swapped = abs(lon) <= 90.0 and abs(lat) <= 180.0  # noqa: PLR2004 - degrees
        do = "swap them: GeoJSON has longitude first" if swapped else "give [longitude, latitude] in degrees"
        wrong.append(_Wrong(f"{name} has a latitude beyond 90", position, do))
        return None
    if abs(lon) > 180.0:  # noqa: PLR2004 - degrees
        do = "give [longitude, latitude] in degrees; cut an outline at 180 as RFC 7946 says"
        wrong.append(_Wrong(f"{name} has a longitude beyond 180", position, do))
        return None
    return lon, lat


def _finite(value: float) -> float | None:
    try:
        return float(value) if math.isfinite(value) else None
    except OverflowError:
        return None  # an integer beyond all floats


def _is_number(value: object) -> bool:
    return isinstance(value, float | int) and not isinstance(value, bool)


# What the geometry library says, and how it is told here.
_REASONS = {
    "Self-intersection": ("the outline crosses itself", "move or reorder the positions there"),
    "Ring Self-intersection": ("a ring touches or crosses itself", "move or reorder the positions there"),
    "Duplicate Rings": ("a ring stands there twice", "leave one out"),
    "Hole lies outside shell": ("a hole lies outside its ring", "move the hole inside, or leave it out"),
    "Holes are nested": ("a hole lies inside another hole", "leave one out"),
    "Interior is disconnected": ("holes cut the area apart", "make it a MultiPolygon"),
    "Nested shells": ("a polygon lies inside another", "leave one out, or make it a hole"),
    "Too few points in geometry component": ("a ring has no area", "give at least three different positions"),
}


def _crossing(reason: str) -> _Wrong:
    said, _, at = reason.partition("[")
    what, do = _REASONS.get(said, (f"the outline is not valid ({said})", "draw it again"))
    place = [float(number) for number in at.rstrip("]").split()]
    return _Wrong(what, f"near {place}" if place else None, do)


def _told_twice(found: list[tuple[Site, str, str]], key: str, do: str) -> Iterator[Problem]:
    first: dict[str, str] = {}
    for site, file, where in found:
        value = getattr(site, key)
        if value is None:
            continue
        if value in first:
            what = f"the same {key} as {first[value]}"
            yield Problem(file=file, where=where, what=what, got=_shown(value), do=do)
        else:
            first[value] = f"{file}, {where}"


def _far_away(found: list[tuple[Site, str, str]]) -> Iterator[Problem]:
    """Sites far from the others that would be among them with longitude and latitude swapped."""
    centres = [site.shape.centroid for site, _, _ in found]
    if len(centres) < _PAIR:
        return
    # Of two sites the first is taken to be right; of more, the middle one.
    middles = centres if len(centres) > _PAIR else centres[:1]
    lat, lon = statistics.median(point.y for point in middles), statistics.median(point.x for point in middles)
    for (_, file, where), point in zip(found, centres, strict=True):
        if abs(point.x) > 90.0:  # noqa: PLR2004 - cannot be a latitude
            continue
        if distance_m(lat, lon, point.y, point.x) > FAR_M > distance_m(lat, lon, point.x, point.y):
            got = f"longitude {point.x:.4f}, latitude {point.y:.4f}"
            do = "swap the numbers: GeoJSON has longitude first"
            what = "far from every other site, but among them with longitude and latitude swapped"
            yield Problem(file=file, where=where, what=what, got=got, do=do)


def _shown(value: object) -> str:
    """What stands there, as JSON and no longer than a glance."""
    text = json.dumps(value, ensure_ascii=False, default=str) if not isinstance(value, str) else value
    return text if len(text) <= 60 else text[:57] + "…"  # noqa: PLR2004 - a glance
