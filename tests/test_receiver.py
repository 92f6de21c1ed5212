"""The gpsd connection against the stand-in, against scripted faults, and against a real gpsd fed by gpsfake."""

from __future__ import annotations

import shutil
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import gpsd
import pytest

from agent.clock import SystemClock
from agent.gps import Unusable, parse_tpv
from agent.receiver import Receiver
from agent.records import Fix
from agent.simgpsd import SimGpsd

TPV = {"mode": 3, "time": "2026-05-04T06:00:10.000Z", "lat": 48.31, "lon": -31.27, "eph": 8.0}


def wait_for(condition: Callable[[], bool], what: str, *, within_s: float = 10.0) -> None:
    """Return as soon as the condition holds; fail by name when it does not in time."""
    until = time.monotonic() + within_s
    while not condition():
        assert time.monotonic() < until, f"not within {within_s} s: {what}"
        time.sleep(0.005)


@pytest.fixture
def fixes() -> list[Fix]:
    """Where the receivers of a test deliver."""
    return []


@pytest.fixture
def server() -> Iterator[SimGpsd]:
    """A stand-in that sends what the test tells it to."""
    simulated = SimGpsd(SystemClock()).start()
    yield simulated
    simulated.stop()


@pytest.fixture
def connect(fixes: list[Fix]) -> Iterator[Callable[..., Receiver]]:
    """Starts receivers, and sees to it that they end."""
    started: list[Receiver] = []

    def make(port: int, **options: float) -> Receiver:
        receiver = Receiver(
            "127.0.0.1", port, clock=SystemClock(), put=fixes.append, first_pause_s=0.02, **options
        ).start()
        started.append(receiver)
        return receiver

    yield make
    for receiver in started:
        receiver.stop()
        assert not receiver.is_alive()


def test_a_tpv_arrives_untouched(server: SimGpsd, connect: Callable[..., Receiver], fixes: list[Fix]) -> None:
    """Every key of a TPV is delivered as gpsd sent it, stamped with the boot clock of its arrival."""
    connect(server.port)
    wait_for(lambda: server.watchers == 1, "watching")
    before = time.monotonic()
    server.send({**TPV, "unknown": [1, None]})
    wait_for(lambda: len(fixes) == 1, "the fix")
    assert fixes[0].tpv == {"class": "TPV", "device": "/dev/ttyS0", **TPV, "unknown": [1, None]}
    assert before <= fixes[0].mono <= time.monotonic()


def test_a_gpsd_that_dies_is_found_again(server: SimGpsd, connect: Callable[..., Receiver], fixes: list[Fix]) -> None:
    """A cut connection is made anew, and the counts add up."""
    receiver = connect(server.port)
    for number in (1, 2):
        wait_for(lambda number=number: receiver.counts.connections == number and server.watchers == 1, "watching")
        server.send(TPV)
        wait_for(lambda number=number: len(fixes) == number, "the fix")
        server.drop_clients()
    counts = receiver.counts
    assert counts.lines == counts.fixes + counts.others + counts.malformed
    assert counts.fixes == 2


def test_a_gpsd_that_comes_late_is_found(connect: Callable[..., Receiver], fixes: list[Fix]) -> None:
    """A receiver that starts before its gpsd keeps trying."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
    receiver = connect(port)
    wait_for(lambda: receiver.state == "connecting", "trying")
    server = SimGpsd(SystemClock(), port=port).start()
    try:
        wait_for(lambda: server.watchers == 1, "watching")
        server.send(TPV)
        wait_for(lambda: len(fixes) == 1, "the fix")
    finally:
        server.stop()


def test_silence_ends_the_connection(server: SimGpsd, connect: Callable[..., Receiver]) -> None:
    """A gpsd that says nothing for longer than allowed is left and connected to again."""
    receiver = connect(server.port, silent_s=0.2)
    wait_for(lambda: receiver.counts.connections >= 2, "a second connection")


class Script:
    """A peer that answers each connection: a piece at once, one more after each thing it is sent, then silence."""

    def __init__(self, *answers: tuple[bytes, ...]) -> None:
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.port = self.listener.getsockname()[1]
        self.answers = list(answers)
        self.accepted: list[socket.socket] = []
        self.thread = threading.Thread(target=self.serve, daemon=True)
        self.thread.start()

    def serve(self) -> None:
        """Until closed."""
        while True:
            try:
                connection, _ = self.listener.accept()
            except OSError:
                return
            self.accepted.append(connection)
            for number, piece in enumerate(self.answers.pop(0) if self.answers else ()):
                if number:
                    connection.recv(4096)
                connection.sendall(piece)

    def close(self) -> None:
        """End it, with what was accepted."""
        self.listener.shutdown(socket.SHUT_RDWR)
        self.listener.close()
        self.thread.join()
        for connection in self.accepted:
            connection.close()


VERSION = b'{"class":"VERSION","release":"3.22","rev":"3.22","proto_major":3,"proto_minor":14}\r\n'
WATCHED = (
    b'{"class":"DEVICES","devices":[{"class":"DEVICE","path":"/dev/ttyS0"}]}\r\n'
    b'{"class":"WATCH","enable":true,"json":false}\r\n'
)


def greeted(then: bytes = b"") -> tuple[bytes, ...]:
    """The server's side of a handshake, with `then` in the same piece as its end."""
    return (VERSION, WATCHED + then)


