"""The reader's connection against the simulated reader, and against scripted servers, over real TCP on this machine."""

from __future__ import annotations

import socket
import ssl
import threading
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

import agent.reader
from agent.errors import ConfigError
from agent.llrp import messages as m
from agent.llrp.codec import LlrpStream, encode
from agent.llrp.interlock import Interlock
from agent.llrp.params import UTCTimestamp
from agent.llrp.rounds import MOVING, OFF, PARKED, ReadingPlan
from agent.llrp.simulated.specs import wrong_field
from agent.llrp.told import ConnectionAttemptEvent, ReaderEventNotificationData
from agent.reader import Reader
from agent.reader_tls import reader_tls
from agent.records import Inventory, PortInput, ReaderState
from agent.simreader import SimulatedReader
from agent.vehicle import ReaderSettings
from tests.llrp.tcp import Collected, FastClock, Room, until
from tests.llrp.test_patience import Middling
from tests.llrp.tls import behind_tls
from tests.llrp.tls import certificate as certificate_of

pytestmark = pytest.mark.integration

GREETING = encode(
    m.ReaderEventNotification(
        ReaderEventNotificationData(UTCTimestamp(0), connection_attempt_event=ConnectionAttemptEvent(0))
    )
)


class Bench:
    """A simulated reader, a client of it, and what the client delivered."""

    def __init__(self, *, speed: float = 20.0, **options: Any) -> None:
        self.clock = FastClock(speed)
        self.room = Room()
        self.simulated = SimulatedReader(self.room, self.clock).start()
        self.got = Collected()
        settings = {"power_dbm": 27.0, "transmit_allowed": True, "put": self.got.put} | options
        self.reader = Reader("127.0.0.1", settings.pop("port", self.simulated.port), self.clock, **settings)

    def rounds(self, count: int) -> list[Inventory]:
        """Wait for so many rounds more than there are."""
        wanted = len(self.got.of(Inventory)) + count
        self.got.wait(lambda: len(self.got.of(Inventory)) >= wanted, f"round {wanted}")
        return self.got.of(Inventory)

    def state(self, state: str, count: int = 1) -> None:
        """Wait until the reader has been in a state so many times."""
        self.got.wait(lambda: len(self.got.of(ReaderState, state=state)) >= count, f"{state} the {count}. time")


@pytest.fixture
def bench() -> Iterator[Callable[..., Bench]]:
    """Makes benches, and stops them again."""
    benches: list[Bench] = []

    def make(**options: Any) -> Bench:
        made = Bench(**options)
        benches.append(made)
        made.reader.start()
        return made

    yield make
    for made in benches:
        made.reader.stop()
        made.simulated.stop()


def test_reads_arrive(bench: Callable[..., Bench]) -> None:
    """Rounds come one after the other with their reads, antennas, length and time of arrival."""
    on = bench(plan=PARKED)
    rounds = on.rounds(3)
    first = rounds[0]
    assert [(read.epc, read.antenna, read.rssi, read.count) for read in first.reads] == [
        (f"3074257BF7194E40{tag:08X}", antenna, -60.0, 2) for tag in range(3) for antenna in (1, 2)
    ]
    assert (first.seconds, first.antennas) == (2.0, (1, 2))
    assert 0.0 < rounds[0].mono < rounds[1].mono < rounds[2].mono <= on.clock.mono()
    assert all(read.mono <= first.mono for read in first.reads)
    assert on.got.records[:4] == [PortInput(on.got.records[0].mono, port, on=False) for port in (1, 2, 3, 4)]
    assert on.room.asked[0][1:] == (2.0, (1, 2), 27.0)
    tally = on.reader.tally
    assert (tally.received, tally.malformed) == (tally.used + tally.duplicate, {})
    assert on.reader.polled_at <= on.clock.mono()


def test_inputs_and_antennas_arrive(bench: Callable[..., Bench]) -> None:
    """An input's change and an antenna that is unplugged reach the pipeline."""
    on = bench(plan=OFF)
    on.state("up")
    on.simulated.set_input(1, on=True)
    on.got.wait(lambda: on.got.of(PortInput, port=1, on=True), "the input")
    on.simulated.set_antenna(2, connected=False)
    on.got.wait(lambda: on.got.of(ReaderState, state="antenna_lost", antenna=2), "the loss of the antenna")
    on.simulated.set_antenna(2, connected=True)
    on.got.wait(lambda: on.got.of(ReaderState, state="antenna_back", antenna=2), "the antenna's return")


