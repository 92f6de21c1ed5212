"""What travels over MQTT: topics, log batches, acks and downlinks, both ways, with their bounds; floor 1.

Formats.md section 8 in code. The retained bodies for the board (status, aboard, position) stand in `agent.bodies`.
Everything that arrives is checked here once and travels on typed; whatever is malformed, too large or a decompression
bomb is a MessageError.
"""

from __future__ import annotations

import re
import zlib
from collections.abc import Sequence
from typing import Annotated, Any, Literal, TypeVar, get_args

import msgspec
from msgspec import Meta, Raw, Struct, ValidationError

from agent.canonical import digest_of
from agent.errors import MessageError

UpLeaf = Literal["status", "aboard", "log", "position"]
DownLeaf = Literal["ack", "sites", "register", "plan", "settings"]
Leaf = UpLeaf | DownLeaf
Kind = Literal["event", "manifest", "notice"]

DOWN_LEAVES: tuple[DownLeaf, ...] = get_args(DownLeaf)
HELD_LEAVES: tuple[DownLeaf, ...] = ("sites", "register", "plan", "settings")
_LEAVES: frozenset[str] = frozenset(get_args(UpLeaf) + get_args(DownLeaf))

MAX_RECORDS = 50
MAX_PACKED_BYTES = 256 * 1024
MAX_UNPACKED_BYTES = 4 * 1024 * 1024
MAX_DOWNLINK_BYTES = 8 * 1024 * 1024
MAX_ACK_RANGES = 10_000
Mark = Annotated[str, Meta(max_length=200)]  # a digest, a signature or a key, as `agent.chain` writes them
_ROOM_FOR_THE_FRAME = 512  # what stands around the records of a batch: version, vehicle, epoch, key
_ROOM_FOR_A_RECORD = 128  # what stands around a body: seq, kind, the names of these and of prev and sig

_VEHICLE = re.compile(r"[a-z0-9-]{1,40}")
T = TypeVar("T")
Count = Annotated[int, Meta(ge=1, le=2**53)]
Digest = Annotated[str, Meta(pattern="^sha-256:[0-9a-f]{64}$")]


class LogRecord(Struct, frozen=True, omit_defaults=True):
    """One record of a log batch; `body` is its JSON document, still as bytes: see `body_of`.

    `prev` and `sig` are its place in the vehicle's chain (`agent.chain`); None from a vehicle that does not sign.
    """

    seq: Count
    kind: Kind
    body: Raw
    prev: Mark | None = None
    sig: Mark | None = None


class LogBatch(Struct, frozen=True):
    """Up to 50 records of one vehicle and epoch, and the key that signed them."""

    v: Literal[1]
    vehicle: Annotated[str, Meta(pattern="^[a-z0-9-]{1,40}$")]
    epoch: Count
    records: Annotated[tuple[LogRecord, ...], Meta(min_length=1, max_length=MAX_RECORDS)]
    key: Mark | None = None


class Ack(Struct, frozen=True):
    """All of an epoch up to `seq` and the ranges in `also`, both ends included, are committed at the dispatch side.

    `hash` is the digest of the record at `seq` as the dispatch side holds it; None where it does not know.
    """

    epoch: Count
    seq: Annotated[int, Meta(ge=0, le=2**53)]
    also: Annotated[tuple[tuple[Count, Count], ...], Meta(max_length=MAX_ACK_RANGES)] = ()
    hash: Digest | None = None

    def covers(self, seq: int) -> bool:
        """Whether the record `seq` of this epoch is committed."""
        return seq <= self.seq or any(first <= seq <= last for first, last in self.also)

    @property
    def highest(self) -> int:
        """The highest seq that is said to be committed; 0 for none."""
        return max(self.seq, max((last for _, last in self.also), default=0))


class _Acks(Struct, frozen=True):
    acks: Annotated[tuple[Ack, ...], Meta(max_length=1000)]


class Downlink(Struct, frozen=True):
    """Sites, register, plan or settings as the dispatch side put them in force; `digest` has been checked.

    `content` is any JSON value: for `sites` a FeatureCollection or an object of file name to FeatureCollection, for
    `register` and `plan` the CSV as text.
    """

    leaf: DownLeaf
    version: int
    digest: str
    content: Any


class _Down(Struct, frozen=True):
    version: Count
    digest: Annotated[str, Meta(pattern="^sha-256:[0-9a-f]{64}$")]
    content: Any


