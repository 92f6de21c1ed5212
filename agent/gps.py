"""gpsd's lines → usable fixes; floor 1.

`parse_gpsd_line` takes one line off the wire, `parse_tpv` makes a fix of a TPV object or says why it is none. A fix
is usable only with mode 2 or 3, a finite position and a time that can be read: a client library that fills in what is
missing would invent a position at 0,0. Knows nothing of sockets; whether a fix is *fresh* is timeline's business.

Source for the fields: gpsd's client protocol ("gpsd_json", TPV): `eph` is the horizontal error in metres,
"certainty unknown"; `epx` and `epy` are 95 % errors of one axis each.
"""

from __future__ import annotations

import json
import math
import re
from functools import lru_cache
from typing import Any

import msgspec
from msgspec import Struct

from agent.errors import GpsdError
from agent.records import GpsFix
from agent.units import parse_utc

# How many standard deviations of one axis the radius `eph` is, by what the receiver's maker says it means.
# Source: Rayleigh distribution (radii that hold 50 %, 63.2 %, 95 %, 98.2 %).
EPH_SIGMAS = {"cep": 1.1774, "drms": 1.4142, "r95": 2.4477, "2drms": 2.8284}
AXIS_SIGMAS_95 = 1.9600  # two-sided 95 % of one normal axis, as gpsd states epx and epy

DEFAULT_EPH_M = 15.0  # where a fix states no error at all; common practice, no source
SMALLEST_SIGMA_M = 0.5  # a smaller claim than this is a missing figure in disguise; common practice, no source

MAX_LINE_BYTES = 65_536  # gpsd's own longest (SKY with every constellation) stays under 11 KiB

_TIME = re.compile(r"(\d{4}-\d\d-\d\d)T(\d\d):(\d\d):(\d\d(?:\.\d+)?)Z")
_DAY_S = 86_400.0
_LAST_HOUR, _LAST_MINUTE = 23, 59


class Unusable(Struct, frozen=True):
    """A TPV that gives no fix; `reason` is one of a few fixed texts, so that it can be counted."""

    reason: str


NOT_TPV = Unusable("not a TPV")
NO_MODE = Unusable("no mode")
NO_FIX = Unusable("no fix")
NO_POSITION = Unusable("no position")
OUT_OF_RANGE = Unusable("position out of range")
NO_TIME = Unusable("no time")
BAD_TIME = Unusable("time unreadable")


@lru_cache(maxsize=8)
def _day_start_s(date: str) -> float:
    return parse_utc(date + "T00:00:00Z")


def parse_gps_time(text: str) -> float:
    """The RFC 3339 time of a TPV as seconds since 1970 without leap seconds; raises ValueError.

    A leap second (`23:59:60`) gets the moment of its successor: seconds since 1970 have no number of its own for it.
    """
    match = _TIME.fullmatch(text)
    if match is None:
        return parse_utc(text)
    date, hour, minute, second = match.groups()
    hours, minutes, seconds = int(hour), int(minute), float(second)
    if hours > _LAST_HOUR or minutes > _LAST_MINUTE or seconds >= 61.0:  # noqa: PLR2004 - 60 is a leap second
        raise ValueError(f"{text!r} is no time of day")
    return _day_start_s(date) + 3600.0 * hours + 60.0 * minutes + seconds


def _number(value: object) -> float | None:
    """A finite number, or None for anything else (gpsd leaves out what it does not know; others write null or NaN)."""
    if isinstance(value, bool) or not isinstance(value, float | int):
        return None
    try:
        number = float(value)
    except OverflowError:
        return None
    return number if math.isfinite(number) else None


def _positive(value: object) -> float | None:
    number = _number(value)
    return number if number is not None and number > 0.0 else None