def test_power_cut_and_return(bench: Callable[..., Bench]) -> None:
    """When the reader loses power it is told to be down; when it has power again reading goes on by itself."""
    on = bench()
    on.rounds(1)
    on.simulated.power_off()
    on.state("down")
    before = on.reader.connections
    on.simulated.set_input(2, on=True)
    on.simulated.power_on()
    on.state("up", 2)
    on.rounds(1)
    assert on.reader.connections > before
    assert on.got.of(PortInput, port=2, on=True)
    states = [record.state for record in on.got.of(ReaderState)]
    assert states == ["up", "down", "up"]


def test_plan_is_followed(bench: Callable[..., Bench]) -> None:
    """Off stops a round under way; another plan starts again; a burst is two rounds; the plan outlives a reconnect."""
    on = bench(plan=PARKED)
    on.rounds(1)
    on.reader.set_plan(OFF)
    until(lambda: not on.simulated.is_transmitting, "the silence")
    heard = on.simulated.rounds
    on.simulated.power_off()
    on.simulated.power_on()
    on.state("up", 2)
    assert on.simulated.rounds == heard
    on.reader.set_plan(MOVING)
    on.rounds(2)
    quiet_from = on.clock.mono()
    assert on.simulated.rounds == heard + 2
    rounds = on.rounds(1)
    assert rounds[-1].mono - quiet_from > 10.0
    on.reader.set_plan(ReadingPlan(round_s=1.0))
    on.got.wait(lambda: on.got.of(Inventory, seconds=1.0), "a shorter round")


def test_pause_stops_transmitting(bench: Callable[..., Bench]) -> None:
    """A pause ends the round under way; reading goes on at the resume."""
    on = bench()
    on.rounds(1)
    on.reader.pause()
    until(lambda: not on.simulated.is_transmitting, "the silence")
    on.reader.resume()
    on.rounds(2)


def test_never_starts_without_permission(bench: Callable[..., Bench]) -> None:
    """Without permission to transmit the reader is connected and set up, and its carrier stays off."""
    on = bench(transmit_allowed=False, plan=PARKED)
    on.state("up")
    for plan in (MOVING, OFF, PARKED):
        on.reader.set_plan(plan)
    on.simulated.set_input(1, on=True)  # an event that comes after all of that
    on.got.wait(lambda: on.got.of(PortInput, port=1, on=True), "the input")
    asked_until = on.clock.mono() + 10.0
    until(lambda: on.reader.polled_at > asked_until, "10 s of the clock")
    assert on.simulated.rounds == 0
    assert on.room.asked == []
    assert on.got.of(Inventory) == []


def test_nothing_transmits_before_the_release_nor_with_the_silencing_input_on(bench: Callable[..., Bench]) -> None:
    """After each connect the carrier waits for the release of that connection; the wired silence ends it at once."""
    on = bench(plan=PARKED, interlock=Interlock(waits=True, silent_unless_off=(3,)))
    on.state("up")
    asked_until = on.clock.mono() + 10.0
    until(lambda: on.reader.polled_at > asked_until, "10 s of the clock")
    assert on.simulated.rounds == 0
    on.reader.release(1)
    on.rounds(1)
    on.simulated.set_input(3, on=True)
    until(lambda: not on.simulated.is_transmitting, "the silence")
    on.simulated.power_off()
    on.state("down")
    on.simulated.set_input(3, on=False)
    heard = on.simulated.rounds
    on.simulated.power_on()
    on.state("up", 2)
    on.reader.release(1)
    asked_until = on.clock.mono() + 10.0
    until(lambda: on.reader.polled_at > asked_until, "10 s more")
    assert on.simulated.rounds == heard
    on.reader.release(2)
    on.rounds(1)


def test_taken_reader_is_tried_again(bench: Callable[..., Bench]) -> None:
    """While another client holds the reader ours is refused, waits and tries again; then it gets in."""
    clock = FastClock(20.0)
    simulated = SimulatedReader(Room(), clock).start()
    other = socket.create_connection(("127.0.0.1", simulated.port))
    until(lambda: simulated.is_connected, "the other client")
    on = bench(port=simulated.port)
    until(lambda: on.reader.connections >= 2, "a second attempt")
    assert not on.reader.is_up
    other.close()
    on.rounds(1)
    on.reader.stop()
    simulated.stop()


