"""Every silence is told with since when and why, on the board and on manifests; and kept where it must be."""

from __future__ import annotations

from typing import Any

import pytest
from msgspec.structs import replace

from agent.itinerary import Stop
from agent.llrp.rounds import OFF, PARKED
from agent.pipeline import step
from agent.reading import choose_plan, interlock_of
from agent.records import Boot, PortInput, ReaderState
from agent.silence import MOST, Silence, present, silences, silent_s, words
from agent.snapshot import aboard
from agent.state import Setup, State
from agent.units import parse_utc
from tests.days import EAST_M, UTC_S, VEHICLE, Scene, Told, setup_of, tell
from tests.test_pipeline import loaded_at_depot

SETUP = setup_of()
PAUSE = '[rf_assessment]\nby = "A. Tester"\ndate = 2026-02-20\npower_dbm = 27.0\npeople_inside = "pause"\n'
WIRED = VEHICLE.replace("doors = 1", "doors = 1\nradio_off = 3")
REAL = VEHICLE + '[reader]\nhost = "192.0.2.20"\n'


def live(scene: Scene, setup: Setup = SETUP) -> State:
    """The state while the record goes on."""
    return tell(scene, setup, to_the_end=False).state


def told(state: State, setup: Setup = SETUP) -> list[tuple[str, float]]:
    """What the board is told: (why, seconds of the scene since when)."""
    body = aboard(setup, state, now_s=state.axis.last_s)
    assert body.not_read == (body.silences[0] if body.silences else None)
    return [(each.why, round(parse_utc(each.since or "") - UTC_S)) for each in body.silences]


def quiet(scene: Scene) -> Scene:
    """No more rounds are made, as where the reader is told not to."""
    scene.reads = False
    return scene


def test_each_silence_says_why_and_since_when() -> None:
    """Reader down, radio off by the wired input or at a site, doors open, not assessed: each from its own beginning."""
    assert told(live(loaded_at_depot().reader("down").stay(60))) == [("the reader is down", 300)]
    wired = setup_of(WIRED)
    scene = quiet(loaded_at_depot().port(3, on=False).stay(20).port(3, on=True)).stay(40)
    assert told(live(scene, wired), wired) == [("radio is switched off by the wired input", 320)]
    hall = setup_of(radio_off=["hall"])
    (why, since), = told(live(quiet(loaded_at_depot().drive("hall")).stay(60), hall), hall)
    assert (why, since) == ("radio is off at this site", pytest.approx(500, abs=3))
    pausing = setup_of(VEHICLE + PAUSE)
    scene = quiet(Scene().doors(on=False).stay(100).doors(on=True)).stay(30)
    assert told(live(scene, pausing), pausing) == [("paused while the doors are open, or may be", 100)]
    real = setup_of(REAL)
    ((why, _), *_rest) = told(live(quiet(Scene()).stay(60), real), real)
    assert "[rf_assessment]" in why


def test_a_lost_antenna_is_dated_by_its_own_loss() -> None:
    """Not by when the reader came up: two antennas lost at two times, and one of them back."""
    scene = Scene().stay(100)
    scene.inputs.append(ReaderState(scene.mono, "antenna_lost", 2))
    scene.stay(50).inputs.append(ReaderState(scene.mono, "antenna_lost", 1))
    state = live(scene.stay(10))
    assert told(state) == [("antenna 2 is lost", 100), ("antenna 1 is lost", 150)]
    assert [each.whole for each in aboard(SETUP, state, now_s=160.0).silences] == [False, False]
    scene.inputs.append(ReaderState(scene.mono, "antenna_back", 2))
    state = live(scene.stay(10))
    assert told(state) == [("antenna 1 is lost", 150)]
    assert [(each.antenna, round(each.since_s), each.until_s and round(each.until_s)) for each in silences(state)] == [
        (2, 100, 160),
        (1, 150, None),
    ]


def test_a_computer_that_starts_forgets_what_the_reader_told() -> None:
    """A lost antenna and the input's level are told anew after a start; until the reader is up it is down."""
    scene = Scene().stay(100)
    scene.inputs.append(ReaderState(scene.mono, "antenna_lost", 2))
    scene.stay(20).cut(600.0)
    state = live(scene.stay(30))
    assert told(state) == []
    assert [(each.why, each.until_s is None) for each in silences(state)] == [
        ("antenna lost", False),
        ("computer off", False),
    ]


