"""Standing or moving: every entry of the table, and drives made by hand."""

from __future__ import annotations

import math
import random
import statistics

import pytest
from msgspec.structs import replace

from agent import motion as motion_module
from agent.geo import geodesic_m
from agent.motion import (
    FIRST_SEEN_S,
    FIRST_SEEN_SIGMA_M,
    STOP_S,
    TRANSITIONS,
    Anchor,
    Motion,
    State,
    confirm_near_fence,
    observe_boot,
    observe_fix,
    observe_input,
    observe_time,
)
from agent.motion_elsewhere import CARRIED_FIXES
from agent.motion_records import become
from agent.pace import Sighting, distance_m, speed_evidence, turned_s
from tests.drives import LAT, LON, METRES_PER_DEGREE, Drive, at_rest, fix, under_way


@pytest.mark.parametrize(("key", "after"), list(TRANSITIONS.items()), ids=str)
def test_every_entry_of_the_table_is_followed(key: tuple[State, str], after: State) -> None:
    """Each state and what happened lead to the state that the table names, dated as given; moving drops the anchor."""
    state, how = key
    before = Motion(state=state, anchor=Anchor(LAT, LON, 3.0, 5), score=4.0, blind_s=1.0)
    changed, change = become(before, how, 10.0, 13.0)
    assert changed.state is change.state is after
    assert (changed.since_s, change.at_s, change.found_s) == (10.0, 10.0, 13.0)
    assert (changed.score, changed.blind_s) == (0.0, None)
    assert (changed.anchor is None) == (after is State.MOVING)


def test_what_the_table_does_not_name_is_an_error() -> None:
    """A stopped van cannot halt, and an unknown one cannot be confirmed."""
    for state, how in ((State.STOPPED, "halt"), (State.UNKNOWN, "confirm"), (State.MOVING, "move")):
        with pytest.raises(KeyError):
            become(Motion(state=state), how, 0.0, 0.0)


def test_the_picture_in_the_docstring_is_the_table() -> None:
    """The drawing at the module's top has one line for each entry, and no other."""
    drawn = {
        tuple(line.replace("-->", "--").replace("--", " ").split()[:3])
        for line in (motion_module.__doc__ or "").splitlines()
        if "-->" in line
    }
    assert drawn == {(state.value, how, after.value) for (state, how), after in TRANSITIONS.items()}


def test_a_van_first_seen_standing_is_stopped() -> None:
    """Three fixes on the spot are a stop that began with the record."""
    drive = Drive().stand(4)
    assert drive.states == [State.STOPPED]
    assert drive.changes[0].at_s == 0.0


def test_a_van_first_seen_driving_is_moving() -> None:
    """A record that opens on the road opens with moving."""
    assert Drive().drive(10, speed_mps=15.0).states == [State.MOVING]


@pytest.mark.parametrize("told", [{"doors": True}, {"ignition": False}], ids=str)
def test_open_doors_or_no_ignition_are_a_stop_before_any_fix(told: dict[str, bool]) -> None:
    """A record that begins under a roof begins with a stop; where it was is learned from the first fix on the road."""
    motion, changes = observe_input(Motion(), 30.0, **told)
    assert [(change.state, change.at_s) for change in changes] == [(State.STOPPED, 0.0)]
    motion, _ = observe_input(motion, 200.0, doors=False, ignition=True)
    motion, changes = observe_fix(motion, 300.0, fix(300.0, 0.0, speed_mps=4.0, sigma_m=4.0))
    assert changes == ()
    assert motion.anchor == Anchor(LAT, LON, FIRST_SEEN_SIGMA_M, 1)
    for second in range(1, 5):
        motion, changes = observe_fix(motion, 300.0 + second, fix(300.0 + second, 6.0 * second, speed_mps=6.0))
        if changes:
            break
    assert [(change.state, change.at_s) for change in changes] == [(State.MOVING, 300.0)]


def test_a_record_that_begins_without_sky_begins_standing() -> None:
    """A computer is switched on where a van stands: not seen for a minute and a half, it stood from the begin on."""
    motion, changes = observe_time(Motion(), 60.0)
    assert (motion.state, changes) == (State.UNKNOWN, ())
    motion, changes = observe_time(motion, 95.0)
    assert [(change.state, change.at_s) for change in changes] == [(State.STOPPED, 0.0)]
    # First seen at speed, it stood some seconds' drive from there.
    motion, _ = observe_fix(motion, 1700.0, fix(1700.0, 0.0, speed_mps=14.0, sigma_m=4.0))
    assert motion.anchor == Anchor(LAT, LON, FIRST_SEEN_S * 14.0, 1)


