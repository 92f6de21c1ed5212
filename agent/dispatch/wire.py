"""What the dispatch side makes of a vehicle's payloads (formats.md section 8), more leniently than `agent.messages`.

A record that is nonsense must still be kept and acknowledged, or its vehicle would send it for ever; so here a batch is
read envelope by envelope, and only its frame can fail. Pure.
"""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from typing import Any

import msgspec

from agent.errors import MessageError
from agent.ledger import SeqRanges
from agent.messages import MAX_ACK_RANGES, MAX_PACKED_BYTES, MAX_RECORDS, MAX_UNPACKED_BYTES, Ack


class LogRecord(msgspec.Struct, frozen=True):
    """One record of a batch; `body` is whatever JSON stood there."""

    seq: int
    kind: str
    body: Any


class LogBatch(msgspec.Struct, frozen=True):
    """What one `log` message holds."""

    vehicle: str
    epoch: int
    records: tuple[LogRecord, ...]


class _Frame(msgspec.Struct, frozen=True):
    v: int
    vehicle: str
    epoch: int
    records: list[Any]


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
    try:
        frame = msgspec.json.decode(text, type=_Frame)
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        raise MessageError(f"a log message is a JSON object with v, vehicle, epoch, records ({error})") from error
    if frame.v != 1 or frame.vehicle != vehicle or not 1 <= frame.epoch < 2**31:
        raise MessageError(
            f"a log message of {vehicle} has v 1, its own vehicle and an epoch from 1"
            f" (got v {frame.v}, {frame.vehicle[:40]!r}, {frame.epoch})"
        )
    if not 1 <= len(frame.records) <= MAX_RECORDS:
        raise MessageError(f"a log message holds 1 to {MAX_RECORDS} records (got {len(frame.records)})")
    return LogBatch(vehicle, frame.epoch, tuple(_record(each) for each in frame.records))


def _record(each: object) -> LogRecord:
    envelope = each if isinstance(each, dict) else {}
    seq, kind = envelope.get("seq"), envelope.get("kind")
    if not isinstance(seq, int) or isinstance(seq, bool) or not 1 <= seq < 2**53:
        raise MessageError(f"every record has a seq from 1 (got {str(each)[:120]})")
    return LogRecord(seq, kind if isinstance(kind, str) else "", envelope.get("body"))


def acks_of(committed: Mapping[int, SeqRanges]) -> tuple[Ack, ...]:
    """What the `ack` payload says; ranges beyond the payload's bound wait until gaps before them are filled."""
    return tuple(Ack(epoch, have.up_to, have.also[:MAX_ACK_RANGES]) for epoch, have in sorted(committed.items()))


def parse_ranges(text: str | None) -> SeqRanges:
    """The cursor as it stands in its table."""
    return SeqRanges() if text is None else SeqRanges(msgspec.json.decode(text, type=tuple[tuple[int, int], ...]))
