"""Which sites a position is near, and how likely it is inside each."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from agent.geo import Frame
from agent.geofences import Site, parse_sites
from agent.sites import SiteIndex, site_uri

REGION = Path(__file__).resolve().parents[1] / "geofences" / "region.geojson"


@pytest.fixture(scope="module")
def region() -> SiteIndex:
    """The demo's sites."""
    return SiteIndex(parse_sites({REGION.name: REGION.read_text(encoding="utf-8")}))


HERE = Frame(48.31, -31.27)


def box(name: str, west_m: float, south_m: float, east_m: float, north_m: float) -> Site:
    """A rectangular site in metres from here."""
    (south, west), (north, east) = HERE.to_degrees(west_m, south_m), HERE.to_degrees(east_m, north_m)
    return Site(id=name, name=name, shape=shapely.box(west, south, east, north))


# Two neighbours 25 m apart, and one that a van cannot mistake for either.
NEIGHBOURS = SiteIndex(
    [
        box("west", -100.0, 0.0, 0.0, 50.0),
        box("east", 25.0, 0.0, 125.0, 50.0),
        box("far", 5000.0, 0.0, 5100.0, 50.0),
    ]
)


def at(x_m: float, y_m: float) -> tuple[float, float]:
    """(lat, lon) of metres from the corner of the western neighbour."""
    return HERE.to_degrees(x_m, y_m)


def test_inside_and_beside() -> None:
    """Inside the distance is 0; beside it is metres to the outline; what is farther than the reach is left out."""
    inside, beside = NEIGHBOURS.near(*at(-20.0, 25.0), 3.0)
    assert (inside.site.id, inside.distance_m, beside.site.id) == ("west", 0.0, "east")
    assert inside.p_inside == pytest.approx(1.0, abs=1e-6)
    assert beside.p_inside == pytest.approx(0.0, abs=1e-6)
    assert beside.distance_m == pytest.approx(45.0, abs=0.05)
    assert [found.site.id for found in NEIGHBOURS.near(*at(-20.0, 25.0), 3.0, reach_m=40.0)] == ["west"]
    assert NEIGHBOURS.near(*at(2000.0, 25.0), 3.0) == ()


def test_between_two_neighbours_both_are_told_with_their_probability() -> None:
    """In the middle of the gap each is as likely as a half-plane 12.5 m away; nearer one it leads.

    Source: normal distribution, Phi(-12.5 / 10) = 0.1056498 (scipy).
    """
    first, second = NEIGHBOURS.near(*at(12.5, 25.0), 10.0)
    assert {first.site.id, second.site.id} == {"west", "east"}
    assert first.p_inside == pytest.approx(0.1056498 * 0.9875807, abs=2e-4)  # the fences are 50 m deep: +-2.5 sigma
    assert first.p_inside == pytest.approx(second.p_inside, abs=2e-4)
    first, second = NEIGHBOURS.near(*at(18.0, 25.0), 10.0)
    assert first.site.id == "east"
    assert first.p_inside > 2.0 * second.p_inside


def test_a_poor_fix_sees_farther_than_the_reach() -> None:
    """With an error of 200 m a site 300 m away is still possible, and told of beyond the reach."""
    found = {nearby.site.id: nearby for nearby in NEIGHBOURS.near(*at(-400.0, 25.0), 200.0)}
    assert 0.001 < found["west"].p_inside < 0.1
    assert found["west"].distance_m == pytest.approx(300.0, abs=0.5)


def test_holes_parts_and_circles(region: SiteIndex) -> None:
    """A court is outside, each part of a site is inside, a circle holds what lies within its radius."""
    hall = region.by_id["royal-hall"]
    court = shapely.Polygon(hall.shape.interiors[0]).centroid
    (nearest, *_) = region.near(court.y, court.x, 1.0)
    assert nearest.site.id == "royal-hall"
    assert nearest.distance_m == pytest.approx(10.0, abs=0.2)  # a court of 24 m by 20 m
    assert nearest.p_inside == pytest.approx(0.0, abs=1e-6)
    for part in region.by_id["tern-field"].shape.geoms:
        (inside,) = region.near(part.centroid.y, part.centroid.x, 3.0)
        assert (inside.site.id, inside.p_inside, inside.distance_m) == ("tern-field", 1.0, 0.0)
    club = region.by_id["lantern-club"]
    frame = Frame(club.shape.y, club.shape.x)
    for away_m, p_inside, distance_m in ((0.0, 1.0, 0.0), (39.0, None, 0.0), (100.0, 0.0, 60.0)):
        (inside,) = region.near(*frame.to_degrees(away_m, 0.0), 3.0)
        assert inside.site.id == "lantern-club"
        assert inside.distance_m == pytest.approx(distance_m, abs=0.01)
        if p_inside is not None:
            assert inside.p_inside == p_inside


def test_the_way_a_ring_runs_changes_nothing() -> None:
    """Clockwise or not, outer ring or hole, P is the same."""
    ring = shapely.Polygon(shapely.box(*NEIGHBOURS.by_id["west"].shape.bounds).exterior.coords[::-1])
    turned = SiteIndex([Site(id="west", name="west", shape=ring)])
    for x_m in (-50.0, -2.0, 3.0, 30.0):
        there = NEIGHBOURS.near(*at(x_m, 20.0), 8.0)
        expected = next(found for found in there if found.site.id == "west")
        (found,) = turned.near(*at(x_m, 20.0), 8.0)
        assert found.p_inside == pytest.approx(expected.p_inside, abs=1e-9)


@settings(max_examples=60, deadline=None)
@given(
    st.floats(-150.0, 200.0),
    st.floats(-80.0, 130.0),
    st.floats(0.5, 60.0),
)
def test_p_is_what_a_sample_of_true_positions_gives(x_m: float, y_m: float, sigma_m: float) -> None:
    """Of 20 000 points drawn about the position, the share inside by shapely is P within 5 standard errors."""
    points = np.random.default_rng(7).normal(size=(20_000, 2)) * sigma_m + (x_m, y_m)
    lats, lons = HERE.lat + points[:, 1] / HERE.y_m_per_deg, HERE.lon + points[:, 0] / HERE.x_m_per_deg
    told = {found.site.id: found.p_inside for found in NEIGHBOURS.near(*at(x_m, y_m), sigma_m)}
    for name in ("west", "east"):
        share = float(shapely.contains_xy(NEIGHBOURS.by_id[name].shape, lons, lats).mean())
        assert told.get(name, 0.0) == pytest.approx(share, abs=5.0 * (0.25 / 20_000) ** 0.5)


def test_no_sites() -> None:
    """Without sites nothing is near."""
    assert SiteIndex([]).near(48.31, -31.27, 3.0) == ()


def test_at_the_pole_nothing_breaks(region: SiteIndex) -> None:
    """A position where longitudes meet has no demo site near it, and no error."""
    assert region.near(90.0, 0.0, 5.0) == ()


def test_what_stands_for_a_site_in_events(region: SiteIndex) -> None:
    """The SGLN where there is one, else the project's own URN (formats.md, section 6)."""
    assert site_uri(region.by_id["depot"]) == "urn:epc:id:sgln:9521141.00001.0"
    assert site_uri(region.by_id["lantern-club"]) == "urn:roadtally:site:lantern-club"
