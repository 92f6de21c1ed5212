"""Sites as a book, as lines of coordinates, as a form; and what is warned of."""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.dispatch.site_form import drawn_changes, fields_of, parse_fields
from agent.dispatch.site_warnings import warnings_of
from agent.dispatch.sitebook import (
    Book,
    area_m2,
    compare,
    is_elsewhere,
    merged,
    outline_text,
    parse_circle,
    parse_outline,
    read_book,
    with_feature,
    without,
)
from agent.errors import ConfigError
from agent.geo import Frame, metres_per_degree

LAT, LON = 48.31, -31.27
FRAME = Frame(LAT, LON)


def at(x_m: float, y_m: float) -> list[float]:
    """[lon, lat] of a place in metres from the middle."""
    lat, lon = FRAME.to_degrees(x_m, y_m)
    return [lon, lat]


def box(site: str, x_m: float, y_m: float, wide_m: float, high_m: float, **properties: Any) -> dict[str, Any]:
    """A rectangle by its south-west corner, in metres from the middle."""
    corners = [(0, 0), (wide_m, 0), (wide_m, high_m), (0, high_m), (0, 0)]
    ring = [at(x_m + dx, y_m + dy) for dx, dy in corners]
    properties = {"name": site.title()} | properties
    geometry = {"type": "Polygon", "coordinates": [ring]}
    return {"type": "Feature", "id": site, "properties": properties, "geometry": geometry}


def circle(site: str, x_m: float, y_m: float, radius_m: float) -> dict[str, Any]:
    """A circle."""
    properties = {"name": site.title(), "radius_m": radius_m}
    geometry = {"type": "Point", "coordinates": at(x_m, y_m)}
    return {"type": "Feature", "id": site, "properties": properties, "geometry": geometry}


def book_of(*features: dict[str, Any]) -> Book:
    """A book of features."""
    return read_book({"type": "FeatureCollection", "features": list(features)})


def kinds(*features: dict[str, Any]) -> list[tuple[str, tuple[str, ...]]]:
    """What is warned of, by kind and sites."""
    return [(each.kind, each.sites) for each in warnings_of(book_of(*features).sites)]


# -- lines -------------------------------------------------------------------------------------------------------------


def test_lines_are_latitude_first() -> None:
    """One `lat, lon` a line becomes GeoJSON's [lon, lat] and a closed ring; white space and semicolons separate too."""
    geometry = parse_outline("48.1, -31.2\n48.1 -31.1\n\n 48.2;-31.1 \n")
    ring = [[-31.2, 48.1], [-31.1, 48.1], [-31.1, 48.2], [-31.2, 48.1]]
    assert geometry == {"type": "Polygon", "coordinates": [ring]}


def test_every_wrong_line_is_told_by_its_number() -> None:
    """What cannot be read is told all at once, each with the line, what stands there, and what to do."""
    with pytest.raises(ConfigError) as caught:
        parse_outline("48.1, -31.2\nthere\n48.1\n131.2, 48.1\n48.0, 200\n48.1, nan\n48.2, -31.2\n48.2, -31.1")
    told = [(each.where, each.got) for each in caught.value.problems]
    assert told == [
        ("line 2", "there"), ("line 3", "48.1"), ("line 4", "131.2, 48.1"), ("line 5", "48.0, 200"),
        ("line 6", "48.1, nan"),
    ]  # fmt: skip
    assert "swap" in caught.value.problems[2].do


def test_two_corners_are_no_outline() -> None:
    """An outline of two corners, or one closed upon itself, is refused."""
    for text in ("", "48.1, -31.2\n48.2, -31.2", "48.1, -31.2\n48.2, -31.2\n48.1, -31.2"):
        with pytest.raises(ConfigError, match="too few corners"):
            parse_outline(text)


def test_a_circle_needs_both() -> None:
    """Centre and radius are each told where they are wrong."""
    assert parse_circle("48.1, -31.2", "60") == ({"type": "Point", "coordinates": [-31.2, 48.1]}, 60.0)
    with pytest.raises(ConfigError) as caught:
        parse_circle("here", "wide")
    assert [each.where for each in caught.value.problems] == ["centre", "radius"]


degrees = st.floats(-80, 80).map(lambda value: round(value, 9))
rings = st.lists(st.tuples(degrees, degrees), min_size=3, max_size=8, unique=True).map(
    lambda points: [[*map(list, points)], list(points[0])]
)


