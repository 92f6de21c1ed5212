"""Days on end: weeks of one van, and that what replay says of faulty days and weeks holds against formats.md."""

from __future__ import annotations

import csv
import io
import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from agent.records import Fix, Round
from agent.replay import replay
from agent.setup import read_setup
from agent.world import Day, Faults, Profile, day_files, make_week, record_day

SMALL = Profile(items=(8, 9), stops=(2, 3), long_stop=False)


def test_a_week(region: dict[str, Any]) -> None:
    """Days of one van on end: dates in order, nights at the depot, some deliveries collected on a later day."""
    week = make_week(2, sites=region, days=5)
    nights = week.nights
    assert len(nights) == 4
    assert all(b - a > 8 * 3600 for a, b in nights)
    assert all(day_site(week, (a + b) / 2) == "depot" and week.at_stop((a + b) / 2) for a, b in nights)
    dates = {move["time"][:10] for move in week.truth["moves"]}
    assert len(dates) == 5
    assert {row["date"] for row in csv.DictReader(io.StringIO(week.plan_csv))} == dates
    twice = [epc for epc in {m["epc"] for m in week.truth["moves"]} if loads(week, epc) > 1]
    assert len(twice) > 5


def test_some_nights_the_computer_stays_on(region: dict[str, Any]) -> None:
    """On most nights it dies, on some it has the depot's current and runs through."""
    through = []
    for seed in range(6):
        week = make_week(seed, sites=region, days=2, profile=SMALL)
        ((begin, end),) = week.nights
        through.append(any(on < begin + 3 * 3600 and end - 60 < off for on, off in week.boots))
    assert 0 < sum(through) < 4


def day_site(day: Day, at_s: float) -> str | None:
    """Where the van stands then."""
    return next(stop.site for stop in day.stops if stop.arrived_s <= at_s < stop.departed_s)


def loads(day: Day, epc: str) -> int:
    """How often this was carried on."""
    return sum(move["epc"] == epc and move["kind"] == "load" for move in day.truth["moves"])


def test_a_night_is_looked_at_now_and_then(region: dict[str, Any]) -> None:
    """A computer that stays on reads once a minute at night, and the van moves no metre."""
    week = make_week(5, sites=region, days=2, profile=SMALL, faults=Faults.parse("power-never-off"))
    ((begin, end),) = week.nights
    rounds = [line.mono - 12 for line in record_day(week, np.random.default_rng(9)) if isinstance(line, Round)]
    night = [at_s for at_s in rounds if begin + 60 < at_s < end]
    assert len(night) == pytest.approx((end - begin) / 62, rel=0.05)
    assert not week.speed_mps[int(begin) : int(end)].any()


REPLAYED = ("all", "roll-over")  # "all" has the others, and 1970 among them


@pytest.mark.parametrize("names", REPLAYED)
def test_replay_keeps_to_the_formats(region: dict[str, Any], names: str, conform: Path, tmp_path: Path) -> None:
    """Whatever a faulty day makes the tally say, its output holds against formats.md (the published checker)."""
    conforms(make_week(4, sites=region, days=1, profile=SMALL, faults=Faults.parse(names)), conform, tmp_path)


def test_a_week_keeps_to_the_formats(region: dict[str, Any], conform: Path, tmp_path: Path) -> None:
    """Two days with second trips, an antenna that is lost, cuts of power, and a night between."""
    week = make_week(
        4, sites=region, days=2, profile=SMALL, faults=Faults.parse("second-trips,dead-antenna,power-cuts")
    )
    conforms(week, conform, tmp_path)


def conforms(day: Day, conform: Path, folder: Path) -> None:
    """Replays the day and lets the checker judge."""
    for name, content in day_files(day, np.random.default_rng(1)).items():
        (folder / name).write_text("".join(content), encoding="utf-8")
    setup = read_setup(config=folder / "vehicle.toml", sites=folder / "sites.geojson", register=folder / "register.csv")
    summary = replay(setup, folder / "recording.jsonl", folder / "out")
    assert summary["skipped"] == {}
    assert summary["fixes"] == sum(isinstance(line, Fix) for line in record_day(day, np.random.default_rng(1)))
    done = subprocess.run(
        [sys.executable, str(conform), str(folder / "out")], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout
    assert json.loads((folder / "truth.json").read_text())["stops"]
