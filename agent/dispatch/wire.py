"""What the dispatch side makes of a vehicle's payloads (formats.md section 8), more leniently than `agent.messages`.

A record that is nonsense must still be kept and acknowledged, or its vehicle would send it for ever; so here a batch is
read envelope by envelope, and only its frame can fail. Pure.
"""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from typing import Annotated, Any

import msgspec

from agent.errors import MessageError
from agent.ledger import SeqRanges
from agent.messages import MAX_ACK_RANGES, MAX_PACKED_BYTES, MAX_RECORDS, MAX_UNPACKED_BYTES, Ack


class LogRecord(msgspec.Struct, frozen=True):
    """One record of a batch; `body` is whatever JSON stood there, `text` the same as it was written."""

    seq: int
    kind: str
    body: Any
    text: str | None = None

    @property
    def document(self) -> str:
        """The body's JSON, as received where it was received."""
        return msgspec.json.encode(self.body).decode() if self.text is None else self.text


class LogBatch(msgspec.Struct, frozen=True):
    """What one `log` message holds."""

    vehicle: str
    epoch: int
    records: tuple[LogRecord, ...]


class _Frame(msgspec.Struct, frozen=True):
    v: int
    vehicle: str
    epoch: int
    records: list[msgspec.Raw]


class _Envelope(msgspec.Struct, frozen=True):
    seq: Annotated[int, msgspec.Meta(ge=1, le=2**53)]
    kind: Any = None
    body: msgspec.Raw = msgspec.Raw(b"null")


def decode_batch(payload: bytes, *, vehicle: str) -> LogBatch:
    """A `log` payload as records; raises MessageError where the frame is broken, so that no seq can be told."""
    if len(payload) > MAX_PACKED_BYTES:
        raise MessageError(f"a log message packs into {MAX_PACKED_BYTES} bytes (got {len(payload)})")
    unpack = zlib.decompressobj()
    try:
        text = unpack.decompress(payload, MAX_UNPACKED_BYTES)
    except zlib.error as error:
        raise MessageError(f"a log message is RFC 1950 zlib ({error})") from error
    if unpack.unconsumed_tail:
        raise MessageError(f"a log message unpacks into {MAX_UNPACKED_BYTES} bytes at most")
    if not unpack.eof:
        raise MessageError("a log message is a whole zlib stream (got one that is cut off)")
    try:
        frame = msgspec.json.decode(text, type=_Frame)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise MessageError(f"a log message is a JSON object with v, vehicle, epoch, records ({error})") from error
    if frame.v != 1 or frame.vehicle != vehicle or not 1 <= frame.epoch < 2**31:
        raise MessageError(
            f"a log message of {vehicle} has v 1, its own vehicle and an epoch from 1"
            f" (got v {frame.v}, {frame.vehicle[:40]!r}, {frame.epoch})"
        )
    if not 1 <= len(frame.records) <= MAX_RECORDS:
        raise MessageError(f"a log message holds 1 to {MAX_RECORDS} records (got {len(frame.records)})")
    return LogBatch(vehicle, frame.epoch, tuple(_record(each) for each in frame.records))


def _record(raw: msgspec.Raw) -> LogRecord:
    try:
        envelope = msgspec.json.decode(raw, type=_Envelope)
        text = bytes(envelope.body).decode()
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise MessageError(f"every record has a seq from 1 ({error})") from error
    try:
        body = msgspec.json.decode(text)
    except (msgspec.DecodeError, RecursionError):
        body = None  # kept as written, and never used
    return LogRecord(envelope.seq, envelope.kind if isinstance(envelope.kind, str) else "", body, text)


def acks_of(committed: Mapping[int, SeqRanges]) -> tuple[Ack, ...]:
    """What the `ack` payload says; ranges beyond the payload's bound wait until gaps before them are filled."""
    return tuple(Ack(epoch, have.up_to, have.also[:MAX_ACK_RANGES]) for epoch, have in sorted(committed.items()))


def parse_ranges(text: str | None) -> SeqRanges:
    """The cursor as it stands in its table."""
    return SeqRanges() if text is None else SeqRanges(msgspec.json.decode(text, type=tuple[tuple[int, int], ...]))
