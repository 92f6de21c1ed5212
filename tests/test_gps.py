"""Fixes from gpsd's objects, against gpsd's own regression logs and against what receivers get wrong."""

from __future__ import annotations

import json
import math
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.errors import GpsdError
from agent.gps import DEFAULT_EPH_M, EPH_SIGMAS, MAX_LINE_BYTES, Unusable, parse_gps_time, parse_gpsd_line, parse_tpv
from agent.records import GpsFix

TPV: dict[str, Any] = {
    "class": "TPV",
    "device": "/dev/ttyS0",
    "mode": 3,
    "time": "2026-05-04T06:00:10.250Z",
    "lat": 48.31,
    "lon": -31.27,
    "eph": 8.0,
    "speed": 1.5,
    "track": 270.0,
}


def without(*keys: str) -> dict[str, Any]:
    """The good fix with keys left out."""
    return {key: value for key, value in TPV.items() if key not in keys}


def fix_of(tpv: dict[str, Any], **options: float) -> GpsFix:
    """The fix that a TPV must be."""
    fix = parse_tpv(tpv, 12.5, **options)
    assert isinstance(fix, GpsFix)
    return fix


def test_a_good_tpv_becomes_a_fix() -> None:
    """Position, time, speed and track are taken over; sigma is eph by the stated confidence."""
    assert parse_tpv(TPV, 12.5) == GpsFix(
        mono=12.5,
        utc_s=datetime(2026, 5, 4, 6, 0, 10, 250_000, tzinfo=UTC).timestamp(),
        lat=48.31,
        lon=-31.27,
        sigma_m=8.0 / 2.4477,
        mode=3,
        speed_mps=1.5,
        track_deg=270.0,
        device="/dev/ttyS0",
    )


UNUSABLE = {
    "a SKY": ({**TPV, "class": "SKY"}, "not a TPV"),
    "no mode": (without("mode"), "no mode"),
    "mode true": ({**TPV, "mode": True}, "no mode"),
    "mode as text": ({**TPV, "mode": "3"}, "no mode"),
    "mode 0": ({**TPV, "mode": 0}, "no fix"),
    "mode 1 with the old position": ({**TPV, "mode": 1}, "no fix"),
    "mode without position": (without("lat", "lon"), "no position"),
    "half a position": (without("lon"), "no position"),
    "NaN": ({**TPV, "lat": math.nan}, "no position"),
    "a number beyond all floats": ({**TPV, "lat": 10**400}, "no position"),
    "infinity": ({**TPV, "lon": math.inf}, "no position"),
    "null": ({**TPV, "lat": None}, "no position"),
    "a position as text": ({**TPV, "lat": "48.31"}, "no position"),
    "latitude 91": ({**TPV, "lat": 91.0}, "position out of range"),
    "longitude -181": ({**TPV, "lon": -181.0}, "position out of range"),
    "no time": (without("time"), "no time"),
    "an empty time": ({**TPV, "time": ""}, "no time"),
    "a time as number": ({**TPV, "time": 1777874410.0}, "no time"),
    "a time of day alone": ({**TPV, "time": "06:00:10Z"}, "time unreadable"),
    "the 30th of February": ({**TPV, "time": "2026-02-30T06:00:10.000Z"}, "time unreadable"),
    "hour 24": ({**TPV, "time": "2026-05-04T24:00:00.000Z"}, "time unreadable"),
    "second 61": ({**TPV, "time": "2026-05-04T06:00:61.000Z"}, "time unreadable"),
}


@pytest.mark.parametrize(("tpv", "reason"), UNUSABLE.values(), ids=UNUSABLE.keys())
def test_what_is_no_fix_says_why(tpv: dict[str, Any], reason: str) -> None:
    """A TPV that misses what a fix needs gives a reason out of a fixed few, never an invented position."""
    assert parse_tpv(tpv, 1.0) == Unusable(reason)


def test_a_position_of_zero_is_a_position() -> None:
    """Where the equator crosses the prime meridian a receiver may well be."""
    fix = fix_of({**TPV, "lat": 0, "lon": 0})
    assert (fix.lat, fix.lon) == (0.0, 0.0)


