"""What real readers do to a session that goes on: they lose ROSpecs, their clock jumps, they send what they held."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from agent.llrp import messages as m
from agent.llrp.params import UTCTimestamp
from agent.llrp.states import State
from agent.llrp.tables import StatusCode
from agent.llrp.tagreport import TagReportData
from agent.llrp.told import (
    AISpecEvent,
    ConnectionAttemptEvent,
    LLRPStatus,
    ReaderEventNotificationData,
    ROSpecEvent,
)
from agent.records import Inventory, Read, ReaderState
from tests.llrp.play import CAPABLE, CONFIG, INPUTS, OK, TAG, Play, report

NO_SUCH_SPEC = LLRPStatus(StatusCode.M_FieldError, "no such ROSpec")
SETTING_UP = (
    CAPABLE, m.DeleteROSpecResponse(OK), m.SetReaderConfigResponse(OK), m.AddROSpecResponse(OK),
    m.EnableROSpecResponse(OK), CONFIG, INPUTS,
)  # fmt: skip


def adds_up(play: Play) -> bool:
    """Received = used + duplicate + malformed."""
    tally = play.session.tally
    return tally.received == tally.used + tally.duplicate + sum(tally.malformed.values())


def test_a_reader_that_lost_its_rospec_is_set_up_anew_and_reads_on() -> None:
    """The refused start ends the connection; in the next one the ROSpec is given again and the round is told."""
    play = Play().set_up().run_round(1)
    play.answer(m.StartROSpecResponse(NO_SUCH_SPEC))
    assert play.dropped == "the reader refused: StartROSpecResponse M_FieldError (101): no such ROSpec"
    play.take(play.session.lost(play.now))
    sent = len(play.sent)
    play.set_up().run_round(1, 2)
    assert "AddROSpec" in play.names[sent:]
    assert [len(each.reads) for each in play.inventories] == [1, 2]
    assert [each.state for each in play.records if isinstance(each, ReaderState)] == ["up", "down", "up"]
    assert adds_up(play)


def test_a_rospec_lost_in_the_middle_of_a_round_costs_that_round_its_end_and_no_read() -> None:
    """No end comes: our timer stops it, the refusal of the stop is borne, what was heard is told; then it is set up."""
    play = Play().set_up().answer(m.StartROSpecResponse(OK)).hear(m.Keepalive(), report(2))
    play.wait(4.1)
    play.answer(m.StopROSpecResponse(NO_SUCH_SPEC)).wait(2.1)
    assert [len(each.reads) for each in play.inventories] == [1]
    play.answer(m.StartROSpecResponse(NO_SUCH_SPEC))
    assert play.dropped is not None
    play.take(play.session.lost(play.now)).set_up().run_round(1)
    assert [len(each.reads) for each in play.inventories] == [1, 1]
    assert adds_up(play)


def at(stamp_us: int, **what: object) -> m.ReaderEventNotification:
    """An event that carries the reader's own clock."""
    return m.ReaderEventNotification(ReaderEventNotificationData(UTCTimestamp(stamp_us), **what))  # type: ignore[arg-type]


@settings(max_examples=50, deadline=None)
@given(stamps=st.lists(st.integers(0, 2**63), min_size=4, max_size=4), uptime=st.booleans())
def test_a_readers_own_clock_may_say_anything(stamps: list[int], *, uptime: bool) -> None:
    """1970, tomorrow or back by a year, UTC or uptime: reads and rounds bear the time at which they arrived."""
    play = Play()
    play.take(play.session.start(play.now)).hear(at(stamps[0], connection_attempt_event=ConnectionAttemptEvent(0)))
    for response in SETTING_UP:
        play.answer(response)
    play.answer(m.StartROSpecResponse(OK))
    play.now += 1.0
    own = {"first_seen_timestamp_uptime" if uptime else "first_seen_timestamp_utc": stamps[1]}
    play.hear(m.ROAccessReport((TagReportData(TAG, antenna_id=1, peak_rssi=-60, **own),)))  # type: ignore[arg-type]
    play.now += 1.0
    play.hear(at(stamps[2], aispec_event=AISpecEvent(0, 1, 1)), at(stamps[3], rospec_event=ROSpecEvent(1, 1)))
    assert play.inventories == [
        Inventory(102.0, 2.0, (1, 2), (Read(101.0, TAG.hex().upper(), 1, -60.0, 1, None),)),
    ]
    assert play.dropped is None


@pytest.mark.parametrize("after", range(len(SETTING_UP)))
def test_reports_that_were_held_while_nobody_listened_are_counted_and_given_to_no_round(after: int) -> None:
    """Whenever they come during the set-up: nobody knows when they were heard, and the first round is its own."""
    play = Play().set_up().run_round(1)
    play.take(play.session.lost(play.now)).start()
    for number, response in enumerate(SETTING_UP):
        if number == after:
            play.hear(report(1, 2), report(2))
        play.answer(response)
    assert play.session.state is State.STARTING
    assert play.session.tally.malformed == {"out of a round": 3}
    play.run_round(2)
    assert [[read.antenna for read in each.reads] for each in play.inventories] == [[1], [2]]
    assert adds_up(play)


def test_held_reports_leave_nothing_behind_for_the_stream_that_follows() -> None:
    """An omitted field means as before in one ROSpec's reports; what came before it was added is not before."""
    play = Play().start()
    for number, response in enumerate(SETTING_UP):
        if number == 3:
            play.hear(report(2))  # the ROSpec is not added yet: an older one's
        play.answer(response)
    play.answer(m.StartROSpecResponse(OK))
    play.hear(m.ROAccessReport((TagReportData(TAG, peak_rssi=-60),)))
    assert play.session.tally.malformed == {"out of a round": 1, "antenna never given": 1}
    assert adds_up(play)
