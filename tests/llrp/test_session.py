"""The client's session against a reader played by hand, message by message; no sockets, time as an argument."""

from __future__ import annotations

import math
import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from agent.errors import LlrpError
from agent.llrp import messages as m
from agent.llrp.codec import LlrpStream, encode
from agent.llrp.params import AISpec
from agent.llrp.requests import Wishes, request_for
from agent.llrp.rounds import MOVING, OFF, PARKED, ReadingPlan
from agent.llrp.states import ANSWERS, TRANSITIONS, State
from agent.llrp.tables import StatusCode
from agent.llrp.told import (
    AntennaEvent,
    ConnectionAttemptEvent,
    ConnectionCloseEvent,
    LLRPStatus,
    ReaderExceptionEvent,
    ReportBufferLevelWarningEvent,
    ReportBufferOverflowErrorEvent,
)
from agent.records import Inventory, PortInput, Read, ReaderState
from tests.llrp.play import CAPABLE, CONFIG, END, OK, TAG, Play, event, gpi, report


def test_set_up_goes_step_by_step() -> None:
    """Each request waits for the answer to the one before; reading starts when all is set."""
    play = Play().set_up()
    assert play.names == [
        "GetReaderCapabilities", "DeleteROSpec", "SetReaderConfig", "AddROSpec", "EnableROSpec",
        "EnableEventsAndReports", "GetReaderConfig", "GetReaderConfig", "StartROSpec",
    ]  # fmt: skip
    assert play.records == [PortInput(100.0, 1, on=True), ReaderState(100.0, "up")]
    delete, config, add = play.sent[1:4]
    assert isinstance(delete, m.DeleteROSpec)
    assert delete.rospec_id == 0
    assert isinstance(config, m.SetReaderConfig)
    assert config.reset_to_factory_default
    assert config.keepalive_spec is not None
    assert config.keepalive_spec.periodic_trigger_value == 5000
    assert isinstance(add, m.AddROSpec)
    (inventory,) = add.rospec.spec_parameter
    assert isinstance(inventory, AISpec)
    assert inventory.antenna_ids == (1, 2)
    assert inventory.aispec_stop_trigger.duration_trigger == 2000
    assert add.rospec.ro_boundary_spec.rospec_start_trigger.rospec_start_trigger_type == 0  # Null: START_ROSPEC alone


def test_power_is_an_index_into_a_published_reader_table(standards: Path) -> None:
    """27 dBm is index 48 of the table in the capture dx101_a (15.00 dBm at index 0, steps of 0.25)."""
    stream = LlrpStream()
    stream.receive((standards / "llrp" / "dx101_a.bin").read_bytes())
    told = next(x for x in stream.messages() if isinstance(x, m.GetReaderCapabilitiesResponse))
    for power_dbm, index in ((27.0, 48), (27.1, 48), (27.24, 48), (27.25, 49), (99.0, 60), (15.0, 0)):
        play = Play(power_dbm=power_dbm, antennas=(2,)).start()
        for response in (told, m.DeleteROSpecResponse(OK), m.SetReaderConfigResponse(OK)):
            play.answer(response)
        add = play.sent[-1]
        assert isinstance(add, m.AddROSpec)
        (inventory,) = add.rospec.spec_parameter
        assert isinstance(inventory, AISpec)
        (antenna,) = inventory.inventory_parameter_spec[0].antenna_configuration
        assert antenna.rf_transmitter is not None
        assert antenna.rf_transmitter.transmit_power == index
        assert antenna.rf_transmitter.hop_table_id == 1
    play = Play(power_dbm=14.9).start().answer(told)
    assert play.dropped == "the reader's lowest power is 15.0 dBm; 14.9 dBm is the most that is allowed"


