"""A simulated reader and a simulated gpsd that fail on command, as real ones do. Both speak over real TCP.

They fail in their own threads, between what they have to say and the socket, so that no hop of ours stands between.
Every switch may be thrown from any thread while an agent is connected.
"""

from __future__ import annotations

import json
import socket
import struct
import threading
from collections.abc import Callable
from contextlib import suppress
from typing import Any

import msgspec

from agent.errors import LlrpError
from agent.llrp import messages as m
from agent.llrp.codec import HEADER, MAX_FRAME, Malformed, decode, encode
from agent.llrp.simulated.device import Device
from agent.llrp.simulated.specs import Refusal
from agent.llrp.tables import StatusCode
from agent.llrp.told import LLRPStatus
from agent.llrp.wire import Custom
from agent.simgpsd import DEVICE, SimGpsd
from agent.simreader import SimulatedReader

REPORT = m.ROAccessReport.number
VENDOR = 952  # nobody's: IANA's private enterprise number of this value is not ours, and nothing depends on it
_RESET = struct.pack("ii", 1, 0)
ANSWERABLE = {
    m.StartROSpecResponse.number: m.StartROSpecResponse,
    m.AddROSpecResponse.number: m.AddROSpecResponse,
    m.EnableROSpecResponse.number: m.EnableROSpecResponse,
    m.SetReaderConfigResponse.number: m.SetReaderConfigResponse,
}


def frames_of(data: bytes) -> list[bytes]:
    """Whole frames, one by one."""
    frames, at = [], 0
    while at < len(data):
        (length,) = struct.unpack_from(">I", data, at + 2)
        frames.append(data[at : at + length])
        at += length
    return frames


def number_of(frame: bytes) -> int:
    """A frame's message type."""
    return HEADER.unpack_from(frame)[0] & 0x3FF


def tags_in(frame: bytes) -> int:
    """How many tag reports a frame holds; none where it cannot be read."""
    if number_of(frame) != REPORT:
        return 0
    try:
        message = decode(frame)
    except LlrpError:
        return 0
    assert isinstance(message, m.ROAccessReport)
    return len(message.tag_report_data)


