"""A seed's week, whole: files by name, and the folder that a replay reads."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from tests.bench.steelbox.days import tell_week
from tests.bench.steelbox.goods import Goods, make_goods, register_csv
from tests.bench.steelbox.habits import Habits, choose
from tests.bench.steelbox.places import Place, geojson, make_places
from tests.bench.steelbox.record import record
from tests.bench.steelbox.story import Story


@dataclass(frozen=True, slots=True, eq=False)
class Week:
    """What one van did and what it had with it."""

    habits: Habits
    sites: list[Place]
    goods: Goods
    story: Story


def make_week(seed: int, *, days: int = 5) -> Week:
    """The week of a seed; the same seed gives the same week."""
    habits = choose(seed, days=days)
    sites, laybys = make_places(np.random.default_rng([seed, 2]))
    goods = make_goods(habits, [site.site or "" for site in sites], np.random.default_rng([seed, 3]))
    return Week(habits, sites, goods, tell_week(habits, goods, sites, laybys))


def recording(week: Week) -> tuple[Iterator[str], list[dict[str, Any]]]:
    """The lines of the recording, and the boots that `truth.json` tells of."""
    return record(week.story, week.goods, week.habits)


def write_week(week: Week, folder: Path) -> None:
    """Writes recording, sites, register, vehicle's file and truth into a folder, which is made if missing."""
    (folder / "geofences").mkdir(parents=True, exist_ok=True)
    (folder / "geofences" / "sites.geojson").write_text(json.dumps(geojson(week.sites), indent=1) + "\n", "utf-8")
    (folder / "register.csv").write_text(register_csv(week.goods, week.habits.vehicle), "utf-8")
    (folder / "vehicle.toml").write_text(vehicle_toml(week.habits), "utf-8")
    lines, boots = recording(week)
    with (folder / "recording.jsonl").open("w", encoding="utf-8") as file:
        file.writelines(lines)
    truth = week.story.truth() | {"boots": boots, "habits": _told(week.habits)}
    (folder / "truth.json").write_text(json.dumps(truth, indent=1) + "\n", "utf-8")


def vehicle_toml(habits: Habits) -> str:
    """The vehicle's file."""
    rows = [
        "[vehicle]",
        f'id = "{habits.vehicle}"',
        f'epc = "urn:epc:id:giai:9521141.7{int(habits.vehicle.rpartition("-")[2]):04d}"',
        'home = "depot"',
    ]
    inputs = (["doors = 1"] if habits.doors_wired else []) + (["ignition = 2"] if habits.ignition_wired else [])
    rows += ["", "[inputs]", *inputs] if inputs else []
    if habits.pause_when_open:
        rows += ["", "[rf_assessment]", 'by = "A. Ferrow"', "date = 2026-02-20"]
        rows += [f"power_dbm = {habits.radio.conducted_dbm}", 'people_inside = "pause"']
    return "\n".join(rows) + "\n"


def _told(habits: Habits) -> dict[str, Any]:
    radio, sky = habits.radio, habits.sky
    return {
        "size": habits.size.name, "power": habits.power, "session": radio.session, "antennas": radio.antennas,
        "faults": [list(fault) for fault in radio.faults], "doors": habits.doors_wired,
        "ignition": habits.ignition_wired, "pause": habits.pause_when_open, "conducted_dbm": radio.conducted_dbm,
        "quality": round(radio.quality, 1), "cage_db": round(radio.cage_db, 1),
        "side_wall_db": round(radio.side_wall_db, 1), "door_wall_db": round(radio.door_wall_db, 1),
        "every_s": sky.every_s, "lag_s": sky.lag_s, "lie": sky.lie, "speed": sky.says_speed, "dock": sky.dock,
        "jumps_per_h": sky.jumps_per_h, "reports_of": radio.reports_of,
    }  # fmt: skip
