"""Every frame that our client and our simulated reader send, as Wireshark's LLRP dissector reads it.

Wireshark wrote its dissector from the standard and knows nothing of this project. What it calls malformed or wrong is
an error here, but for the false alarms that are listed with their reason.
"""

from __future__ import annotations

import re
import shutil
import struct
import subprocess
import threading
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

from agent.llrp.codec import HEADER
from agent.llrp.rounds import MOVING, PARKED, ReadingPlan
from agent.reader import Reader
from agent.records import Inventory, PortInput, ReaderState
from agent.simreader import SimulatedReader
from tests.faults.scripted import frames_of, number_of
from tests.llrp.tcp import Collected, FastClock, Room, until

pytestmark = [
    pytest.mark.integration,
    pytest.mark.skipif(shutil.which("tshark") is None, reason="tshark is not installed"),
]

LLRP_PORT, CLIENT_PORT = 5084, 40_000
RAW_IP = 101  # pcap's link type for packets that begin with an IP header (tcpdump's list, LINKTYPE_RAW)
FALSE_ALARMS: dict[str, str] = {}
"""A pattern of what tshark says, and why it is wrong."""


def segment(payload: bytes, *, to_reader: bool, at: int) -> bytes:
    """One TCP segment in one IPv4 packet; `at` is how many octets went this way before."""
    ports = (CLIENT_PORT, LLRP_PORT) if to_reader else (LLRP_PORT, CLIENT_PORT)
    tcp = struct.pack(">HHIIBBHHH", *ports, (1000 + at) & 0xFFFF_FFFF, 1, 5 << 4, 0x18, 0xFFFF, 0, 0) + payload
    ends = (bytes((10, 0, 0, 1)), bytes((10, 0, 0, 2)))
    source, target = ends if to_reader else ends[::-1]
    head = struct.pack(">BBHHHBBH", 0x45, 0, 20 + len(tcp), 1, 0, 64, 6, 0) + source + target
    total = sum(struct.unpack(">10H", head))
    total = (total & 0xFFFF) + (total >> 16)
    return head[:10] + struct.pack(">H", ~((total & 0xFFFF) + (total >> 16)) & 0xFFFF) + head[12:] + tcp


def write_pcap(path: Path, frames: list[tuple[bool, bytes]]) -> None:
    """A capture with one packet for each frame; True: it went to the reader."""
    sent = {True: 0, False: 0}
    with path.open("wb") as out:
        out.write(struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 1 << 18, RAW_IP))
        for number, (to_reader, frame) in enumerate(frames):
            packet = segment(frame, to_reader=to_reader, at=sent[to_reader])
            sent[to_reader] += len(frame)
            out.write(struct.pack("<IIII", 1_772_611_200, number, len(packet), len(packet)) + packet)


def dissected(path: Path) -> list[tuple[int, int, str]]:
    """What tshark makes of each packet: (its number, LLRP message type, what it complains of)."""
    fields = ["frame.number", "llrp.type", "_ws.malformed", "_ws.expert.message"]
    command = ["tshark", "-n", "-r", str(path), "-Y", "llrp", "-T", "fields", "-E", "separator=|"]
    for name in fields:
        command += ["-e", name]
    done = subprocess.run(command, capture_output=True, text=True, check=True, timeout=60)
    rows = []
    for line in done.stdout.splitlines():
        number, kind, *complaints = line.split("|")
        rows.append((int(number), int(kind, 0), "; ".join(filter(None, complaints))))
    return rows


def complaints_of(rows: list[tuple[int, int, str]]) -> list[str]:
    """What is wrong and no false alarm."""
    return [
        f"packet {number}, message type {kind}: {said}"
        for number, kind, said in rows
        if said and not any(re.search(pattern, said) for pattern in FALSE_ALARMS)
    ]