@given(st.lists(st.lists(rings, min_size=1, max_size=3), min_size=1, max_size=3))
def test_lines_lose_nothing(polygons: list[list[Any]]) -> None:
    """An outline with holes and parts comes back from its lines digit for digit."""
    coordinates = [[[*points, first] for points, first in rings] for rings in polygons]
    one = len(coordinates) == 1
    geometry = {
        "type": "Polygon" if one else "MultiPolygon",
        "coordinates": coordinates[0] if one else coordinates,
    }
    assert parse_outline(outline_text({"geometry": geometry})) == geometry


# -- a form ------------------------------------------------------------------------------------------------------------


def test_a_form_changes_only_what_it_shows() -> None:
    """A feature goes through the form and back unchanged, with properties that the form does not know."""
    for feature in (
        box("yard", 0, 0, 60, 40, timezone="Atlantic/Azores", radio_off=True, gate="north"),
        circle("quay", 0, 0, 62.5),
    ):
        assert parse_fields(fields_of(feature), site_id=feature["id"], before=feature) == feature


def test_an_outline_becomes_a_circle() -> None:
    """Another kind of outline takes the other's numbers away."""
    feature = box("yard", 0, 0, 60, 40)
    fields = fields_of(feature) | {"kind": "circle", "centre": "48.31, -31.27", "radius_m": "45"}
    round_one = parse_fields(fields, site_id="yard", before=feature)
    assert (round_one["geometry"]["type"], round_one["properties"]["radius_m"]) == ("Point", 45.0)
    again = parse_fields(fields_of(feature), site_id="yard", before=round_one)
    assert "radius_m" not in again["properties"]


# -- books -------------------------------------------------------------------------------------------------------------


def test_a_site_is_put_in_its_place() -> None:
    """One site changes and the others keep their order; what the vehicle would refuse is refused here."""
    book = book_of(box("a", 0, 0, 60, 40), box("b", 200, 0, 60, 40), box("c", 400, 0, 60, 40))
    wider = with_feature(book, box("b", 200, 0, 80, 40))
    assert [each["id"] for each in wider.features] == ["a", "b", "c"]
    assert [each["id"] for each in without(wider, "b").features] == ["a", "c"]
    bow = box("b", 200, 0, 60, 40)
    ring = bow["geometry"]["coordinates"][0]
    ring[1], ring[2] = ring[2], ring[1]
    with pytest.raises(ConfigError, match="crosses itself"):
        with_feature(book, bow)
    one = "urn:epc:id:sgln:9521141.00001.0"
    named = with_feature(book, box("a", 0, 0, 60, 40, sgln=one))
    with pytest.raises(ConfigError, match="same sgln"):
        with_feature(named, box("c", 400, 0, 60, 40, sgln=one))


def test_an_import_takes_nothing_away() -> None:
    """Merging adds and replaces; it never removes."""
    book = book_of(box("a", 0, 0, 60, 40), box("b", 200, 0, 60, 40))
    both = merged(book, book_of(box("b", 200, 0, 70, 40), box("z", 400, 0, 60, 40)))
    assert [each["id"] for each in both.features] == ["a", "b", "z"]
    assert [(each.kind, each.site) for each in compare(book, both)] == [
        ("new", "z"), ("changed", "b"), ("unchanged", "a"),
    ]  # fmt: skip


def test_changes_are_told_in_words_and_square_metres() -> None:
    """60 x 40 m grown eastward by 10 m gains 400 m2 and loses none; other properties are told by name."""
    before = book_of(box("a", 0, 0, 60, 40), circle("q", 300, 0, 50))
    after = book_of(box("a", 0, 0, 70, 40, name="Yard", radio_off=True), circle("q", 300, 0, 50))
    change, still = compare(before, after)
    assert change.what == ("name: A, now Yard", "radio off: no, now yes", "outline: 400 m² added, 0 m² taken away")
    assert still.kind == "unchanged"
    assert [each["look"] for each in drawn_changes([change, still])] == ["before", "changed", "other"]
    gone = compare(after, without(after, "a"))
    assert [(each.kind, each.site) for each in gone] == [("gone", "a"), ("unchanged", "q")]


def test_an_id_moved_elsewhere_is_noticed() -> None:
    """An outline that does not touch the old one is another place; one that overlaps it is the same, changed."""
    outlines = box("a", 0, 0, 60, 40), box("a", 30, 0, 90, 40), box("a", 61, 0, 60, 40)
    here, wider, there = (book_of(each).sites[0] for each in outlines)
    assert not is_elsewhere(here, wider)
    assert is_elsewhere(here, there)