def test_shut_doors_and_an_ignition_that_is_on_say_nothing_yet() -> None:
    """A van that may be driving is not taken to stand."""
    motion, changes = observe_input(Motion(), 30.0, doors=False, ignition=True)
    assert (motion.state, changes) == (State.UNKNOWN, ())


def test_a_leap_with_a_told_speed_is_no_departure() -> None:
    """190 m off within a second, at 15 m/s for three fixes, there for a minute and a half, then back: it stood."""
    motion = at_rest().motion
    changes: list[object] = []
    for second in range(1, 200):
        leapt = 20 <= second < 110
        told_mps = 15.0 if second in {20, 21, 22} else 0.2
        off_m = 190.0 if leapt else 0.0
        motion, found = observe_fix(
            motion, 60.0 + second, fix(60.0 + second, off_m, speed_mps=told_mps, sigma_m=2.0 if leapt else 8.0)
        )
        changes += found
    assert changes == []
    assert motion.anchor is not None
    assert distance_m(motion.anchor.lat, motion.anchor.lon, LAT, LON) < 20.0


@pytest.mark.parametrize("told", [{"doors": True}, {"ignition": False}], ids=str)
def test_with_open_doors_or_no_ignition_a_position_that_stays_away_is_no_leg(told: dict[str, bool]) -> None:
    """Five minutes elsewhere by the receiver: with doors shut and ignition on it got there, otherwise it did not."""

    def elsewhere(motion: Motion) -> list[object]:
        changes: list[object] = []
        for second in range(1, 300):
            motion, found = observe_fix(motion, 60.0 + second, fix(60.0 + second, 190.0, speed_mps=0.2, sigma_m=2.0))
            changes += found
        return changes

    motion = at_rest().motion
    assert elsewhere(motion) != []
    motion, _ = observe_input(motion, 60.5, **told)
    assert elsewhere(motion) == []


def test_a_departure_is_dated_to_its_first_moving_fix() -> None:
    """Found a few fixes later, the departure is dated back to where the change began."""
    drive = at_rest().drive(20, speed_mps=6.0)
    assert drive.states == [State.MOVING]
    assert drive.changes[0].at_s == pytest.approx(61.0, abs=1.0)
    assert drive.changes[0].found_s <= 67.0


def test_a_red_light_of_a_minute_is_no_stop() -> None:
    """Halted for 60 s far from any fence, then on: the leg goes on."""
    drive = under_way().stand(60).drive(30, speed_mps=12.0)
    assert State.STOPPED not in drive.states
    assert drive.states == [State.HALTED, State.MOVING]


def test_a_halt_of_ninety_seconds_is_a_stop() -> None:
    """Wherever it is, from 90 s on a halt is a stop, dated to its begin (formats.md, section 7)."""
    drive = under_way().stand(89)
    assert drive.states == [State.HALTED]
    drive.stand(4)
    assert drive.states == [State.HALTED, State.STOPPED]
    assert drive.changes[1].at_s == pytest.approx(121.0, abs=1.0)


def test_a_halt_near_a_fence_is_a_stop() -> None:
    """Whoever knows the sites says so; a van that moves or stands already is not touched by it."""
    drive = under_way().stand(10)
    drive.take(confirm_near_fence(drive.motion, drive.t_s))
    assert drive.states == [State.HALTED, State.STOPPED]
    assert drive.changes[1].at_s == pytest.approx(121.0, abs=1.0)
    for other in (under_way(), at_rest()):
        assert confirm_near_fence(other.motion, other.t_s) == (other.motion, ())


@pytest.mark.parametrize("given", [{"ignition": False}, {"doors": True}])
def test_ignition_off_or_doors_open_make_a_halt_a_stop(given: dict[str, bool]) -> None:
    """After ten seconds of standing the driver turns the key or opens the doors: it is a stop from its begin."""
    drive = under_way().stand(10)
    drive.take(observe_input(drive.motion, drive.t_s, **given))
    assert drive.states == [State.HALTED, State.STOPPED]
    assert drive.changes[1].at_s == pytest.approx(121.0, abs=1.0)


