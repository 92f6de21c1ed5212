"""An older store's pages of 4,096 octets become pages of 1,024, as new stores have them; at a start, under its lock.

Every commit writes whole pages, most of which change by a few hundred octets: small ones save a quarter of what a day
writes. A store is written anew into a file beside it, which takes its place by one renaming, so that a power cut leaves
one of the two. Whatever is in the way (no space, somebody who reads, damage in the raw reads) leaves the store as it
is, for the next start to try: nothing depends on it.
"""

from __future__ import annotations

import logging
import os
import sqlite3
from contextlib import closing, suppress
from pathlib import Path

from agent.store_connection import PAGE_BYTES, connect
from agent.store_folder import sync_folder

# A card writes some 10 MB/s, and a start has a minute until systemd takes it for stuck. Judgement.
MOST_BYTES = 200_000_000
# What stays free beside the second file.
_SPARE_BYTES = 16_000_000
_LOG = logging.getLogger(__name__)


def make_pages_small(path: Path) -> bool:
    """Write the store at `path` anew with small pages where it has others; whether that was done.

    The caller holds the store's lock and has found the store sound. Never raises for what the disk or SQLite refuse.
    """
    new = path.with_name(path.name + ".small")
    try:
        for left in (new, new.with_name(new.name + "-journal")):  # a cut on the way
            left.unlink(missing_ok=True)
        if _page_bytes(path) in (None, PAGE_BYTES) or not _has_room(path):
            return False
        _write(path, new)
        sync_folder(path.parent)  # the old log is gone for certain: it would be taken for the new file's
        new.rename(path)
        sync_folder(path.parent)
    except (OSError, sqlite3.Error) as problem:
        _LOG.warning("store-pages", extra={"path": str(path), "error": str(problem)})
        with suppress(OSError):  # the next start takes it away
            new.unlink(missing_ok=True)
        return False
    _LOG.info("store-pages", extra={"path": str(path), "bytes": path.stat().st_size})
    return True


def _page_bytes(path: Path) -> int | None:
    """By https://www.sqlite.org/fileformat2.html#page_size; None where there is no store yet."""
    try:
        with path.open("rb") as file:
            file.seek(16)
            two = file.read(2)
    except FileNotFoundError:
        return None
    return None if len(two) < 2 else int.from_bytes(two, "big")  # noqa: PLR2004 - it has two octets


def _has_room(path: Path) -> bool:
    log = path.with_name(path.name + "-wal")
    size_bytes = path.stat().st_size + (log.stat().st_size if log.exists() else 0)
    free = os.statvfs(path.parent)
    return size_bytes <= MOST_BYTES and free.f_bavail * free.f_frsize >= size_bytes + _SPARE_BYTES


def _write(path: Path, new: Path) -> None:
    with closing(connect(path, writer=True)) as connection:
        # Empties the log into the file and ends it; refused while anybody has the store open.
        (mode,) = connection.execute("PRAGMA journal_mode = DELETE").fetchone()
        if mode != "delete":
            raise sqlite3.OperationalError(f"another process reads it (journal mode {mode})")
        connection.execute(f"PRAGMA page_size = {PAGE_BYTES}")
        connection.execute("VACUUM INTO ?", (str(new),))
    with new.open("rb") as file:
        os.fsync(file.fileno())  # SQLite leaves it to us
