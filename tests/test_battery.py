"""When the reader of a parked van falls asleep, and what wakes it."""

from __future__ import annotations

import pytest

from agent.battery import LOW_S, Guard, Rules

HOUR_S = 3600.0
RULES = Rules(asleep_s=8 * HOUR_S, awake_s=HOUR_S)
PARKED = Guard().told_ignition(0.0, on=True).told_doors(0.0, is_open=False).told_ignition(100.0, on=False)


def test_it_sleeps_so_many_hours_after_the_ignition_went_off() -> None:
    """Not a second before, and from the very moment, however late anybody looks."""
    assert not PARKED.let_time_pass(100.0 + 8 * HOUR_S - 1.0, RULES).is_asleep
    asleep = PARKED.let_time_pass(100.0 + 20 * HOUR_S, RULES)
    assert (asleep.asleep_since_s, asleep.cause) == (100.0 + 8 * HOUR_S, "hours")


def test_without_an_ignition_input_no_hours_are_counted() -> None:
    """Nobody knows then that the van is parked for the night; nor are they where the file says never."""
    assert not Guard().told_doors(0.0, is_open=False).let_time_pass(1e7, RULES).is_asleep
    assert not PARKED.let_time_pass(1e7, Rules(asleep_s=None, awake_s=HOUR_S)).is_asleep


def test_the_ignition_wakes_it_and_the_hours_begin_anew() -> None:
    """Awake while the ignition is on, for however long; asleep again eight hours after it went off."""
    asleep = PARKED.let_time_pass(10 * HOUR_S, RULES)
    driving = asleep.told_ignition(11 * HOUR_S, on=True)
    assert not driving.is_asleep
    assert not driving.let_time_pass(60 * HOUR_S, RULES).is_asleep
    again = driving.told_ignition(61 * HOUR_S, on=False).let_time_pass(80 * HOUR_S, RULES)
    assert again.asleep_since_s == 69 * HOUR_S


@pytest.mark.parametrize("is_open", [True, False])
def test_a_door_wakes_it_for_an_hour(*, is_open: bool) -> None:
    """Opening and shutting both count from the last of them; a door left open does not empty the battery."""
    before = PARKED.told_doors(200.0, is_open=not is_open).let_time_pass(10 * HOUR_S, RULES)
    assert before.is_asleep
    woken = before.told_doors(11 * HOUR_S, is_open=is_open)
    assert not woken.is_asleep
    assert not woken.let_time_pass(12 * HOUR_S - 1.0, RULES).is_asleep
    assert woken.let_time_pass(20 * HOUR_S, RULES).asleep_since_s == 12 * HOUR_S


def test_a_level_that_is_told_again_is_no_event() -> None:
    """After a restart the reader tells all its inputs: the same as before wakes nobody, another does."""
    asleep = PARKED.let_time_pass(10 * HOUR_S, RULES)
    told = asleep.told_ignition(11 * HOUR_S, on=False).told_doors(11 * HOUR_S, is_open=False)
    assert told == asleep
    assert not asleep.told_doors(11 * HOUR_S, is_open=True).is_asleep


def test_low_voltage_sends_it_to_sleep_after_a_minute() -> None:
    """A dip of less than that does not."""
    low = PARKED.told_voltage(1000.0, is_low=True)
    assert low.told_voltage(1000.0 + LOW_S - 1.0, is_low=False).let_time_pass(2000.0, RULES).asleep_since_s is None
    asleep = low.let_time_pass(5000.0, RULES)
    assert (asleep.asleep_since_s, asleep.cause) == (1000.0 + LOW_S, "voltage")
    assert asleep.told_voltage(6000.0, is_low=False).is_asleep, "without load every battery recovers"
    assert not asleep.told_doors(6000.0, is_open=True).let_time_pass(6000.0 + HOUR_S - 1.0, RULES).is_asleep


def test_with_the_engine_on_no_voltage_matters() -> None:
    """A start is a dip, and the alternator charges: awake while the ignition is on, or while the van drives."""
    on = PARKED.told_ignition(500.0, on=True).told_voltage(501.0, is_low=True)
    assert not on.let_time_pass(1e6, RULES).is_asleep
    driven = PARKED.told_voltage(501.0, is_low=True).told_motion(510.0, is_moving=True)
    assert not driven.let_time_pass(1e6, RULES).is_asleep


def test_driving_wakes_it_where_the_ignitions_wire_is_broken() -> None:
    """What drives is not parked; the hours are counted from where it was last seen driving."""
    asleep = PARKED.let_time_pass(10 * HOUR_S, RULES)
    driving = asleep.told_motion(11 * HOUR_S, is_moving=True)
    assert not driving.let_time_pass(30 * HOUR_S, RULES).is_asleep
    stood = driving.told_motion(31 * HOUR_S, is_moving=False)
    assert stood.let_time_pass(60 * HOUR_S, RULES).asleep_since_s == 39 * HOUR_S
