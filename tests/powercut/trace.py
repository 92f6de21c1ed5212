"""One run of the agent's real process over a day, with the log of what it did to its disk, and what it told when.

`lived` runs a process for each boot of the day, the shim before it; `Known` gathers what the marks in its log say.
"""

from __future__ import annotations

import os
import pickle
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Mapping
from contextlib import closing
from pathlib import Path

from msgspec import Struct
from msgspec.structs import replace

from agent.messages import decode_log
from agent.records import Input
from tests.powercut.day import ROOT, boots, write_day
from tests.powercut.disk import Note, Op, notes

SHIM = Path(__file__).with_name("shim.c")
STORE = "vehicle.db"
# Calls at which a cut may fall.
CUTS = frozenset(Op) - {Op.MARK, Op.SEEN, Op.MAPPED, Op.RANGE}
OF_NAMES = frozenset({Op.CREATE, Op.RENAME, Op.UNLINK, Op.MKDIR, Op.SYNC_FOLDER})
_BOOT_MOST_S = 900.0

Row = tuple[int, str, str]  # seq, kind, body


class Known(Struct, frozen=True):
    """What was told of the store up to a moment.

    `committed` is the highest number of `epoch` whose append returned, `published` the batches that left, `acked` the
    highest that an ack named, `checkpoints` the inputs that each checkpoint (by its hash) has taken in. `boot` and
    `mono`: when. After damage the store that is to come is of the second epoch.
    """

    epoch: int = 1
    committed: int = 0
    acked: int = 0
    published: tuple[bytes, ...] = ()
    checkpoints: dict[str, int] = {}
    checkpoint: str | None = None  # of the last append that returned
    boot: int = 0
    mono: float = 0.0
    last_state: str = ""
    taken_before: int = 0

    def after(self, mark: bytes) -> Known:  # noqa: PLR0911 - one for each mark
        """With one more mark."""
        what, rest = mark[:1], mark[1:]
        if what == b"P":
            return replace(self, published=(*self.published, rest))
        if what in (b"D", b"L"):
            return replace(self, epoch=self.epoch + 1, committed=0, acked=0) if what == b"D" else self
        told = pickle.loads(rest)  # noqa: S301 - the child's own marks
        if what == b"N":
            return replace(self, boot=told[0], mono=told[1])
        if what == b"S":  # a boot ended in order: its last checkpoint has taken in all of it
            return replace(self, boot=told[0], mono=told[1], taken_before=max(self.checkpoints.values(), default=0))
        if what == b"A":
            return replace(self, acked=max(self.acked, told[1])) if told[0] == self.epoch else self
        if what == b"B":
            taken, state, _ = told
            return replace(self, checkpoints=_moved_last(self.checkpoints, state, self.taken_before + taken),
                           last_state=state)  # fmt: skip
        first, last = told
        return replace(self, committed=max(self.committed, last) if last >= first else self.committed,
                       checkpoint=self.last_state)  # fmt: skip


def _moved_last(before: Mapping[str, int], name: str, taken: int) -> dict[str, int]:
    """With one more; the order is that of the appends."""
    return {key: value for key, value in before.items() if key != name} | {name: taken}


class Trace(Struct, frozen=True):
    """A lived day: its folder, the log, the inputs as the agent took them, and its records at the end.

    `there` are those that the dispatch side ends with, each with its epoch: what was sent before a damage, too.
    """

    folder: Path
    disk: Path
    log: Path
    took: tuple[Input, ...]
    records: tuple[Row, ...]
    there: tuple[tuple[int, int, str, str], ...]

    def cuts(self, *, within: tuple[bytes, bytes] | None = None, of: frozenset[Op] = CUTS) -> tuple[int, ...]:
        """Numbers of the notes at which power may go; those between a first mark and the next of another kind."""
        found, inside, over = [], within is None, False
        for number, note in enumerate(notes(self.log)):
            if note.op is Op.MARK and within is not None:
                over = over or (inside and note.a.startswith(within[1]))
                inside = inside or note.a.startswith(within[0])
            if inside and not over and note.op in of:
                found.append(number)
        return tuple(found)


def compiler() -> str | None:
    """The machine's C compiler, None where it has none."""
    return next((found for name in ("cc", "gcc", "clang") if (found := shutil.which(name))), None)


def compiled(folder: Path) -> Path:
    """The shim as a library in a folder. Raises RuntimeError with what the compiler says."""
    out, cc = folder / "shim.so", compiler()
    if cc is None:
        raise RuntimeError("there is no C compiler here: install gcc and libc6-dev")
    command = [cc, "-O2", "-Wall", "-Wextra", "-Werror", "-shared", "-fPIC", "-o", out, SHIM, "-ldl", "-lpthread"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        raise RuntimeError(f"the shim does not compile:\n{done.stderr}")
    return out


def lived(name: str, folder: Path, *, wrong: str | None = None, before: str | None = None) -> Trace:
    """Live a day in a folder, which must be empty; `wrong` is a mistake of `child`, `before` its second boot's fate."""
    folder = folder.resolve()
    day, disk, log = folder / "day", folder / "disk", folder / "calls.log"
    day.mkdir()
    disk.mkdir()
    write_day(name, day)
    shim = compiled(folder)
    around = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "PYTHONPATH": str(ROOT)}
    around |= {"LD_PRELOAD": str(shim), "POWERCUT_FOLDER": str(disk), "POWERCUT_LOG": str(log)}
    took: list[Input] = []
    for number in range(len(boots(day))):
        command = [sys.executable, "-m", "tests.powercut.child", day, disk / STORE, str(number)]
        done = subprocess.run(
            [*command, *(["--wrong", wrong] if wrong else []), *(["--before", before] if before and number else [])],
            env=around,
            timeout=_BOOT_MOST_S,
            capture_output=True,
            text=True,
            check=False,
        )
        if done.returncode:
            raise RuntimeError(f"boot {number} ended with {done.returncode}:\n{done.stderr[-2000:]}")
        took += pickle.loads((day / f"took-{number}.pickle").read_bytes())  # noqa: S301 - the child's own
    records = records_of(disk / STORE)
    return Trace(day, disk, log, tuple(took), records, _there(log, disk / STORE))


def _there(log: Path, path: Path) -> tuple[tuple[int, int, str, str], ...]:
    found: dict[tuple[int, int], tuple[str, str]] = {}
    for note in notes(log):
        if note.op is Op.MARK and note.a[:1] == b"P":
            batch = decode_log(note.a[1:])
            found |= {(batch.epoch, each.seq): (each.kind, bytes(each.body).decode()) for each in batch.records}
    with closing(sqlite3.connect(path)) as store:
        for epoch, *row in store.execute("SELECT epoch, seq, kind, body FROM record"):
            found[epoch, row[0]] = (row[1], row[2])
    return tuple((*name, *what) for name, what in sorted(found.items()))


def records_of(path: Path) -> tuple[Row, ...]:
    """A store's records in order."""
    with closing(sqlite3.connect(path)) as store:
        return tuple(store.execute("SELECT seq, kind, body FROM record ORDER BY id").fetchall())


def moved(known: Known, note: Note) -> Known:
    """What is known after one note of the log."""
    return known.after(note.a) if note.op is Op.MARK else known
