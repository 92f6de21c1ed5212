"""The agent live at 400 tag reports a second: its share of one core, and its memory.

    python tests/bench/bench_live.py

`roadtally run` as a process of its own on real sockets and in real time: the simulated reader by LLRP over TCP, a fix a
second from the gpsd stand-in, a broker on this computer, the SQLite store with its checkpoints. 400 reports a second is
what a fixed reader delivers (common practice, no source). The client asks for one report per tag and antenna in a round
of 2 s, so 200 tags on 4 antennas make 400; 400 tags on 2 antennas make as many and are harder for the tally.
Processor time is user and system of the agent alone, over the whole window; its seconds are the runs.
"""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

import psutil  # noqa: E402 - after the path is set, as all below

from tests.bench.common import Figure, main, show  # noqa: E402
from tests.bench.rig import Rig  # noqa: E402

CPU_PERCENT, MEMORY_MB = 10.0, 100.0
WINDOW_S, HARDER_WINDOW_S, PART_S = 60.0, 30.0, 10.0
WARM_UP_ROUNDS = 5
_RSS = "import agent.run, resource; print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)"


class Window(NamedTuple):
    """Per cent of a core in each part and over all, reports a second, memory in MB: highest seen and at the end."""

    parts: list[float]
    whole: float
    reports_per_s: float
    peak_mb: float
    own_mb: float


def watch(rig: Rig, *, window_s: float, warm_up_rounds: int) -> Window:
    """Start the agent, let it settle for some rounds, measure, and see that all that was reported is in the store."""
    agent = psutil.Process(rig.start().pid)
    deadline_s = time.monotonic() + 30.0
    while rig.reader.rounds < warm_up_rounds:
        rig.look()
        if time.monotonic() > deadline_s:
            raise TimeoutError("the agent does not read")
        time.sleep(0.05)
    parts: list[float] = []
    peak = 0
    first_rounds = rig.reader.rounds
    began_s = last_s = time.monotonic()
    began_used = last_used = _used(agent)
    while last_s - began_s < window_s:
        time.sleep(1.0)
        rig.look()
        peak = max(peak, agent.memory_info().rss)
        now_s = time.monotonic()
        if now_s - last_s >= min(PART_S, window_s) - 0.01:
            used = _used(agent)
            parts.append(100.0 * (used - last_used) / (now_s - last_s))
            last_s, last_used = now_s, used
    seconds = last_s - began_s
    reports = (rig.reader.rounds - first_rounds) * len(rig.hold.tags) * len(rig.antennas)
    own = agent.memory_full_info().uss
    rig.stop()
    stored, answers = rig.stored(), rig.hold.answers
    # The round under way at the end is not told.
    if not answers - answers / rig.hold.asked <= stored <= answers:
        raise RuntimeError(f"the tags answered {answers} times, and the store holds {stored}")
    whole = 100.0 * (last_used - began_used) / seconds
    return Window(parts, whole, reports / seconds, peak / 2**20, own / 2**20)


def _used(agent: psutil.Process) -> float:
    times = agent.cpu_times()
    return float(times.user + times.system)


def imports_mb() -> float:
    """What a process holds that has only imported the agent."""
    told = subprocess.run([sys.executable, "-c", _RSS], cwd=ROOT, check=True, capture_output=True, text=True)
    return int(told.stdout) / 1024


def measure(quick: bool) -> Sequence[Figure]:  # noqa: FBT001 - what common.main calls
    """All figures, printed."""
    told: list[Figure] = []
    rooms: list[tuple[int, tuple[int, ...], float, bool]]
    rooms = [(200, (1, 2, 3, 4), WINDOW_S, True), (400, (1, 2), HARDER_WINDOW_S, False)]
    if quick:
        rooms = [(200, (1, 2, 3, 4), 1.0, True)]
    for tags, antennas, window_s, is_target in rooms:
        with Rig(tags=tags, antennas=antennas) as rig:
            seen = watch(rig, window_s=window_s, warm_up_rounds=1 if quick else WARM_UP_ROUNDS)
        figures = [
            Figure("reports a second", "/s", [seen.reports_per_s]),
            Figure("share of one core, whole window", "%", [seen.whole], most=CPU_PERCENT if is_target else None),
            Figure(f"  in parts of {PART_S:g} s", "%", seen.parts),
            Figure("memory, highest", "MB", [seen.peak_mb], most=MEMORY_MB if is_target else None),
            Figure("  of it shared with no other process", "MB", [seen.own_mb]),
        ]
        show(f"live: {tags} tags on {len(antennas)} antennas, {window_s:g} s", figures)
        told += figures
    imported = Figure("memory after the imports alone", "MB", [imports_mb() for _ in range(1 if quick else 3)])
    show("live: imports", [imported])
    return [*told, imported]


if __name__ == "__main__":
    main(__doc__, measure)