def test_round_carries_its_reads() -> None:
    """A round is told at its end with what was heard in it, and the next one starts at once."""
    play = Play().set_up().run_round(1, 2)
    assert play.inventories == [
        Inventory(102.0, 2.0, (1, 2), tuple(Read(102.0, TAG.hex().upper(), a, -60.0, 2, 1) for a in (1, 2)))
    ]
    assert play.names[-1] == "StartROSpec"
    assert play.names.count("StartROSpec") == 2
    assert (play.session.tally.received, play.session.tally.used) == (2, 2)


def test_empty_round_is_told_as_well() -> None:
    """A round in which nothing was read is evidence; it waits a moment for a late report first."""
    play = Play().set_up().run_round()
    assert play.inventories == []
    assert play.session.deadline <= play.now + 0.21
    play.wait(0.2)
    assert play.inventories == [Inventory(102.2, 2.0, (1, 2))]


def test_report_after_the_end_belongs_to_its_round() -> None:
    """A reader that reports after it has told the end is waited for."""
    play = Play().set_up().run_round()
    play.now += 0.1
    play.hear(report(1))
    assert [len(x.reads) for x in play.inventories] == [1]


def test_report_out_of_a_round_is_counted_and_given_to_none() -> None:
    """Reads whose time nobody knows are never evidence of anything; the counts still add up."""
    play = Play(plan=OFF).set_up()
    play.hear(report(1, 2))
    tally = play.session.tally
    assert play.inventories == []
    assert (tally.received, tally.used, tally.malformed) == (2, 0, {"out of a round": 2})


def test_round_without_an_end_is_stopped_by_our_own_timer() -> None:
    """A reader that never tells the end is stopped; the round is told with what came."""
    play = Play().set_up()
    play.answer(m.StartROSpecResponse(OK))
    play.hear(m.Keepalive(), report(2))
    play.wait(3.9)
    assert play.names[-1] == "KeepaliveAck"
    play.wait(0.2)
    assert play.names[-1] == "StopROSpec"
    play.answer(m.StopROSpecResponse(OK))
    play.wait(2.1)
    assert [(x.seconds, len(x.reads)) for x in play.inventories] == [(2.0, 1)]
    assert play.names[-1] == "StartROSpec"


def test_no_start_without_permission() -> None:
    """Where transmitting is not allowed the reader is set up, told of, and never started, whatever the plan."""
    play = Play(transmit_allowed=False).set_up()
    for plan in (MOVING, PARKED, OFF, PARKED):
        play.take(play.session.set_plan(plan, play.now)).wait(3.0).hear(m.Keepalive())
    play.take(play.session.pause(play.now)).take(play.session.resume(play.now)).wait(1.0)
    assert "StartROSpec" not in play.names
    assert ReaderState(100.0, "up") in play.records
    assert play.dropped is None
    wishes = Wishes(27.0, transmit_allowed=False, tag_population=1, keepalive_s=5.0)
    with pytest.raises(LlrpError, match="not allowed"):
        request_for(State.STARTING, wishes=wishes, facts=play.session.facts, round_s=2.0, message_id=1)


@settings(max_examples=60, deadline=None)
@given(walk=st.lists(st.tuples(st.integers(0, 13), st.floats(0.0, 8.0)), max_size=40), allowed=st.booleans())
def test_no_walk_of_events_starts_without_permission(walk: list[tuple[int, float]], *, allowed: bool) -> None:
    """Whatever a reader sends, in whatever order, START_ROSPEC leaves only where allowed, and no step raises."""
    play = Play(transmit_allowed=allowed).set_up()
    for step, seconds in walk:
        if play.dropped is not None:
            play.take(play.session.lost(play.now))
            play.dropped = None
            play.set_up()
        messages = (
            END[0], END[1], report(1), m.Keepalive(), m.StartROSpecResponse(OK), m.StopROSpecResponse(OK), CONFIG,
            gpi(1, on=True), event(antenna_event=AntennaEvent(0, 1)), m.EnableROSpecResponse(OK),
        )  # fmt: skip
        if step < len(messages):
            reply = messages[step]
            play.answer(reply) if isinstance(reply, m.Response) else play.hear(reply)
        else:
            plan = (OFF, PARKED, MOVING, ReadingPlan(round_s=1.0))[step - len(messages)]
            play.take(play.session.set_plan(plan, play.now))
        play.wait(seconds)
        tally = play.session.tally
        assert tally.received == tally.used + tally.duplicate + sum(tally.malformed.values())
    assert allowed or "StartROSpec" not in play.names


