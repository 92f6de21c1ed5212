"""Reading plans and rounds."""

from __future__ import annotations

import math

from agent.llrp.readerclock import Stamps
from agent.llrp.reports import Sighting
from agent.llrp.rounds import MOVING, OFF, PARKED, ReadingPlan, Round, Tally, Timetable
from agent.records import Inventory, Read


def _starts(timetable: Timetable, until: float) -> list[float]:
    """When rounds of a plan begin, if each takes its time to the letter."""
    now, starts = max(timetable.next_at, 0.0), []
    while now < until:
        starts.append(now)
        timetable.round_ended(now + timetable.plan.round_s)
        now = timetable.next_at
    return starts


def test_moving_reads_two_rounds_every_20_s() -> None:
    """While driving: a burst of two rounds, then silence until 20 s after the burst began (design.md)."""
    assert _starts(Timetable(MOVING), 50.0) == [0.0, 2.0, 20.0, 22.0, 40.0, 42.0]


def test_parked_reads_back_to_back() -> None:
    """While parked one round follows the other."""
    assert _starts(Timetable(PARKED), 7.0) == [0.0, 2.0, 4.0, 6.0]


def test_gap_stands_between_rounds() -> None:
    """A gap leaves the carrier off between the rounds of a burst."""
    assert _starts(Timetable(ReadingPlan(round_s=1.0, gap_s=0.5)), 4.0) == [0.0, 1.5, 3.0]


def test_off_has_no_round() -> None:
    """A plan without rounds never becomes due, also when it comes in the middle of a round."""
    assert Timetable(OFF).next_at == math.inf
    timetable = Timetable(PARKED)
    timetable.adopt(OFF, 1.0)
    timetable.round_ended(2.0)
    assert timetable.next_at == math.inf


def test_another_plan_begins_at_once_and_the_same_changes_nothing() -> None:
    """Adopting a plan starts it now; being told the same plan again does not put the next burst forward."""
    timetable = Timetable(MOVING)
    timetable.round_ended(2.0)
    timetable.round_ended(4.0)
    timetable.adopt(ReadingPlan(burst_rounds=2, pause_s=16.0), 5.0)
    assert timetable.next_at == 20.0
    timetable.adopt(PARKED, 5.0)
    assert timetable.next_at == 5.0


def test_round_joins_reports_of_one_tag_on_one_antenna() -> None:
    """One read for each tag and antenna: counts add up, the loudest gives strength and channel, the first the time."""
    tally = Tally(received=4)
    round_ = Round(started_at=0.0, seconds=2.0, antennas=(1, 2))
    round_.add([Sighting("AA", 1, -60, 2, 4), Sighting("AA", 2, -50, 1, 5)], 1.0, tally)
    round_.add([Sighting("AA", 1, -58, 3, 6), Sighting("AA", 2, -59, 1, 7)], 1.5, tally)
    reads = (Read(1.0, "AA", 1, -58.0, 5, 6), Read(1.0, "AA", 2, -50.0, 2, 5))
    assert round_.inventory(2.0, (1, 2)) == Inventory(2.0, 2.0, (1, 2), reads)
    assert (tally.used, tally.duplicate) == (2, 2)


def test_a_report_that_was_sent_twice_counts_once() -> None:
    """The very same report again adds nothing to a read's count; one with other stamps does, and both are counted."""
    tally = Tally()
    round_ = Round(started_at=0.0, seconds=2.0, antennas=(1,))
    first, later = (Sighting("AA", 1, -60, 2, 4, Stamps(is_uptime=False, first_us=us, last_us=us)) for us in (5, 6))
    round_.add([first, later, first, later, later], 1.0, tally)
    assert round_.inventory(2.0, (1,)).reads == (Read(1.0, "AA", 1, -60.0, 4, 4),)
    assert (tally.used, tally.duplicate) == (1, 4)


def test_stopped_round_says_how_long_it_was() -> None:
    """A round that was stopped has the seconds it had, one that ended by itself has the plan's."""
    round_ = Round(started_at=10.0, seconds=2.0, antennas=(1,))
    round_.stopped_at = 10.75
    assert round_.inventory(11.0, (1,)).seconds == 0.75