class ScriptedReader(SimulatedReader):
    """A simulated reader whose voice can be taken away, spoilt or doubled. `tags_sent` counts what left it whole."""

    def __init__(self, *args: Any, **options: Any) -> None:
        self.mute = False
        """Nothing that it says goes out; it still hears (a peer that hangs)."""
        self.deaf = False
        """Nothing that is said to it comes in; with `mute`, a connection that is open at one end only."""
        self.tags_sent = 0
        self.injected = 0
        """How often something was said that it would not have said, or its clock set."""
        self.keep_reports = False
        """Reports are put aside; see `old`."""
        self.old: list[bytes] = []
        self.greeted: set[int] = set()
        """The versions of the protocol that it greeted in."""
        self.heard_in = 0
        """The version that it was spoken to in last."""
        self._refused: dict[type[m.Message], tuple[type[m.Response], Callable[..., m.Response | None]]] = {}
        self._unheard_of: set[type[m.Message]] = set()
        self._next: list[Callable[[list[bytes]], list[bytes]]] = []
        self._is_cut_after_flush = False
        super().__init__(*args, **options)
        hear = self._device._hear

        def noted(message: m.Message | Malformed, now: float) -> None:
            if isinstance(message, m.Message):
                self.heard_in = message.version
            hear(message, now)

        self._device._hear = noted  # type: ignore[method-assign]

    # --- switches ---

    def cut(self) -> None:
        """Reset the connection, as a cable that is chafed through and touches again."""
        with self._lock:
            self._drop_client(abruptly=True)

    def insert(self, data: bytes, *, then_cut: bool = False) -> None:
        """Say these octets now, between two frames; `then_cut` ends the connection behind them."""
        with self._lock:
            if self._client is not None:
                self.injected += 1
                self._unsent += data
                self._is_cut_after_flush = then_cut
                self._flush()
        self._nudge()

    def change_next(self, change: Callable[[list[bytes]], list[bytes] | None]) -> None:
        """Give the next frames that leave it another form, until `change` returns other than None."""

        def once(frames: list[bytes]) -> list[bytes]:
            changed = change(frames)
            if changed is None:
                return frames
            self._next.remove(once)
            self.injected += 1
            return changed

        with self._lock:
            self._next.append(once)

    def refuse(self, request: type[m.Message], answer: type[m.Response] | None, *, on: bool) -> None:
        """Refuse every such request with this answer, or, for None, as one that it has never heard of."""
        with self._lock:
            answers = dict(Device._ANSWERS)
            self._refused.pop(request, None)
            self._unheard_of.discard(request)
            if on and answer is None:
                self._unheard_of.add(request)
            elif on and answer is not None:
                self._refused[request] = (answer, _refuse)
            answers |= self._refused
            for one in self._unheard_of:
                del answers[one]
            self._device._ANSWERS = answers  # type: ignore[misc] # of this one device
            self.injected += on

    def offer(self, version: int) -> None:
        """Another firmware: the newest version of the protocol that it speaks, from the next connection on."""
        with self._lock:
            self._device.newest_version = version
            self.injected += 1
            self._drop_client(abruptly=True)

    def set_epoch(self, epoch_s: float) -> None:
        """Its own clock jumps."""
        with self._lock:
            self._device._epoch_s = epoch_s
            self.injected += 1

    # --- between the device and the socket ---

    def _flush(self) -> None:
        if self._client is not None:
            data = self._device.take()
            if data:
                frames = frames_of(data)
                for change in tuple(self._next):
                    frames = change(frames)
                if self.keep_reports:
                    self.old += [frame for frame in frames if number_of(frame) == REPORT]
                    frames = [frame for frame in frames if number_of(frame) != REPORT]
                if not self.mute:
                    self._note_versions(frames)
                    self.tags_sent += sum(map(tags_in, frames))
                    self._unsent += b"".join(frames)
        super()._flush()
        if self._is_cut_after_flush and not self._unsent:
            self._is_cut_after_flush = False
            self._drop_client()

    def _note_versions(self, frames: list[bytes]) -> None:
        for frame in frames:
            version = HEADER.unpack_from(frame)[0] >> 10 & 7
            if number_of(frame) == m.ReaderEventNotification.number:
                message = decode(frame)
                assert isinstance(message, m.ReaderEventNotification)
                if message.reader_event_notification_data.connection_attempt_event is not None:
                    self.greeted.add(version)

    def _read(self, now: float) -> None:
        if not self.deaf:
            super()._read(now)
            return
        client = self._client
        if client is None:
            return
        try:
            gone = not client.recv(65536)
        except BlockingIOError:
            return
        except OSError:
            gone = True
        if gone:
            self._drop_client()


def _refuse(*_: object) -> m.Response:
    raise Refusal(LLRPStatus(StatusCode.M_FieldError, "not today"))


def refused(frames: list[bytes]) -> list[bytes] | None:
    """The next answer that can be refused is."""
    for at, frame in enumerate(frames):
        answer = ANSWERABLE.get(number_of(frame))
        if answer is not None:
            (message_id,) = struct.unpack_from(">I", frame, 6)
            status = LLRPStatus(StatusCode.M_FieldError, "not today")
            return [*frames[:at], encode(answer(status, message_id=message_id)), *frames[at + 1 :]]
    return None


def doubled(frames: list[bytes]) -> list[bytes] | None:
    """The next report comes twice."""
    for at, frame in enumerate(frames):
        if tags_in(frame):
            return [*frames[: at + 1], frame, *frames[at + 1 :]]
    return None


def cut_short(frames: list[bytes]) -> list[bytes] | None:
    """The next report ends in the middle of a tag, and its header says so: a frame in step that cannot be read."""
    for at, frame in enumerate(frames):
        if tags_in(frame):
            body = frame[HEADER.size : -5]
            first, _, message_id = HEADER.unpack_from(frame)
            bad = HEADER.pack(first, HEADER.size + len(body), message_id) + body
            return [*frames[:at], bad, *frames[at + 1 :]]
    return None


def with_vendor_words(frames: list[bytes]) -> list[bytes] | None:
    """The next report carries a vendor's own parameters, beside its tags and inside each of them."""
    own = Custom(VENDOR, 7, b"\x00\x01vendor")
    for at, frame in enumerate(frames):
        if tags_in(frame):
            message = decode(frame)
            assert isinstance(message, m.ROAccessReport)
            tags = tuple(msgspec.structs.replace(tag, others=(own,)) for tag in message.tag_report_data)
            more = msgspec.structs.replace(message, tag_report_data=tags, others=(own,))
            return [*frames[:at], encode(more), *frames[at + 1 :]]
    return None