class OutboxRow(Struct, frozen=True):
    """One record that no ack has covered yet, as the vehicle's store keeps it; `body` is its JSON document.

    `prev` and `sig` as in `LogRecord`.
    """

    seq: int
    kind: Kind
    body: bytes
    prev: str | None = None
    sig: str | None = None


class _Version(Struct, frozen=True):
    version: Count


_VERSION_DECODER = msgspec.json.Decoder(_Version)
_LOG_DECODER = msgspec.json.Decoder(LogBatch)
_ACK_DECODER = msgspec.json.Decoder(_Acks)
_DOWN_DECODER = msgspec.json.Decoder(_Down)


def topic(vehicle: str, leaf: Leaf) -> str:
    """The topic of one leaf of one vehicle; raises ValueError for an id or a leaf that no topic can have."""
    if not _VEHICLE.fullmatch(vehicle) or leaf not in _LEAVES:
        raise ValueError(f"no topic for vehicle {vehicle!r} and leaf {leaf!r}")
    return f"roadtally/1/{vehicle}/{leaf}"


def parse_topic(text: str) -> tuple[str, Leaf]:
    """The vehicle and the leaf; raises MessageError for any other topic."""
    parts = text.split("/")
    if len(parts) != 4 or parts[:2] != ["roadtally", "1"] or not _VEHICLE.fullmatch(parts[2]):  # noqa: PLR2004 - root, version, vehicle, leaf
        raise MessageError(f"topic {text!r} is none of roadtally/1/VEHICLE/LEAF")
    for leaf in get_args(UpLeaf) + get_args(DownLeaf):
        if parts[3] == leaf:
            return parts[2], leaf
    raise MessageError(f"topic {text!r} ends in no known leaf ({', '.join(sorted(_LEAVES))})")


def body_of(record: LogRecord) -> dict[str, Any]:
    """The JSON document of a record; raises MessageError where it is no object."""
    return _decoded(msgspec.json.Decoder(dict[str, Any]), bytes(record.body), what=f"the body of record {record.seq}")


def encode_log(*, vehicle: str, epoch: int, records: Sequence[OutboxRow], key: str | None = None) -> bytes:
    """A log batch of all of `records`; raises MessageError where they do not fit (see `pack_log`)."""
    payload, taken = pack_log(vehicle=vehicle, epoch=epoch, rows=records, key=key)
    if taken != len(records):
        raise MessageError(f"{len(records)} records do not fit one batch; {taken} of them do")
    return payload


def pack_log(*, vehicle: str, epoch: int, rows: Sequence[OutboxRow], key: str | None = None) -> tuple[bytes, int]:
    """A log batch of the first of `rows`, and how many of them it holds: as many as the bounds allow.

    `key` is the public key that signed them, None where they are not signed. Raises MessageError where there is none,
    or where the first alone is too large to be sent at all.
    """
    if not rows:
        raise MessageError("a log batch needs a record")
    taken, unpacked_bytes = 0, _ROOM_FOR_THE_FRAME
    for row in rows[:MAX_RECORDS]:
        unpacked_bytes += len(row.body) + len(row.prev or "") + len(row.sig or "") + _ROOM_FOR_A_RECORD
        if unpacked_bytes > MAX_UNPACKED_BYTES:
            break
        taken += 1
    while taken:
        batch = {
            "v": 1,
            "vehicle": vehicle,
            "epoch": epoch,
            "records": [LogRecord(row.seq, row.kind, Raw(row.body), row.prev, row.sig) for row in rows[:taken]],
            **({} if key is None else {"key": key}),
        }
        packed = zlib.compress(msgspec.json.encode(batch), 9)
        if len(packed) <= MAX_PACKED_BYTES:
            return packed, taken
        taken //= 2
    raise MessageError(
        f"record {rows[0].seq} ({rows[0].kind}, {len(rows[0].body)} bytes) is larger than a log batch may be "
        f"({MAX_PACKED_BYTES} packed, {MAX_UNPACKED_BYTES} unpacked)"
    )


