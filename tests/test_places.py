"""Where the van stands: neighbours, the street outside a fence, and nowhere."""

from __future__ import annotations

import pytest
from shapely.geometry import Polygon

from agent.geo import Frame
from agent.itinerary import Place
from agent.motion import Anchor
from agent.places import choose_place, same_place
from agent.sites import Site, SiteIndex

FRAME = Frame(48.31, -31.27)


def square(name: str, *, east_m: float, north_m: float = 0.0, side_m: float = 40.0) -> Site:
    """A square yard whose south-west corner lies there."""
    corners = [(0.0, 0.0), (side_m, 0.0), (side_m, side_m), (0.0, side_m)]
    degrees = [FRAME.to_degrees(east_m + x, north_m + y) for x, y in corners]
    return Site(id=name, name=name, sgln=None, timezone=None, radio_off=False,
                shape=Polygon([(lon, lat) for lat, lon in degrees]), radius_m=None)  # fmt: skip


# Two yards side by side with 25 m between their fences: x from 0 to 40 and from 65 to 105.
INDEX = SiteIndex([square("west-yard", east_m=0.0), square("east-yard", east_m=65.0)])


def standing(east_m: float, north_m: float = 20.0, *, sigma_m: float = 4.0, fixes: int = 60) -> Place:
    """Where a van standing there is said to be."""
    lat, lon = FRAME.to_degrees(east_m, north_m)
    return choose_place(INDEX, Anchor(lat, lon, sigma_m, fixes))


@pytest.mark.parametrize(("east_m", "site"), [(20.0, "west-yard"), (36.0, "west-yard"), (69.0, "east-yard")])
def test_neighbours_are_told_apart(east_m: float, site: str) -> None:
    """Inside its fence a yard is named, with its neighbour 25 m off far less likely."""
    place = standing(east_m)
    assert place.site == site
    assert place.p > 0.6
    assert all(p < 0.3 for _, p in place.others)


def test_between_two_neighbours_the_nearer_is_named_and_the_doubt_is_said() -> None:
    """On the strip between the fences the nearer yard has it, with a probability that shows the doubt."""
    place = standing(49.0)
    assert place.site == "west-yard"
    assert place.p < 0.6
    assert dict(place.others)["east-yard"] > 0.2


def test_the_street_outside_a_fence_is_that_site() -> None:
    """Parked ten metres outside the fence, the nearest site still gets the stop."""
    place = standing(-10.0)
    assert place.site == "west-yard"
    assert 0.5 < place.p < 1.0


@pytest.mark.parametrize("east_m", [-45.0, -119.0, -2000.0])
def test_a_road_well_off_is_nowhere(east_m: float) -> None:
    """Farther off than a street is wide, the stop belongs to no site; the position stands all the same."""
    place = standing(east_m)
    assert place.site is None
    assert place.lat == pytest.approx(FRAME.to_degrees(east_m, 20.0)[0])
    assert place.p > 0.2


def test_shares_sum_to_one() -> None:
    """The named site, the others and no site at all share one."""
    for east_m in (-45.0, -10.0, 20.0, 52.5, 70.0):
        place = standing(east_m)
        shares = place.p + sum(p for _, p in place.others)
        assert shares <= 1.0 + 1e-9
        if place.site is None:
            assert shares == pytest.approx(1.0)


def test_a_single_fix_is_where_the_sky_was_lost() -> None:
    """The last fix before the roof is less sure than what it claims."""
    assert standing(30.0, fixes=1).sigma_m == 25.0
    assert standing(30.0, fixes=1).p < standing(30.0).p


def test_without_sites_every_stop_is_nowhere() -> None:
    """A vehicle that holds no sites yet stands at positions."""
    place = choose_place(SiteIndex([]), Anchor(48.31, -31.27, 4.0, 10))
    assert (place.site, place.p, place.lat) == (None, 1.0, 48.31)


def test_a_place_is_the_same_until_it_says_something_new() -> None:
    """Another metre is the same place; another site, ten metres, or an eighth more probability is not."""
    place = Place("west-yard", 0.80, 48.31, -31.27, 4.0)
    near_lat, far_lat = 48.31 + 1 / 111_195, 48.31 + 10 / 111_195
    assert same_place(place, Place("west-yard", 0.81, near_lat, -31.27, 4.0))
    assert not same_place(place, Place("east-yard", 0.80, 48.31, -31.27, 4.0))
    assert not same_place(place, Place("west-yard", 0.80, far_lat, -31.27, 4.0))
    assert not same_place(place, Place("west-yard", 0.92, 48.31, -31.27, 4.0))
    assert not same_place(Place(), place)
    assert same_place(Place(), Place())
