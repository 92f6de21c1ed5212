"""Sites from GeoJSON, and every fault named with its place."""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.errors import ConfigError
from agent.geofences import Site, parse_sites

ROOT = Path(__file__).resolve().parents[1]
RING = [[-31.27, 48.31], [-31.268, 48.31], [-31.268, 48.311], [-31.27, 48.311], [-31.27, 48.31]]
DEPOT: dict[str, Any] = {
    "type": "Feature",
    "id": "depot",
    "properties": {
        "name": "Hire depot",
        "sgln": "urn:epc:id:sgln:9521141.00001.0",
        "timezone": "Atlantic/Azores",
        "colour": "anybody's own",
    },
    "geometry": {"type": "Polygon", "coordinates": [RING]},
}
CLUB: dict[str, Any] = {
    "type": "Feature",
    "id": "club",
    "properties": {"name": "Lantern Club", "radius_m": 40},
    "geometry": {"type": "Point", "coordinates": [-31.2, 48.3, 12.0]},
}


def text_of(*features: object, **members: object) -> str:
    """A FeatureCollection of these features."""
    return json.dumps({"type": "FeatureCollection", "features": list(features), **members})


def changed(feature: dict[str, Any], path: str, value: object) -> dict[str, Any]:
    """The feature with one member replaced; `...` as value takes it out."""
    result = copy.deepcopy(feature)
    *way, last = path.split("/")
    at = result
    for step in way:
        at = at[step]
    if value is ...:
        del at[last]
    else:
        at[last] = value
    return result


def problems_of(text: str, file: str = "sites.geojson") -> list[str]:
    """All that is wrong, one line each; fails where nothing is."""
    with pytest.raises(ConfigError) as caught:
        parse_sites({file: text})
    return [str(problem) for problem in caught.value.problems]


def test_good_sites() -> None:
    """Polygons, holes, several parts and circles become sites with their properties; other keys are passed over."""
    hole = [[-31.2695, 48.3103], [-31.2685, 48.3103], [-31.2685, 48.3107], [-31.2695, 48.3103]]
    other = [[x + 0.01, y] for x, y in RING]
    field = {**DEPOT, "id": "field", "properties": {"name": " Tern Field ", "radio_off": True, "sgln": None}}
    field["geometry"] = {"type": "MultiPolygon", "coordinates": [[RING, hole], [other]]}
    depot, festival, club = parse_sites({"a.geojson": text_of(DEPOT, field), "b.geojson": text_of(CLUB)})
    assert (depot.id, depot.name, depot.timezone) == ("depot", "Hire depot", "Atlantic/Azores")
    assert (depot.sgln, depot.radio_off, depot.radius_m) == ("urn:epc:id:sgln:9521141.00001.0", False, None)
    assert depot.shape.geom_type == "Polygon"
    assert list(depot.shape.exterior.coords) == [tuple(point) for point in RING]
    assert (festival.name, festival.radio_off, festival.sgln) == ("Tern Field", True, None)
    assert [len(part.interiors) for part in festival.shape.geoms] == [1, 0]
    assert (club.radius_m, club.shape.x, club.shape.y) == (40.0, -31.2, 48.3)


def test_a_ring_may_run_either_way_round() -> None:
    """RFC 7946, 3.1.6: parsers should not reject polygons that do not follow the right-hand rule."""
    assert parse_sites({"a": text_of(changed(DEPOT, "geometry/coordinates", [RING[::-1]]))})


def test_no_sites_at_all_is_no_fault() -> None:
    """An empty collection, and no file, give no sites; a byte order mark is passed over."""
    assert parse_sites({"a": "\ufeff" + text_of()}) == ()
    assert parse_sites({}) == ()