def test_the_silence_to_act_upon_stands_first() -> None:
    """With the reader down and an antenna lost the board names the reader first."""
    scene = Scene().stay(50)
    scene.inputs.append(ReaderState(scene.mono, "antenna_lost", 2))
    assert [why for why, _ in told(live(scene.stay(50).reader("down").stay(5)))] == [
        "the reader is down",
        "antenna 2 is lost",
    ]


def test_a_round_that_is_made_all_the_same_begins_the_silence_anew() -> None:
    """A recording whose reader never said that it is up is silent since its last round; no manifest says so."""
    scene = Scene()
    del scene.inputs[1]
    state = live(scene.hear("case-1").stay(100))
    assert [round(each.since_s) for each in present(state)] == [100]
    assert silences(state) == present(state)
    scene.stay(200).drive("nowhere")
    manifests = tell(scene).manifests
    assert manifests
    assert all("not_read" not in body for body in manifests)


def swept(*, silent: tuple[int, int], seconds: int = 400) -> Told:
    """A leg on which the reader is down between two seconds after the departure."""
    scene = loaded_at_depot().hear("fixture")
    begin, end = silent
    scene.stay(begin, speed_mps=10.0).reader("down").stay(end - begin, speed_mps=10.0).reader("up")
    return tell(scene.stay(seconds - end, speed_mps=10.0))


@pytest.mark.parametrize(
    ("silent", "stands", "certain"),
    [((0, 20), False, True), ((10, 50), False, False), ((10, 100), True, False), ((200, 290), True, True)],
)
def test_a_manifest_says_what_was_not_read(silent: tuple[int, int], *, stands: bool, certain: bool) -> None:
    """More than a minute stands on it; more than a quarter of the sweep takes its certainty; a dip does neither."""
    body = swept(silent=silent).final()[0]
    assert body["certain"] is certain
    assert ("not_read" in body) is stands
    if stands:
        (line,) = body["not_read"]
        assert line["why"] == "the reader is down"
        assert parse_utc(line["since"]) == pytest.approx(UTC_S + 300.0 + silent[0], abs=2.0)
        assert parse_utc(line["until"]) == pytest.approx(UTC_S + 300.0 + silent[1], abs=2.0)


def test_a_silence_that_lasts_has_no_end_yet_and_gets_one_by_a_revision() -> None:
    """The first manifest says since when; once the reader is back a higher revision says until when."""
    scene = loaded_at_depot().stay(20, speed_mps=10.0).reader("down").stay(180, speed_mps=10.0)
    scene.reader("up").stay(200, speed_mps=10.0)
    bodies = [body["not_read"] for body in tell(scene).manifests]
    assert bodies[0][0]["until"] is None
    assert bodies[-1][0]["until"] is not None
    assert bodies[0][0]["since"] == bodies[-1][0]["since"]


def test_a_computer_that_was_off_on_the_way_is_told_by_how_long() -> None:
    """Ten minutes off in mid-leg are ten minutes not read, though the tally's axis does not know of them."""
    scene = loaded_at_depot().stay(160, speed_mps=10.0)
    scene.east_m += 6000.0
    scene.cut(600.0)
    scene.stay(300, speed_mps=10.0)
    lines = [line for body in tell(scene).final() for line in body.get("not_read", ())]
    off = [line for line in lines if "computer was off" in line["why"]]
    assert [round((parse_utc(line["until"]) - parse_utc(line["since"])) / 60) for line in off] == [10]


# --- near a site where radio must be off ---


def plan_at(state: State, setup: Setup, *, later_s: float = 0.0) -> Any:
    """The plan for this state."""
    return choose_plan(setup, state, now_s=state.axis.last_s + later_s)


def test_the_reader_is_silent_before_it_gets_to_a_site_without_radio() -> None:
    """On the way it reads; within reach of the fence it does not, before any stop is found; nor while it leaves."""
    setup = setup_of(radio_off=["hall"])
    scene, plans = loaded_at_depot(), {}
    while scene.east_m < EAST_M["hall"] + 600.0:
        scene.stay(10, speed_mps=10.0)
        state = live(scene, setup)
        assert not isinstance(state.itinerary.current, Stop)
        plans[round(scene.east_m - EAST_M["hall"])] = plan_at(state, setup)
    assert all(plans[metres] == OFF for metres in plans if -130 <= metres <= 80)
    assert plans[-300] != OFF
    assert plans[500] != OFF
    assert present(live(loaded_at_depot().stay(192, speed_mps=10.0), setup))[0].by == "hall"


