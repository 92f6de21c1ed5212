"""Which version of the protocol is spoken: asked only of a reader that offers one, and 1.0.1 where it will not."""

from __future__ import annotations

import pytest

import agent.llrp.states
from agent.llrp import messages as m
from agent.llrp.codec import LlrpStream, encode
from agent.llrp.outputs import ON
from agent.llrp.params import UTCTimestamp
from agent.llrp.rounds import OFF
from agent.llrp.simulated.device import Device
from agent.llrp.states import TRANSITIONS, Send, State
from agent.llrp.tables import StatusCode
from agent.llrp.told import ConnectionAttemptEvent, LLRPStatus, ReaderEventNotificationData
from tests.llrp.play import CAPABLE, CONFIG, INPUTS, OK, Play
from tests.llrp.tcp import Room

NO = LLRPStatus(StatusCode.M_UnsupportedVersion, "not that one")
AFTER = (
    CAPABLE, m.DeleteROSpecResponse(OK), m.SetReaderConfigResponse(OK), m.AddROSpecResponse(OK),
    m.EnableROSpecResponse(OK), CONFIG, INPUTS,
)  # fmt: skip


def greeted(version: int) -> Play:
    """Connected to a reader that greets in this version."""
    play = Play()
    data = ReaderEventNotificationData(UTCTimestamp(0), connection_attempt_event=ConnectionAttemptEvent(0))
    return play.take(play.session.start(play.now)).hear(m.ReaderEventNotification(data, version=version))


def versions(play: Play) -> list[tuple[str, int]]:
    """What was sent, and in which version."""
    return [(type(each).__name__, each.version) for each in play.sent]


def picture() -> str:
    """The table of states, a line for each: where it goes, and by what."""
    return "\n".join(
        f"    {state.name:<15} "
        + ", ".join(f"{event.name.lower()} → {to.name}" for (here, event), to in TRANSITIONS.items() if here is state)
        for state in State
        if state is not State.CLOSING
    )


def test_the_picture_of_the_states_is_drawn_from_the_table() -> None:
    """What the module shows its reader is what a session goes by."""
    assert f"\n\n{picture()}\n\n" in (agent.llrp.states.__doc__ or "")


def test_a_reader_of_1_0_1_sees_nothing_new() -> None:
    """Greeted in version 1: capabilities are asked at once, and all is version 1."""
    play = greeted(1)
    assert versions(play) == [("GetReaderCapabilities", 1)]
    for response in AFTER:
        play.answer(response)
    assert play.session.state is State.STARTING
    assert {version for _, version in versions(play)} == {1}


def test_a_reader_that_offers_1_1_is_spoken_to_in_it() -> None:
    """Asked, told, and every frame from then on has version 2: set-up, start, keepalives, outputs, the leave."""
    play = greeted(2)
    play.answer(m.GetSupportedVersionResponse(OK, 1, 2)).answer(m.SetProtocolVersionResponse(OK))
    for response in AFTER:
        play.answer(response)
    play.hear(m.Keepalive(message_id=7)).take(play.session.set_output(1, ON, play.now))
    play.answer(m.SetReaderConfigResponse(OK)).take(play.session.close(play.now))
    assert versions(play)[:3] == [
        ("GetSupportedVersion", 2), ("SetProtocolVersion", 2), ("GetReaderCapabilities", 2),
    ]  # fmt: skip
    asked = play.sent[1]
    assert isinstance(asked, m.SetProtocolVersion)
    assert asked.protocol_version == 2
    assert {"StartROSpec", "KeepaliveAck", "SetReaderConfig", "CloseConnection"} <= set(play.names)
    assert {version for _, version in versions(play)} == {2}
    assert play.dropped is None


@pytest.mark.parametrize(
    "answers",
    [
        [m.GetSupportedVersionResponse(NO, 0, 0)],
        [m.GetSupportedVersionResponse(OK, 1, 1)],
        [m.GetSupportedVersionResponse(OK, 1, 2), m.SetProtocolVersionResponse(NO)],
        [m.ErrorMessage(NO)],
        [m.GetSupportedVersionResponse(OK, 1, 2), m.ErrorMessage(NO)],
    ],
    ids=["asking refused", "only 1.0.1", "setting refused", "error at asking", "error at setting"],
)
def test_any_refusal_falls_back_to_1_0_1(answers: list[m.Response | m.ErrorMessage]) -> None:
    """Whatever it refuses, and however: the set-up goes on in version 1, and reading begins."""
    play = greeted(2)
    for answer in answers:
        play.answer(answer) if isinstance(answer, m.Response) else play.hear(answer)
    assert versions(play)[-1] == ("GetReaderCapabilities", 1)
    for response in AFTER:
        play.answer(response)
    assert versions(play)[-1] == ("StartROSpec", 1)
    assert play.dropped is None


def test_a_reader_that_does_not_answer_is_set_up_in_1_0_1() -> None:
    """Ten seconds without an answer are a refusal too; an answer that comes after all changes nothing."""
    play = greeted(2)
    late = play.sent[-1].message_id
    play.wait(9.0).hear(m.Keepalive()).wait(1.1)
    assert versions(play)[-1] == ("GetReaderCapabilities", 1)
    play.hear(m.GetSupportedVersionResponse(OK, 1, 2, message_id=late))
    assert play.session.state is State.CAPABILITIES
    assert play.dropped is None


def test_the_next_connection_begins_in_1_0_1_again() -> None:
    """What was agreed on belongs to one connection."""
    play = greeted(2).answer(m.GetSupportedVersionResponse(OK, 1, 2)).answer(m.SetProtocolVersionResponse(OK))
    play.take(play.session.lost(play.now)).start()
    assert versions(play)[-1] == ("GetReaderCapabilities", 1)


@pytest.mark.parametrize("newest", [1, 2])
def test_the_simulated_reader_speaks_what_it_offers(newest: int) -> None:
    """It greets in its newest version; a session sets it up, and both speak that to the end."""
    device, play = Device(Room(), version=newest), Play(plan=OFF)
    stream, told = LlrpStream(), []
    device.connected(play.now)
    actions = play.session.start(play.now)
    while octets := device.take():
        stream.receive(octets)
        told += [each for each in stream.messages() if isinstance(each, m.Message)]
        actions += play.session.receive(octets, play.now)
        for action in actions:
            if isinstance(action, Send):
                device.receive(action.data, play.now)
        play.take(actions)
        actions = []
    assert play.session.is_up
    assert {each.version for each in (*told, *play.sent)} == {newest}
    assert ("SetProtocolVersion" in play.names) is (newest == 2)


@pytest.mark.parametrize(("newest", "asked", "status"), [(1, 2, "M_UnsupportedMessage"), (2, 3, "M_UnsupportedVersion"),
                                                         (2, 1, "M_Success")])  # fmt: skip
def test_the_simulated_reader_refuses_what_it_does_not_speak(newest: int, asked: int, status: str) -> None:
    """1.0.1 has no such message, 1.1 no third version; it can be told to speak 1.0.1."""
    device, stream = Device(Room(), version=newest), LlrpStream()
    device.connected(0.0)
    device.take()
    device.receive(encode(m.SetProtocolVersion(asked, message_id=5, version=2)), 0.0)
    stream.receive(device.take())
    (answer,) = stream.messages()
    assert isinstance(answer, (m.Response, m.ErrorMessage))
    assert StatusCode(answer.llrp_status.status_code).name == status