FILES = {
    "cut in the middle": (text_of(DEPOT)[:80], "this is not JSON"),
    "no JSON": ("<kml/>", "line 1, column 1: this is not JSON"),
    "nested without end": ("[" * 100_000, "brackets nested too deeply"),
    "a number without end": ('{"a": ' + "9" * 5000 + "}", "a number of thousands of digits"),
    "a bare Feature": (json.dumps(DEPOT), "no FeatureCollection (got Feature)"),
    "a list": ("[]", "no FeatureCollection (got list)"),
    "features missing": ('{"type":"FeatureCollection"}', "features: no list"),
    "another coordinate system": (
        text_of(DEPOT, crs={"properties": {"name": "EPSG:3857"}}),
        "another coordinate system",
    ),
    "not a feature": (text_of(7), "feature 1: no Feature (got 7)"),
}


@pytest.mark.parametrize(("text", "said"), FILES.values(), ids=FILES.keys())
def test_files_that_are_no_sites(text: str, said: str) -> None:
    """A file that is not what it should be gives one problem that names it."""
    (problem,) = problems_of(text)
    assert problem.startswith("sites.geojson, ")
    assert said in problem


def test_a_crs_that_says_the_same_is_passed_over() -> None:
    """Old programs name WGS 84 in longitude and latitude (the default of GeoJSON 2008); that changes nothing."""
    crs = {"type": "name", "properties": {"name": "urn:ogc:def:crs:OGC:1.3:CRS84"}}
    assert parse_sites({"a": text_of(DEPOT, crs=crs)})


BOWTIE = [[-31.27, 48.31], [-31.268, 48.311], [-31.268, 48.31], [-31.27, 48.311], [-31.27, 48.31]]
OUTSIDE = [[x + 0.01, y] for x, y in RING]
SPIKE = [[-31.27, 48.31], [-31.268, 48.31], [-31.27, 48.31], [-31.27, 48.31]]

# What is changed in the depot, to what, and what must be said of it.
FEATURES: dict[str, tuple[str, Any, str]] = {
    "no id": ("id", ..., "feature 1: the id is missing"),
    "id as number": ("id", 7, "feature 1: this cannot be a site's id (got 7)"),
    "id with a capital": ("id", "Depot", "feature 1 (Depot): this cannot be a site's id (got Depot)"),
    "id too long": ("id", "a" * 41, "this cannot be a site's id"),
    "id of what is withheld": ("id", "withheld", "this id stands for places that are not kept (got withheld)"),
    "no name": ("properties/name", ..., "feature 1 (depot): the name is missing"),
    "blank name": ("properties/name", "  ", "the name is missing"),
    "no properties": ("properties", None, "the name is missing"),
    "sgln without prefix": ("properties/sgln", "9521141.00001.0", "this is no SGLN"),
    "sgln one digit short": ("properties/sgln", "urn:epc:id:sgln:9521141.0001.0", "this is no SGLN"),
    "sgln without extension": ("properties/sgln", "urn:epc:id:sgln:9521141.00001", "this is no SGLN"),
    "sgln with a blank": ("properties/sgln", "urn:epc:id:sgln:9521141.00001.a b", "this is no SGLN"),
    "sgln as number": ("properties/sgln", 9521141, "this is no SGLN"),
    "misspelt zone": ("properties/timezone", "Atlantic/Azore", "write Atlantic/Azores"),
    "zone out of the folder": ("properties/timezone", "../../etc/passwd", "unknown time zone"),
    "zone as number": ("properties/timezone", 1, "unknown time zone"),
    "radio_off as text": ("properties/radio_off", "true", "radio_off is neither true nor false"),
    "radio_off misspelt": ("properties/radioOff", True, "a misspelt property (got radioOff); write radio_off"),
    "radius of a polygon": ("properties/radius_m", 40, "radius_m belongs to a Point"),
    "no geometry": ("geometry", None, "no outline"),
    "a line": ("geometry/type", "LineString", "no outline (got LineString)"),
    "no rings": ("geometry/coordinates", [], "no ring"),
    "no polygons": ("geometry", {"type": "MultiPolygon", "coordinates": []}, "no polygons"),
    "part without rings": ("geometry", {"type": "MultiPolygon", "coordinates": [[RING], []]}, "polygon 2, no ring"),
    "ring as number": ("geometry/coordinates", [7], "the ring is no list of positions"),
    "position as number": ("geometry/coordinates", [[7]], "the ring, position 1 is no position"),
    "position with text": ("geometry/coordinates", [[["-31", 48.0], *RING[1:]]], "the ring, position 1 is no position"),
    "position true": ("geometry/coordinates", [[[True, 48.0], *RING[1:]]], "the ring, position 1 is no position"),
    "not closed": ("geometry/coordinates", [RING[:-1]], "the ring is not closed (got [-31.27, 48.311])"),
    "hole not closed": ("geometry/coordinates", [RING, RING[:-1]], "hole 1 is not closed"),
    "three positions": (
        "geometry/coordinates",
        [[RING[0], RING[1], RING[0]]],
        "the ring has too few positions (got 3)",
    ),
    "no positions": ("geometry/coordinates", [[]], "the ring has too few positions (got 0)"),
    "not finite": ("geometry/coordinates", [[[float("nan"), 48.0], *RING[1:]]], "position 1 is not finite"),
    "beyond all floats": ("geometry/coordinates", [[[10**400, 48.0], *RING[1:]]], "position 1 is not finite"),
    "longitude beyond 180": ("geometry/coordinates", [[[190.0, 48.0], *RING[1:]]], "a longitude beyond 180"),
    "latitude beyond 90": (
        "geometry/coordinates",
        [[[200.0, 95.0], *RING[1:]]],
        "give [longitude, latitude] in degrees",
    ),
    "swapped and beyond 90": (
        "geometry/coordinates",
        [[[48.3, -131.2], *RING[1:]]],
        "swap them: GeoJSON has longitude",
    ),
    "crosses itself": ("geometry/coordinates", [BOWTIE], "the outline crosses itself (got near [-31.269, 48.3105])"),
    "hole outside": ("geometry/coordinates", [RING, OUTSIDE], "a hole lies outside its ring"),
    "no area": ("geometry/coordinates", [SPIKE], "a ring has no area"),
    "a country": ("geometry/coordinates", [[[0, 48], [5, 48], [5, 52], [0, 48]]], "no site but a country (got 445 km)"),
}


