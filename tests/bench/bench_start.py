"""From process start to the first read that is safe in the store, reader and receiver already up.

    python tests/bench/bench_start.py

Each run starts `roadtally run` on a store that is not there yet. What is timed is seen from outside: the simulated
reader's view of the connection, and another process's view of the SQLite file, looked at every 2 ms.
"""

from __future__ import annotations

import sqlite3
import sys
import time
from collections.abc import Callable, Sequence
from contextlib import closing
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

import psutil  # noqa: E402 - after the path is set, as all below

from tests.bench.common import Figure, main, show  # noqa: E402
from tests.bench.rig import Rig  # noqa: E402

STARTS, START_S = 7, 2.0
DEADLINE_S = 30.0
LOOK_S = 0.002


class Start(NamedTuple):
    """Seconds from the process's start until each thing was so, and the processor's time that the process had used."""

    connected_s: float
    reading_s: float
    stored_s: float
    processor_s: float


def start(rig: Rig) -> Start:
    """Start the agent once, and end it when the first read is stored."""
    began_s = time.perf_counter()
    agent = psutil.Process(rig.start().pid)

    def after(is_so: Callable[[], bool]) -> float:
        while not is_so():
            rig.look()
            if time.perf_counter() - began_s > DEADLINE_S:
                raise TimeoutError(f"nothing stored within {DEADLINE_S:g} s")
            time.sleep(LOOK_S)
        return time.perf_counter() - began_s

    connected_s = after(lambda: rig.reader.is_connected)
    reading_s = after(lambda: rig.reader.is_transmitting)
    # Not before the agent has made it a WAL file: a look at that moment could be in its way.
    after(rig.store.with_name(f"{rig.store.name}-wal").exists)
    with closing(sqlite3.connect(f"file:{rig.store}?mode=ro", uri=True)) as beside:

        def has_read() -> bool:
            try:
                return beside.execute("SELECT 1 FROM reading LIMIT 1").fetchone() is not None
            except sqlite3.OperationalError as problem:
                if "no such table" in str(problem):
                    return False
                raise

        stored_s = after(has_read)
    used = agent.cpu_times()
    rig.end()
    return Start(connected_s, reading_s, stored_s, used.user + used.system)


def measure(quick: bool) -> Sequence[Figure]:  # noqa: FBT001 - what common.main calls
    """All figures, printed."""
    with Rig(tags=100, antennas=(1, 2)) as rig:
        runs = [start(rig) for _ in range(1 if quick else STARTS)]
    figures = [
        Figure("process start to connected to the reader", "s", [each.connected_s for each in runs]),
        Figure("  to the first round begun", "s", [each.reading_s for each in runs]),
        Figure("  to the first read stored", "s", [each.stored_s for each in runs], most=START_S),
        Figure("  of it processor time", "s", [each.processor_s for each in runs]),
    ]
    show("start", figures, notes=["a new store; the program's files in the system's cache, as after the first start"])
    return figures


if __name__ == "__main__":
    main(__doc__, measure)