def test_off_stops_a_running_round() -> None:
    """When the plan turns to silence, a round under way is stopped at once and told with the seconds it had."""
    play = Play().set_up().answer(m.StartROSpecResponse(OK))
    play.now += 0.5
    play.take(play.session.set_plan(OFF, play.now))
    assert play.names[-1] == "StopROSpec"
    play.answer(m.StopROSpecResponse(OK)).hear(report(1), *END)
    assert [(x.seconds, len(x.reads)) for x in play.inventories] == [(0.5, 1)]
    play.wait(5.0).hear(m.Keepalive()).wait(5.0)
    assert play.names.count("StartROSpec") == 1
    play.take(play.session.set_plan(PARKED, play.now))
    assert play.names.count("StartROSpec") == 2


def test_pause_stops_and_resume_goes_on() -> None:
    """A pause stops a round whose start is not even answered yet; the plan is kept for the resume."""
    play = Play().set_up()
    play.take(play.session.pause(play.now))
    assert play.names[-1] == "StartROSpec"
    play.answer(m.StartROSpecResponse(OK))
    assert play.names[-1] == "StopROSpec"
    # The round ended by itself while our stop was on the way: the reader has nothing to stop, and says so.
    play.hear(*END).answer(m.StopROSpecResponse(LLRPStatus(StatusCode.M_FieldError)))
    play.wait(0.5)
    assert play.session.state is State.READY
    assert play.dropped is None
    play.take(play.session.resume(play.now))
    assert play.names[-1] == "StartROSpec"


def test_bursts_follow_the_plan() -> None:
    """Two rounds, then silence; the deadline says when the next burst is due."""
    play = Play(plan=MOVING).set_up().run_round(1).run_round(1)
    assert play.names.count("StartROSpec") == 2
    assert play.session.deadline == pytest.approx(119.0)  # the watchdog's; the burst is due at 120
    play.wait(14.0).hear(m.Keepalive()).wait(1.9)
    assert play.names.count("StartROSpec") == 2
    play.wait(0.2)
    assert play.names.count("StartROSpec") == 3


def test_rounds_of_another_length_replace_the_rospec() -> None:
    """A plan with other rounds takes the ROSpec away, gives another, and reads on."""
    play = Play().set_up()
    play.take(play.session.set_plan(ReadingPlan(round_s=1.0), play.now))
    play.run_round(1)
    assert play.names[-1] == "DeleteROSpec"
    play.answer(m.DeleteROSpecResponse(OK)).answer(m.AddROSpecResponse(OK)).answer(m.EnableROSpecResponse(OK))
    assert play.names[-4:] == ["DeleteROSpec", "AddROSpec", "EnableROSpec", "StartROSpec"]
    add = play.sent[-3]
    assert isinstance(add, m.AddROSpec)
    assert add.rospec.spec_parameter[0].aispec_stop_trigger.duration_trigger == 1000  # type: ignore[union-attr]
    assert play.run_round(1).inventories[-1].seconds == 1.0


def test_keepalives_are_answered_and_missed() -> None:
    """Each keepalive is acknowledged with its id; three that do not come end the connection."""
    play = Play(transmit_allowed=False).set_up().hear(m.Keepalive(message_id=77))
    assert play.sent[-1] == m.KeepaliveAck(message_id=77)
    play.wait(14.9)
    assert play.dropped is None
    play.take(play.session.tick(play.now + 1.0, spare=True))
    assert play.dropped is None  # a scaled clock's caller can spare the peer
    play.wait(0.1)
    assert play.dropped == "nothing heard for 15.0 s, that is 3 keepalives"
    assert play.session.deadline == math.inf
    play.take(play.session.lost(play.now))
    assert play.records[-1] == ReaderState(115.0, "down")


