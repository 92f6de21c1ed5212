"""Space that is the store's own: a file beside it, given up piece by piece when the disk is full.

Whatever fills the disk may take what is given up; therefore a piece goes only when a custody record needs it, and the
record is committed at once. The whole of it is made again when there is room for it and as much again. On a file system
that writes everything anew elsewhere (btrfs, f2fs, a card's own remapping aside) given-up space is not always free at
once; then the record waits in memory.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from agent.errors import StoreError
from agent.store_connection import NO_SPACE

# A commit with a custody record is some tens of KiB; a piece is room for a few. Judgement.
PIECE_BYTES = 256 * 1024


class Reserve:
    """The reserve of the store at `path`. Raises StoreError where the folder may not be written at all."""

    def __init__(self, path: Path, *, size_bytes: int) -> None:
        self._path = reserve_of(path)
        self._size_bytes = size_bytes

    @property
    def left_bytes(self) -> int:
        """How much of it is still held."""
        return self._path.stat().st_size if self._path.exists() else 0

    def give_up(self) -> bool:
        """Free a piece; False where nothing is left."""
        left_bytes = self.left_bytes
        if left_bytes == 0:
            return False
        with _told(self._path):
            os.truncate(self._path, max(left_bytes - PIECE_BYTES, 0))
        return True

    def is_whole(self) -> bool:
        """Whether all of it is held, made again where it was not, and as much again is free beside it.

        Nothing is taken from a disk that has less: the last free space is somebody's.
        """
        free = os.statvfs(self._path.parent)
        missing_bytes = self._size_bytes - self.left_bytes
        if free.f_bavail * free.f_frsize < missing_bytes + self._size_bytes:
            return False
        if missing_bytes <= 0:
            return True
        with _told(self._path):
            return self._made()

    def _made(self) -> bool:
        left_bytes = self.left_bytes
        try:
            file = os.open(self._path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        except OSError as problem:
            if problem.errno in NO_SPACE:
                return False
            raise
        try:
            os.posix_fallocate(file, 0, self._size_bytes)
            os.fsync(file)
        except OSError as problem:
            if problem.errno not in NO_SPACE:
                raise
            os.ftruncate(file, left_bytes)
            return False
        finally:
            os.close(file)
        return True


@contextmanager
def _told(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as problem:
        raise StoreError(
            f"{path}: the reserve cannot be kept ({problem.strerror}); let the agent's user own folder and file."
        ) from problem


def reserve_of(path: Path) -> Path:
    """The file that the reserve of a store is."""
    return path.with_name(path.name + ".reserve")
