"""LLRP frames to messages and back, and a stream that takes octets as they come.

    stream = LlrpStream()
    stream.receive(chunk)
    for message in stream.messages(): ...

A frame's header says how long it is, so a frame whose body is wrong costs that frame alone: it comes out as Malformed
and the next one is read. A header that no frame can have leaves nothing to find the next one by: LlrpError, and the
stream is over. Owns no socket; sends nothing.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator

from msgspec import Struct

from agent.errors import LlrpError
from agent.llrp.messages import MESSAGES, Message, ROAccessReport, UnknownMessage
from agent.llrp.octets import decode_fields, decode_unknown, encode_fields, encode_parameter, read_header
from agent.llrp.tagreport import decode_tags, encode_tags
from agent.llrp.wire import layout_of

HEADER = struct.Struct(">HII")
MAX_FRAME = 4 * 1024 * 1024  # a report of 100 tags is 5 KiB, the largest capabilities known to us are below 64 KiB
VERSIONS = (1, 2)
_VERSION_BITS = 0x7  # three of them stand above the type number, and above those three reserved ones


class Malformed(Struct, frozen=True):
    """A frame that could not be read; the stream went on behind it."""

    message_number: int
    message_id: int
    reason: str


def encode(message: Message) -> bytes:
    """A message as one frame. Raises LlrpError where a value does not fit into its field."""
    if isinstance(message, ROAccessReport):
        body = encode_tags(message.tag_report_data) + b"".join(encode_parameter(other) for other in message.others)
    elif isinstance(message, UnknownMessage):
        body = message.body
    else:
        body = encode_fields(layout_of(type(message)), message)
    number = message.message_number if isinstance(message, UnknownMessage) else message.number
    try:
        return HEADER.pack(message.version << 10 | number, HEADER.size + len(body), message.message_id) + body
    except struct.error as error:
        raise LlrpError(f"message {number}, id {message.message_id}: does not fit into a header ({error})") from None


def decode(frame: bytes) -> Message:
    """One whole frame as a message. Raises LlrpError saying what does not hold."""
    if len(frame) < HEADER.size:
        raise LlrpError(f"a frame of {len(frame)} octets is shorter than its header ({HEADER.size})")
    first, length, message_id = HEADER.unpack_from(frame)
    if length != len(frame):
        raise LlrpError(f"a frame that says it has {length} octets came with {len(frame)}")
    number, version = first & 0x3FF, first >> 10
    if version not in VERSIONS:
        raise LlrpError(f"message {number}: version {version} of the protocol is not spoken here, only 1 and 2")
    cls = MESSAGES.get(number)
    if cls is None:
        return UnknownMessage(number, frame[HEADER.size :], message_id=message_id, version=version)
    if cls is ROAccessReport:
        return _decode_report(frame, message_id, version)
    layout = layout_of(cls)
    return cls(*decode_fields(layout, frame, HEADER.size, length), message_id=message_id, version=version)


def _decode_report(frame: bytes, message_id: int, version: int) -> ROAccessReport:
    tags, at = decode_tags(frame, HEADER.size, len(frame), "ROAccessReport")
    others = []
    while at < len(frame):
        number, start, stop = read_header("ROAccessReport", frame, at, len(frame))
        others.append(decode_unknown(number, frame, start, stop))
        at = stop
    return ROAccessReport(tuple(tags), tuple(others), message_id=message_id, version=version)


class LlrpStream:
    """Octets in, messages out. `received` counts the frames, `malformed` those of them that could not be read."""

    def __init__(self, *, max_frame: int = MAX_FRAME) -> None:
        self.received = 0
        self.malformed = 0
        self._max_frame = max_frame
        self._buffer = bytearray()
        self._skip = 0
        self._broken: LlrpError | None = None

    @property
    def pending(self) -> int:
        """Octets of a frame that has not come whole; what an end of the stream would cut off."""
        return len(self._buffer) + self._skip

    def receive(self, chunk: bytes) -> None:
        """Take octets as the transport gave them, cut anywhere."""
        if self._skip:
            skipped = min(self._skip, len(chunk))
            self._skip -= skipped
            chunk = chunk[skipped:]
        self._buffer += chunk

    def messages(self) -> Iterator[Message | Malformed]:
        """What has come whole since the last call. Raises LlrpError, now and ever after, at an impossible header."""
        at = 0
        buffer = self._buffer
        try:
            while self._broken is None and len(buffer) - at >= HEADER.size:
                first, length, message_id = HEADER.unpack_from(buffer, at)
                number, version = first & 0x3FF, first >> 10
                if length < HEADER.size or not 0 < version <= _VERSION_BITS:
                    self._broken = LlrpError(
                        f"no frame can begin with {bytes(buffer[at : at + HEADER.size]).hex()} "
                        f"(version {version}, type {number}, length {length}); the stream is out of step"
                    )
                    break
                if length > self._max_frame:
                    there = min(length, len(buffer) - at)
                    self._skip = length - there
                    at += there
                    yield self._bad(number, message_id, f"{length} octets; at most {self._max_frame} are taken")
                    continue
                if len(buffer) - at < length:
                    break
                frame = bytes(buffer[at : at + length])
                at += length
                try:
                    message = decode(frame)
                except LlrpError as error:
                    yield self._bad(number, message_id, str(error))
                else:
                    self.received += 1
                    yield message
        finally:
            del buffer[:at]
        if self._broken is not None:
            raise self._broken

    def _bad(self, number: int, message_id: int, reason: str) -> Malformed:
        self.received += 1
        self.malformed += 1
        return Malformed(number, message_id, reason)
