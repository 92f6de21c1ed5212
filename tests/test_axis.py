"""Seconds that run on over reboots, and what they are in UTC."""

from __future__ import annotations

import pytest

from agent.axis import OFF_S, Axis
from agent.records import GpsFix
from agent.timeline import Timeline

UTC_S = 1_772_430_000.0


def fixes(timeline: Timeline, from_mono: float, utc_at_zero_s: float) -> Timeline:
    """Ten agreeing fixes from that moment on."""
    for i in range(11):
        mono = from_mono + i
        timeline, _ = timeline.observe_fix(GpsFix(mono, utc_at_zero_s + mono, 48.0, -31.0, 3.0, 3))
    return timeline


def two_boots() -> Axis:
    """A boot from 10 s to 110 s of its clock, and one that begins at 5 s of its own."""
    axis = Axis().observe_boot(1, 10.0)
    return axis.advance(axis.at(110.0)).observe_boot(2, 5.0)


def test_the_first_boot_begins_at_nought() -> None:
    """Whatever its clock says, and runs on with it."""
    axis = Axis().observe_boot(1, 812.5)
    assert axis.at(812.5) == 0.0
    assert axis.at(912.5) == 100.0


def test_a_reboot_adds_one_nominal_second() -> None:
    """How long the computer was off is not known: the axis goes on a second later."""
    axis = two_boots()
    assert axis.last_s == 100.0 + OFF_S
    assert axis.at(65.0) == 161.0


def test_time_never_runs_back() -> None:
    """A line stamped before what already happened happens now."""
    axis = two_boots().advance(150.0)
    assert axis.at(5.0) == 150.0
    assert axis.advance(140.0) is axis


@pytest.mark.parametrize(("t_s", "boot", "mono"), [(0.0, 1, 10.0), (99.0, 1, 109.0), (101.0, 2, 5.0), (161.0, 2, 65.0)])
def test_every_moment_belongs_to_a_boot(t_s: float, boot: int, mono: float) -> None:
    """And to a moment of its clock."""
    assert two_boots().boot_of(t_s) == (boot, mono)


def test_a_moment_is_exact_where_time_is_trusted() -> None:
    """Best estimate and both bounds are one."""
    axis = Axis().observe_boot(1, 10.0)
    timeline = fixes(Timeline().observe_boot(10.0), 20.0, UTC_S)
    moment = axis.moment(timeline, 50.0)
    assert moment.trusted
    assert moment.utc_s == moment.not_before_s == moment.not_after_s == pytest.approx(UTC_S + 60.0)


def test_a_boot_between_two_trusted_ones_lies_between_them() -> None:
    """Its moments get the middle, with the neighbours as bounds."""
    axis = Axis().observe_boot(1, 0.0).advance(100.0).observe_boot(2, 0.0).advance(150.0).observe_boot(3, 0.0)
    timeline = fixes(Timeline().observe_boot(0.0), 10.0, UTC_S).observe_mono(100.0)
    timeline = timeline.observe_boot(0.0).observe_mono(49.0)
    timeline = fixes(timeline.observe_boot(0.0), 10.0, UTC_S + 3600.0)
    moment = axis.moment(timeline, 121.0)
    assert not moment.trusted
    assert moment.not_before_s == pytest.approx(UTC_S + 120.0)
    assert moment.not_after_s == pytest.approx(UTC_S + 3600.0 - 29.0)
    assert moment.utc_s == (moment.not_before_s + moment.not_after_s) / 2


def test_with_one_neighbour_the_other_bound_is_a_day_off() -> None:
    """After the last trusted boot: not before its end. Before the first: not after its begin."""
    axis = Axis().observe_boot(1, 0.0).advance(100.0).observe_boot(2, 0.0)
    late = fixes(Timeline().observe_boot(0.0), 10.0, UTC_S).observe_mono(100.0).observe_boot(0.0)
    after = axis.moment(late, 105.0)
    assert (after.not_before_s, after.not_after_s) == pytest.approx((UTC_S + 104.0, UTC_S + 104.0 + 86_400.0))
    early = fixes(Timeline().observe_boot(0.0).observe_mono(100.0).observe_boot(0.0), 10.0, UTC_S)
    before = axis.moment(early, 40.0)
    assert (before.not_before_s, before.not_after_s) == pytest.approx((UTC_S - 60.0 - 86_400.0, UTC_S - 60.0))
    assert not before.trusted
    assert not after.trusted


@pytest.mark.parametrize(
    ("wall", "utc_s"), [("2026-03-02T05:40:00.000Z", UTC_S + 40.0), ("yesterday", 0.0), (None, 0.0)]
)
def test_where_nothing_is_known_the_wall_clock_speaks(wall: str | None, utc_s: float) -> None:
    """`departed.time` is never null: what the computer's clock said at its start, or the epoch; never trusted."""
    axis = Axis().observe_boot(1, 5.0)
    moment = axis.moment(Timeline().observe_boot(5.0, wall), 40.0)
    assert (moment.utc_s, moment.trusted) == (utc_s, False)


def test_forgetting_keeps_the_boot_of_the_moment() -> None:
    """Boots that ended before go; the one that holds the moment stays."""
    axis = two_boots()
    assert axis.forget_before(50.0) == axis
    assert len(axis.forget_before(120.0).bases) == 1
    assert axis.forget_before(120.0).boot_of(161.0) == axis.boot_of(161.0)
