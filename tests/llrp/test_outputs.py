"""A lamp on a reader's output: the rhythm, one level at a time, and nothing else disturbed by it."""

from __future__ import annotations

import math

import pytest

from agent.llrp import messages as m
from agent.llrp.codec import LlrpStream, encode
from agent.llrp.outputs import ANSWER_S, DARK, FIRST_ID, ON, Rhythm
from agent.llrp.params import GPOWriteData
from agent.llrp.rounds import OFF
from agent.llrp.simulated.device import Device
from agent.llrp.tables import GetReaderConfigRequestedData, StatusCode
from agent.llrp.told import LLRPStatus
from tests.llrp.play import END, OK, Play, report
from tests.llrp.tcp import Room

BLINK = Rhythm(0.25, 0.25)


def levels(play: Play) -> list[tuple[int, bool]]:
    """Every level that was set, in order."""
    return [
        (data.gpo_port_number, data.gpo_data)
        for message in play.sent
        if isinstance(message, m.SetReaderConfig)
        for data in message.gpo_write_data
    ]


def done(play: Play) -> Play:
    """The reader has set the output that it was last asked for."""
    asked = next(x for x in reversed(play.sent) if isinstance(x, m.SetReaderConfig))
    return play.hear(m.SetReaderConfigResponse(OK, message_id=asked.message_id))


def lit(rhythm: Rhythm, port: int = 1, **options: object) -> Play:
    """A session that is set up and was asked for this rhythm."""
    play = Play(plan=OFF, **options).set_up()
    return play.take(play.session.set_output(port, rhythm, play.now))


@pytest.mark.parametrize(
    ("rhythm", "age_s", "level", "change_s"),
    [
        (ON, 3.3, True, math.inf),
        (DARK, 3.3, False, math.inf),
        (BLINK, 0.0, True, 0.25),
        (BLINK, 0.3, False, 0.2),
        (Rhythm(1.0, 3.0), 9.5, False, 2.5),
    ],
)
def test_a_rhythm_says_its_level_and_when_it_changes(
    rhythm: Rhythm, age_s: float, level: bool, change_s: float  # noqa: FBT001 - a case's fact
) -> None:
    """On first, then off, over and over; steady ones never change."""
    assert rhythm.level(age_s) is level
    assert rhythm.changes_after(age_s) == pytest.approx(change_s)


def test_an_output_is_set_by_one_request_that_resets_nothing() -> None:
    """SET_READER_CONFIG with GPOWriteData alone: no reset to factory default, no other parameter."""
    play = lit(ON, port=2)
    (asked,) = (x for x in play.sent if isinstance(x, m.SetReaderConfig) and x.gpo_write_data)
    assert asked == m.SetReaderConfig(
        reset_to_factory_default=False, gpo_write_data=(GPOWriteData(2, gpo_data=True),), message_id=asked.message_id
    )
    assert asked.message_id >= FIRST_ID
    assert levels(done(play).wait(60.0)) == [(2, True)]


def test_it_blinks_by_its_rhythm_and_wakes_the_transport_in_time() -> None:
    """Two flashes a second, each level at its moment, which is the session's deadline."""
    play = done(lit(BLINK))
    began, set_at = play.now, []
    for _ in range(8):
        assert play.session.deadline == pytest.approx(play.now + 0.25, abs=1e-6)
        play.wait(0.25)
        set_at.append(play.now - began)
        done(play)
    assert levels(play) == [(1, True), *[(1, on) for on in (False, True) * 4]]
    assert set_at == pytest.approx([0.25 * n for n in range(1, 9)])


def test_a_slow_reader_blinks_more_slowly_never_faster() -> None:
    """The next level waits for the answer to the one before: at most as many flashes as the rhythm has."""
    play = lit(BLINK)
    for _ in range(42):
        play.wait(0.05)
    assert levels(play) == [(1, True)]
    done(play)
    assert levels(play) == [(1, True)], "2.1 s on it is just on again"
    play.wait(0.25)
    assert levels(play) == [(1, True), (1, False)]


def test_an_answer_that_never_comes_is_not_waited_for_for_ever() -> None:
    """After ten seconds the level is set anew; the connection is not dropped for it."""
    play = lit(BLINK)
    for _ in range(2):
        play.hear(m.Keepalive()).wait(ANSWER_S / 2 + 0.2)
    assert play.dropped is None
    assert levels(play)[0] == (1, True)
    assert len(levels(play)) == 2