OVERSIZED = HEADER.pack(1 << 10 | REPORT, MAX_FRAME + 1000, 77) + bytes(MAX_FRAME + 990)
UNKNOWN_MESSAGE = HEADER.pack(1 << 10 | 900, HEADER.size + 6, 78) + b"future"
VENDOR_MESSAGE = encode(m.CustomMessage(VENDOR, 3, b"\xff" * 20, message_id=79))
GARBAGE = bytes.fromhex("00ff00ff00ff00ff00ff00ff")


class Held:
    """Frames that were put aside, in the hands of a fault."""

    def __init__(self) -> None:
        self.frames: list[bytes] = []

    def leave(self) -> None:
        """The day is over; they are never told."""


class Squatter:
    """Another client that holds the reader's only place; the agent is told that a connection exists already."""

    def __init__(self, reader: ScriptedReader) -> None:
        reader.cut()
        self._connection = socket.create_connection(("127.0.0.1", reader.port), timeout=5.0)

    def leave(self) -> None:
        """Go away without a word."""
        with suppress(OSError):
            self._connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _RESET)
        self._connection.close()


class ScriptedGpsd:
    """A simulated gpsd that can be killed, silenced, and made to lie. `spoil` changes what is said of a second."""

    def __init__(self, make_clock: Callable[[], Any], fix_at: Callable[[float], dict[str, Any]]) -> None:
        self._make_clock, self._fix_at = make_clock, fix_at
        self.clock = make_clock()
        self.spoil: Callable[[dict[str, Any], float], dict[str, Any] | None] | None = None
        self.waited_in_vain = 0
        self._lock = threading.Lock()
        self._server: _NanGpsd | None = _NanGpsd(self.clock, fix_at=self._say).start()
        self.port = self._server.port

    def _say(self, t_s: float) -> dict[str, Any] | None:
        spoil = self.spoil
        said = {**self._fix_at(t_s), "device": DEVICE}
        return said if spoil is None else spoil(said, t_s)

    def kill(self) -> None:
        """The process dies: every connection ends, nobody listens."""
        with self._lock:
            if self._server is not None:
                self._server.stop()
                self._server = None
                self.clock.close()  # the day waits no longer for a process that is gone

    def restart(self) -> None:
        """It is there again, at the same port."""
        with self._lock:
            if self._server is None:
                self.clock = self._make_clock()
                self._server = _NanGpsd(self.clock, fix_at=self._say, port=self.port).start()

    def stop(self) -> None:
        """End it."""
        self.kill()

    def hang(self, *, on: bool) -> None:
        """Stopped as by SIGSTOP: connections stay, new ones are taken by the system, nothing is said."""
        with self._lock:
            if self._server is not None:
                self._server.hang(on=on)


class _NanGpsd(SimGpsd):
    """Writes NaN as some versions do, which JSON does not have; may hang: it greets, answers and tells nothing then."""

    def __init__(self, *args: Any, **options: Any) -> None:
        self._goes = threading.Event()
        self._goes.set()
        super().__init__(*args, **options)

    def start(self) -> _NanGpsd:
        super().start()
        return self

    def stop(self) -> None:
        """As any, also while it hangs."""
        self._goes.set()
        super().stop()

    def hang(self, *, on: bool) -> None:
        """Stand still, or go on with what has come meanwhile."""
        if on:
            self._goes.clear()
        else:
            self._goes.set()

    def _serve(self, client: Any) -> None:
        self._goes.wait()
        super()._serve(client)

    def _answer(self, client: Any, line: str) -> None:
        self._goes.wait()
        super()._answer(client, line)

    def send(self, tpv: dict[str, Any]) -> None:
        if not self._goes.is_set():
            return
        data = json.dumps({"class": "TPV", "device": DEVICE, **tpv}).encode() + b"\r\n"
        with self._lock:
            watching = [client for client in self._clients if client.is_watching]
        for client in watching:
            client.send_bytes(data)
