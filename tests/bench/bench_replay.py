"""A van's day replayed: how many times faster than it was lived, and in how much memory.

    python tests/bench/bench_replay.py

The day is the simulated world's: some eight hours with power, some 100 tags in play, a round every 2 s while parked. It
is recorded once; each run is `roadtally replay` as a fresh process. Speed is powered time over the time that replaying
took as `summary.json` tells it; the whole process stands beside it, start and imports included. The processor's
time says what a machine with nothing else to do would need.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

import numpy as np  # noqa: E402 - after the path is set, as all below

from agent.world import Day, Profile, day_files, make_day  # noqa: E402
from tests.bench.common import RUNS, Figure, main, show  # noqa: E402

SPEED, MEMORY_MB = 5_000.0, 200.0
# 8 h of power and 105 tags: 67 registered items, the rest strangers' at the docks, badges and a fixture.
LONG = (21, Profile(items=(40, 41), stops=(13, 14)))
SHORT = (3, Profile(items=(8, 9), stops=(2, 3), long_stop=False))


class Run(NamedTuple):
    """One replay: seconds by its own account, of the whole process and of the processor; peak memory in MB."""

    told_s: float
    whole_s: float
    processor_s: float
    peak_mb: float


def record(folder: Path, seed: int, profile: Profile) -> Day:
    """The day's files in `folder`."""
    sites = json.loads((ROOT / "geofences" / "region.geojson").read_text(encoding="utf-8"))
    day = make_day(seed, sites=sites, profile=profile)
    for name, content in day_files(day, np.random.default_rng(seed)).items():
        with (folder / name).open("w", encoding="utf-8") as file:
            file.writelines([content] if isinstance(content, str) else content)
    return day


def replay(folder: Path) -> Run:
    """Replay the day of `folder` in a process of its own."""
    command = [sys.executable, "-m", "agent", "replay", "recording.jsonl", "--config", "vehicle.toml"]
    command += ["--sites", "sites.geojson", "--register", "register.csv", "--plan", "plan.csv", "--out", "out"]
    began_s = time.perf_counter()
    process = subprocess.Popen(
        command, cwd=folder, env={**os.environ, "PYTHONPATH": str(ROOT)}, stdout=subprocess.DEVNULL
    )
    _, status, used = os.wait4(process.pid, 0)
    whole_s = time.perf_counter() - began_s
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise RuntimeError(f"replay ended with {process.returncode}")
    told = json.loads((folder / "out" / "summary.json").read_bytes())
    return Run(told["seconds"], whole_s, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024)


def measure(quick: bool) -> Sequence[Figure]:  # noqa: FBT001 - what common.main calls
    """All figures, printed."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        day = record(folder, *(SHORT if quick else LONG))
        powered_s = sum(off - on for on, off in day.boots)
        runs = [replay(folder) for _ in range(1 if quick else RUNS)]
        summary = json.loads((folder / "out" / "summary.json").read_bytes())
        lines = (folder / "recording.jsonl").stat().st_size
    figures = [
        Figure("replay, times real time", "x", [powered_s / each.told_s for each in runs], least=SPEED),
        Figure("  whole process, imports included", "x", [powered_s / each.whole_s for each in runs]),
        Figure("  by the processor's time", "x", [powered_s / each.processor_s for each in runs]),
        Figure("  reads a second", "/s", [summary["reads"] / each.told_s for each in runs]),
        Figure("peak memory", "MB", [each.peak_mb for each in runs], most=MEMORY_MB),
    ]
    parked_s = sum(stop.departed_s - stop.arrived_s for stop in day.stops)
    note = (
        f"{powered_s / 3600:.1f} h with power, {parked_s / 3600:.1f} h of the day parked at {len(day.stops)} stops,"
        f" {len(day.tags)} tags, {summary['reads']:,} reads in {summary['rounds']:,} rounds,"
        f" {summary['fixes']:,} fixes, {lines / 1e6:.0f} MB"
    )
    show("replay", figures, notes=[note])
    return figures


if __name__ == "__main__":
    main(__doc__, measure)