@pytest.mark.parametrize(("path", "value", "said"), FEATURES.values(), ids=FEATURES.keys())
def test_features_with_a_fault(path: str, value: object, said: str) -> None:
    """One fault gives one problem, which says the file, the feature, what stands there and what to do."""
    (problem,) = problems_of(text_of(changed(DEPOT, path, value)))
    assert problem.startswith("sites.geojson, feature 1")
    assert said in problem


@pytest.mark.parametrize(
    ("path", "value", "said"),
    [
        ("properties/radius_m", ..., "a Point needs radius_m"),
        ("properties/radius_m", 0, "this cannot be a radius (got 0)"),
        ("properties/radius_m", -5, "this cannot be a radius"),
        ("properties/radius_m", "40", "this cannot be a radius"),
        ("properties/radius_m", True, "this cannot be a radius"),
        ("properties/radius_m", float("nan"), "this cannot be a radius"),
        ("properties/radius_m", 1e9, "this cannot be a radius"),
        ("geometry/coordinates", [-31.2], "the point is no position"),
    ],
)
def test_circles_with_a_fault(path: str, value: object, said: str) -> None:
    """A Point needs a radius in metres that a site can have."""
    (problem,) = problems_of(text_of(changed(CLUB, path, value)))
    assert said in problem


def test_a_misspelt_radius_is_told_beside_the_missing_one() -> None:
    """`radiusM` is not passed over: the site would have no outline."""
    said = problems_of(text_of(changed(changed(CLUB, "properties/radius_m", ...), "properties/radiusM", 40)))
    assert any("write radius_m" in problem for problem in said)


def test_properties_that_are_no_object_have_no_name_either() -> None:
    """Both are told."""
    said = problems_of(text_of(changed(DEPOT, "properties", [])))
    assert ["properties is no object" in said[0], "the name is missing" in said[1]] == [True, True]


