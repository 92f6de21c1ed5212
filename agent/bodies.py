"""The three retained bodies that a vehicle keeps up to date for the board: status, aboard, position; floor 1.

Each is the newest only: whoever subscribes gets the last one at once. `encode_body` writes any of them, `decode_status`
and its sisters read them. Keys may be added freely; a reader passes over those that it does not know. Times are text,
RFC 3339 in UTC with three decimals.
"""

from __future__ import annotations

import zlib
from typing import Annotated, Any, Literal, TypeVar

import msgspec
from msgspec import Meta, Struct, field

from agent.errors import MessageError

MAX_BODY_BYTES = 1024 * 1024
_ZLIB = b"\x78"  # how a zlib stream begins (RFC 1950: deflate with a window of 32 KiB), and JSON never does

T = TypeVar("T")
Probability = Annotated[float, Meta(ge=0.0, le=1.0)]


class Held(Struct, frozen=True):
    """The version in use of one thing that the dispatch side sends; None where it never sent one."""

    version: int | None = None


class RefusedDownlink(Struct, frozen=True):
    """A version that was not taken into use, and every reason why."""

    what: Literal["sites", "register", "plan", "settings"]
    version: int | None
    reasons: tuple[str, ...]


class Holding(Struct, frozen=True):
    """What the vehicle works with."""

    sites: Held = Held()
    register: Held = Held()
    plan: Held = Held()
    settings: Held = Held()
    refused: tuple[RefusedDownlink, ...] = ()


class NotRead(Struct, frozen=True):
    """Something is not being read, since when and why; `whole` where it is nothing at all."""

    since: str | None
    why: str
    whole: bool = True
    antenna: int | None = None


class ReaderStatus(Struct, frozen=True):
    """The reader's condition; `not_read_since` is since when nothing has been read, where that is so.

    `not_read` is every silence that lasts. `fixture_heard` is when, `fixture_heard_s` how long ago the tag fixed in the
    van was heard last, which proves that the reader hears.
    """

    state: Literal["up", "down"]
    not_read_since: str | None = None
    antennas_lost: tuple[int, ...] = ()
    not_read: tuple[NotRead, ...] = ()
    fixture_heard: str | None = None
    fixture_heard_s: float | None = None


class GpsStatus(Struct, frozen=True):
    """The receiver's condition: `silent` gives no sentences, `no fix` gives none that places the vehicle.

    `fault` is what is wrong and what to do about it, where that was told.
    """

    state: Literal["ok", "no fix", "silent"]
    last_fix: str | None = None
    fault: str | None = None


class DiskStatus(Struct, frozen=True):
    """Whether the store can be written. `waiting` records are in memory alone and are lost if the power goes.

    `reads_dropped` are raw reads that memory had no room for; no custody record is ever dropped.
    """

    state: Literal["ok", "full"]
    since: str | None = None
    waiting: int = 0
    reads_dropped: int = 0
    text: str | None = None


class Status(Struct, frozen=True, kw_only=True):
    """`roadtally/1/VEHICLE/status`. The last will has `v`, `vehicle` and `state` alone."""

    v: Literal[1] = 1
    vehicle: str
    state: Literal["online", "offline"]
    boot: int | None = None
    program: str | None = None
    since: str | None = None
    holding: Holding = field(default_factory=Holding)
    reader: ReaderStatus | None = None
    gps: GpsStatus | None = None
    backlog: int | None = None
    undelivered: str | None = None
    disk: DiskStatus | None = None


class LoadedAt(Struct, frozen=True):
    """Where and when an item came aboard; `site` is None at a place that is no site."""

    site: str | None
    time: str


