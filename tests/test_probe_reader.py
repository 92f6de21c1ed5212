"""The talk with a reader: against the simulated one over TCP, its carrier watched."""

from __future__ import annotations

import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from agent import probe_reader
from agent.clock import SystemClock
from agent.probe_reader import MOST_TRANSMIT_S, ReaderAwayError, Walk, ask_reader, walk_test
from agent.simreader import SimulatedReader
from agent.vehicle import ReaderSettings
from tests.llrp.tcp import FastClock, Heard, Room, until

pytestmark = pytest.mark.integration


class OnePort(Room):
    """Tags before port 1 alone, the first the strongest."""

    def inventory(
        self, *, started_s: float, seconds: float, antennas: tuple[int, ...], power_dbm: float
    ) -> list[Heard]:
        """Three of them."""
        self.asked.append((started_s, seconds, antennas, power_dbm))
        tags = [Heard(f"3074257BF7194E40{tag:08X}", 1, rssi_dbm=-48.0 - tag) for tag in range(3)]
        return tags if 1 in antennas else []


@pytest.fixture
def room() -> OnePort:
    """What the reader's antennas look into."""
    return OnePort()


@pytest.fixture
def reader(room: OnePort) -> Iterator[SimulatedReader]:
    """A simulated reader in real time."""
    simulated = SimulatedReader(room, SystemClock()).start()
    yield simulated
    simulated.stop()


def settings(port: int, antennas: tuple[int, ...] = (1, 2)) -> ReaderSettings:
    """The vehicle file's."""
    return ReaderSettings(host="127.0.0.1", port=port, antennas=antennas)


def test_the_reader_is_asked_and_stays_silent(reader: SimulatedReader, room: OnePort) -> None:
    """Firmware, table of powers, the index used, antennas and inputs are told; nothing is transmitted."""
    reader.set_input(2, on=True)
    reader.set_antenna(2, connected=False)
    answer = ask_reader(settings(reader.port), SystemClock(), power_dbm=27.2)
    assert answer.firmware == "simulated"
    powers_dbm = sorted(answer.powers_dbm.values())
    assert (len(powers_dbm), powers_dbm[0], powers_dbm[-1]) == (44, 10.0, 31.5)
    assert answer.powers_dbm[answer.power_index] == 27.0  # the highest that is not above what is asked for
    assert (answer.antennas, answer.antennas_lost) == ((1, 2), frozenset({2}))
    assert answer.levels == {1: False, 2: True, 3: False, 4: False}
    assert answer.outputs == 2
    assert room.asked == []
    assert reader.rounds == 0
    until(lambda: not reader.is_connected, "the goodbye")


def test_a_reader_that_another_holds(reader: SimulatedReader) -> None:
    """The reader's refusal is known from every other failure, and the one who holds it is not disturbed."""
    with socket.create_connection(("127.0.0.1", reader.port)) as holder:
        until(lambda: reader.is_connected, "the other client")
        with pytest.raises(ReaderAwayError, match="Client_Initiated_Connection_Already_Exists") as caught:
            ask_reader(settings(reader.port), SystemClock(), power_dbm=27.0)
        assert caught.value.is_held
        assert reader.is_connected
        assert not _is_ended(holder)


def _is_ended(connection: socket.socket) -> bool:
    """Whether the other side has ended it, once everything that it said is read."""
    connection.settimeout(0.2)
    try:
        while connection.recv(4096):
            pass
    except TimeoutError:
        return False
    return True


@pytest.mark.parametrize(
    ("antennas", "power_dbm", "why"),
    [((1, 7), 27.0, r"\[7\] of the configuration are not among them"), ((1,), 5.0, "lowest power is 10.0 dBm")],
)
def test_a_reader_that_cannot_do_what_is_asked(
    reader: SimulatedReader, antennas: tuple[int, ...], power_dbm: float, why: str
) -> None:
    """An antenna that it lacks, or only powers above the limit."""
    with pytest.raises(ReaderAwayError, match=why) as caught:
        ask_reader(settings(reader.port, antennas), SystemClock(), power_dbm=power_dbm)
    assert not caught.value.is_held