@pytest.mark.parametrize(
    ("name", "share"), [("cep", 0.5), ("drms", 1 - math.exp(-1)), ("r95", 0.95), ("2drms", 1 - math.exp(-4))]
)
def test_confidence_radii(name: str, share: float) -> None:
    """A radius of k standard deviations holds 1 - exp(-k**2 / 2) of a two-dimensional error.

    Source: Rayleigh distribution: CEP 1.1774, DRMS 1.4142, 95 % 2.4477, 2DRMS 2.8284.
    """
    sigmas = EPH_SIGMAS[name]
    assert 1.0 - math.exp(-(sigmas**2) / 2.0) == pytest.approx(share, abs=5e-5)
    assert fix_of(TPV, eph_sigmas=sigmas).sigma_m == pytest.approx(8.0 / sigmas)


SIGMAS = {
    "from both axes at 95 %": ({**without("eph"), "epx": 3.92, "epy": 1.96}, math.sqrt((2.0**2 + 1.0**2) / 2.0)),
    "one axis is not enough": ({**without("eph"), "epx": 3.92}, DEFAULT_EPH_M / 2.4477),
    "no figure at all": (without("eph"), DEFAULT_EPH_M / 2.4477),
    "zero is no error": ({**TPV, "eph": 0.0}, DEFAULT_EPH_M / 2.4477),
    "negative": ({**TPV, "eph": -1.0}, DEFAULT_EPH_M / 2.4477),
    "NaN": ({**TPV, "eph": math.nan}, DEFAULT_EPH_M / 2.4477),
    "too good to be true": ({**TPV, "eph": 0.01}, 0.5),
}


@pytest.mark.parametrize(("tpv", "sigma_m"), SIGMAS.values(), ids=SIGMAS.keys())
def test_sigma_where_eph_is_missing_or_wrong(tpv: dict[str, Any], sigma_m: float) -> None:
    """A missing precision is never a perfect one."""
    assert fix_of(tpv).sigma_m == pytest.approx(sigma_m, rel=1e-4)


@pytest.mark.parametrize(
    ("key", "value"), [("speed", -0.1), ("speed", math.nan), ("speed", None), ("track", 361.0), ("track", "N")]
)
def test_a_bad_speed_or_track_costs_only_itself(key: str, value: object) -> None:
    """The position stands although the receiver's speed or track makes no sense."""
    fix = fix_of({**TPV, key: value, "device": 7, "mode": 4})
    assert (fix.speed_mps if key == "speed" else fix.track_deg) is None
    assert (fix.device, fix.mode) == ("", 3)


def test_a_leap_second_is_the_moment_of_its_successor() -> None:
    """23:59:60 of 2016-12-31, a leap second (IERS Bulletin C 52), reads as the new year's first second."""
    new_year = datetime(2017, 1, 1, tzinfo=UTC).timestamp()
    assert parse_gps_time("2016-12-31T23:59:60.000Z") == new_year
    assert parse_gps_time("2016-12-31T23:59:60.500Z") == new_year + 0.5
    assert parse_gps_time("2016-12-31T23:59:59.999Z") == pytest.approx(new_year - 0.001)


@given(st.datetimes(min_value=datetime(1970, 1, 1), max_value=datetime(2200, 1, 1)))  # noqa: DTZ001 - made aware below
def test_times_agree_with_the_standard_library(moment: datetime) -> None:
    """Any RFC 3339 time in UTC, with or without a fraction, is the moment that datetime makes of it."""
    aware = moment.replace(tzinfo=UTC)
    text = aware.isoformat().replace("+00:00", "Z")
    assert parse_gps_time(text) == pytest.approx(aware.timestamp(), abs=2e-6)
    assert parse_gps_time(aware.isoformat()) == pytest.approx(aware.timestamp(), abs=2e-6)


def test_a_line_is_an_object_with_a_class() -> None:
    """One line of gpsd is one JSON object; an empty line is nothing."""
    assert parse_gpsd_line(b'{"class":"TPV","mode":3}\r\n') == {"class": "TPV", "mode": 3}
    assert parse_gpsd_line('{"class":"TPV","mode":3}\n') == {"class": "TPV", "mode": 3}
    assert parse_gpsd_line(b"\r\n") is None


