"""The walk test's door and its words; the talk with the reader is tested in `test_probe_reader`."""

from __future__ import annotations

import io

import pytest

from agent.clock import SystemClock
from agent.findings import Paper
from agent.probe_reader import Heard, Walk
from agent.simreader import SimulatedReader
from agent.vehicle import parse_vehicle, transmit_allowed
from agent.walk import findings_of, refusal, run_walk
from tests.llrp.tcp import Room, until

VAN = '[vehicle]\nid = "van-07"\nepc = "urn:epc:id:giai:9521141.70007"\n'
REAL = VAN + '[reader]\nhost = "192.0.2.20"\npower_dbm = 27\nregion = "etsi"\nantenna_gain_dbi = 6\n'


@pytest.mark.parametrize(
    ("text", "is_agent_running", "said"),
    [
        (VAN, False, "there is no reader"),
        (REAL, True, "the running agent holds the reader's only connection"),
        (REAL.replace("power_dbm = 27\n", ""), False, "nobody says how strongly"),
        (REAL.replace('region = "etsi"\n', ""), False, "whether the radio rules allow the power is not known"),
        (VAN + '[reader]\nhost = "192.0.2.20"\npower_dbm = 27\n', False, "whether the radio rules allow"),
    ],
)
def test_a_real_reader_needs_all_of_it(text: str, is_agent_running: bool, said: str) -> None:  # noqa: FBT001 - a case's
    """Power, antenna and region known, and nobody else on the reader; else nothing is transmitted, and it says why."""
    refused = refusal(parse_vehicle(text, file="vehicle.toml"), is_agent_running=is_agent_running)
    assert refused is not None
    assert refused.state == "not ok"
    assert refused.found.startswith("nothing was transmitted: ")
    assert said in refused.found
    assert refused.do


def test_a_simulated_reader_needs_only_a_power() -> None:
    """It has no antenna."""
    text = VAN + '[reader]\nhost = "127.0.0.1"\nsimulated = true\npower_dbm = 27\n'
    assert refusal(parse_vehicle(text, file="vehicle.toml"), is_agent_running=False) is None


@pytest.mark.integration
def test_the_only_time_that_a_reader_transmits_before_it_was_assessed() -> None:
    """A reader that is not said to be simulated, without [rf_assessment]: it is read here, and by the agent never."""
    room = Room()
    reader = SimulatedReader(room, SystemClock()).start()
    try:
        text = REAL.replace("192.0.2.20", "127.0.0.1") + f"port = {reader.port}\n"
        vehicle = parse_vehicle(text, file="vehicle.toml")
        assert not transmit_allowed(vehicle).allowed
        assert refusal(vehicle, is_agent_running=False) is None
        stream = io.StringIO()
        found = run_walk(vehicle, SystemClock(), seconds=1.5, stream=stream, paper=Paper(80))
        assert not reader.is_transmitting
    finally:
        reader.stop()
    assert [finding.state for finding in found] == ["ok", "ok"]
    assert {asked[3] for asked in room.asked} == {27.0}
    assert sum(asked[1] for asked in room.asked) <= 3.0
    assert "TRANSMITTING for up to 1.5 s" in stream.getvalue()


def test_what_a_walk_comes_to() -> None:
    """A port that heard something is ok, one that did not or has no antenna is not, with what to do."""
    antennas = {1: Heard(0, None, {"A", "B"}, -47.5), 2: Heard(), 3: Heard(0, None, {"A"}, -70.0)}
    walk = Walk(0.0, antennas, lost=frozenset({3}), rounds=9)
    one, two, three = findings_of(walk, asked=60.0)
    assert (one.state, one.found) == ("ok", "port 1: 2 tags, strongest -48 dBm")
    assert (two.state, two.found) == ("not ok", "port 2: no tag in 9 rounds")
    assert (three.state, three.found) == ("not ok", "port 3: the reader says no antenna is there")
    assert two.do
    assert three.do