def test_areas() -> None:
    """A rectangle of 60 x 40 m on the ellipsoid has 2400 m2, a circle pi r2."""
    assert area_m2(book_of(box("a", 0, 0, 60, 40)).sites[0]) == pytest.approx(2400, rel=1e-4)
    assert area_m2(book_of(circle("a", 0, 0, 50)).sites[0]) == pytest.approx(math.pi * 2500)


# -- warnings ----------------------------------------------------------------------------------------------------------


def test_an_overlap_is_told_in_square_metres() -> None:
    """Two yards that share a strip of 10 x 40 m overlap by 400 m2; a common edge is no overlap."""
    found = warnings_of(book_of(box("a", 0, 0, 60, 40), box("b", 50, 0, 60, 40)).sites)
    assert [(each.kind, each.sites) for each in found] == [("overlap", ("a", "b"))]
    assert "by 400 m²" in found[0].text
    assert kinds(box("a", 0, 0, 60, 40), box("b", 60, 0, 60, 40)) == [("close", ("a", "b"))]


def test_a_circle_overlaps_by_its_lens() -> None:
    """Two circles of 50 m, 60 m apart: the lens has 2 r2 acos(d/2r) - d/2 sqrt(4r2 - d2) = 2236 m2."""
    expected = 2 * 2500 * math.acos(0.6) - 30 * math.sqrt(10_000 - 3600)
    (found,) = warnings_of(book_of(circle("a", 0, 0, 50), circle("b", 60, 0, 50)).sites)
    told = float(found.text.split(" by ")[1].split()[0])
    assert told == pytest.approx(expected, rel=0.002)


@pytest.mark.parametrize(("gap_m", "told"), [(5, True), (39, True), (41, False)])
def test_neighbours_within_40_m(gap_m: float, told: bool) -> None:  # noqa: FBT001 - a case
    """Yards up to 40 m apart are told as close; farther ones are not."""
    found = kinds(box("a", 0, 0, 60, 40), box("b", 60 + gap_m, 0, 60, 40))
    assert (found == [("close", ("a", "b"))]) is told


def test_a_spike_is_narrow() -> None:
    """A corner gone astray for 80 m is told; a yard's square corners are not, nor is a sharp one of 45 degrees."""
    yard = box("a", 0, 0, 60, 40)
    spike = box("a", 0, 0, 60, 40)
    spike["geometry"]["coordinates"][0][2:2] = [at(140, 41)]
    wedge = box("a", 0, 0, 60, 60)
    del wedge["geometry"]["coordinates"][0][2]
    assert kinds(yard) == []
    assert kinds(wedge) == []
    (found,) = warnings_of(book_of(spike).sites)
    assert found.kind == "narrow"
    assert "narrower than 10 m" in found.text


def test_a_waist_is_narrow() -> None:
    """Two yards joined by a strip of 4 x 30 m are told."""
    corners = [(0, 0), (40, 0), (40, 18), (70, 18), (70, 0), (110, 0)]
    corners += [(x, 40 - y) for x, y in reversed(corners)] + [(0, 0)]
    waist = box("a", 0, 0, 1, 1)
    waist["geometry"]["coordinates"] = [[at(x, y) for x, y in corners]]
    assert kinds(waist) == [("narrow", ("a",))]


def test_a_site_smaller_than_the_error() -> None:
    """A circle of 8 m is doubtful from its own middle, one of 15 m is not.

    With 95 in 100 within 10 m, P(within r) = 1 - 0.05 ** (r / 10) ** 2: 0.853 at 8 m, 0.9988 at 15 m.
    """
    assert kinds(circle("a", 0, 0, 15)) == []
    (found,) = warnings_of(book_of(circle("a", 0, 0, 8)).sites)
    assert found.kind == "small"
    assert "85 %" in found.text


def test_a_wrong_digit_is_far() -> None:
    """49 instead of 48 degrees is 111 km away from all others and told; the others are not."""
    far = circle("c", 0, 0, 50)
    far["geometry"]["coordinates"][1] += 1.0
    found = warnings_of(book_of(circle("a", 0, 0, 50), circle("b", 900, 0, 50), far).sites)
    assert [(each.kind, each.sites) for each in found] == [("far", ("c",))]
    assert f"{metres_per_degree(LAT + 0.5)[0] / 1000:.0f} km" in found[0].text


def test_swapped_coordinates_are_refused() -> None:
    """A site that lies among the others only with its numbers swapped is no warning but a fault, as on the vehicle."""
    swapped = circle("c", 0, 0, 50)
    swapped["geometry"]["coordinates"].reverse()
    with pytest.raises(ConfigError, match="swapped"):
        book_of(circle("a", 0, 0, 50), circle("b", 900, 0, 50), swapped)
