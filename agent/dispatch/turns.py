"""Who may write to the dispatch side's SQLite file: one connection at a time, of all threads and processes.

SQLite's own lock would do for transactions, but not for checkpoints: up to 3.51.2 a checkpoint that runs while another
connection commits can leave part of a transaction out of the database (the WAL-reset bug, https://www.sqlite.org/wal.
html#walresetbug). So no connection checkpoints by itself; a checkpoint is made by the one whose turn it is, and nobody
commits in the meantime. A turn is a lock on a file beside the database, which the kernel gives back when its holder
dies. (The last connection to be closed checkpoints too: it is alone then, which SQLite makes sure of.)
"""

from __future__ import annotations

import fcntl
import os
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import sqlalchemy as sa

_LONGEST_WAIT_S = 10.0
_LOOK_EVERY_S = 0.002
_WORK_UNTIL_CHECKPOINT = 1000
"""Records; a transaction counts for ten at least. A few megabytes of log. Judgement."""
_LEAST_WORK = 10
_MENDED, _MENDED_OLDER = (3, 51, 3), ((3, 44, 6), (3, 50, 7))


class NoTurnError(Exception):
    """Another process has held its turn for too long."""


class Turns:
    """Turns at writing to one database; `path` is its file, None where it is no SQLite file."""

    def __init__(self, path: Path | None) -> None:
        """Raises OSError where the file beside it cannot be made."""
        self._here = threading.Lock()
        self._file: int | None = None
        self._work = 0
        if path is not None:
            # Not the database itself: closing any descriptor of that would give back SQLite's own locks on it.
            self._file = os.open(f"{path}-turn", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)

    def close(self) -> None:
        """Give the file back."""
        with self._here:
            if self._file is not None:
                os.close(self._file)
                self._file = None

    @contextmanager
    def one(self, *, wait_s: float = _LONGEST_WAIT_S) -> Iterator[None]:
        """Have a turn; raises NoTurnError where none came within `wait_s`."""
        if not self._here.acquire(timeout=wait_s):
            raise NoTurnError("another thread has been writing for too long")
        try:
            self._lock(time.monotonic() + wait_s)
            try:
                yield
            finally:
                if self._file is not None:
                    fcntl.flock(self._file, fcntl.LOCK_UN)
        finally:
            self._here.release()

    def _lock(self, end_s: float) -> None:
        while self._file is not None:
            try:
                fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                if time.monotonic() >= end_s:
                    raise NoTurnError("another process has been writing for too long") from None
                time.sleep(_LOOK_EVERY_S)
            else:
                return

    def is_checkpoint_due(self, work: int) -> bool:
        """Whether enough was written since the last one; `work` is what this turn wrote, in records."""
        self._work += max(work, _LEAST_WORK)
        if self._file is None or self._work < _WORK_UNTIL_CHECKPOINT:
            return False
        self._work = 0
        return True


def is_mended(version: tuple[int, int, int]) -> bool:
    """Whether this version of SQLite is without the WAL-reset bug."""
    return version >= _MENDED or any(version[:2] == each[:2] and version >= each for each in _MENDED_OLDER)


def checkpoint(engine: sa.Engine) -> tuple[int, int, int]:
    """Bring the log's pages into the database, as far as readers allow; whose turn it is calls it.

    Returns what SQLite says: whether it was busy, the log's pages, and how many of them are in the database.
    """
    raw = engine.raw_connection()
    try:
        cursor = raw.cursor()
        busy, pages, brought = cursor.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchone()
        cursor.close()
    finally:
        raw.close()
    return busy, pages, brought