@pytest.mark.parametrize("given", [{"ignition": True}, {"doors": False}])
def test_ignition_on_or_doors_shut_make_none(given: dict[str, bool]) -> None:
    """What happens at a red light too is no stop."""
    drive = under_way().stand(10)
    drive.take(observe_input(drive.motion, drive.t_s, **given))
    assert drive.states == [State.HALTED]


def test_doors_that_seem_to_open_at_speed_are_no_stop() -> None:
    """A rattling contact at 12 m/s stops nothing."""
    drive = under_way()
    drive.take(observe_input(drive.motion, drive.t_s, doors=True))
    assert drive.states == []


def test_doors_that_open_before_the_halt_was_seen_are_a_stop() -> None:
    """The last fix is slow and the doors open: the van stands, whatever the next fix will say."""
    drive = under_way().drive(2, speed_mps=1.0)
    drive.take(observe_input(drive.motion, drive.t_s + 1.5, doors=True))
    assert drive.states == [State.STOPPED]


def test_power_cut_in_a_halt_makes_it_a_stop() -> None:
    """The computer came up again while the van stood at what was a halt: it was a stop."""
    drive = under_way().stand(20)
    drive.take(observe_boot(drive.motion, drive.t_s + 1.0))
    assert drive.states == [State.HALTED, State.STOPPED]
    assert drive.motion.ignition is None
    moving = under_way()
    assert observe_boot(moving.motion, moving.t_s + 1.0)[1] == ()


def test_a_parked_van_that_drifts_does_not_depart() -> None:
    """Half an hour of a fix that wanders eight metres about, with the speeds that such wandering shows."""
    drive = at_rest()
    for i in range(1800):
        t_s = drive.t_s + i + 1.0
        away = 8.0 * math.sin(i / 40.0)
        drive.take(observe_fix(drive.motion, t_s, fix(t_s, away, speed_mps=abs(0.2 * math.cos(i / 40.0)))))
    assert drive.states == []


def test_a_single_wild_fix_does_not_depart() -> None:
    """One fix a kilometre off at 30 m/s, then back: no fix says more than so much."""
    drive = at_rest()
    drive.take(observe_fix(drive.motion, 61.0, fix(61.0, 1000.0, speed_mps=30.0)))
    drive.t_s = 61.0
    assert drive.stand(60).states == []


def test_a_leg_of_twelve_seconds_is_found() -> None:
    """From one bay to the next in twelve seconds: departed and halted, each within two seconds of the truth."""
    drive = at_rest().drive(12, speed_mps=4.0).stand(20)
    assert drive.states == [State.MOVING, State.HALTED]
    assert drive.changes[0].at_s == pytest.approx(60.0, abs=2.0)
    assert drive.changes[1].at_s == pytest.approx(72.0, abs=2.0)


def test_sky_lost_at_a_dock_holds() -> None:
    """Slow at the last fix, then nothing for two minutes: the van stands where the sky was lost, since then."""
    drive = under_way().drive(5, speed_mps=3.0)
    drive.take(observe_time(drive.motion, drive.t_s + 119.0))
    assert drive.states == []
    drive.take(observe_time(drive.motion, drive.t_s + 121.0))
    assert drive.states == [State.STOPPED]
    assert drive.changes[0].at_s == drive.t_s
    assert drive.motion.anchor is not None
    # And it holds: hours later it stands there still.
    drive.take(observe_time(drive.motion, drive.t_s + 7200.0))
    assert drive.states == [State.STOPPED]


def test_sky_lost_at_speed_is_a_tunnel() -> None:
    """Fast at the last fix: ten minutes without a fix are no stop, and driving on shows that there was none."""
    drive = under_way(20.0)
    drive.take(observe_time(drive.motion, drive.t_s + 600.0))
    drive.skip(600.0, metres=12_000.0).drive(20, speed_mps=20.0)
    assert drive.states == []


def test_standing_through_a_hole_in_the_fixes_was_a_stop() -> None:
    """Found again after ten minutes where it was lost: it can only have stood."""
    drive = under_way(20.0).skip(600.0, metres=30.0).stand(1)
    assert drive.states == [State.STOPPED]
    assert drive.changes[0].at_s == 120.0