def decode_log(payload: bytes, *, vehicle: str | None = None) -> LogBatch:
    """A log batch; with `vehicle`, only one of that vehicle (the one its topic names). Raises MessageError.

    Never unpacks more than 4 MiB. A record's body is checked to be JSON here and to be an object by `body_of`.
    """
    if len(payload) > MAX_PACKED_BYTES:
        raise MessageError(f"a log batch of {len(payload)} bytes; at most {MAX_PACKED_BYTES} are allowed")
    unpacker = zlib.decompressobj()
    try:
        unpacked = unpacker.decompress(payload, MAX_UNPACKED_BYTES)
        if not unpacker.eof and unpacker.decompress(unpacker.unconsumed_tail, 1):
            raise MessageError(f"a log batch that unpacks to more than {MAX_UNPACKED_BYTES} bytes")
    except zlib.error as problem:
        raise MessageError(f"a log batch that is no RFC 1950 zlib stream ({problem})") from None
    if not unpacker.eof:
        raise MessageError("a log batch whose zlib stream is cut off")
    if unpacker.unused_data:
        raise MessageError(f"a log batch with {len(unpacker.unused_data)} bytes after its zlib stream")
    batch = _decoded(_LOG_DECODER, unpacked, what="a log batch")
    if vehicle is not None and batch.vehicle != vehicle:
        raise MessageError(f"a log batch of {batch.vehicle} on the topic of {vehicle}")
    if len({record.seq for record in batch.records}) != len(batch.records):
        raise MessageError("a log batch in which a seq stands twice")
    return batch


def encode_acks(acks: Sequence[Ack]) -> bytes:
    """The `ack` payload: one entry for each epoch known of a vehicle."""
    told: list[dict[str, Any]] = [{"epoch": ack.epoch, "seq": ack.seq, "also": ack.also} for ack in acks]
    for entry, ack in zip(told, acks, strict=True):
        if ack.hash is not None:
            entry["hash"] = ack.hash
    return msgspec.json.encode({"acks": told})


def decode_acks(payload: bytes) -> tuple[Ack, ...]:
    """The entries of an `ack` payload; raises MessageError for one that is malformed or has a range the wrong way."""
    acks = _decoded(_ACK_DECODER, payload, what="an ack").acks
    for ack in acks:
        for first, last in ack.also:
            if first > last:
                raise MessageError(f"an ack with the range [{first}, {last}], which ends before it begins")
    return acks


def merge_acks(one: Ack, other: Ack) -> Ack:
    """What either of two acks of an epoch covers; what was once committed stays so, whichever came first."""
    ranges = sorted([(1, one.seq), (1, other.seq), *one.also, *other.also])
    joined = [ranges[0]]
    for first, last in ranges[1:]:
        if first <= joined[-1][1] + 1:
            joined[-1] = (joined[-1][0], max(joined[-1][1], last))
        else:
            joined.append((first, last))
    upto = joined[0][1]
    known = next((ack.hash for ack in (one, other) if ack.seq == upto and ack.hash is not None), None)
    return Ack(one.epoch, upto, tuple(joined[1:]), known)


def encode_downlink(*, version: int, content: Any) -> bytes:  # noqa: ANN401 - any JSON value
    """The payload for sites, register, plan or settings, with the digest of `content`; raises ValueError (no JSON)."""
    return msgspec.json.encode({"version": version, "digest": digest_of(content), "content": content})


def decode_downlink(payload: bytes, *, leaf: DownLeaf) -> Downlink:
    """What the dispatch side put in force; raises MessageError where it is malformed or its digest does not fit."""
    if len(payload) > MAX_DOWNLINK_BYTES:
        raise MessageError(f"{leaf} of {len(payload)} bytes; at most {MAX_DOWNLINK_BYTES} are allowed")
    down = _decoded(_DOWN_DECODER, payload, what=leaf)
    try:
        digest = digest_of(down.content)
    except ValueError as problem:
        raise MessageError(f"{leaf} version {down.version}: {problem}") from None
    if digest != down.digest:
        raise MessageError(f"{leaf} version {down.version}: its content has {digest}, but it says {down.digest}")
    return Downlink(leaf, down.version, down.digest, down.content)


def version_of(payload: bytes) -> int | None:
    """The version that a refused downlink claims, as far as it can be read; for telling the dispatch side."""
    try:
        return _decoded(_VERSION_DECODER, payload, what="a downlink").version
    except MessageError:
        return None


def _decoded(decoder: msgspec.json.Decoder[T], payload: bytes, *, what: str) -> T:
    try:
        return decoder.decode(payload)
    except ValidationError as problem:
        raise MessageError(f"{what} that does not hold what it must: {problem}") from None
    except (msgspec.DecodeError, UnicodeDecodeError) as problem:
        raise MessageError(f"{what} that is no JSON: {problem}") from None
    except RecursionError:
        raise MessageError(f"{what} that is nested too deeply") from None