def test_silent_peer_is_given_up() -> None:
    """A peer that takes the connection and says nothing is given up after 10 s."""
    play = Play()
    play.take(play.session.start(play.now)).wait(9.9)
    assert play.dropped is None
    assert play.wait(0.2).dropped == "no ConnectionAttemptEvent within 10 s"


def test_request_without_answer_is_given_up() -> None:
    """A request that is not answered ends the connection, keepalives or not."""
    play = Play().start().answer(CAPABLE)
    play.wait(9.0).hear(m.Keepalive()).wait(1.1)
    assert play.dropped == "no DeleteROSpecResponse within 10 s"


@pytest.mark.parametrize(
    ("messages", "says"),
    [
        ([event(connection_attempt_event=ConnectionAttemptEvent(2))], "Client_Initiated_Connection_Already_Exists"),
        ([m.ErrorMessage(LLRPStatus(StatusCode.M_UnsupportedVersion, "too new"))], "M_UnsupportedVersion.*: too new"),
        ([event(connection_close_event=ConnectionCloseEvent())], "closes the connection"),
    ],
)
def test_refused_connection_is_dropped(messages: list[m.Message], says: str) -> None:
    """A reader that refuses gives the reason in the standard's word, and the connection is made anew later."""
    play = Play()
    play.take(play.session.start(play.now)).hear(*messages)
    assert play.dropped is not None
    assert re.search(says, play.dropped)


def test_refused_request_is_dropped() -> None:
    """A request that the reader refuses ends the connection with the status that it gave."""
    play = Play().start().answer(CAPABLE).answer(m.DeleteROSpecResponse(LLRPStatus(401, "broken")))
    assert play.dropped == "the reader refused: DeleteROSpecResponse R_DeviceError (401): broken"


def test_out_of_step_octets_drop_the_connection() -> None:
    """Octets that no frame begins with end the connection; a wrong body does not."""
    play = Play(transmit_allowed=False).set_up()
    play.take(play.session.receive(encode(m.UnknownMessage(63, b"\0")), play.now))
    assert play.dropped is None
    assert play.session.malformed == 1
    assert "could not be read" in play.notes[-1]
    play.take(play.session.receive(b"GET / HTTP/1.1\r\n\r\n", play.now))
    assert "out of step" in (play.dropped or "")


def test_unasked_answers_are_passed_over() -> None:
    """An answer to nobody's question, or to an older one, moves nothing."""
    play = Play().start()
    play.hear(m.AddROSpecResponse(OK, message_id=play.sent[-1].message_id))
    play.hear(m.GetReaderCapabilitiesResponse(OK, message_id=play.sent[-1].message_id + 1))
    play.hear(m.CustomMessage(25882, 1, b""))
    assert play.session.state is State.CAPABILITIES
    assert len(play.notes) == 3


def test_inputs_and_antennas_are_told_when_they_change() -> None:
    """An input or antenna is told once for each change, also over a reconnect."""
    play = Play(plan=OFF).set_up()
    play.records.clear()
    play.hear(gpi(1, on=True), gpi(1, on=False), gpi(2, on=True))
    play.hear(event(antenna_event=AntennaEvent(0, 2)), event(antenna_event=AntennaEvent(0, 2)))
    assert play.records == [
        PortInput(100.0, 1, on=False), PortInput(100.0, 2, on=True), ReaderState(100.0, "antenna_lost", 2),
    ]  # fmt: skip
    play.take(play.session.lost(play.now))
    play.records.clear()
    play.set_up()
    assert play.records == [
        ReaderState(100.0, "antenna_back", 2), PortInput(100.0, 1, on=True), ReaderState(100.0, "up"),
    ]  # fmt: skip