def test_a_van_that_drives_on_unseen_and_parks_stands_where_it_is_found() -> None:
    """At 12 m/s gpsd hung; 45 s later the key is turned, 290 m further on. It stands there, and drove no second leg."""
    drive = under_way(12.0)
    drive.t_s += 45.0
    drive.take(observe_input(drive.motion, drive.t_s, ignition=False))
    assert drive.states == [State.STOPPED]
    assert drive.changes[0].at_s == drive.t_s
    drive.skip(9.0, metres=290.0).stand(30)
    assert drive.states == [State.STOPPED]
    anchor, last = drive.motion.anchor, drive.motion.last
    assert anchor is not None
    assert last is not None
    assert distance_m(anchor.lat, anchor.lon, last.lat, last.lon) < anchor.sigma_m < 10.0


def test_ignition_off_while_nothing_is_seen_is_a_stop() -> None:
    """The key was turned before the sky was lost for long: no need to wait for the van to be slow."""
    drive = under_way(12.0)
    drive.take(observe_input(drive.motion, drive.t_s, ignition=False))
    assert drive.states == []
    drive.take(observe_time(drive.motion, drive.t_s + STOP_S + 1.0))
    assert drive.states == [State.STOPPED]


def test_a_van_found_elsewhere_after_a_reboot_moved_unseen() -> None:
    """Found 120 m off by eight standing fixes after the power was off: it left and arrived while nobody watched."""
    drive = at_rest()
    drive.take(observe_boot(drive.motion, 61.0))
    drive.t_s = 80.0
    drive.north_m = 120.0
    drive.stand(CARRIED_FIXES + 1)
    assert drive.states == [State.MOVING, State.STOPPED]
    assert 60.0 <= drive.changes[0].at_s < drive.changes[1].at_s <= drive.t_s
    assert drive.motion.anchor is not None
    assert distance_m(LAT, LON, drive.motion.anchor.lat, drive.motion.anchor.lon) == pytest.approx(120.0, abs=1.0)


def test_first_fixes_that_err_after_a_reboot_are_no_journey() -> None:
    """Five fixes 120 m off and then where it stood: a receiver's first fixes are its worst."""
    drive = at_rest()
    drive.take(observe_boot(drive.motion, 61.0))
    drive.t_s, drive.north_m = 80.0, 120.0
    drive.stand(CARRIED_FIXES - 3)
    drive.north_m = 0.0
    assert drive.stand(60).states == []


def test_a_repeated_fix_says_nothing() -> None:
    """A receiver that fell silent repeats its last fix: the time in it did not move, so it is no evidence."""
    drive = under_way(20.0)
    same = drive.motion.last
    assert same is not None
    before = drive.motion
    for i in range(60):
        drive.take(observe_fix(drive.motion, drive.t_s + i + 1.0, same))
    assert drive.motion == before


def test_a_fix_repeated_for_minutes_is_a_lost_sky_and_no_stop() -> None:
    """Ten minutes of the same fix at 20 m/s are ten minutes without one: a van at speed is not made to stand by it."""
    drive = under_way(20.0)
    same = drive.motion.last
    assert same is not None
    for i in range(600):
        drive.take(observe_fix(drive.motion, drive.t_s + i + 1.0, same))
    assert drive.states == []
    slow = under_way().drive(5, speed_mps=3.0)
    same = slow.motion.last
    assert same is not None
    for i in range(130):
        slow.take(observe_fix(slow.motion, slow.t_s + i + 1.0, same))
    assert slow.states == [State.STOPPED]


def test_without_speeds_the_distance_between_fixes_tells() -> None:
    """A receiver that states no speed: departure and halt are found from positions alone."""
    drive = Drive().drive(60, speed_mps=0.0, told=False)
    drive.drive(60, speed_mps=8.0, told=False).drive(100, speed_mps=0.0, told=False)
    assert drive.states == [State.STOPPED, State.MOVING, State.HALTED, State.STOPPED]
    # No van has 8 m/s in its first second: the way to that pace is taken to have begun a little before.
    assert drive.changes[1].at_s == pytest.approx(60.0, abs=3.0)
    assert drive.changes[2].at_s == pytest.approx(120.0, abs=3.0)


