"""The simulated reader's socket: who may connect, what a power cut looks like, a client that does not read."""

from __future__ import annotations

import socket
import struct
from collections.abc import Iterator

import pytest
from msgspec.structs import replace

import agent.simreader
from agent.llrp import messages as m
from agent.llrp.codec import LlrpStream, encode
from agent.llrp.params import AISpec, AISpecStopTrigger, RFTransmitter, ROSpecStartTrigger
from agent.llrp.rospec import add_round, reader_config
from agent.simreader import SimulatedReader
from tests.llrp.tcp import FastClock, Room, until

pytestmark = pytest.mark.integration


@pytest.fixture
def reader() -> Iterator[SimulatedReader]:
    """A simulated reader whose clock runs 50 times as fast."""
    simulated = SimulatedReader(Room(), FastClock(50.0)).start()
    yield simulated
    simulated.stop()


class Peer:
    """A bare socket that speaks LLRP."""

    def __init__(self, port: int) -> None:
        self.socket = socket.create_connection(("127.0.0.1", port), timeout=5.0)
        self._stream = LlrpStream()
        self._found: list[m.Message] = []

    def send(self, *requests: m.Message) -> None:
        """Write them."""
        self.socket.sendall(b"".join(encode(request) for request in requests))

    def next(self) -> m.Message | None:
        """The next message; None at the end of the connection."""
        while not self._found:
            chunk = self.socket.recv(65536)
            if not chunk:
                return None
            self._stream.receive(chunk)
            self._found += [message for message in self._stream.messages() if isinstance(message, m.Message)]
        return self._found.pop(0)

    def attempt(self) -> int:
        """The status that the reader greets with."""
        message = self.next()
        assert isinstance(message, m.ReaderEventNotification)
        event = message.reader_event_notification_data.connection_attempt_event
        assert event is not None
        return event.status


def test_one_client_at_a_time(reader: SimulatedReader) -> None:
    """The second client is told that one is connected already, and closed; when the first leaves, another may come."""
    first = Peer(reader.port)
    assert first.attempt() == 0
    second = Peer(reader.port)
    assert second.attempt() == 2
    assert second.next() is None
    assert first.attempt() == 4
    first.send(m.CloseConnection())
    assert isinstance(first.next(), m.CloseConnectionResponse)
    assert first.next() is None
    third = Peer(reader.port)
    assert third.attempt() == 0
    for peer in (first, second, third):
        peer.socket.close()


def test_power_cut_says_no_goodbye(reader: SimulatedReader) -> None:
    """A power cut ends the connection without a word, and nobody answers at the port until the power is back."""
    peer = Peer(reader.port)
    assert peer.attempt() == 0
    reader.power_off()
    with pytest.raises(ConnectionError):
        peer.next()
    with pytest.raises(ConnectionRefusedError):
        Peer(reader.port)
    reader.power_off()
    reader.power_on()
    reader.power_on()
    again = Peer(reader.port)
    assert again.attempt() == 0
    assert reader.is_connected
    for end in (peer, again):
        end.socket.close()


def test_client_that_vanishes_makes_room(reader: SimulatedReader) -> None:
    """A client that is cut off is noticed, and the next one is let in."""
    peer = Peer(reader.port)
    peer.attempt()
    peer.socket.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    peer.socket.close()
    until(lambda: not reader.is_connected, "the end of the first client")
    again = Peer(reader.port)
    assert again.attempt() == 0
    again.socket.close()


def test_client_that_does_not_read_is_dropped(monkeypatch: pytest.MonkeyPatch) -> None:
    """Reports that nobody takes do not pile up for ever."""
    monkeypatch.setattr(agent.simreader, "_MAX_UNSENT", 65536)
    simulated = SimulatedReader(Room(tags=500), FastClock(200.0)).start()
    peer = Peer(simulated.port)
    try:
        peer.attempt()
        spec = add_round(round_s=1.0, antennas=(1, 2), power=RFTransmitter(0, 1, 1), tag_population=1).rospec
        (inventory,) = spec.spec_parameter
        assert isinstance(inventory, AISpec)
        assert spec.ro_report_spec is not None
        endless = replace(
            spec,
            spec_parameter=(replace(inventory, aispec_stop_trigger=AISpecStopTrigger(0)),),
            ro_report_spec=replace(spec.ro_report_spec, n=1),
            ro_boundary_spec=replace(spec.ro_boundary_spec, rospec_start_trigger=ROSpecStartTrigger(1)),
        )
        peer.send(m.AddROSpec(endless), m.EnableROSpec(1))
        until(lambda: not simulated.is_connected, "the end of the client")
    finally:
        peer.socket.close()
        simulated.stop()


def test_keepalive_without_answer_ends_the_connection() -> None:
    """With a limit, a client that answers no keepalive is dropped."""
    simulated = SimulatedReader(Room(), FastClock(100.0), ack_limit=2).start()
    try:
        peer = Peer(simulated.port)
        peer.attempt()
        peer.send(reader_config(keepalive_s=5.0, inputs=(), hold_reports=False))
        kinds = []
        while (message := peer.next()) is not None:
            kinds.append(type(message))
        assert kinds == [m.SetReaderConfigResponse, m.Keepalive, m.Keepalive]
        peer.socket.close()
    finally:
        simulated.stop()


def test_port_that_is_taken_is_an_error(reader: SimulatedReader) -> None:
    """Two simulated readers cannot have one port."""
    with pytest.raises(OSError, match="in use"):
        SimulatedReader(Room(), FastClock(1.0), port=reader.port)