def test_a_worse_fix_silences_from_farther_away() -> None:
    """At one place, a receiver that states a large error leaves the van perhaps at the site; a good one does not."""
    setup = setup_of(radio_off=["hall"])
    state = live(loaded_at_depot().stay(170, speed_mps=10.0), setup)
    assert plan_at(state, setup) != OFF
    assert state.motion.last is not None
    vague = replace(state, motion=replace(state.motion, last=replace(state.motion.last, sigma_m=120.0)))
    assert plan_at(vague, setup) == OFF


def test_without_a_new_fix_a_moving_van_may_have_got_there() -> None:
    """The way that it could drive since its last fix counts; one that stands stays where it is."""
    setup = setup_of(radio_off=["hall"])
    state = live(loaded_at_depot().stay(170, speed_mps=10.0), setup)
    assert plan_at(state, setup) != OFF
    assert plan_at(state, setup, later_s=20.0) == OFF
    parked = live(loaded_at_depot(), setup_of(radio_off=["hall"]))
    assert plan_at(parked, setup, later_s=3600.0) != OFF


def test_a_known_stop_beside_a_site_without_radio_reads() -> None:
    """At its depot, 2 km from the hall, and with the depot itself without radio: there not."""
    assert plan_at(live(loaded_at_depot()), setup_of(radio_off=["hall", "studio"])) == PARKED
    off = setup_of(radio_off=["depot", "hall", "studio"])
    assert plan_at(live(loaded_at_depot(), off), off) == OFF


# --- the wired input ---


def test_the_wired_input_silences_at_once_and_until_it_is_told_off() -> None:
    """On: off. Off: on again. Not told since the reader came up: off."""
    setup = setup_of(WIRED)
    state, _ = step(setup, State(), Boot(0.0))
    state, _ = step(setup, state, ReaderState(1.0, "up"))
    assert plan_at(state, setup) == OFF
    for on, plan in ((False, PARKED), (True, OFF), (False, PARKED)):
        state, _ = step(setup, state, PortInput(2.0, 3, on=on))
        assert plan_at(state, setup) == plan
    assert interlock_of(setup.vehicle).silent_unless_off == (3,)
    assert interlock_of(setup.vehicle).silent_while_on == ()


def test_doors_silence_by_themselves_only_where_they_pause() -> None:
    """The interlock takes the doors' input where the assessment says `pause`, and always waits for the release."""
    assert interlock_of(setup_of(VEHICLE + PAUSE).vehicle).silent_while_on == (1,)
    allowed = setup_of(VEHICLE + PAUSE.replace("pause", "allowed")).vehicle
    assert interlock_of(allowed).silent_while_on == ()
    assert interlock_of(allowed).waits


# --- what is kept ---


def test_silent_seconds_count_each_second_once() -> None:
    """Worked by hand: 10 to 30 and 20 to 50 and 70 on, in 15 to 80, are 35 + 10; a lost antenna silences nothing."""
    several = (
        Silence("reader down", 10.0, until_s=30.0),
        Silence("doors", 20.0, until_s=50.0),
        Silence("antenna lost", 0.0, antenna=1),
        Silence("deaf", 70.0),
    )
    assert silent_s(several, 15.0, 80.0) == 45.0


def test_silences_are_let_go_with_their_trip_and_never_too_many() -> None:
    """After a trip's end only its last leg's are kept, and a trip that never ends keeps so many."""
    scene = loaded_at_depot().reader("down").stay(70).reader("up").drive("hall").doors(on=True).stay(120)
    scene.doors(on=False).stay(30).drive("depot")
    before = live(scene)
    assert any(each.until_s is not None and each.until_s < 400.0 for each in silences(before))
    state = live(scene.doors(on=True).stay(60).doors(on=False).stay(700))
    assert all(each.until_s is None or each.until_s > 700.0 for each in silences(state))
    flapping = Scene().stay(2)
    for second in range(2 * MOST + 20):
        flapping.inputs.append(ReaderState(2.0 + second, "down" if second % 2 == 0 else "up"))
    assert len(silences(live(flapping))) <= MOST


def test_every_cause_has_its_words() -> None:
    """No placeholder is left open in any of them."""
    for why in ("computer off", "not assessed", "reader down", "radio off input", "radio off site", "doors", "deaf"):
        assert "{" not in words(Silence(why, 0.0))
    assert words(Silence("antenna lost", 0.0, antenna=3)) == "antenna 3 is lost"
    assert "van-09" in words(Silence("wrong vehicle", 0.0, by="van-09"))
