"""The typed records that travel through the house; floor 0.

What a vehicle's computer received (one class for each `kind` of a recording line, formats.md section 1), what the
pure floors make of it, and what leaves the pipeline. Frozen and slotted; nothing here decides anything.

Units: seconds, metres, m/s, degrees (WGS 84), dBm. `mono_s` counts on this boot's monotonic clock; `utc_s` is seconds
since 1970-01-01T00:00:00Z without leap seconds.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from msgspec import Meta, Struct, field


class Boot(Struct, frozen=True, tag_field="kind", tag="boot"):
    """The computer started; `utc` is its wall clock as text, which may be wrong by years."""

    mono: float
    utc: str | None = None


class Fix(Struct, frozen=True, tag_field="kind", tag="fix"):
    """One TPV object of gpsd, untouched."""

    mono: float
    tpv: dict[str, Any]


class Read(Struct, frozen=True, omit_defaults=True, tag_field="kind", tag="read"):
    """One tag in one inventory round on one antenna; `epc` is upper-case hex without CRC and PC."""

    mono: float
    epc: Annotated[str, Meta(pattern="^([0-9A-F]{2})+$")]  # anything else in a recording is a bad value
    antenna: int
    rssi: float
    count: int = 1
    channel: int | None = None
    pc: str | None = None
    phase: float | None = None


class Round(Struct, frozen=True, tag_field="kind", tag="round"):
    """An inventory round (one AISpec) ended; its reads stand before it."""

    mono: float
    seconds: float
    antennas: tuple[int, ...]


class PortInput(Struct, frozen=True, tag_field="kind", tag="input"):
    """A general-purpose input of the reader changed."""

    mono: float
    port: int
    on: bool


class ReaderState(Struct, frozen=True, omit_defaults=True, tag_field="kind", tag="reader"):
    """The reader's own condition."""

    mono: float
    state: Literal["up", "down", "antenna_lost", "antenna_back"]
    antenna: int | None = None


Line = Boot | Fix | Read | Round | PortInput | ReaderState


class Inventory(Struct, frozen=True):
    """A round together with the reads that stand before it: what the pipeline takes instead of `Read` and `Round`."""

    mono: float
    seconds: float
    antennas: tuple[int, ...]
    reads: tuple[Read, ...] = ()


class Tick(Struct, frozen=True):
    """Time passed on this boot's monotonic clock and nothing else happened; never recorded."""

    mono: float


Input = Boot | Fix | Inventory | PortInput | ReaderState | Tick


class GpsFix(Struct, frozen=True):
    """A usable fix: mode 2 or 3, finite position, a time. `sigma_m` is the standard deviation of each axis."""

    mono: float
    utc_s: float
    lat: float
    lon: float
    sigma_m: float
    mode: int
    speed_mps: float | None = None
    track_deg: float | None = None
    device: str = ""


class Record(Struct, frozen=True):
    """What leaves the pipeline: a custody event, a revision of a manifest or a notice; `body` is its JSON document."""

    kind: Literal["event", "manifest", "notice"]
    body: dict[str, Any]


class Listing(Struct, frozen=True):
    """One row of the register. `epc` is a pure identity URI, `tag` its upper-case hex."""

    epc: str
    tag: str
    kind: Literal["item", "person", "fixture", "ignore"]
    name: str
    type: str | None = None
    case: str | None = None
    home: str | None = None
    tag_state: Literal["ok", "failed", "none"] = "ok"
    value: str | None = None
    notes: str | None = None


class PlanRow(Struct, frozen=True):
    """One row of the plan; either `epc`, or `type` with `quantity`.

    `date` is the local day of the load, `line_no` its line in the file.
    """

    vehicle: str
    date: str
    load_at: str
    unload_at: str
    epc: str | None = None
    type: str | None = None
    quantity: int = 1
    order: str | None = None
    line: str | None = None
    trip: int = 1
    driver: str | None = None
    untagged: bool = False
    cancelled: bool = False
    line_no: int = 0


class Problem(Struct, frozen=True):
    """One thing that is wrong with what somebody gave us: what, where, got, do."""

    file: str
    where: str
    got: str
    do: str
    what: str = field(default="")

    def __str__(self) -> str:
        middle = ": ".join(part for part in (self.where, self.what) if part)
        got = f" (got {self.got})" if self.got else ""
        return f"{self.file}, {middle}{got}; {self.do}." if middle else f"{self.file}{got}: {self.do}."


def brief(record: Record) -> dict[str, Any]:
    """What of a record's body is worth a line of the log."""
    body = record.body
    if record.kind == "event":
        return {key: body.get(key) for key in ("bizStep", "eventTime", "eventID")}
    if record.kind == "manifest":
        return {key: body.get(key) for key in ("manifest", "revision", "certain")} | {"items": len(body["items"])}
    return body