def test_where_a_trail_turns_is_worked_out_by_hand() -> None:
    """Still for 5 s, then 20 m in 5 s: off 5 s ago. 12 m in 5 s and 2 m in 5 s: 14 m at 2.4 m/s, then it stood.

    With nothing seen in between, 30 m took 5 s at a yard's 6 m/s; and one that came at 10 m/s braked at 5 m/s.
    """
    metres = METRES_PER_DEGREE
    a, b, c = ((Sighting(t, LAT + n / metres, LON)) for t, n in ((0.0, 0.0), (5.0, 0.0), (10.0, 20.0)))
    assert turned_s((a, b, c), standing=True, before_mps=0.0) == pytest.approx(5.0)
    b, c = Sighting(5.0, LAT + 12.0 / metres, LON), Sighting(10.0, LAT + 14.0 / metres, LON)
    assert turned_s((a, b, c), standing=False, before_mps=3.0) == pytest.approx(14.0 / 2.4)
    assert turned_s((a, b, c), standing=False, before_mps=10.0) == pytest.approx(14.0 / 5.0)
    far = Sighting(20.0, LAT + 30.0 / metres, LON)
    assert turned_s((a, far), standing=True, before_mps=0.0) == pytest.approx(15.0)
    assert turned_s((a, far), standing=False, before_mps=0.0) == pytest.approx(5.0)


def test_a_trail_that_does_not_move_turns_at_its_end() -> None:
    """Not a metre in ten seconds: it came to stand where the trail begins, or sets off where that ends."""
    a, b = Sighting(0.0, LAT, LON), Sighting(10.0, LAT, LON)
    assert turned_s((a, b), standing=False, before_mps=0.0) == 0.0
    assert turned_s((a, b), standing=True, before_mps=0.0) == 10.0


def _way_m(t_s: float, *, mps2: float, top_mps: float, cruise_s: float) -> float:
    """How far a van has come `t_s` after it set off: gathering way, at its pace, braking just as hard."""
    gather_s = top_mps / mps2
    first = min(max(t_s, 0.0), gather_s)
    last = min(max(t_s - gather_s - cruise_s, 0.0), gather_s)
    steady = min(max(t_s - gather_s, 0.0), cruise_s)
    return 0.5 * mps2 * first**2 + top_mps * steady + top_mps * last - 0.5 * mps2 * last**2


@pytest.mark.parametrize("every_s", [1, 2, 5, 10])
@pytest.mark.parametrize("sigma_m", [2.0, 6.0])
def test_without_speeds_both_ends_of_a_drive_are_dated_without_a_lean(every_s: int, sigma_m: float) -> None:
    """Thirty drives, gathering way at 0.8 to 1.8 m/s² (common practice, no source): half are dated late, half early.

    The median is within 2.5 s, or within a third of the time between two fixes.
    """
    chance = random.Random(1)  # noqa: S311 - a test's own drives
    left, came = [], []
    for seed in range(30):
        off_s = chance.uniform(300.0, 310.0)
        mps2, top_mps, cruise_s = chance.uniform(0.8, 1.8), chance.uniform(5.0, 14.0), chance.uniform(20.0, 90.0)
        there_s = off_s + 2 * top_mps / mps2 + cruise_s
        motion, found = Motion(), []
        for t, (north, east) in enumerate(_wander(int(there_s) + 300, sigma_m=sigma_m, seed=seed)):
            if t % every_s == 0:
                way_m = _way_m(t - off_s, mps2=mps2, top_mps=top_mps, cruise_s=cruise_s)
                at = fix(float(t), way_m + north, speed_mps=None, sigma_m=sigma_m)
                motion, more = observe_fix(motion, float(t), replace(at, lon=at.lon + east / 74_000.0))
                found += more
        assert [change.state for change in found] == [State.STOPPED, State.MOVING, State.HALTED, State.STOPPED]
        left.append(found[1].at_s - off_s)
        came.append(found[3].at_s - there_s)
    assert abs(statistics.median(left)) < max(2.5, every_s / 3)
    assert abs(statistics.median(came)) < max(2.5, every_s / 3)


def test_evidence_of_a_speed_is_bounded_and_falls() -> None:
    """Standing speaks for standing, driving for driving, neither more than the clip, and never the other way round."""
    values = [speed_evidence(speed / 10) for speed in range(300)]
    assert values[0] == -values[-1] == 2.0
    assert values == sorted(values, reverse=True)