def test_a_peer_that_never_greets_is_given_up(connect: Callable[..., Receiver]) -> None:
    """A peer that takes the connection and says nothing costs one deadline, not the thread."""
    script = Script(())
    try:
        connect(script.port, connect_s=0.1)
        wait_for(lambda: len(script.accepted) >= 2, "a second attempt")
    finally:
        script.close()


def test_a_peer_that_is_no_gpsd_is_given_up(connect: Callable[..., Receiver], fixes: list[Fix]) -> None:
    """Something else on gpsd's port is left alone after its first line, and tried again later."""
    script = Script(
        (b"HTTP/1.1 400 Bad Request\r\n\r\n",), (b'{"class":"SKY"}\r\n',), greeted(b'{"class":"TPV","mode":1}\r\n')
    )
    try:
        connect(script.port)
        wait_for(lambda: len(fixes) == 1, "the fix from the third")
        assert fixes[0].tpv == {"class": "TPV", "mode": 1}
    finally:
        script.close()


@pytest.mark.parametrize(("said", "link"), [(b"", "refused"), (b"HTTP/1.1 400 Bad Request\r\n\r\n", "foreign")])
def test_who_hangs_up_before_the_greeting_is_no_stranger(
    said: bytes, link: str, connect: Callable[..., Receiver]
) -> None:
    """A gpsd that is being started or ended closes without a word: that is one that is not there, and not another."""
    listener = socket.create_server(("127.0.0.1", 0))
    listener.settimeout(10.0)
    try:
        receiver = connect(listener.getsockname()[1])
        connection, _ = listener.accept()
        with connection:
            connection.sendall(said)
        wait_for(lambda: receiver.gpsd.link != "connecting", "the attempt's end")
        assert receiver.gpsd.link == link
    finally:
        listener.close()


def test_broken_lines_are_counted_and_passed_over(connect: Callable[..., Receiver], fixes: list[Fix]) -> None:
    """What is no JSON costs its own line; the lines around it arrive."""
    lines = [
        b'{"class":"TPV","mode":1,"n":1}',
        b"{broken",
        b"[]",
        b"",
        b'{"class":"SKY"}',
        b'{"class":"TPV","mode":1,"n":2}',
    ]
    script = Script(greeted(b"\r\n".join(lines) + b"\r\n"))
    try:
        receiver = connect(script.port)
        wait_for(lambda: len(fixes) == 2, "both fixes")
        assert [fix.tpv["n"] for fix in fixes] == [1, 2]
        counts = receiver.counts
        assert (counts.lines, counts.fixes, counts.others, counts.malformed) == (6, 2, 2, 2)
    finally:
        script.close()


@pytest.mark.parametrize("rubbish", [b"x" * 200_000, b"\xff\xfe\xff\r\n"], ids=["a line without end", "not UTF-8"])
def test_a_stream_out_of_step_is_left(rubbish: bytes, connect: Callable[..., Receiver], fixes: list[Fix]) -> None:
    """Where no line can be told any more, the connection is made anew and goes on."""
    script = Script(greeted(rubbish), greeted(b'{"class":"TPV","mode":1}\r\n'))
    try:
        connect(script.port)
        wait_for(lambda: len(fixes) == 1, "the fix from the second connection")
    finally:
        script.close()