@pytest.mark.parametrize(("cut_off", "state"), [("stopped by hand", "ok"), ("the connection broke", "not ok")])
def test_a_walk_that_ended_early(cut_off: str, state: str) -> None:
    """Ctrl-C is the tester's right; a reader that goes away is a fault."""
    walk = Walk(0.0, {1: Heard(0, None, {"A"}, -50.0)}, cut_off=cut_off)
    last = findings_of(walk, asked=60.0)[-1]
    assert last.state == state
    assert last.found == f"ended before its 60 s: {cut_off}"


WIRED = (
    VAN + '[reader]\nhost = "127.0.0.1"\nsimulated = true\npower_dbm = 27\nantennas = [1]\nport = {port}\n'
    "[inputs]\ndoors = 1\nradio_off = {radio_off}\n"
    '[rf_assessment]\nby = "J. Doe"\ndate = 2026-02-20\npower_dbm = 30\npeople_inside = "{people}"\n'
)


@pytest.mark.integration
@pytest.mark.parametrize(
    ("people", "radio_off", "on", "why"),
    [
        ("pause", 3, 3, "input 3 (radio_off) is on"),
        ("allowed", 3, 3, "input 3 (radio_off) is on"),
        ("pause", 3, 1, "the doors are open (input 1), where the assessment pauses the reader"),
        ("allowed", 9, None, "the reader does not say how its input 9 (radio_off) is"),
        ("allowed", 3, 1, ""),
        ("pause", 3, None, ""),
    ],
)
def test_what_silences_the_agent_silences_the_walk(people: str, radio_off: int, on: int | None, why: str) -> None:
    """The wired radio_off that is on or not told, and open doors where the assessment pauses: no round is asked for.

    Open doors silence nothing where people may be inside.
    """
    room = Room()
    reader = SimulatedReader(room, SystemClock()).start()
    try:
        if on is not None:
            reader.set_input(on, on=True)
        text = WIRED.format(port=reader.port, people=people, radio_off=radio_off)
        stream = io.StringIO()
        vehicle = parse_vehicle(text, file="vehicle.toml")
        found = run_walk(vehicle, SystemClock(), seconds=1.2, stream=stream, paper=Paper(80))
        until(lambda: not reader.is_connected, "the goodbye")
    finally:
        reader.stop()
    told = " ".join(stream.getvalue().split())
    if not why:
        assert [finding.state for finding in found] == ["ok"]
        assert room.asked
        return
    assert room.asked == []
    assert [finding.state for finding in found] == ["not ok"]
    assert found[0].found.startswith(f"nothing was transmitted: {why}")
    assert found[0].do
    assert f"NOTHING WAS TRANSMITTED ({why}" in told


@pytest.mark.integration
def test_an_input_in_the_middle_ends_the_walk() -> None:
    """Doors that open, or the switch, while it transmits: the round is stopped, it is said why, the counts are kept."""
    room = Room()
    reader = SimulatedReader(room, SystemClock()).start()

    class Opens(io.StringIO):
        """Whoever reads the first count opens the doors."""

        def write(self, text: str) -> int:
            """The live line of a round."""
            if "s left" in text:
                reader.set_input(1, on=True)
            return super().write(text)

    try:
        vehicle = parse_vehicle(WIRED.format(port=reader.port, people="pause", radio_off=3), file="vehicle.toml")
        stream = Opens()
        found = run_walk(vehicle, SystemClock(), seconds=60.0, stream=stream, paper=Paper(80))
        assert not reader.is_transmitting
        rounds, until_s = reader.rounds, SystemClock().mono() + 1.5
        until(lambda: reader.polled_at > until_s, "a second and a half")
        assert reader.rounds == rounds
    finally:
        reader.stop()
    port, ended = found
    assert port.state == "ok"
    assert (ended.state, bool(ended.do)) == ("not ok", True)
    assert ended.found.startswith("ended before its 60 s: the doors are open (input 1)")
    assert "THE READER IS SILENT AGAIN (the doors are open" in " ".join(stream.getvalue().split())
    assert sum(asked[1] for asked in room.asked) < 4.0
