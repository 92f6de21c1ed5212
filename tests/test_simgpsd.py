"""The stand-in answers as gpsd does, to gpsd-py3 and to a bare socket."""

from __future__ import annotations

import json
import socket
import threading
import time
from collections.abc import Iterator
from typing import Any

import gpsd
import pytest

from agent.clock import SystemClock
from agent.simgpsd import SimGpsd

TPV = {"mode": 3, "time": "2026-05-04T06:00:10.000Z", "lat": 48.31, "lon": -31.27, "eph": 8.0}


@pytest.fixture
def server() -> Iterator[SimGpsd]:
    """One that sends what it is told to."""
    simulated = SimGpsd(SystemClock()).start()
    yield simulated
    simulated.stop()


class Client:
    """A bare client, line by line."""

    def __init__(self, port: int) -> None:
        self.socket = socket.create_connection(("127.0.0.1", port), timeout=5.0)
        self.lines = self.socket.makefile("rb")

    def ask(self, request: bytes) -> None:
        """Send one line."""
        self.socket.sendall(request + b"\n")

    def next(self) -> dict[str, Any]:
        """The next object."""
        line = self.lines.readline()
        assert line.endswith(b"\r\n"), line
        document = json.loads(line)
        assert isinstance(document, dict)
        return document

    def close(self) -> None:
        """Go away."""
        self.lines.close()
        self.socket.close()


@pytest.fixture
def client(server: SimGpsd) -> Iterator[Client]:
    """Connected, greeted."""
    connected = Client(server.port)
    assert connected.next() == {
        "class": "VERSION",
        "release": "3.22",
        "rev": "3.22",
        "proto_major": 3,
        "proto_minor": 14,
    }
    yield connected
    connected.close()


def test_watching(server: SimGpsd, client: Client) -> None:
    """?WATCH is answered by DEVICES and WATCH, in this order (as gpsd 3.22 answers), and then TPVs come."""
    client.ask(b'?WATCH={"enable":true,"json":true}')
    assert client.next()["class"] == "DEVICES"
    watch = client.next()
    assert (watch["class"], watch["enable"], watch["json"]) == ("WATCH", True, True)
    server.send(TPV)
    assert client.next() == {"class": "TPV", "device": "/dev/ttyS0", **TPV}


def test_without_json_nothing_is_streamed(server: SimGpsd, client: Client) -> None:
    """Enabled without a form, the stream stays quiet (as gpsd 3.22 does), and ends when it is disabled."""
    client.ask(b'?WATCH={"enable":true};')
    assert client.next()["class"] == "DEVICES"
    assert client.next()["json"] is False
    assert server.watchers == 0
    client.ask(b'?WATCH={"json":true}')
    assert [client.next()["class"] for _ in range(2)] == ["DEVICES", "WATCH"]
    assert server.watchers == 1
    client.ask(b'?WATCH={"enable":false}')
    assert [client.next()["class"] for _ in range(2)] == ["DEVICES", "WATCH"]
    assert server.watchers == 0


def test_other_requests(client: Client) -> None:
    """?VERSION, ?DEVICES, ?POLL and what it does not know are answered; several may share a line."""
    client.ask(b"?VERSION;?DEVICES;?POLL;?SPIN;")
    assert [client.next()["class"] for _ in range(4)] == ["VERSION", "DEVICES", "POLL", "ERROR"]
    client.ask(b"good day")
    assert client.next() == {"class": "ERROR", "message": "Unrecognized request 'good day'"}
    client.ask(b"?WATCH={enable}")
    assert client.next() == {"class": "ERROR", "message": "Invalid WATCH"}
    client.ask(b"?WATCH;")
    assert [client.next()["class"] for _ in range(2)] == ["DEVICES", "WATCH"]


@pytest.mark.filterwarnings("ignore:.*unclosed.*:ResourceWarning")
def test_gpsd_py3_reads_a_position(server: SimGpsd) -> None:
    """The client library polls a fix from it as from gpsd."""
    server.send(TPV)
    gpsd.connect("127.0.0.1", server.port)
    try:
        assert gpsd.get_current().position() == (48.31, -31.27)
    finally:
        gpsd.gpsd_stream.close()
        gpsd.gpsd_socket.close()
        gpsd.gpsd_stream = gpsd.gpsd_socket = None


class Stepped:
    """A clock that a test moves."""

    def __init__(self) -> None:
        self.now_s = 100.4
        self.moved = threading.Condition()

    def mono(self) -> float:
        """As far as it was moved."""
        with self.moved:
            return self.now_s

    def utc(self) -> float:
        """Nobody asks."""
        raise AssertionError

    def sleep(self, seconds: float, *, stop: threading.Event | None = None) -> bool:
        """Until moved far enough, or stopped."""
        assert stop is not None
        with self.moved:
            until_s = self.now_s + seconds
            while self.now_s < until_s and not stop.is_set():
                self.moved.wait(0.01)
        return stop.is_set()

    def sleep_until(self, mono_s: float, *, stop: threading.Event | None = None) -> bool:
        """Likewise."""
        return self.sleep(mono_s - self.mono(), stop=stop)

    def move(self, seconds: float) -> None:
        """On by so much."""
        with self.moved:
            self.now_s += seconds
            self.moved.notify_all()


def test_every_second_is_asked_for_once_in_order() -> None:
    """The source is asked for each whole second of the clock, also where that leaps; None sends nothing."""
    clock, asked = Stepped(), []

    def fix_at(t_s: float) -> dict[str, Any] | None:
        asked.append(t_s)
        return None if t_s == 103.0 else {"mode": 1, "n": t_s}

    server = SimGpsd(clock, fix_at=fix_at).start()
    try:
        client = Client(server.port)
        client.next()
        client.ask(b'?WATCH={"enable":true,"json":true}')
        client.next()
        client.next()
        clock.move(0.7)
        assert client.next()["n"] == 101.0
        clock.move(600.0)
        assert [client.next()["n"] for _ in range(5)] == [102.0, 104.0, 105.0, 106.0, 107.0]
        client.close()
    finally:
        server.stop()
    assert asked == [101.0 + i for i in range(len(asked))]


def test_several_clients_get_the_same(server: SimGpsd) -> None:
    """Each client that watches gets each fix; one that goes away takes nothing from the others."""
    clients = [Client(server.port) for _ in range(3)]
    for one in clients:
        one.next()
        one.ask(b'?WATCH={"enable":true,"json":true}')
        one.next()
        one.next()
    clients[0].close()
    for number in range(50):
        server.send({"mode": 1, "n": number})
    for one in clients[1:]:
        assert [one.next()["n"] for _ in range(50)] == list(range(50))
        one.close()


def test_a_client_that_never_ends_its_line_is_dropped(client: Client) -> None:
    """What a client sends is bounded."""
    client.socket.sendall(b"?" * 10_000)
    try:
        said = client.lines.read()
    except ConnectionResetError:
        said = b""  # it was closed with bytes unread
    assert said == b""


def test_six_hundred_fixes_a_second(server: SimGpsd, client: Client) -> None:
    """A day at 600 times real time needs 600 TPVs a second; a thousand go through well within a second or two."""
    client.ask(b'?WATCH={"enable":true,"json":true}')
    client.next()
    client.next()
    started = time.monotonic()
    for number in range(1000):
        server.send({**TPV, "n": number})
    assert [client.next()["n"] for _ in range(1000)] == list(range(1000))
    assert time.monotonic() - started < 1000 / 600
