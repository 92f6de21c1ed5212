"""What the agent writes to its disk in a simulated day of 8 h with 105 tags: bytes, syncs, and what they are.

    python tests/bench/bench_disk.py

The day is lived by the agent's real process (the power-cut bench's), all of whose writes and syncs a preloaded shim
counts at the system call: write-ahead log and what is copied from it into the database, each once. `write_bytes` of the
kernel would count its pages of 4096 bytes, and in memory nothing. The same day writes the same bytes: one run is all.
"""

from __future__ import annotations

import pickle
import sys
import tempfile
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from tests.bench.common import SCRATCH, Figure, main, show  # noqa: E402 - after the path is set
from tests.powercut.disk import Op, notes  # noqa: E402
from tests.powercut.trace import STORE, lived  # noqa: E402

MOST_MB = 30.0


def measure(quick: bool) -> Sequence[Figure]:  # noqa: FBT001 - what common.main calls
    """All figures, printed."""
    names: dict[int, str] = {}
    written: Counter[str] = Counter()
    syncs = appends = cores = 0
    with tempfile.TemporaryDirectory(dir=SCRATCH) as name:
        trace = lived("tiny" if quick else "long", Path(name))
        for note in notes(trace.log):
            if note.op in (Op.CREATE, Op.SEEN):
                names[note.inode] = Path(note.a.decode()).name.removeprefix(STORE) or "the file itself"
            elif note.op is Op.WRITE:
                written[names[note.inode]] += len(note.a)
            elif note.op in (Op.SYNC, Op.SYNC_FOLDER):
                syncs += 1
            elif note.op is Op.MARK and note.a[:1] == b"B":
                appends += 1
                cores += pickle.loads(note.a[1:])[2]  # noqa: S301 - the child's own marks
    figures = [
        Figure("written in a day, 105 tags", "MB", [written.total() / 1e6], most=MOST_MB),
        Figure("  write-ahead log", "MB", [written["-wal"] / 1e6]),
        Figure("  copied from it into the file", "MB", [written["the file itself"] / 1e6]),
        Figure("  checkpoint cores, of the log", "MB", [cores / 1e6]),
        Figure("commits in a day", "", [appends]),
        Figure("fsyncs in a day", "", [syncs]),
    ]
    show("disk", figures, notes=[f"{len(trace.records)} custody records; counted at the system call"])
    return figures


if __name__ == "__main__":
    main(__doc__, measure)
