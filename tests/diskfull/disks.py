"""Small disks that can be filled to the last byte, and which of them this machine can have.

tmpfs: a file system in memory of a few MB; needs root, or a namespace in which one is root (`unshare -rm`).
ext4: a real one in a file, by a loop device; needs root: journal, delayed allocation, blocks that are freed late.
pages: SQLite's own limit on its file's pages; needs nothing, but only SQLite's SQLITE_FULL is seen, no file can be full
beside it, and the reserve frees nothing.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Literal

Kind = Literal["tmpfs", "ext4", "pages"]
SIZE_MB = {"tmpfs": 6, "ext4": 16}
# How much of a disk that has no limit of its own is counted as a piece when it is filled up again.
_BLOCK_BYTES = 64 * 1024


class Disk:
    """A folder on a small disk."""

    def __init__(self, folder: Path, kind: Kind) -> None:
        self.folder, self.kind = folder, kind
        self._filler = folder / "something-else"
        self.is_full = False
        self.left_bytes = 0

    def fill(self, left_bytes: int = 0) -> None:
        """Something else takes all that is free but `left_bytes`, and then every byte that becomes free."""
        self.is_full, self.left_bytes = True, left_bytes
        self.top_up()

    def top_up(self) -> None:
        """It takes again whatever is free."""
        if self.kind == "pages" or not self.is_full:
            return
        with self._filler.open("ab", buffering=0) as file:
            size = _BLOCK_BYTES
            while size and self.free_bytes() > self.left_bytes:
                try:
                    file.write(b"\xff" * min(size, self.free_bytes() - self.left_bytes))
                except OSError:
                    size //= 2
            os.fsync(file.fileno())

    def empty(self) -> None:
        """It gives everything back."""
        self._filler.unlink(missing_ok=True)
        self.is_full = False

    def free_bytes(self) -> int:
        """What anybody may still take."""
        found = os.statvfs(self.folder)
        return found.f_bavail * found.f_frsize

    def limit(self, connection: sqlite3.Connection) -> None:
        """Where SQLite itself is the limit, hold a store to it as long as the disk is full."""
        if self.kind == "pages":
            (pages,) = connection.execute("PRAGMA page_count").fetchone()
            most = pages if self.is_full else 1_000_000
            connection.execute(f"PRAGMA max_page_count = {most}")


@contextmanager
def disk(kind: Kind) -> Iterator[Disk]:
    """A disk of that kind, gone afterwards. Raises OSError where this machine gives none."""
    with tempfile.TemporaryDirectory() as outside:
        folder = Path(outside) / "disk"
        folder.mkdir()
        if kind == "pages":
            yield Disk(folder, kind)
            return
        if kind == "tmpfs":
            _run("mount", "-t", "tmpfs", "-o", f"size={SIZE_MB[kind]}m", "none", str(folder))
        else:
            image = Path(outside) / "image"
            with image.open("wb") as file:
                file.truncate(SIZE_MB[kind] * 1024 * 1024)
            # Blocks as on any card of a GB or more. With blocks below a page (mkfs's own choice for so small a disk)
            # SQLite's guard against a full disk reaches one block in four of its -shm, and the process gets SIGBUS.
            _run("mkfs.ext4", "-q", "-m", "0", "-b", "4096", str(image))
            _run("mount", "-o", "loop", str(image), str(folder))
        try:
            yield Disk(folder, kind)
        finally:
            _run("umount", "--lazy", str(folder))


def kinds() -> tuple[Kind, ...]:
    """Those that this machine gives, tried."""
    found: list[Kind] = []
    for kind in ("tmpfs", "ext4"):
        try:
            with disk(kind):  # type: ignore[arg-type] # a tuple's members are plain text to mypy
                found.append(kind)  # type: ignore[arg-type]
        except OSError:
            continue
    return (*found, "pages")


def _run(*command: str) -> None:
    found = shutil.which(command[0])
    if found is None:
        raise OSError(f"{command[0]} is not on this machine")
    done = subprocess.run([found, *command[1:]], capture_output=True, text=True, check=False)
    if done.returncode:
        raise OSError(f"{' '.join(command)}: {done.stderr.strip()}")