def test_metres_are_right_to_a_part_in_three_hundred() -> None:
    """Against Vincenty's geodesic on the ellipsoid (agent.geo holds it to a published test set)."""
    for lat, lon in ((LAT + 0.001, LON), (LAT, LON + 0.001), (LAT - 0.05, LON + 0.05)):
        assert distance_m(LAT, LON, lat, lon) == pytest.approx(geodesic_m(LAT, LON, lat, lon), rel=1 / 300)


def _wander(seconds: int, *, sigma_m: float, seed: int) -> list[tuple[float, float]]:
    """North and east errors a second apart: normal, correlated by 0.7 at 3 s (design.md, "Sites")."""
    chance = random.Random(seed)  # noqa: S311 - a test's own weather
    keep = 0.7 ** (1 / 3)
    north = east = 0.0
    errors = []
    for _ in range(seconds):
        north = keep * north + math.sqrt(1 - keep**2) * chance.gauss(0.0, sigma_m)
        east = keep * east + math.sqrt(1 - keep**2) * chance.gauss(0.0, sigma_m)
        errors.append((north, east))
    return errors


@pytest.mark.parametrize("sigma_m", [1.0, 2.5, 8.0])
@pytest.mark.parametrize("seed", range(3))
def test_without_speeds_the_error_of_the_fixes_is_no_drive(sigma_m: float, seed: int) -> None:
    """An hour's standing and a drive of two minutes by a receiver that wanders and states no speed: one of each."""
    motion, changes = Motion(), []
    north_m = 0.0
    for t, (north, east) in enumerate(_wander(3900, sigma_m=sigma_m, seed=seed)):
        north_m += 10.0 if 1800 <= t < 1920 else 0.0
        at = fix(float(t), north_m + north, speed_mps=None, sigma_m=sigma_m)
        at = replace(at, lon=at.lon + east / 74_000.0)
        motion, found = observe_fix(motion, float(t), at)
        changes += found
    assert [change.state for change in changes] == [State.STOPPED, State.MOVING, State.HALTED, State.STOPPED]
    assert changes[1].at_s == pytest.approx(1800.0, abs=8.0)
    assert changes[2].at_s == pytest.approx(1920.0, abs=8.0)


def test_a_halt_before_the_power_went_is_dated_to_the_last_fix_before() -> None:
    """Driving, power gone for an hour, first seen again on the spot: it stood since it was last seen, not since now."""
    drive = under_way().drive(2, speed_mps=1.0)
    last = drive.t_s
    drive.take(observe_boot(drive.motion, last + 1.0)).skip(1.0)
    later = replace(fix(0.0, drive.north_m), utc_s=fix(last).utc_s + 3600.0)
    drive.take(observe_fix(drive.motion, last + 21.0, later))
    assert drive.states == [State.STOPPED]
    assert drive.changes[0].at_s == last


def test_a_brown_out_on_the_road_is_no_stop() -> None:
    """Power gone for thirty seconds while driving: seen again 400 m on, it drove."""
    drive = under_way(13.0)
    drive.take(observe_boot(drive.motion, drive.t_s + 1.0)).skip(30.0, metres=400.0)
    assert drive.drive(60, speed_mps=13.0).states == []


def test_a_jam_that_creeps_is_no_stop() -> None:
    """Six metres at 2 m/s after every forty seconds: each halt is a new one, none lasts ninety seconds."""
    drive = under_way()
    for _ in range(10):
        drive.stand(40).drive(3, speed_mps=2.0)
    assert State.STOPPED not in drive.states


def test_a_hop_between_two_sparse_fixes_is_a_leg() -> None:
    """Eighty metres within two fixes ten seconds apart: too few to show a drive, but it stands there."""
    drive = at_rest()
    for north_m, speed_mps in ((40.0, 8.0), (80.0, 0.1), (80.0, 0.1), (80.0, 0.1), (80.0, 0.1)):
        drive.t_s += 10.0
        drive.take(observe_fix(drive.motion, drive.t_s, fix(drive.t_s, north_m, speed_mps=speed_mps)))
    assert drive.states == [State.MOVING, State.STOPPED]
    assert drive.changes[0].at_s == pytest.approx(70.0, abs=10.0)


def test_positions_that_jump_for_a_minute_are_no_journey() -> None:
    """A parked van seen 300 m away for sixty seconds, by a receiver that is sure of it: nothing happened."""
    drive = at_rest()
    drive.north_m = 300.0
    drive.stand(60)
    drive.north_m = 0.0
    assert drive.stand(200).states == []