class Recorder(SimulatedReader):
    """A simulated reader that keeps every frame of both sides, in order."""

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self.frames: list[tuple[bool, bytes]] = []
        self._half = b""
        device = self._device
        receive, take = device.receive, device.take

        def heard(chunk: bytes, now: float) -> None:
            whole = self._half + chunk
            at = 0
            while len(whole) - at >= HEADER.size:
                _, length, _ = HEADER.unpack_from(whole, at)
                if len(whole) - at < length:
                    break
                self.frames.append((True, whole[at : at + length]))
                at += length
            self._half = whole[at:]
            receive(chunk, now)

        def said() -> bytes:
            data = take()
            self.frames += [(False, frame) for frame in frames_of(data)]
            return data

        device.receive, device.take = heard, said  # type: ignore[method-assign]


@pytest.fixture(scope="module")
def recorded() -> Iterator[list[tuple[bool, bytes]]]:
    """The frames of a whole life: set-up, rounds, another plan, a pause in mid-round, inputs, an antenna, leave."""
    clock, got = FastClock(20.0), Collected()
    with ExitStack() as stack:
        reader = Recorder(Room(), clock).start()
        stack.callback(reader.stop)
        client = Reader("127.0.0.1", reader.port, clock, put=got.put, power_dbm=27.0, transmit_allowed=True).start()
        ended = threading.Event()
        stack.callback(lambda: ended.is_set() or client.stop())
        client.set_plan(PARKED)
        got.wait(lambda: len(got.of(Inventory)) >= 2, "two rounds")
        reader.set_input(1, on=True)
        got.wait(lambda: got.of(PortInput, port=1, on=True), "the input")
        reader.set_antenna(2, connected=False)
        got.wait(lambda: got.of(ReaderState, state="antenna_lost"), "the antenna")
        client.set_plan(ReadingPlan(round_s=1.0))
        got.wait(lambda: got.of(Inventory, seconds=1.0), "a shorter round")
        until(lambda: reader.is_transmitting, "a round under way")
        client.pause()
        until(lambda: not reader.is_transmitting, "silence")
        client.set_plan(MOVING)
        client.resume()
        until(lambda: any(number_of(frame) == 72 for _, frame in reader.frames), "a keepalive's answer")
        client.stop()
        ended.set()
        yield reader.frames


def test_every_frame_is_read_without_a_complaint(recorded: list[tuple[bool, bytes]], tmp_path: Path) -> None:
    """There is one LLRP message of the right type in every packet for tshark, none malformed, from either side."""
    write_pcap(tmp_path / "session.pcap", recorded)
    rows = dissected(tmp_path / "session.pcap")
    assert [kind for _, kind, _ in rows] == [number_of(frame) for _, frame in recorded]
    assert complaints_of(rows) == []


def test_every_message_that_the_client_can_send_is_among_them(recorded: list[tuple[bool, bytes]]) -> None:
    """The recorded session has each request that a client of ours makes (LLRP 1.0.1, type numbers).

    GET_READER_CAPABILITIES, DELETE_ROSPEC, SET_READER_CONFIG, ADD, ENABLE, GET_READER_CONFIG, START, STOP_ROSPEC,
    ENABLE_EVENTS_AND_REPORTS where the reader holds reports, KEEPALIVE_ACK, CLOSE_CONNECTION.
    """
    sent = {number_of(frame) for to_reader, frame in recorded if to_reader}
    assert sent >= {1, 2, 3, 14, 20, 21, 22, 23, 24, 64, 72}


def test_a_broken_frame_is_complained_of(recorded: list[tuple[bool, bytes]], tmp_path: Path) -> None:
    """A ROSpec whose inner length is too large by four is called malformed: the check can fail."""
    frame = next(frame for to_reader, frame in recorded if to_reader and number_of(frame) == 20)
    at = HEADER.size + 2
    (length,) = struct.unpack_from(">H", frame, at)
    wrong = frame[:at] + struct.pack(">H", length + 4) + frame[at + 2 :]
    write_pcap(tmp_path / "broken.pcap", [(True, wrong)])
    assert complaints_of(dissected(tmp_path / "broken.pcap"))
