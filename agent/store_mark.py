"""When the store was last known to be good: a small file beside it, for the day on which the store itself is no more.

Written anew whole, by renaming; where there is no space for it the older one stays.
"""

from __future__ import annotations

import os
from pathlib import Path

import msgspec
from msgspec import Struct

from agent.errors import StoreError
from agent.store_connection import NO_SPACE


class Mark(Struct, frozen=True):
    """The store as it was at `at` (UTC; None where no time was trusted): its epoch, last record and boot."""

    at: str | None
    epoch: int
    seq: int
    boot: int


def write_mark(path: Path, mark: Mark) -> bool:
    """Write the mark of the store at `path`; False where there is no space. Raises StoreError for other failures."""
    new = _new_of(path)
    try:
        with new.open("wb") as file:
            file.write(msgspec.json.encode(mark))
            file.flush()
            os.fsync(file.fileno())
        new.replace(mark_of(path))
    except OSError as problem:
        if problem.errno in NO_SPACE:
            new.unlink(missing_ok=True)
            return False
        raise StoreError(
            f"{new}: cannot be written ({problem.strerror}); let the agent's user own the folder, see the kernel's log."
        ) from problem
    return True


def read_mark(path: Path) -> Mark | None:
    """The mark of the store at `path`; None where there is none that can be read."""
    try:
        return msgspec.json.decode(mark_of(path).read_bytes(), type=Mark)
    except (OSError, msgspec.DecodeError, UnicodeDecodeError):
        return None


def mark_of(path: Path) -> Path:
    """The file that the mark of a store is."""
    return path.with_name(path.name + ".mark")


def _new_of(path: Path) -> Path:
    return path.with_name(path.name + ".mark-new")