def _sigma_m(tpv: dict[str, Any], *, eph_sigmas: float, default_eph_m: float) -> float:
    """Standard deviation of each axis: from eph, else from epx and epy, else from the default."""
    eph_m = _positive(tpv.get("eph"))
    if eph_m is not None:
        return max(eph_m / eph_sigmas, SMALLEST_SIGMA_M)
    east_m, north_m = _positive(tpv.get("epx")), _positive(tpv.get("epy"))
    if east_m is not None and north_m is not None:
        return max(math.hypot(east_m, north_m) / math.sqrt(2.0) / AXIS_SIGMAS_95, SMALLEST_SIGMA_M)
    return default_eph_m / eph_sigmas


def parse_tpv(  # noqa: PLR0911 - one return for each reason that is counted
    tpv: dict[str, Any],
    mono: float,
    *,
    eph_sigmas: float = EPH_SIGMAS["r95"],
    default_eph_m: float = DEFAULT_EPH_M,
) -> GpsFix | Unusable:
    """A TPV that arrived at `mono` seconds of this boot as a fix, or why it is none; never raises.

    `eph_sigmas` says what the receiver's `eph` means (see `EPH_SIGMAS`); `default_eph_m` stands in where none is given.
    """
    if tpv.get("class", "TPV") != "TPV":
        return NOT_TPV
    mode = tpv.get("mode")
    if not isinstance(mode, int) or isinstance(mode, bool):
        return NO_MODE
    if mode < 2:  # noqa: PLR2004 - gpsd: 0 unknown, 1 no fix, 2 2D, 3 3D
        return NO_FIX
    lat, lon = _number(tpv.get("lat")), _number(tpv.get("lon"))
    if lat is None or lon is None:
        return NO_POSITION
    if not (-90.0 <= lat <= 90.0 and -180.0 <= lon <= 180.0):  # noqa: PLR2004 - degrees
        return OUT_OF_RANGE
    time = tpv.get("time")
    if not isinstance(time, str) or not time:
        return NO_TIME
    try:
        utc_s = parse_gps_time(time)
    except ValueError:
        return BAD_TIME
    speed_mps, track_deg, device = _number(tpv.get("speed")), _number(tpv.get("track")), tpv.get("device")
    return GpsFix(
        mono=mono,
        utc_s=utc_s,
        lat=lat,
        lon=lon,
        sigma_m=_sigma_m(tpv, eph_sigmas=eph_sigmas, default_eph_m=default_eph_m),
        mode=min(mode, 3),
        speed_mps=speed_mps if speed_mps is not None and speed_mps >= 0.0 else None,
        track_deg=track_deg if track_deg is not None and 0.0 <= track_deg <= 360.0 else None,  # noqa: PLR2004 - degrees
        device=device if isinstance(device, str) else "",
    )


def parse_gpsd_line(line: bytes | str) -> dict[str, Any] | None:
    """One line of gpsd as its JSON object, None for an empty line; raises GpsdError on anything else.

    Some versions write NaN, which JSON does not have; such a line is read all the same, `parse_tpv` sorts the NaN out.
    """
    if len(line) > MAX_LINE_BYTES:
        raise GpsdError(f"gpsd sent a line of {len(line)} bytes; {MAX_LINE_BYTES} is the most that is read")
    stripped = line.strip()
    if not stripped:
        return None
    try:
        document = msgspec.json.decode(stripped)
    except (msgspec.DecodeError, UnicodeError, RecursionError):
        document = _decode_loosely(stripped)
    if not isinstance(document, dict) or not isinstance(document.get("class"), str):
        raise GpsdError(f"gpsd sent JSON without a class: {stripped[:60]!r}")
    return document


def _decode_loosely(line: bytes | str) -> object:
    try:
        document = json.loads(line)
        # Half of a surrogate pair is read here and can never be written: neither to a checkpoint nor to a recording.
        msgspec.json.encode(document)
    except (ValueError, OverflowError, RecursionError) as error:
        raise GpsdError(f"gpsd sent what is no JSON: {line[:60]!r}") from error
    return document
