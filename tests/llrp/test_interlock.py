"""What keeps a session silent whatever the plan: the word that must come first, and inputs of the reader."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from agent.llrp import messages as m
from agent.llrp.interlock import Interlock
from agent.llrp.params import GPIPortCurrentState
from agent.llrp.rounds import PARKED
from agent.records import PortInput, ReaderState
from tests.llrp.play import CAPABLE, CONFIG, END, INPUTS, OK, Play, gpi, report

DOORS, RADIO_OFF = 2, 1
WAITS = Interlock(waits=True)


def inputs(*on: int, of: tuple[int, ...] = (1, 2)) -> m.GetReaderConfigResponse:
    """The reader's own account of its inputs."""
    states = tuple(GPIPortCurrentState(port, config=True, state=1 if port in on else 0) for port in of)
    return m.GetReaderConfigResponse(OK, gpi_port_current_state=states)


def connect(play: Play, told: m.GetReaderConfigResponse) -> Play:
    """Up to the point where rounds would begin, with the inputs as `told`."""
    play.start()
    for response in (
        CAPABLE, m.DeleteROSpecResponse(OK), m.SetReaderConfigResponse(OK), m.AddROSpecResponse(OK),
        m.EnableROSpecResponse(OK), CONFIG, told,
    ):  # fmt: skip
        play.answer(response)
    return play


def starts(play: Play) -> int:
    """How often the reader was told to begin."""
    return play.names.count("StartROSpec")


def test_nothing_starts_before_the_release() -> None:
    """The call that delivers the inputs starts no round, nor does time, nor another plan: the release does."""
    play = Play(interlock=WAITS).set_up()
    assert play.records[-1] == ReaderState(100.0, "up")
    play.wait(4.0).hear(m.Keepalive()).wait(1.0)
    play.take(play.session.pause(play.now)).take(play.session.resume(play.now))
    assert starts(play) == 0
    play.take(play.session.release(1, play.now))
    assert play.names[-1] == "StartROSpec"


def test_every_connection_waits_for_its_own_release() -> None:
    """After a reconnect a release that was meant for the connection before starts nothing."""
    play = Play(interlock=WAITS).set_up()
    play.take(play.session.release(1, play.now)).run_round(1)
    begun = starts(play)
    play.take(play.session.lost(play.now)).set_up()
    play.take(play.session.release(1, play.now)).wait(3.0)
    assert starts(play) == begun
    play.take(play.session.release(2, play.now))
    assert starts(play) == begun + 1


def test_a_release_while_the_reader_is_set_up_lets_only_that_connection_read() -> None:
    """A release of the last connection that arrives in the middle of the next one's set-up starts nothing."""
    play = Play(interlock=WAITS).set_up()
    play.take(play.session.lost(play.now)).start()
    play.take(play.session.release(1, play.now))
    for response in (
        CAPABLE, m.DeleteROSpecResponse(OK), m.SetReaderConfigResponse(OK), m.AddROSpecResponse(OK),
        m.EnableROSpecResponse(OK), CONFIG, INPUTS,
    ):  # fmt: skip
        play.answer(response)
    assert play.session.is_up
    assert starts(play) == 0


def test_doors_that_open_stop_the_round_in_the_same_call() -> None:
    """A door input stops a round under way without anybody's word; when it is off again reading goes on."""
    play = connect(Play(interlock=Interlock(silent_while_on=(DOORS,))), inputs())
    play.answer(m.StartROSpecResponse(OK))
    play.now += 0.5
    play.hear(gpi(DOORS, on=True))
    assert play.names[-1] == "StopROSpec"
    play.answer(m.StopROSpecResponse(OK)).hear(report(1), *END)
    assert [x.seconds for x in play.inventories] == [0.5]
    play.wait(4.0).hear(m.Keepalive()).wait(4.0)
    assert starts(play) == 1
    play.hear(gpi(DOORS, on=False))
    assert starts(play) == 2


def test_doors_that_opened_while_the_reader_was_away_start_nothing() -> None:
    """After a reconnect the inputs are told before the first round, and an open door keeps it from beginning."""
    play = connect(Play(interlock=Interlock(silent_while_on=(DOORS,))), inputs())
    assert starts(play) == 1
    play.take(play.session.lost(play.now))
    connect(play, inputs(DOORS)).wait(3.0)
    assert PortInput(100.0, DOORS, on=True) in play.records
    assert starts(play) == 1


@pytest.mark.parametrize(("told", "silent"), [((1, 2), False), ((2,), True)])
def test_the_silencing_input_must_be_told_off(told: tuple[int, ...], *, silent: bool) -> None:
    """An input whose off is a condition silences also while the reader does not tell it; one for the doors does not."""
    play = connect(Play(interlock=Interlock(silent_unless_off=(RADIO_OFF,))), inputs(of=told))
    assert (starts(play) == 0) is silent
    assert any("input 1" in note for note in play.notes) is silent
    doors = connect(Play(interlock=Interlock(silent_while_on=(RADIO_OFF,))), inputs(of=told))
    assert starts(doors) == 1


def test_a_level_of_an_earlier_connection_is_no_level() -> None:
    """An input that was off before the connection was lost, and is not told in the next one, silences."""
    play = connect(Play(interlock=Interlock(silent_unless_off=(RADIO_OFF,))), inputs())
    assert starts(play) == 1
    play.take(play.session.lost(play.now))
    connect(play, inputs(of=(2,))).wait(2.0)
    assert starts(play) == 1


@settings(max_examples=60, deadline=None)
@given(walk=st.lists(st.tuples(st.integers(0, 10), st.floats(0.0, 4.0)), max_size=40))
def test_no_walk_starts_a_round_with_an_input_on_or_unreleased(walk: list[tuple[int, float]]) -> None:
    """Whatever comes in whatever order: START leaves only with all inputs off and this connection released."""
    play = Play(interlock=Interlock(waits=True, silent_while_on=(DOORS,), silent_unless_off=(RADIO_OFF,)))
    connect(play, inputs())
    on: set[int] = set()
    ups, released, begun = 1, 0, 0
    for step, seconds in walk:
        if play.dropped is not None or step == 10:
            play.dropped = None
            play.take(play.session.lost(play.now))
            connect(play, inputs(*on))
            ups += 1
        elif step < 4:
            port, level = (DOORS, RADIO_OFF)[step % 2], step < 2
            (on.add if level else on.discard)(port)
            play.hear(gpi(port, on=level))
        elif step == 4:
            released = ups
            play.take(play.session.release(ups, play.now))
        elif step == 5:
            play.take(play.session.release(ups - 1, play.now))
            released = ups - 1
        else:
            reply = (END[0], END[1], m.StartROSpecResponse(OK), m.StopROSpecResponse(OK))[step - 6]
            play.answer(reply) if isinstance(reply, m.Response) else play.hear(reply)
        if starts(play) > begun:
            begun = starts(play)
            assert not on
            assert released == ups
        play.wait(seconds)
        if starts(play) > begun:
            begun = starts(play)
            assert not on
            assert released == ups
    assert play.session.plan == PARKED