def test_a_reader_that_refuses_every_start_is_left_alone_for_longer_and_longer(bench: Callable[..., Bench]) -> None:
    """It is set up, refuses START_ROSPEC and is connected again after 0.5, 1, 2 and 4 s; then it relents and reads."""
    clock = FastClock(20.0)
    simulated = SimulatedReader(Room(), clock).start()

    def refuse(*_: object) -> m.Response:
        raise wrong_field(1, "not today")

    simulated._device._ANSWERS = {  # type: ignore[misc]
        **simulated._device._ANSWERS, m.StartROSpec: (m.StartROSpecResponse, refuse),
    }  # fmt: skip
    on = bench(port=simulated.port, rng=Middling())
    on.state("up", 5)
    del simulated._device._ANSWERS  # type: ignore[misc]
    ups = [each.mono for each in on.got.of(ReaderState, state="up")]
    downs = [each.mono for each in on.got.of(ReaderState, state="down")]
    for pause_s, down, up in zip((0.5, 1.0, 2.0, 4.0), downs, ups[1:], strict=False):
        assert up - down >= pause_s
    on.rounds(1)
    on.reader.stop()
    simulated.stop()


def test_silent_reader_falls_to_the_watchdog(bench: Callable[..., Bench], monkeypatch: pytest.MonkeyPatch) -> None:
    """A reader that hangs with its connection open is noticed after three keepalives, and connected again."""
    monkeypatch.setattr(agent.reader, "GRACE_REAL_S", 0.1)
    on = bench(plan=OFF, speed=50.0)
    on.state("up")
    device = on.simulated._device
    down_from = on.clock.mono()
    device.tick = lambda _: None  # type: ignore[method-assign]
    on.state("down")
    assert on.got.of(ReaderState, state="down")[0].mono - down_from > 9.9
    del device.tick  # type: ignore[method-assign]
    on.state("up", 2)


def _serve(script: Callable[[socket.socket], None]) -> tuple[int, Callable[[], None]]:
    """A server that plays a script to each client; its port, and what ends it."""
    listener = socket.create_server(("127.0.0.1", 0))

    def run() -> None:
        with suppress(OSError):
            while True:
                connection, _ = listener.accept()
                with connection, suppress(OSError):
                    connection.settimeout(5.0)
                    script(connection)

    thread = threading.Thread(target=run)
    thread.start()

    def stop() -> None:
        listener.shutdown(socket.SHUT_RDWR)
        listener.close()
        thread.join()

    return listener.getsockname()[1], stop


