"""Metres and P(inside) against published and independently computed values."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
from scipy import integrate
from scipy.stats import ncx2, norm

from agent.geo import (
    CERTAIN_SIGMAS,
    Floats,
    Frame,
    distance_m,
    geodesic_m,
    haversine_m,
    outline_distance_m,
    p_inside_circle,
    p_inside_edges,
    ring_edges,
)


def outline(*points: tuple[float, float]) -> Floats:
    """A closed ring's edges."""
    return ring_edges(np.array([*points, points[0]]))


def rectangle(west: float, south: float, east: float, north: float) -> Floats:
    """Counter-clockwise, as an outer ring must be."""
    return outline((west, south), (east, south), (east, north), (west, north))


SQUARE = rectangle(-10.0, -10.0, 10.0, 10.0)
HUGE = 1e5

# Source: normal and noncentral chi-squared distributions (design.md, "Published facts for tests").
PUBLISHED = {
    "half-plane, 5 m inside": (rectangle(-HUGE, 0.0, HUGE, HUGE), 0.0, 5.0, 10.0, 0.6914625),
    "half-plane, 5 m outside": (rectangle(-HUGE, 0.0, HUGE, HUGE), 0.0, -5.0, 10.0, 0.3085375),
    "half-plane on its side": (rectangle(0.0, -HUGE, HUGE, HUGE), 5.0, 0.0, 10.0, 0.6914625),
    "the middle of a 20 m square": (SQUARE, 0.0, 0.0, 10.0, 0.4660649),
    "off the middle": (SQUARE, 7.0, -4.0, 6.0, 0.5730561),
}


@pytest.mark.parametrize(("edges", "x_m", "y_m", "sigma_m", "p"), PUBLISHED.values(), ids=PUBLISHED.keys())
def test_published_values(edges: Floats, x_m: float, y_m: float, sigma_m: float, p: float) -> None:
    """P(inside) of straight outlines is the published figure to all its digits."""
    assert p_inside_edges(edges, x_m, y_m, sigma_m) == pytest.approx(p, abs=2e-7)


@pytest.mark.parametrize(("away_m", "p"), [(0.0, 0.956063), (30.0, 0.767874), (50.0, 0.418439)])
def test_published_circle(away_m: float, p: float) -> None:
    """A circle of 50 m, sigma 20 m. Source: noncentral chi-squared distribution, as in design.md."""
    assert p_inside_circle(50.0, away_m, 20.0) == pytest.approx(p, abs=5e-7)


def test_circles_of_every_size() -> None:
    """From far smaller to far larger than the error, at any distance, as scipy's noncentral chi-squared has it."""
    chance = np.random.default_rng(20260302)
    for _ in range(500):
        radius_m, sigma_m = math.exp(chance.uniform(-3, 7)), math.exp(chance.uniform(-1, 4))
        away_m = radius_m * chance.uniform(0.0, 3.0)
        expected = ncx2.cdf((radius_m / sigma_m) ** 2, 2, (away_m / sigma_m) ** 2)
        assert p_inside_circle(radius_m, away_m, sigma_m) == pytest.approx(expected, abs=1e-6)


def turned(edges: Floats, angle: float) -> Floats:
    """Turned about the origin."""
    turn = np.array([[math.cos(angle), math.sin(angle)], [-math.sin(angle), math.cos(angle)]])
    return np.hstack([edges[:, :2] @ turn, edges[:, 2:] @ turn])


def test_rectangles_of_every_size_and_angle() -> None:
    """A turned rectangle has the product of two normal distributions, also where an edge is nearly level or near."""
    chance = np.random.default_rng(20260303)
    for _ in range(1000):
        half_x, half_y = np.exp(chance.uniform(-3, 7, 2))
        sigma_m = math.exp(chance.uniform(-1, 4))
        angle = chance.uniform(0, 7) if chance.random() < 0.7 else chance.normal() * 1e-3
        x, y = chance.uniform(-1.5, 1.5, 2) * [half_x, half_y]
        expected = (norm.cdf((half_x - x) / sigma_m) - norm.cdf((-half_x - x) / sigma_m)) * (
            norm.cdf((half_y - y) / sigma_m) - norm.cdf((-half_y - y) / sigma_m)
        )
        edges = turned(rectangle(-half_x - x, -half_y - y, half_x - x, half_y - y), angle)
        assert p_inside_edges(edges, 0.0, 0.0, sigma_m) == pytest.approx(expected, abs=1e-6)