def test_lost_antenna_is_not_in_the_round() -> None:
    """A round tells only the antennas that took part to its end; one without any is told to nobody."""
    play = Play().set_up().answer(m.StartROSpecResponse(OK))
    play.hear(event(antenna_event=AntennaEvent(0, 2)), report(1), *END)
    assert play.inventories[-1].antennas == (1,)
    play.answer(m.StartROSpecResponse(OK)).hear(event(antenna_event=AntennaEvent(0, 1)), *END).wait(0.3)
    assert len(play.inventories) == 1


def test_absent_antenna_is_an_error() -> None:
    """Antennas that the reader does not have are named, not passed over."""
    play = Play(antennas=(1, 3)).start().answer(CAPABLE)
    assert play.dropped == "the reader has antennas (1, 2); [3] of the configuration are not among them"


def test_reader_complaints_are_noted() -> None:
    """What the reader complains of reaches the log."""
    play = Play(plan=OFF).set_up().hear(event(reader_exception_event=ReaderExceptionEvent("hot")))
    play.hear(event(connection_attempt_event=ConnectionAttemptEvent(4)))
    assert play.notes == ["the reader has an exception: hot", "somebody else tried to connect to the reader"]


def test_leaving_when_nobody_is_there_asks_nothing() -> None:
    """Without a connection there is nobody to take leave of; what comes and passes then is nothing."""
    play = Play()
    play.take(play.session.close(play.now)).hear(m.Keepalive()).wait(60.0)
    assert (play.sent, play.records, play.dropped) == ([], [], None)
    assert play.session.is_down


def test_second_greeting_is_a_mistake() -> None:
    """What has no place in the table is the peer's mistake, said with event and state."""
    play = Play().set_up().hear(event(connection_attempt_event=ConnectionAttemptEvent(0)))
    assert play.dropped == "greeted cannot follow in state starting"


def test_buffers_are_complained_of() -> None:
    """A report buffer that fills up or ran over reaches the log."""
    play = Play(plan=OFF).set_up()
    play.hear(event(report_buffer_level_warning_event=ReportBufferLevelWarningEvent(90)))
    play.hear(event(report_buffer_overflow_error_event=ReportBufferOverflowErrorEvent()))
    assert play.notes == [
        "the reader's report buffer is 90 % full", "the reader's report buffer ran over; reads were lost",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("told", "says"),
    [
        (m.GetReaderCapabilitiesResponse(OK), "does not say how many antennas"),
        (m.GetReaderCapabilitiesResponse(OK, CAPABLE.general_device_capabilities), "does not tell its table"),
    ],
)
def test_reader_that_hides_its_abilities_is_left(told: m.GetReaderCapabilitiesResponse, says: str) -> None:
    """A reader that does not tell its antennas or powers cannot be used safely."""
    assert says in (Play().start().answer(told).dropped or "")


def test_leaving_stops_the_round_and_waits_for_the_answer() -> None:
    """Leaving stops the carrier, asks for the end, and a round that was cut is told to nobody."""
    play = Play().set_up().answer(m.StartROSpecResponse(OK)).hear(report(1))
    play.take(play.session.close(play.now))
    assert play.names[-2:] == ["StopROSpec", "CloseConnection"]
    play.answer(m.CloseConnectionResponse(OK))
    assert play.dropped == "closed, as we asked"
    play.take(play.session.lost(play.now))
    assert play.inventories == []
    tally = play.session.tally
    assert (tally.received, tally.used, tally.malformed) == (1, 0, {"round cut off": 1})


def test_every_waiting_state_has_its_answer_and_its_way_on() -> None:
    """The table is whole: each state is reached and left, and each that asks waits for the answer that moves it."""
    reached = {*TRANSITIONS.values(), State.CLOSING, State.DOWN}
    assert reached == set(State)
    left = {state for state, _ in TRANSITIONS}
    assert left == set(State) - {State.CLOSING}
    for state in ANSWERS:
        assert state is State.CLOSING or any(s is state and e.name == "ANSWERED" for s, e in TRANSITIONS)