def test_rounds_go_on_while_it_blinks() -> None:
    """Its answers are taken for no other's: a round starts, ends and is told as ever, without a note."""
    play = Play().set_up()
    play.take(play.session.set_output(1, BLINK, play.now))
    start = next(x for x in play.sent if isinstance(x, m.StartROSpec))
    done(play)
    play.hear(m.StartROSpecResponse(OK, message_id=start.message_id))
    for _ in range(7):
        done(play.wait(0.25))
    play.now += 0.2
    play.hear(report(1, 2), *END)
    assert [len(inventory.reads) for inventory in play.inventories] == [2]
    assert play.names.count("StartROSpec") == 2
    assert (play.notes, play.dropped) == ([], None)
    assert len(levels(play)) == 8


def test_a_refused_output_is_left_alone_and_said() -> None:
    """One note with what to look at; not asked again, and the session goes on."""
    play = lit(BLINK, port=9)
    asked = play.sent[-1]
    play.hear(m.SetReaderConfigResponse(LLRPStatus(StatusCode.M_ParameterError), message_id=asked.message_id))
    play.wait(5.0)
    assert levels(play) == [(9, True)]
    assert play.notes == ["the reader refuses to set output 9; it is left alone: see [signal] output"]
    assert play.dropped is None


def test_after_a_reconnect_the_level_is_set_again() -> None:
    """What the outputs are after a connection is lost is not known; it is set as soon as the reader is up."""
    play = done(lit(ON))
    play.take(play.session.lost(play.now)).set_up()
    assert levels(play) == [(1, True), (1, True)]


def test_before_the_reader_is_up_nothing_is_set() -> None:
    """An output wished for while the session is being set up waits for its end."""
    play = Play(plan=OFF).start()
    play.take(play.session.set_output(1, ON, play.now))
    assert levels(play) == []


def test_taking_leave_leaves_no_lamp_lit() -> None:
    """All outputs are off before CLOSE_CONNECTION."""
    play = done(lit(BLINK))
    play.take(play.session.close(play.now))
    assert levels(play)[-1] == (1, False)
    assert play.names[-2:] == ["SetReaderConfig", "CloseConnection"]


def _ask(device: Device, message: m.Message) -> m.Message:
    device.receive(encode(message), 1.0)
    stream = LlrpStream()
    stream.receive(device.take())
    *_, answer = stream.messages()
    assert isinstance(answer, m.Message)
    return answer


def test_the_simulated_reader_has_outputs() -> None:
    """It tells how many, sets them, tells their levels, refuses a port that is not there, and a power cut ends them."""
    device = Device(Room(), outputs=(1, 2))
    device.connected(0.0)
    told = _ask(device, m.GetReaderCapabilities(message_id=1))
    assert isinstance(told, m.GetReaderCapabilitiesResponse)
    assert told.general_device_capabilities is not None
    assert told.general_device_capabilities.gpio_capabilities.num_gpos == 2
    lamp = m.SetReaderConfig(reset_to_factory_default=False, gpo_write_data=(GPOWriteData(2, gpo_data=True),))
    before = device.setup.power_index, device.setup.events
    assert isinstance(_ask(device, lamp), m.SetReaderConfigResponse)
    assert (device.setup.power_index, device.setup.events) == before
    wanted = GetReaderConfigRequestedData.GPOWriteData
    config = _ask(device, m.GetReaderConfig(requested_data=wanted))
    assert isinstance(config, m.GetReaderConfigResponse)
    assert config.gpo_write_data == (GPOWriteData(1, gpo_data=False), GPOWriteData(2, gpo_data=True))
    none = m.SetReaderConfig(reset_to_factory_default=False, gpo_write_data=(GPOWriteData(3, gpo_data=True),))
    refused = _ask(device, none)
    assert isinstance(refused, m.SetReaderConfigResponse)
    assert refused.llrp_status.status_code == StatusCode.M_ParameterError
    assert device.setup.outputs == {1: False, 2: True}
    device.power_cut()
    assert device.setup.outputs == {1: False, 2: False}