def test_an_l_shape_by_numerical_integration() -> None:
    """An L-shaped yard gives what scipy's double integral of the density gives over it."""
    corners = [(-30.0, -20.0), (30.0, -20.0), (30.0, 0.0), (0.0, 0.0), (0.0, 25.0), (-30.0, 25.0)]
    for x_m, y_m, sigma_m in ((0.0, 0.0, 8.0), (10.0, 6.0, 5.0), (-40.0, 0.0, 12.0)):

        def density(y: float, x: float, at: tuple[float, float, float] = (x_m, y_m, sigma_m)) -> float:
            return float(norm.pdf(x, at[0], at[2]) * norm.pdf(y, at[1], at[2]))

        expected = integrate.dblquad(density, -30, 0, -20, 25)[0] + integrate.dblquad(density, 0, 30, -20, 0)[0]
        assert p_inside_edges(outline(*corners), x_m, y_m, sigma_m) == pytest.approx(expected, abs=1e-6)


def test_a_hole_takes_away_its_own() -> None:
    """With a hole (clockwise) P is that of the whole less that of the hole; a second polygon adds its own."""
    hole, other = rectangle(-3.0, -3.0, 3.0, 3.0), rectangle(40.0, 0.0, 60.0, 20.0)
    reversed_hole = hole[::-1][:, [2, 3, 0, 1]]
    for x_m, y_m in ((0.0, 0.0), (8.0, 1.0), (30.0, 5.0)):
        one, less, more = (p_inside_edges(edges, x_m, y_m, 9.0) for edges in (SQUARE, hole, other))
        whole = p_inside_edges(np.vstack([SQUARE, reversed_hole, other]), x_m, y_m, 9.0)
        assert whole == pytest.approx(one - less + more, abs=1e-9)


def test_beyond_six_sigma_it_is_certain() -> None:
    """What lies across an outline six sigma away is less than 2e-8: at most exp(-18), the Rayleigh tail."""
    for sigma_m in (0.5, 3.0, 20.0):
        far_m = CERTAIN_SIGMAS * sigma_m
        inside = rectangle(-far_m, -far_m, far_m, far_m)
        assert p_inside_edges(inside, 0.0, 0.0, sigma_m) > 1.0 - 2e-7
        assert p_inside_edges(inside, 2 * far_m, 0.0, sigma_m) < 2e-7


def test_geodesics(standards: Path) -> None:
    """The distances of GeographicLib's test set, thousands of kilometres, are met to 0.1 mm (MIT)."""
    rows = json.loads((standards / "gps" / "geod_check12.json").read_text())
    assert len(rows) == 12
    for lat1, lon1, _, lat2, lon2, _, s12_m in (map(float, row) for row in rows):
        assert geodesic_m(lat1, lon1, lat2, lon2) == pytest.approx(s12_m, abs=1e-4)
        assert haversine_m(lat1, lon1, lat2, lon2) == pytest.approx(s12_m, rel=6e-3)


def test_the_meridian_quadrant() -> None:
    """From the equator to a pole it is 10 001 965.729 m (WGS 84; value from memory); on the equator a circle."""
    assert geodesic_m(0.0, 5.0, 90.0, 5.0) == pytest.approx(10_001_965.729, abs=0.001)
    assert geodesic_m(0.0, 5.0, 0.0, 6.0) == pytest.approx(math.radians(6_378_137.0), abs=0.001)
    assert geodesic_m(48.0, 5.0, 48.0, 5.0) == 0.0


