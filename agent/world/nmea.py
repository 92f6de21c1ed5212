"""A simulated fix as a receiver would send it: NMEA 0183 sentences RMC, GGA, GST, for feeding a real gpsd.

Source of the fields: the gpsd project's "NMEA Revealed" (E. S. Raymond), sentences RMC, GGA and GST. A receiver of this
kind tells its precision by the dilution alone: gpsd 3.22 makes its `eph` of HDOP (measured: 19 m for each unit), and
only passes on what GST says.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import reduce
from typing import Any

from agent.units import parse_utc

_KNOT_MPS = 1852.0 / 3600.0
_EPH_OF_HDOP_M = 19.0
_SIGMAS_95 = 2.4477  # radius that holds 95 in 100 over the standard deviation of an axis (Rayleigh distribution)


def sentences(tpv: Mapping[str, Any]) -> bytes:
    """The sentences of one second; one without a position says that there is no fix."""
    if "time" not in tpv:
        return _sentence("GPRMC,,V,,,,,,,,,,N") + _sentence("GPGGA,,,,,,0,00,,,M,,M,,")
    stamp = _stamp(str(tpv["time"]))
    clock, date = stamp
    if int(tpv.get("mode", 0)) < 2 or "lat" not in tpv:  # gpsd: 2 is a fix in two dimensions
        return _sentence(f"GPRMC,{clock},V,,,,,,,{date},,,N") + _sentence(f"GPGGA,{clock},,,,,0,00,,,M,,M,,")
    lat, lon = _angle(float(tpv["lat"]), "NS", 2), _angle(float(tpv["lon"]), "EW", 3)
    knots = float(tpv.get("speed", 0.0)) / _KNOT_MPS
    eph_m = float(tpv.get("eph", 10.0))
    sigma, hdop = eph_m / _SIGMAS_95, eph_m / _EPH_OF_HDOP_M
    height = f"{float(tpv.get('altHAE', 20.0)):.1f},M,0.0,M,,"
    return (
        _sentence(f"GPRMC,{clock},A,{lat},{lon},{knots:.2f},{float(tpv.get('track', 0.0)):.1f},{date},,,A")
        + _sentence(f"GPGGA,{clock},{lat},{lon},1,09,{hdop:.2f},{height}")
        + _sentence(f"GPGST,{clock},{sigma:.1f},{sigma:.1f},{sigma:.1f},0.0,{sigma:.1f},{sigma:.1f},{2 * sigma:.1f}")
    )


def _stamp(time: str) -> tuple[str, str]:
    parse_utc(time)  # raises ValueError where it is none
    date, _, clock = time.partition("T")
    year, month, day = date.split("-")
    return clock.rstrip("Z").replace(":", "")[:9], f"{day}{month}{year[2:]}"


def _angle(degrees: float, sides: str, width: int) -> str:
    # Rounded before it is split, or 59.999999 minutes would be written as 60.
    whole, rest = divmod(round(abs(degrees) * 60 * 100_000), 60 * 100_000)
    return f"{whole:0{width}d}{rest / 100_000:08.5f},{sides[0] if degrees >= 0 else sides[1]}"


def _sentence(body: str) -> bytes:
    checksum = reduce(lambda total, char: total ^ ord(char), body, 0)
    return f"${body}*{checksum:02X}\r\n".encode("ascii")
