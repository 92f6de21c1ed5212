"""Whole rounds through the pipeline: the same places again and again, long nights, power that comes and goes."""

from __future__ import annotations

import pytest

from agent.itinerary import Itinerary, Stop
from agent.occasions import settle_next
from agent.state import State
from agent.units import parse_utc
from tests.days import EAST_M, SIDE_M, VEHICLE, Scene, setup_of, tell

UNWIRED = VEHICLE.partition("[inputs]")[0]


@pytest.mark.parametrize("seed", range(4))
def test_what_was_left_at_a_site_and_is_heard_there_again_did_not_travel(seed: int) -> None:
    """Set down at the hall, then heard there at times on three later visits, never on the road: it stayed there."""
    scene = Scene(seed=seed).stay(60).hear("case-1", "case-2", rate=0.6).stay(120)
    scene.drive("hall").stay(20).hear("case-1", rate=0.04, dbm=-66.0).stay(60).lose("case-1")
    for _ in range(3):
        scene.drive("studio").stay(60).drive("hall").hear("case-1", rate=0.04, dbm=-66.0).stay(60).lose("case-1")
    told = tell(scene.drive("depot").stay(60), setup_of(UNWIRED))
    assert [move for move in told.moves() if move[1] == "case-1"] == [
        ("load", "case-1", "depot"),
        ("unload", "case-1", "hall"),
    ]
    assert told.items()[0] == {"case-1", "case-2"}
    assert all(items == {"case-2"} for items in told.items()[1:])


def loaded() -> Scene:
    """Cases 1 and 2 aboard at the depot, in a van with nothing wired."""
    return Scene().stay(60).hear("case-1", "case-2", rate=0.7).stay(180)


def test_a_night_that_the_computer_ran_through_is_two_accounts() -> None:
    """Brought home and set down in the evening, loaded again in the morning: an unloading and a loading."""
    scene = loaded().drive("hall").stay(120).drive("depot").stay(300).lose("case-1").stay(5 * 3600)
    told = tell(scene.hear("case-1", rate=0.7).stay(300).drive("hall").stay(120), setup_of(UNWIRED))
    assert [move for move in told.moves() if move[1] == "case-1"] == [
        ("load", "case-1", "depot"),
        ("unload", "case-1", "depot"),
        ("load", "case-1", "depot"),
    ]
    assert told.items() == [{"case-1", "case-2"}] * 3


def test_power_that_goes_as_the_van_comes_home_closes_the_trip_all_the_same() -> None:
    """Dead two seconds after the arrival, on again next morning: the stop begins at the arrival, the night parts it."""
    scene = loaded().drive("hall").stay(120).drive("depot").stay(2)
    came_s = scene.now_s - 2
    scene.lose("case-1").cut(10 * 3600).stay(120).hear("case-1", rate=0.7).stay(300).drive("hall").stay(120)
    told = tell(scene, setup_of(UNWIRED))
    home = told.final()[1]["arrived"]
    assert home["site"] == "depot"
    assert parse_utc(home["time"]) == pytest.approx(scene.time(came_s), abs=10.0)
    assert told.final()[2]["manifest"] == "van-07/2026-03-02.2/1"
    assert told.state.itinerary.trip == 2


@pytest.mark.parametrize("off_s", [30, 90])
def test_power_that_goes_within_the_sweep_does_not_make_the_first_manifest_late(off_s: int) -> None:
    """Left, dead twenty seconds later, on again on the road: revision 1 comes once, within three minutes."""
    scene = loaded()
    left_s = scene.now_s
    scene.stay(20, speed_mps=10.0)
    scene.east_m += off_s * 10.0
    told = tell(scene.cut(off_s).stay(240, speed_mps=10.0), setup_of(UNWIRED), to_the_end=False)
    firsts = [m for m in told.manifests if m["revision"] == 1]
    assert [m["manifest"] for m in firsts] == ["van-07/2026-03-02/1"]
    assert 120.0 < parse_utc(firsts[0]["issued"]) - scene.time(left_s) <= 180.0


def test_a_gate_on_the_way_out_is_no_stop() -> None:
    """Thirty metres from where it stood, still inside the fence, it waits for twenty seconds: one leg, left before."""
    scene = loaded()
    left_s = scene.now_s
    scene.stay(6, speed_mps=4.9).stay(20).drive("hall").stay(120)
    (leg,) = tell(scene, setup_of(UNWIRED)).final()
    assert parse_utc(leg["departed"]["time"]) == pytest.approx(scene.time(left_s), abs=5.0)
    assert leg["arrived"]["site"] == "hall"


@pytest.mark.parametrize(("seconds", "legs"), [(35, 1), (60, 2)])
def test_a_red_light_beside_a_fence_is_no_stop_and_a_minute_on_the_street_is(seconds: int, legs: int) -> None:
    """Fifteen metres outside the hall's fence: half a minute is a light, a minute is a visit."""
    scene = loaded()
    scene.stay(195, speed_mps=(EAST_M["hall"] + SIDE_M / 2 + 15.0) / 195).stay(seconds).drive("studio").stay(120)
    final = tell(scene, setup_of(UNWIRED)).final()
    assert [leg["arrived"]["site"] for leg in final] == (["hall", "studio"] if legs > 1 else ["studio"])


def test_a_long_stay_is_looked_at_ever_more_seldom() -> None:
    """Every ten minutes at first; the looks of fourteen hours read six nights' worth at most, not forty."""
    state = State(itinerary=Itinerary(segments=(Stop(number=1, from_s=0.0),), stops=1))
    looks, at = [], 0.0
    while at < 14 * 3600.0:
        at = settle_next(state, at)
        looks.append(at)
    assert looks[:4] == [600.0, 1200.0, 1800.0, 2400.0]
    assert sum(looks) < 6 * 14 * 3600.0
