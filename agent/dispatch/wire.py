"""What the dispatch side makes of a vehicle's payloads (formats.md section 8), more leniently than `agent.messages`.

A record that is nonsense must still be kept and acknowledged, or its vehicle would send it for ever; so here a batch is
read envelope by envelope, and only its frame can fail. A record whose seq cannot be told is set apart, and the others
go on without it. Pure.
"""

from __future__ import annotations

import re
import zlib
from collections.abc import Mapping
from functools import lru_cache
from typing import Annotated, Any

import msgspec

from agent.chain import parse_key
from agent.errors import MessageError
from agent.ledger import SeqRanges
from agent.messages import MAX_ACK_RANGES, MAX_PACKED_BYTES, MAX_RECORDS, MAX_UNPACKED_BYTES, Ack

_DIGEST = re.compile(r"sha-256:[0-9a-f]{64}")
_SIGNATURE = re.compile(r"[A-Za-z0-9+/=]{1,128}")


class LogRecord(msgspec.Struct, frozen=True, gc=False):
    """One record of a batch; `text` is its body as it was written, `body` the same as a value, where that was read.

    `raw` are its octets where no text of a database can hold them; `text` then only shows them. `prev` and `sig` are
    its seal, None where it has none or not of the form it must have. `withheld` says why the body is not kept, only
    what it is the digest of: the record has its place in the chain all the same.
    """

    seq: int
    kind: str
    body: Any = msgspec.UNSET
    text: str | None = None
    prev: str | None = None
    sig: str | None = None
    raw: bytes | None = None
    withheld: str | None = None

    @property
    def value(self) -> Any:  # noqa: ANN401 - whatever JSON stood there
        """The body as a value, read anew at each call; None where it is no JSON."""
        if self.body is not msgspec.UNSET:
            return self.body
        try:
            return _VALUES.decode(self.text or "")
        except (msgspec.DecodeError, RecursionError):
            return None  # kept as written, and never used

    @property
    def document(self) -> str:
        """The body's JSON, as received where it was received."""
        return msgspec.json.encode(self.body).decode() if self.text is None else self.text

    @property
    def octets(self) -> bytes:
        """The body as it was written."""
        return self.document.encode() if self.raw is None else self.raw


class LogBatch(msgspec.Struct, frozen=True):
    """What one `log` message holds; `broken` are the records that have no seq, each with the reason."""

    vehicle: str
    epoch: int
    records: tuple[LogRecord, ...]
    key: str | None = None
    broken: tuple[tuple[bytes, str], ...] = ()


class _Frame(msgspec.Struct, frozen=True):
    v: int
    vehicle: str
    epoch: int
    records: list[msgspec.Raw]
    key: Any = None


class _Envelope(msgspec.Struct, frozen=True, gc=False):
    seq: Annotated[int, msgspec.Meta(ge=1, le=2**53)]
    kind: Any = None
    body: msgspec.Raw = msgspec.Raw(b"null")
    prev: Any = None
    sig: Any = None


class _WholeFrame(msgspec.Struct, frozen=True):
    """The same, read through in one go."""

    v: int
    vehicle: str
    epoch: int
    records: list[_Envelope]
    key: Any = None


_FRAMES = msgspec.json.Decoder(_Frame)
_WHOLE_FRAMES = msgspec.json.Decoder(_WholeFrame)
_ENVELOPES = msgspec.json.Decoder(_Envelope)
_VALUES = msgspec.json.Decoder()


def decode_batch(payload: bytes, *, vehicle: str) -> LogBatch:
    """A `log` payload as records; raises MessageError where the frame is broken, or no record has a seq."""
    try:
        frame = _frame(_unpacked(payload))
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise MessageError(f"a log message is a JSON object with v, vehicle, epoch, records ({error})") from error
    if frame.v != 1 or frame.vehicle != vehicle or not 1 <= frame.epoch < 2**31:
        raise MessageError(
            f"a log message of {vehicle} has v 1, its own vehicle and an epoch from 1"
            f" (got v {frame.v}, {frame.vehicle[:40]!r}, {frame.epoch})"
        )
    if not 1 <= len(frame.records) <= MAX_RECORDS:
        raise MessageError(f"a log message holds 1 to {MAX_RECORDS} records (got {len(frame.records)})")
    records: list[LogRecord] = []
    broken: list[tuple[bytes, str]] = []
    for each in frame.records:
        if isinstance(each, _Envelope):
            records.append(_record(each))
            continue
        try:
            records.append(_record(_ENVELOPES.decode(each)))
        except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
            broken.append((bytes(each), f"every record has a seq from 1 ({error})"))
    if not records:
        raise MessageError(broken[0][1])
    return LogBatch(vehicle, frame.epoch, tuple(records), _key(frame.key), tuple(broken))


def _unpacked(payload: bytes) -> bytes:
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
    return text


def _frame(text: bytes) -> _Frame | _WholeFrame:
    try:
        return _WHOLE_FRAMES.decode(text)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        return _FRAMES.decode(text)  # whatever is wrong with a record


def _record(envelope: _Envelope) -> LogRecord:
    octets, kept = bytes(envelope.body), None
    body: Any = msgspec.UNSET
    try:
        text = octets.decode()
    except UnicodeDecodeError:
        text, body, kept = octets.decode(errors="backslashreplace"), None, octets
    return LogRecord(
        envelope.seq,
        envelope.kind.replace("\0", "") if isinstance(envelope.kind, str) else "",
        body,
        text,
        _shaped(envelope.prev, _DIGEST, empty=True),
        _shaped(envelope.sig, _SIGNATURE),
        kept,
    )


def _shaped(value: object, shape: re.Pattern[str], *, empty: bool = False) -> str | None:
    if isinstance(value, str) and ((empty and not value) or shape.fullmatch(value)):
        return value
    return None


@lru_cache(maxsize=1024)
def _is_key(text: str) -> bool:
    try:
        parse_key(text)
    except ValueError:
        return False
    return True


def _key(value: object) -> str | None:
    return value if isinstance(value, str) and len(value) < 100 and _is_key(value) else None  # noqa: PLR2004 - 52 it is


def acks_of(committed: Mapping[int, SeqRanges], heads: Mapping[int, tuple[int, str | None]]) -> tuple[Ack, ...]:
    """What the `ack` payload says; ranges beyond the payload's bound wait until gaps before them are filled.

    By epoch, `heads` says up to where what is committed is one chain, and the digest of the record there. What lies
    beyond is committed too, but told beside it: so a vehicle whose own chain left this one can see where.
    """
    told = []
    for epoch, have in sorted(committed.items()):
        seq, digest = heads.get(epoch, (have.up_to, None))
        also = have.also if seq >= have.up_to else ((seq + 1, have.up_to), *have.also)
        told.append(Ack(epoch, min(seq, have.up_to), also[:MAX_ACK_RANGES], digest))
    return tuple(told)


def parse_ranges(text: str | None) -> SeqRanges:
    """The cursor as it stands in its table."""
    return SeqRanges() if text is None else SeqRanges(_RANGES.decode(text))


_RANGES = msgspec.json.Decoder(tuple[tuple[int, int], ...])