class AboardItem(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """One registered item that is aboard or heard near; `heard_s` is the age of its last read at the body's `at`.

    It goes by its EPC. `tag` and `name` stand where no manifest has told them, `loaded` only from an older vehicle: the
    event of the loading tells that. Without `state` it is aboard.
    """

    epc: str
    p: Probability
    state: Literal["aboard", "near", "not heard"] = "aboard"
    heard_s: float | None = None
    tag: str | None = None
    name: str | None = None
    loaded: LoadedAt | None = None


class BadgeAboard(Struct, frozen=True):
    """A badge that is aboard, which proves neither who drove nor who carried."""

    epc: str
    name: str
    p: Probability


class Aboard(Struct, frozen=True, kw_only=True):
    """`roadtally/1/VEHICLE/aboard`; `at` and `since` are None as long as no time is trusted."""

    v: Literal[1] = 1
    vehicle: str
    at: str | None
    trip: str | None = None
    leg: str | None = None
    state: Literal["stopped", "moving", "unknown"] = "unknown"
    site: str | None = None
    since: str | None = None
    certain: bool = False
    items: tuple[AboardItem, ...] = ()
    badges: tuple[BadgeAboard, ...] = ()
    not_read: NotRead | None = None
    silences: tuple[NotRead, ...] = ()


class Position(Struct, frozen=True, kw_only=True, omit_defaults=True, tag_field="v", tag=1):
    """`roadtally/1/VEHICLE/position`: the last fix; degrees (WGS 84), metres, m/s. What is not known is left out."""

    vehicle: str
    at: str
    lat: Annotated[float, Meta(ge=-90.0, le=90.0)]
    lon: Annotated[float, Meta(ge=-180.0, le=180.0)]
    error_m: float | None = None
    speed_mps: float | None = None
    site: str | None = None
    leg: str | None = None


Body = Status | Aboard | Position


def offline(vehicle: str) -> dict[str, Any]:
    """The last will: that the vehicle is offline, and nothing that could overwrite what is known of it."""
    return {"v": 1, "vehicle": vehicle, "state": "offline"}


def encode_body(body: Body | dict[str, Any]) -> bytes:
    """The JSON of a body, or of a dict that already has the shape of one."""
    return msgspec.json.encode(body)


def decode_status(payload: bytes) -> Status:
    """A vehicle's status; raises MessageError."""
    return _decoded(Status, payload, what="a status")


def pack_body(octets: bytes) -> bytes:
    """A body as RFC 1950 zlib, which `decode_aboard` reads as well."""
    return zlib.compress(octets, 9)


def decode_aboard(payload: bytes) -> Aboard:
    """What is aboard a vehicle, packed or not; raises MessageError."""
    return _decoded(Aboard, _unpacked(payload), what="an aboard body")


def decode_position(payload: bytes) -> Position:
    """A vehicle's last fix; raises MessageError."""
    return _decoded(Position, payload, what="a position")


def _unpacked(payload: bytes) -> bytes:
    if payload[:1] != _ZLIB or len(payload) > MAX_BODY_BYTES:
        return payload
    unpacker = zlib.decompressobj()
    try:
        octets = unpacker.decompress(payload, MAX_BODY_BYTES + 1)
    except zlib.error as problem:
        raise MessageError(f"an aboard body that is no zlib stream ({problem})") from None
    if len(octets) <= MAX_BODY_BYTES and not unpacker.eof:
        raise MessageError("an aboard body whose zlib stream is cut off")
    return octets


def _decoded(kind: type[T], payload: bytes, *, what: str) -> T:
    if len(payload) > MAX_BODY_BYTES:
        raise MessageError(f"{what} of {len(payload)} bytes; at most {MAX_BODY_BYTES} are allowed")
    try:
        return msgspec.json.decode(payload, type=kind)
    except msgspec.ValidationError as problem:
        raise MessageError(f"{what} that does not hold what it must: {problem}") from None
    except (msgspec.DecodeError, UnicodeDecodeError) as problem:
        raise MessageError(f"{what} that is no JSON: {problem}") from None
    except RecursionError:
        raise MessageError(f"{what} that is nested too deeply") from None
