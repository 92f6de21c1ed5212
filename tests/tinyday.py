"""A van's day of twenty minutes, made by hand: known at every second, small enough to be lived through in a test.

At the depot three items are put aboard through the open doors while a fourth stands by on the dock; one of the three
gets off at the hall; the van comes back with two.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from agent.records import Boot, Fix, Input, Inventory, PortInput, Read, ReaderState
from agent.units import format_utc
from tests.llrp.tcp import Heard

START_UTC_S = 1_772_611_200.0  # 2026-03-04T08:00:00Z, a Wednesday
DURATION_S = 1260
DEPOT, HALL = (48.30, -31.20), (48.326, -31.20)
LEFT_DEPOT_S, REACHED_HALL_S, LEFT_HALL_S, BACK_S = 300, 540, 780, 1020
DOORS, IGNITION = 1, 2
BOOT_MONO_S = 12.0

EPCS = {name: f"urn:epc:id:grai:9521141.12345.{number}" for number, name in enumerate("ABCD", 1)}
NAMES = {"A": "par lamp 1", "B": "dimmer rack 2", "C": "cable trunk 3", "D": "moving head 4"}
# GRAI-96 by the Tag Data Standard: header 33, filter 0, partition 5 (company prefix of 7 digits).
_PREFIX = (0x33 << 88) | (5 << 82) | (9521141 << 58) | (12345 << 38)
TAGS = {name: f"{_PREFIX | number:024X}" for number, name in enumerate("ABCD", 1)}

VEHICLE = f"""
[vehicle]
id = "van-07"
epc = "urn:epc:id:giai:9521141.70007"
home = "depot"

[inputs]
doors = {DOORS}
ignition = {IGNITION}
"""
REGISTER = "epc,kind,name\n" + "".join(f"{EPCS[name]},item,{NAMES[name]}\n" for name in "ABCD")
_ABOARD = {
    "A": (120.0, 10_000.0),
    "B": (140.0, 620.0),
    "C": (160.0, 10_000.0),
}
_INPUTS = (
    (0.0, DOORS, False),
    (0.0, IGNITION, False),
    (60.0, DOORS, True),
    (200.0, DOORS, False),
    (280.0, IGNITION, True),
    (560.0, IGNITION, False),
    (580.0, DOORS, True),
    (660.0, DOORS, False),
    (760.0, IGNITION, True),
    (1040.0, IGNITION, False),
)


def _square(site: str, name: str, at: tuple[float, float], **more: Any) -> dict[str, Any]:
    lat, lon = at
    dy, dx = 0.0008, 0.0012
    corners = ((-1, -1), (1, -1), (1, 1), (-1, 1), (-1, -1))
    ring = [[lon + dx * east, lat + dy * north] for east, north in corners]
    return {
        "type": "Feature",
        "id": site,
        "properties": {"name": name, "timezone": "Atlantic/Azores"} | more,
        "geometry": {"type": "Polygon", "coordinates": [ring]},
    }


def sites(**of_hall: Any) -> str:
    """The two sites as GeoJSON; `of_hall` are more properties of the hall."""
    features = [_square("depot", "Halyard hire depot", DEPOT), _square("hall", "Gull Lane Theatre", HALL, **of_hall)]
    return json.dumps({"type": "FeatureCollection", "features": features})


def latitude(t_s: float) -> float:
    """Where the van is: north along a meridian and back."""
    there = min(max((t_s - LEFT_DEPOT_S) / (REACHED_HALL_S - LEFT_DEPOT_S), 0.0), 1.0)
    back = min(max((t_s - LEFT_HALL_S) / (BACK_S - LEFT_HALL_S), 0.0), 1.0)
    return DEPOT[0] + (HALL[0] - DEPOT[0]) * (there - back)


def is_moving(t_s: float) -> bool:
    """Whether it drives at about 12 m/s."""
    return LEFT_DEPOT_S <= t_s < REACHED_HALL_S or LEFT_HALL_S <= t_s < BACK_S


def tpv(t_s: float) -> dict[str, Any]:
    """What the receiver says at a second."""
    return {
        "class": "TPV",
        "device": "/dev/ttyS1",
        "mode": 3,
        "time": format_utc(START_UTC_S + t_s),
        "lat": round(latitude(t_s), 7),
        "lon": DEPOT[1],
        "altHAE": 20.0,
        "track": 0.0,
        "speed": 12.0 if is_moving(t_s) else 0.05,
        "eph": 6.0,
    }


def aboard(t_s: float) -> set[str]:
    """Which items are aboard, by letter."""
    return {name for name, (on_s, off_s) in _ABOARD.items() if on_s <= t_s < off_s}


def _is_heard(*what: object, percent: int) -> bool:
    return zlib.crc32(repr(what).encode()) % 100 < percent


def heard(started_s: float) -> list[Heard]:
    """What a round that starts then hears: four in five of what is aboard, little of what stands on the dock."""
    at_depot = started_s < LEFT_DEPOT_S
    answers = []
    for name, tag in TAGS.items():
        for antenna in (1, 2):
            near = at_depot and (name == "D" or name in aboard(10_000.0) | {"B"}) and name not in aboard(started_s)
            percent = 80 if name in aboard(started_s) else 5 if near else 0
            if _is_heard(name, antenna, round(started_s, 3), percent=percent):
                answers.append(Heard(tag, antenna, -52.0 if percent > 50 else -71.0, 3 if percent > 50 else 1))
    return answers


class Radio:
    """The same as a source for the simulated reader, whose clock shows the day's seconds; notes when it transmitted."""

    def __init__(self, *, most_dbm: float = 36.0) -> None:
        self.asked: list[tuple[float, float]] = []
        self.most_dbm = most_dbm

    def inventory(
        self, *, started_s: float, seconds: float, antennas: tuple[int, ...], power_dbm: float
    ) -> Sequence[Heard]:
        """What one round hears."""
        self.asked.append((started_s, started_s + seconds))
        assert power_dbm <= self.most_dbm
        return [answer for answer in heard(started_s) if answer.antenna in antennas]


def inputs(until_s: float = DURATION_S) -> Iterator[Input]:
    """Everything that the van's computer receives, from its start on, in order."""
    yield Boot(BOOT_MONO_S, format_utc(BOOT_MONO_S))
    yield ReaderState(BOOT_MONO_S + 1.0, "up")
    ports = list(_INPUTS)
    for second in range(2, int(until_s)):
        mono = BOOT_MONO_S + second
        while ports and ports[0][0] < second:
            _, port, on = ports.pop(0)
            yield PortInput(mono, port, on)
        yield Fix(mono + 0.1, tpv(second))
        if second % 2 == 0:
            reads = tuple(Read(mono + 0.2, h.tag, h.antenna, h.rssi_dbm, h.count) for h in heard(second - 2.0))
            yield Inventory(mono + 0.2, 2.0, (1, 2), reads)


def port_changes() -> Sequence[tuple[float, int, bool]]:
    """The reader's input ports: when, which, on or off."""
    return _INPUTS


def write_files(folder: Path, *, vehicle: str = VEHICLE) -> None:
    """Vehicle file, sites and register in a folder."""
    (folder / "geofences").mkdir(exist_ok=True)
    (folder / "geofences" / "sites.geojson").write_text(sites())
    (folder / "register.csv").write_text(REGISTER)
    (folder / "vehicle.toml").write_text(vehicle)