def test_every_fault_of_every_file_is_told_at_once() -> None:
    """Two files with five faults give five problems, in their order."""
    first = text_of(
        changed(DEPOT, "id", "A B"), changed(changed(CLUB, "properties/name", ...), "properties/radius_m", 0)
    )
    second = text_of(changed(DEPOT, "geometry/coordinates", [BOWTIE]), 7)
    with pytest.raises(ConfigError) as caught:
        parse_sites({"first.geojson": first, "second.geojson": second})
    assert [(problem.file, problem.where.split(" (")[0]) for problem in caught.value.problems] == [
        ("first.geojson", "feature 1"),
        ("first.geojson", "feature 2"),
        ("first.geojson", "feature 2"),
        ("second.geojson", "feature 1"),
        ("second.geojson", "feature 2"),
    ]


def test_an_id_stands_once_in_all_files() -> None:
    """The second site of the same id is told, with where the first stands; likewise an SGLN."""
    with pytest.raises(ConfigError) as caught:
        parse_sites({"a.geojson": text_of(DEPOT), "b.geojson": text_of(CLUB, DEPOT)})
    said = [str(problem) for problem in caught.value.problems]
    assert said[0].startswith("b.geojson, feature 2 (depot): the same id as a.geojson, feature 1 (depot) (got depot)")
    assert "the same sgln as a.geojson, feature 1" in said[1]
    assert len(said) == 2


def swapped(feature: dict[str, Any]) -> dict[str, Any]:
    """With latitude first, as people write it."""
    return changed(feature, "geometry/coordinates", feature["geometry"]["coordinates"][1::-1])


def test_a_site_with_latitude_first_is_suspected() -> None:
    """48.3 degrees east, 31 south is a valid place; but with the two swapped it lies among the other sites."""
    other = changed(changed(CLUB, "id", "hall"), "geometry/coordinates", [-31.1, 48.33])
    (problem,) = problems_of(text_of(other, DEPOT, swapped(CLUB)))
    assert problem.startswith("sites.geojson, feature 3 (club): far from every other site")
    assert "(got longitude 48.3000, latitude -31.2000); swap the numbers" in problem
    (problem,) = problems_of(text_of(DEPOT, swapped(CLUB)))
    assert "feature 2 (club)" in problem


def test_a_site_far_away_is_no_fault_by_itself() -> None:
    """A site on another continent stays, where swapping would not bring it home."""
    far = changed(CLUB, "geometry/coordinates", [100.0, 10.0])
    assert len(parse_sites({"a": text_of(DEPOT, far)})) == 2


def test_the_demos_region() -> None:
    """The sites that come with the tool are good, and hold each kind of outline."""
    path = ROOT / "geofences" / "region.geojson"
    sites = {site.id: site for site in parse_sites({path.name: path.read_text(encoding="utf-8")})}
    assert len(sites) == 10
    kinds = {site.shape.geom_type for site in sites.values()}
    assert kinds == {"Point", "Polygon", "MultiPolygon"}
    assert len(sites["royal-hall"].shape.interiors) == 1
    assert [site.id for site in sites.values() if site.radio_off] == ["quarry-store"]


def test_the_short_days_sites(short_day: Path) -> None:
    """The sites of the example that the formats are explained with are good."""
    files = {path.name: path.read_text(encoding="utf-8") for path in (short_day / "geofences").glob("*.geojson")}
    assert {site.id for site in parse_sites(files)} >= {"depot"}


_ANY = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=10),
    lambda inner: st.lists(inner, max_size=5) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
    max_leaves=20,
)


@given(
    st.sampled_from(
        [
            "id",
            "properties",
            "properties/name",
            "properties/sgln",
            "properties/timezone",
            "properties/radius_m",
            "geometry",
            "geometry/type",
            "geometry/coordinates",
        ]
    ),
    _ANY,
)
def test_whatever_stands_there_the_answer_is_sites_or_problems(path: str, value: object) -> None:
    """No JSON value anywhere in a feature raises anything but a ConfigError."""
    try:
        sites = parse_sites({"a": text_of(changed(DEPOT, path, value))})
    except ConfigError:
        return
    assert all(isinstance(site, Site) for site in sites)