def test_nan_in_a_line_costs_the_figure_not_the_fix() -> None:
    """A line with NaN, which some versions write although JSON has none, still gives what else stands in it."""
    document = parse_gpsd_line(json.dumps({**TPV, "speed": math.nan}).encode())
    assert document is not None
    assert fix_of(document).speed_mps is None


@pytest.mark.parametrize(
    "line",
    [
        b"{",
        b"[]",
        b"7",
        b"{}",
        b'{"class":7}',
        b"\xff\xfe",
        b"$GPRMC,,V,,,,,,,,,,N*53",
        b"[" * 40_000,
        b" " * (MAX_LINE_BYTES + 1),
    ],
    ids=["cut", "list", "number", "no class", "class 7", "no UTF-8", "NMEA", "deep", "long"],
)
def test_any_other_line_is_gpsds_fault(line: bytes) -> None:
    """What is no such object is a fault of the peer, told as such."""
    with pytest.raises(GpsdError):
        parse_gpsd_line(line)


@given(st.binary(max_size=200))
def test_no_bytes_raise_anything_else(line: bytes) -> None:
    """Whatever arrives, the only error is the declared one."""
    try:
        document = parse_gpsd_line(line)
    except GpsdError:
        return
    assert document is None or isinstance(document["class"], str)


@pytest.mark.parametrize("line", ['{"class":"TPV","device":"\\ud800"}', '{"class":"TPV","device":"\ud800"}', "\udc80"])
def test_half_a_character_is_no_line(line: str) -> None:
    """Half of a surrogate pair, escaped or not, could be read but never written again; the declared error says so."""
    with pytest.raises(GpsdError, match="no JSON"):
        parse_gpsd_line(line)


_JSON = st.one_of(st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=30), st.lists(st.integers()))


@given(st.fixed_dictionaries({}, optional=dict.fromkeys(TPV, _JSON)))
def test_no_tpv_raises(changed: dict[str, Any]) -> None:
    """Whatever stands in a TPV, it is a fix with a finite position and a sigma above 0, or has a reason."""
    found = parse_tpv({**TPV, **changed}, 1.0)
    if isinstance(found, GpsFix):
        assert all(map(math.isfinite, (found.lat, found.lon, found.utc_s, found.sigma_m)))
        assert found.sigma_m > 0.0
    else:
        assert found.reason


# gpsd 3.22 regression logs: what gpsd itself made of each receiver's log. Figures: TPV objects in the .chk by what they
# hold (counted with grep: mode above 1 with lat, lon and time; the others).
CHECKED = {
    "april6_2019.log.chk": (1, 2),
    "bt451.log.chk": (17, 13),
    "gp-320fw-2019-04-07-coldboot.log.chk": (1, 16),
    "haicom-305N.log.chk": (134, 8),
    "iTrek.log.chk": (36, 7),
    "magellan-ec10.log.chk": (21, 17),
    "nl2008u.log.chk": (13, 0),
    "oncore-binary-no-utc-offset.log.chk": (0, 14),
    "sirfstarv.log.chk": (106, 6),
}


@pytest.mark.parametrize("name", CHECKED)
def test_receivers_of_gpsds_regression_tests(name: str, standards: Path) -> None:
    """Every position with a time that gpsd made of a real receiver's log is a usable fix at that position, no other is.

    Source: gpsd 3.22 regression logs (BSD-2-Clause).
    """
    counted: Counter[bool] = Counter()
    for line in (standards / "gps" / "logs" / name).read_bytes().splitlines():
        if not line.startswith(b'{"class":"TPV"'):
            continue
        tpv = json.loads(line)
        document = parse_gpsd_line(line)
        assert document == tpv
        found = parse_tpv(tpv, 0.0)
        is_fix = isinstance(found, GpsFix)
        counted[is_fix] += 1
        assert is_fix == (tpv["mode"] > 1 and {"lat", "lon", "time"} <= tpv.keys()), line
        if isinstance(found, GpsFix):
            assert (found.lat, found.lon) == (tpv["lat"], tpv["lon"])
    assert (counted[True], counted[False]) == CHECKED[name]