@pytest.mark.parametrize("what", ["nothing", "greeting only", "no LLRP", "half a message"])
def test_strange_peers_are_left_and_tried_again(what: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """A peer that is silent, talks something else or breaks off is left after a while and tried again, no more."""
    monkeypatch.setattr(agent.reader, "GRACE_REAL_S", 0.1)
    talks = {"nothing": b"", "greeting only": GREETING, "no LLRP": b"HTTP/1.1 400 Bad Request\r\n\r\n",
             "half a message": GREETING[:-3]}  # fmt: skip

    def script(connection: socket.socket) -> None:
        connection.sendall(talks[what])
        while what != "half a message" and connection.recv(4096):
            pass

    port, stop = _serve(script)
    got = Collected()
    reader = Reader("127.0.0.1", port, FastClock(100.0), put=got.put, power_dbm=27.0, transmit_allowed=True).start()
    until(lambda: reader.connections >= 2, "a second attempt")
    reader.stop()
    stop()
    assert got.records == []


def test_keepalives_are_no_greeting_on_a_scaled_clock_either(monkeypatch: pytest.MonkeyPatch) -> None:
    """What a peer owes has its grace in real time once; keepalives do not renew it, and it is hung up on after 10 s."""
    monkeypatch.setattr(agent.reader, "GRACE_REAL_S", 0.2)
    clock, lasted_s = FastClock(100.0), list[float]()

    def script(connection: socket.socket) -> None:
        began_s = clock.mono()
        connection.settimeout(0.02)
        with suppress(OSError):
            while not lasted_s:
                connection.sendall(encode(m.Keepalive(message_id=1)))
                with suppress(TimeoutError):
                    while connection.recv(4096):
                        pass
                    break
        lasted_s.append(clock.mono() - began_s)

    port, stop = _serve(script)
    reader = Reader("127.0.0.1", port, clock, put=Collected().put, power_dbm=27.0, transmit_allowed=True).start()
    try:
        until(lambda: reader.connections >= 2, "a second attempt")
    finally:
        lasted_s.append(0.0)
        reader.stop()
        stop()
    assert 9.0 < lasted_s[0] < 300.0  # 20 s are the grace; the rest is for a machine that is busy


def test_octet_by_octet_is_enough() -> None:
    """A peer that sends one octet at a time is understood."""
    stream, asked = LlrpStream(), threading.Event()

    def script(connection: socket.socket) -> None:
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        for octet in GREETING:
            connection.sendall(bytes((octet,)))
        while chunk := connection.recv(1):
            stream.receive(chunk)
            if any(isinstance(message, m.GetReaderCapabilities) for message in stream.messages()):
                asked.set()

    port, stop = _serve(script)
    reader = Reader("127.0.0.1", port, FastClock(1.0), put=print, power_dbm=27.0, transmit_allowed=True).start()
    assert asked.wait(5.0)
    reader.stop()
    stop()


def test_stop_takes_leave(bench: Callable[..., Bench]) -> None:
    """Stopping turns the carrier off, tells the reader, delivers `down` and ends the thread, also when unconnected."""
    on = bench()
    on.rounds(1)
    on.reader.stop()
    assert on.got.records[-1].state == "down"
    until(lambda: not (on.simulated.is_connected or on.simulated.is_transmitting), "the end of it")
    assert not on.reader._thread.is_alive()
    nowhere = Reader("127.0.0.1", 1, on.clock, put=on.got.put, power_dbm=27.0, transmit_allowed=True).start()
    nowhere.stop()


@pytest.mark.parametrize("named", [True, False], ids=["for its address", "for another name"])
def test_tls(bench: Callable[..., Bench], tmp_path: Path, *, named: bool) -> None:
    """A reader behind TLS is read like any other, also one whose own certificate names something else.

    A reader of another certificate is not spoken to.
    """
    options = ("-addext", "subjectAltName=IP:127.0.0.1") if named else ()
    key, certificate = certificate_of(tmp_path / "own", *options)
    if named:
        context = ssl.create_default_context(cafile=str(certificate))
    else:
        found = reader_tls(ReaderSettings(tls=True, ca_file=str(certificate)))
        assert found is not None
        context = found
    simulated = SimulatedReader(Room(), FastClock(20.0)).start()
    with behind_tls(simulated.port, key=key, signed=certificate) as port:
        on = bench(port=port, tls=context)
        on.rounds(2)
        on.reader.stop()
    simulated.stop()


def test_another_certificate_is_not_trusted(tmp_path: Path) -> None:
    """With `ca_file` only the reader's own certificate will do: somebody else's ends the connection before LLRP."""
    key, certificate = certificate_of(tmp_path / "other")
    _, own = certificate_of(tmp_path / "own")
    server = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    server.load_cert_chain(certificate, key)
    refused: list[ssl.SSLError] = []

    def script(raw: socket.socket) -> None:
        try:
            with server.wrap_socket(raw, server_side=True):
                pass
        except ssl.SSLError as error:
            refused.append(error)

    port, stop = _serve(script)
    context = reader_tls(ReaderSettings(tls=True, ca_file=str(own)))
    reader = Reader(
        "127.0.0.1", port, FastClock(20.0), put=print, power_dbm=27.0, transmit_allowed=True, tls=context
    ).start()
    until(lambda: len(refused) >= 2, "two refusals")
    reader.stop()
    stop()
    assert reader.connections == 0


def test_a_certificate_file_that_is_none_is_told(tmp_path: Path) -> None:
    """A missing or empty `ca_file` ends the start with what to do; without TLS, or without the key, nothing is read."""
    (tmp_path / "empty.pem").write_text("")
    for name in ("none.pem", "empty.pem"):
        with pytest.raises(ConfigError, match=r"\[reader\] ca_file .*give the reader's certificate as PEM"):
            reader_tls(ReaderSettings(tls=True, ca_file=str(tmp_path / name)))
    assert reader_tls(ReaderSettings()) is None
    plain = reader_tls(ReaderSettings(tls=True))
    assert plain is not None
    assert plain.check_hostname