def test_no_reader_there() -> None:
    """Nobody listens, or the file names none."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
    with pytest.raises(ReaderAwayError, match="refused"):
        ask_reader(settings(port), SystemClock(), power_dbm=27.0)
    with pytest.raises(ReaderAwayError, match=r"no \[reader\] host"):
        ask_reader(ReaderSettings(), SystemClock(), power_dbm=27.0)


@pytest.mark.parametrize("said", [b"", b"HTTP/1.1 400 Bad Request\r\n\r\n"])
def test_a_peer_that_is_no_reader(said: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    """It is left after a while, with what was wrong."""
    monkeypatch.setattr(probe_reader, "SETUP_REAL_S", 0.5)
    monkeypatch.setattr(probe_reader, "GOODBYE_REAL_S", 0.1)
    listener = socket.create_server(("127.0.0.1", 0))

    def serve() -> None:
        with suppress(OSError):
            connection, _ = listener.accept()
            with connection:
                connection.sendall(said)
                while connection.recv(4096):
                    pass

    thread = threading.Thread(target=serve)
    thread.start()
    with pytest.raises(ReaderAwayError, match="not set up within" if not said else "no frame can begin with"):
        ask_reader(settings(listener.getsockname()[1]), SystemClock(), power_dbm=27.0)
    listener.close()
    thread.join()


def test_a_walk_test_counts_and_ends(room: OnePort) -> None:
    """Tags and strongest signal of each port, shown after every round; the carrier is off when it is over."""
    clock = FastClock(5.0)
    reader = SimulatedReader(room, clock).start()
    shown: list[tuple[int, int, float | None]] = []
    transmitting: list[bool] = []

    def show(walk: Walk) -> None:
        shown.append((walk.rounds, walk.antennas[1].now, walk.antennas[1].now_dbm))
        transmitting.append(reader.is_transmitting)

    try:
        walk = walk_test(settings(reader.port), clock, power_dbm=27.0, seconds=1.5, show=show)
        assert shown[0] == (1, 3, -48.0)
        assert len(shown) >= 3
        assert (len(walk.antennas[1].tags), walk.antennas[1].best_dbm) == (3, -48.0)
        assert (walk.antennas[2].tags, walk.antennas[2].best_dbm) == (set(), None)
        assert walk.cut_off == ""
        assert {asked[3] for asked in room.asked} == {27.0}
        assert max(asked[1] for asked in room.asked) <= 1.0  # a round ends by itself after a second
        assert not reader.is_transmitting
        rounds = reader.rounds
        until_s = clock.mono() + 10.0
        until(lambda: reader.polled_at > until_s, "10 s of the clock")
        assert reader.rounds == rounds
    finally:
        reader.stop()


def test_a_walk_test_that_loses_its_reader(room: OnePort) -> None:
    """When the power goes in the middle it ends, says so, and keeps what was counted."""
    reader = SimulatedReader(room, SystemClock()).start()
    try:
        walk = walk_test(
            settings(reader.port), SystemClock(), power_dbm=27.0, seconds=60.0, show=lambda _: reader.power_off()
        )
    finally:
        reader.stop()
    assert walk.rounds >= 1
    assert "connection" in walk.cut_off


@pytest.mark.parametrize("seconds", [0.0, -1.0, MOST_TRANSMIT_S + 0.1, float("nan"), float("inf")])
def test_no_walk_test_is_longer_than_the_most(reader: SimulatedReader, room: OnePort, seconds: float) -> None:
    """Two minutes at most; anything else is refused before anybody is asked."""
    with pytest.raises(ValueError, match="up to 120 s"):
        walk_test(settings(reader.port), SystemClock(), power_dbm=27.0, seconds=seconds, show=lambda _: None)
    assert room.asked == []


def test_an_error_in_the_middle_stops_the_reader(reader: SimulatedReader) -> None:
    """Whatever goes wrong on our side, the round is stopped."""

    def show(_: Walk) -> None:
        assert reader.is_transmitting or reader.rounds
        raise RuntimeError("our own mistake")

    with pytest.raises(RuntimeError, match="our own mistake"):
        walk_test(settings(reader.port), SystemClock(), power_dbm=27.0, seconds=60.0, show=show)
    assert not reader.is_transmitting
    until(lambda: not reader.is_connected, "the goodbye")


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGKILL], ids=lambda number: number.name)
def test_the_carrier_goes_off_however_it_ends(
    reader: SimulatedReader, room: OnePort, tmp_path: Path, number: signal.Signals
) -> None:
    """Ctrl-C stops the round and still tells what was counted; a kill leaves a round that ends within a second."""
    config = tmp_path / "vehicle.toml"
    config.write_text(
        '[vehicle]\nid = "van-07"\nepc = "urn:epc:id:giai:9521141.70007"\n'
        f'[reader]\nhost = "127.0.0.1"\nport = {reader.port}\nsimulated = true\npower_dbm = 27\n'
        f'[gps]\nport = 1\n[store]\npath = "{tmp_path / "vehicle.db"}"\n'
    )
    command = [sys.executable, "-m", "agent", "check", "--config", str(config), "--walk-test", "--transmit-s", "100"]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    told = ""
    while "port 1: 3 tags -48 dBm" not in told:
        line = process.stdout.readline()
        assert line, told
        told += line
    process.send_signal(number)
    told += process.stdout.read()
    process.stdout.close()
    process.wait(30)
    until(lambda: not reader.is_transmitting, "silence")
    rounds = reader.rounds
    asked = len(room.asked)
    until_s = SystemClock().mono() + 1.5
    until(lambda: reader.polled_at > until_s, "a second and a half")
    assert (reader.rounds, len(room.asked)) == (rounds, asked)
    if number is signal.SIGINT:
        assert "THE READER IS SILENT AGAIN (stopped by hand)" in told
        assert "port 1: 3 tags, strongest -48 dBm" in told
        assert "GPSD" in told  # the rest is asked all the same