def test_nearly_opposite_points_are_an_error() -> None:
    """Vincenty's iteration has no answer there, and says so."""
    with pytest.raises(ValueError, match="nearly opposite"):
        geodesic_m(0.0, 0.0, 0.5, 179.7)


@pytest.mark.parametrize(("lat", "error_m"), [(0.0, 0.001), (48.3, 0.04), (65.0, 0.07), (-65.0, 0.07), (80.0, 0.2)])
def test_the_frame_within_a_kilometre(lat: float, error_m: float) -> None:
    """Metres in a site's frame are those on the ellipsoid, to a few centimetres (design.md: 0.06 m at 1 km at 65)."""
    frame = Frame(lat, 179.999)
    for angle in np.linspace(0.0, 2 * math.pi, 60):
        x_m, y_m = 1000.0 * math.cos(angle), 1000.0 * math.sin(angle)
        there_lat, there_lon = frame.to_degrees(x_m, y_m)
        wrapped = (there_lon + 180.0) % 360.0 - 180.0
        assert frame.to_metres(there_lat, wrapped) == (pytest.approx(x_m, abs=1e-6), pytest.approx(y_m, abs=1e-6))
        assert geodesic_m(lat, 179.999, there_lat, wrapped) == pytest.approx(1000.0, abs=error_m)


def test_the_frame_wraps_both_ways() -> None:
    """A point just east of 180 degrees is just east of a frame just west of it, and the other way round."""
    assert Frame(0.0, 179.9).to_metres(0.0, -179.9)[0] == pytest.approx(0.2 * 111_319.49, abs=0.1)
    assert Frame(0.0, -179.9).to_metres(0.0, 179.9)[0] == pytest.approx(-0.2 * 111_319.49, abs=0.1)


def test_distances_of_a_vans_day() -> None:
    """Within 20 km the flat distance is the geodesic to 1 in 100 000 at van latitudes, also across 180 degrees."""
    for lat in (0.0, 35.0, 48.3, 65.0):
        for north_deg, east_deg in ((0.1, 0.1), (-0.12, 0.05), (0.0, 0.2), (0.15, 0.0)):
            to = (lat + north_deg, -179.95 + east_deg)
            assert distance_m(lat, 179.99, *to) == pytest.approx(geodesic_m(lat, 179.99, *to), rel=1e-5)


def test_distance_to_an_outline() -> None:
    """Distance to the nearest edge or corner, and inside by the even-odd rule: 3-4-5 triangles, by hand."""
    assert outline_distance_m(SQUARE, 0.0, 0.0) == (10.0, True)
    assert outline_distance_m(SQUARE, 9.0, 2.0) == (1.0, True)
    assert outline_distance_m(SQUARE, 13.0, 14.0) == (5.0, False)
    assert outline_distance_m(SQUARE, 0.0, -12.0) == (2.0, False)
    holed = np.vstack([SQUARE, rectangle(-3.0, -3.0, 3.0, 3.0)])
    assert outline_distance_m(holed, 0.0, 0.0) == (3.0, False)
    assert outline_distance_m(holed, 5.0, 0.0) == (2.0, True)


def test_level_with_a_corner_is_inside_once() -> None:
    """A point level with corners is neither counted twice nor not at all."""
    diamond = outline((0.0, -10.0), (10.0, 0.0), (0.0, 10.0), (-10.0, 0.0))
    assert outline_distance_m(diamond, -2.0, 0.0)[1]
    assert not outline_distance_m(diamond, -12.0, 0.0)[1]
    assert not outline_distance_m(diamond, -2.0, 10.0)[1]


def test_edges_without_length_are_left_out() -> None:
    """A position that stands twice in a ring does no harm."""
    doubled = outline((-10.0, -10.0), (10.0, -10.0), (10.0, -10.0), (10.0, 10.0), (-10.0, 10.0))
    assert len(doubled) == 4
    assert outline_distance_m(doubled, 0.0, 0.0) == (10.0, True)