@pytest.mark.parametrize("answer", [(), greeted()], ids=["in the handshake", "while reading"])
def test_stop_does_not_wait_for_the_peer(answer: tuple[bytes, ...], fixes: list[Fix]) -> None:
    """Stopping ends at once, whatever the connection waits for."""
    script = Script(answer)
    try:
        receiver = Receiver("127.0.0.1", script.port, clock=SystemClock(), put=fixes.append, connect_s=60.0).start()
        wait_for(lambda: len(script.accepted) == 1, "the connection")
        started = time.monotonic()
        receiver.stop()
        assert time.monotonic() - started < 1.0
        assert receiver.state == "stopped"
    finally:
        script.close()


def test_stop_while_a_connection_is_being_made(fixes: list[Fix]) -> None:
    """A peer whose queue is full lets a connection hang; stopping ends that too."""
    with socket.socket() as full:
        full.bind(("127.0.0.1", 0))
        full.listen(0)
        waiting = [socket.socket() for _ in range(3)]
        for one in waiting:
            one.settimeout(0.0)
            one.connect_ex(full.getsockname())
        receiver = Receiver("127.0.0.1", full.getsockname()[1], clock=SystemClock(), put=fixes.append).start()
        wait_for(lambda: gpsd.gpsd_socket is not None, "connecting")
        started = time.monotonic()
        receiver.stop()
        assert time.monotonic() - started < 1.0
        for one in waiting:
            one.close()


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_a_failing_put_ends_the_receiver(server: SimGpsd) -> None:
    """What `put` raises is a bug of ours and is not passed over."""

    def fail(_fix: Fix) -> None:
        raise RuntimeError("planted")

    receiver = Receiver("127.0.0.1", server.port, clock=SystemClock(), put=fail).start()
    wait_for(lambda: server.watchers == 1, "watching")
    server.send(TPV)
    wait_for(lambda: not receiver.is_alive(), "the end")
    receiver.stop()


def nmea_positions(log: Path) -> dict[str, tuple[float, float]]:
    """Time of day → (lat, lon) by the log's own RMC sentences, read here from NMEA 0183: ddmm.mmmm, dddmm.mmmm."""
    positions = {}
    for line in log.read_text().splitlines():
        fields = line.split(",")
        if fields[0] != "$GPRMC" or fields[2] != "A":
            continue
        lat, lon = (int(text[:-8]) + float(text[-8:]) / 60.0 for text in (fields[3], fields[5]))
        time_of_day = f"{fields[1][:2]}:{fields[1][2:4]}:{fields[1][4:6]}"
        positions[time_of_day] = (lat if fields[4] == "N" else -lat, lon if fields[6] == "E" else -lon)
    return positions


@pytest.mark.integration
@pytest.mark.skipif(shutil.which("gpsfake") is None, reason="gpsfake is not installed (Debian: gpsd, gpsd-clients)")
def test_a_real_drive_through_a_real_gpsd(
    standards: Path, tmp_path: Path, connect: Callable[..., Receiver], fixes: list[Fix]
) -> None:
    """Fixes of a recorded car drive arrive through gpsd 3.22 where the receiver's own sentences put them.

    Source: a real drive as NMEA (gpxpy's test data), played by gpsd's own gpsfake.
    """
    log = tmp_path / "drive.nmea"
    log.write_bytes((standards / "gps" / "logs" / "visnjan_car_from_gpx.nmea").read_bytes())
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
    command = ["gpsfake", "-q", "-1", "-n", "-c", "0.01", "-P", str(port), str(log)]
    with (tmp_path / "gpsfake.out").open("wb") as said:
        gpsfake = subprocess.Popen(command, stdout=said, stderr=subprocess.STDOUT)
    try:
        connect(port)
        wait_for(lambda: len(fixes) >= 60, "60 fixes of the drive", within_s=30.0)
    finally:
        gpsfake.terminate()
        gpsfake.wait(10.0)
    usable = [fix for fix in (parse_tpv(one.tpv, one.mono) for one in fixes) if not isinstance(fix, Unusable)]
    assert len(usable) >= 50
    truth = nmea_positions(log)
    seen = {one.tpv["time"][11:19] for one in fixes if "time" in one.tpv}
    assert len(seen) >= 50
    for one in fixes:
        if "lat" in one.tpv:
            lat, lon = truth[one.tpv["time"][11:19]]
            # NMEA gives a hundred-thousandth of a minute, gpsd nine decimals of a degree.
            assert one.tpv["lat"] == pytest.approx(lat, abs=2e-7)
            assert one.tpv["lon"] == pytest.approx(lon, abs=2e-7)
