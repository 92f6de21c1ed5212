"""How the vehicle's store talks to SQLite: connections, their pragmas, what writer and reader both ask, and errors.

An error says what failed, where, and who must do what.
"""

from __future__ import annotations

import errno
import os
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from urllib.parse import quote

import msgspec

from agent.errors import DiskFullError, StoreDamagedError, StoreError
from agent.messages import DownLeaf, Downlink

_BUSY_TIMEOUT_S = 5.0
# Every commit writes whole pages, most of which change by a few hundred octets: small ones save a quarter of what a
# day writes.
PAGE_BYTES = 1024
# By the primary result code of https://www.sqlite.org/rescode.html.
_WHAT_TO_DO = {
    "BUSY": "another program keeps it locked; end that program",
    "LOCKED": "another program keeps it locked; end that program",
    "FULL": "the disk is full; free some space, nothing stored has been lost",
    "CORRUPT": "the file is damaged; the agent's next start sets it aside whole and begins a new one",
    "NOTADB": "this is no store, or damaged; move it away or set another path, else the next start sets it aside",
    "IOERR": "the disk failed; see the kernel's log, and replace the card or disk",
    "READONLY": "the file may not be written; let the agent's user own it and mount the disk for writing",
    "CANTOPEN": "the file cannot be opened; the folder must exist and belong to the agent's user",
    "PERM": "the file may not be written; let the agent's user own it",
}
_BY_CODE: dict[str, type[StoreError]] = {
    "FULL": DiskFullError,
    "CORRUPT": StoreDamagedError,
    "NOTADB": StoreDamagedError,
}
# What a full disk looks like where SQLite could not sync, make its -wal or lengthen its -shm.
_PERHAPS_FULL = frozenset({"IOERR", "CANTOPEN"})
_TRIED_BYTES = 65_536
# What Python itself says where a text's octets were spoilt.
_NO_TEXT = "Could not decode to UTF-8"
NO_SPACE = frozenset({errno.ENOSPC, errno.EDQUOT})


def connect(path: Path, *, writer: bool) -> sqlite3.Connection:
    """A connection in autocommit mode with WAL and synchronous=FULL; a reader's can neither write nor checkpoint.

    A writer's may only be used by the thread that opened it. A reader's file is opened read-only, so that not even the
    checkpoint that SQLite makes when the last connection is closed is its own: SQLite's WAL-reset race (fixed in
    3.51.3) needs two connections that write or checkpoint. Raises sqlite3.Error.
    """
    name = f"{path.absolute().as_uri()}?mode={'rwc' if writer else 'ro'}"
    connection = sqlite3.connect(
        name, uri=True, isolation_level=None, timeout=_BUSY_TIMEOUT_S, check_same_thread=writer
    )
    try:
        if writer:
            # A store that is there keeps its own (`agent.store_pages`). The log is copied into the file at 4 MB.
            connection.execute(f"PRAGMA page_size = {PAGE_BYTES}")
            connection.execute("PRAGMA wal_autocheckpoint = 4000")
            connection.execute("PRAGMA journal_mode = WAL")
            # FULL syncs the log at every commit: under NORMAL a power cut takes back what was committed.
            connection.execute("PRAGMA synchronous = FULL")
            connection.execute("PRAGMA foreign_keys = ON")
            # Debian's SQLite overwrites freed pages with zeros always, a fifth more of what a day writes; FAST does so
            # only where that costs no page more. What privacy deletes is `overwritten`.
            connection.execute("PRAGMA secure_delete = FAST")
        else:
            connection.execute("PRAGMA query_only = ON")
            connection.execute("PRAGMA wal_autocheckpoint = 0")
    except sqlite3.Error:
        connection.close()
        raise
    return connection


def look(path: Path) -> sqlite3.Connection:
    """A connection that leaves file and log as they are, even where its end would tidy up. Raises sqlite3.Error."""
    return sqlite3.connect(f"file:{quote(str(path.absolute()))}?mode=ro", uri=True, isolation_level=None, timeout=1.0)


def take_back(path: Path) -> None:
    """Let SQLite end a change that power cut short, where its journal is there: who only looks may not.

    The store has one only as its file is first made, or brought from one kind of log to the other; else it is a log
    that tells what is new. What SQLite makes of a damaged one is seen by who looks next.
    """
    if path.exists() and path.with_name(path.name + "-journal").exists():
        with suppress(sqlite3.Error), closing(sqlite3.connect(path, isolation_level=None)) as connection:
            connection.execute("PRAGMA schema_version").fetchone()


@contextmanager
def told(path: Path, doing: str) -> Iterator[None]:
    """Turn what SQLite raises while `doing` something into a StoreError that says what, where and what to do."""
    try:
        yield
    except sqlite3.ProgrammingError:
        raise  # a wrong thread, a closed store: our own mistake, not the disk's
    except sqlite3.Error as problem:
        name = getattr(problem, "sqlite_errorname", "") or "SQLITE_ERROR"
        code = name.removeprefix("SQLITE_").split("_")[0]
        if str(problem).startswith(_NO_TEXT):
            code = "CORRUPT"
        error = _BY_CODE.get(code, StoreError)
        if code in _PERHAPS_FULL and is_full(path.parent):
            code, error = "FULL", DiskFullError
        do = _WHAT_TO_DO.get(code, "this should not happen; report it")
        raise error(f"{path}: {doing} failed ({problem}, {name}); {do}.") from problem


def is_full(folder: Path) -> bool:
    """Whether not even 64 KiB can be written there for want of space; tried, for quotas show in no figure."""
    try:
        with tempfile.TemporaryFile(dir=folder, buffering=0) as file:
            os.posix_fallocate(file.fileno(), 0, _TRIED_BYTES)
            os.fsync(file.fileno())
    except OSError as problem:
        return problem.errno in NO_SPACE
    return False


@contextmanager
def overwritten(connection: sqlite3.Connection) -> Iterator[None]:
    """What is deleted inside goes from the file, too: its pages are filled with zeros as they become free.

    Else they would hold badges and reads until something else needs them, for months perhaps. For raw reads that is a
    thirtieth more than deleting them alone; for history blocks 2.4 MB a day. The write-ahead log holds older states of
    pages until it is written over, a few hours of work; what a card keeps behind its own back nobody can reach.
    """
    connection.execute("PRAGMA secure_delete = ON")
    try:
        yield
    finally:
        connection.execute("PRAGMA secure_delete = FAST")


def read_held(connection: sqlite3.Connection, leaf: DownLeaf) -> Downlink | None:
    """The last good version of what the dispatch side sent; None where it never did. Raises sqlite3.Error."""
    row = connection.execute("SELECT version, digest, content FROM held WHERE leaf = ?", (leaf,)).fetchone()
    return None if row is None else Downlink(leaf, row[0], row[1], msgspec.json.decode(row[2]))


@contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[None]:
    """All of what is done inside, or nothing."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        # A full disk or an I/O error may already have ended the transaction; a ROLLBACK would then hide the reason.
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise
