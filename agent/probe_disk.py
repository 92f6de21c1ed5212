"""`check`'s look at the disk: free space, SQLite, whether the store opens, and whether the agent runs now; floor 3.

Changes nothing: an existing store is opened to read, a missing one is not made; a file without a name is written to the
folder and gone again.
"""

from __future__ import annotations

import fcntl
import os
import shutil
import sqlite3
import tempfile
from contextlib import suppress
from pathlib import Path

from agent.errors import StoreError
from agent.findings import Finding
from agent.store_aside import damage_of, set_aside_before
from agent.store_connection import look, told
from agent.store_lock import lock_path
from agent.store_mark import read_mark
from agent.store_reserve import Reserve, reserve_of
from agent.store_schema import MIGRATIONS

# A week of a busy van's store is far below it, and SQLite needs room for its log. Judgement.
LEAST_FREE_BYTES = 500_000_000
WAL_RESET_FIXED = (3, 51, 3)
_GB, _MB = 1_000_000_000, 1_000_000
_TRIED_BYTES = 4096


def is_agent_running(path: Path) -> bool:
    """Whether a process holds this store's lock, that is, whether this van's agent runs on this computer now.

    False where the lock may not be looked at; `probe_disk` then says so.
    """
    try:
        lock = os.open(lock_path(path), os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return False
    try:
        fcntl.flock(lock, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except OSError:
        return True
    finally:
        os.close(lock)
    return False


def probe_disk(path: Path, *, least_free_bytes: int = LEAST_FREE_BYTES, reserve_bytes: int = 0) -> list[Finding]:
    """Free space where the store is, whether the store can be used, and what was set aside beside it as damaged."""
    folder = path.parent
    if not _can_see(folder):
        do = "run this as root or as the agent's user"
        return [Finding("disk", "not tested", f"{folder} may not be looked at by this user", do)]
    if not folder.is_dir():
        do = "make the folder and let the agent's user own it, or set [store] path; under systemd the unit makes it"
        return [Finding("disk", "not ok", f"{folder} is not there", do)]
    return [_space(folder, least_free_bytes), *_reserve(path, reserve_bytes), _store(path), *_set_aside(path)]


def _reserve(path: Path, wanted_bytes: int) -> list[Finding]:
    """Nothing to say before the first start has made it, or where none is wanted."""
    left_bytes = Reserve(path, size_bytes=wanted_bytes).left_bytes
    if not reserve_of(path).exists() or left_bytes >= wanted_bytes:
        return []
    found = f"{left_bytes / _MB:,.1f} of {wanted_bytes / _MB:,.1f} MB are still kept free for custody records"
    do = "free some space: it was given up as the disk was full, and is made again by itself"
    return [Finding("reserve", "not ok", found, do)]


def _set_aside(path: Path) -> list[Finding]:
    stores = set_aside_before(path)
    if not stores:
        return []
    names = ", ".join(f"{store.name} ({store.stat().st_size / _MB:,.1f} MB)" for store in stores)
    do = "copy them and their -wal off the van to be looked into, then remove them; if more come, replace the card"
    return [Finding("damaged", "not ok", f"set aside as damaged: {names}", do)]


def _space(folder: Path, least_free_bytes: int) -> Finding:
    usage = shutil.disk_usage(folder)
    found = f"{usage.free / _GB:,.1f} GB free of {usage.total / _GB:,.1f} GB at {folder}"
    if usage.free < least_free_bytes:
        do = f"free some; the agent wants {least_free_bytes / _GB:,.1f} GB"
        return Finding("disk", "not ok", found, do)
    try:
        with tempfile.TemporaryFile(dir=folder) as file:
            file.write(bytes(_TRIED_BYTES))
            file.flush()
            os.fsync(file.fileno())
    except PermissionError:
        return Finding("disk", "not tested", f"{found}; this user may not write there", "run this as the agent's user")
    except OSError as problem:
        do = "mount it for writing; see the kernel's log, and replace the card or disk if it fails"
        return Finding("disk", "not ok", f"{found}, but nothing can be written: {problem.strerror}", do)
    return Finding("disk", "ok", f"{found}; writes and syncs")


def library_of(version: tuple[int, int, int]) -> str:
    """The SQLite in use, and whether it has the fix of the race that can damage a database in WAL mode.

    https://sqlite.org/wal.html: two connections that write or checkpoint at once. The agent has one, see
    `agent.store_connection`, and so works with either; a distribution may have the fix in an older number.
    """
    number = ".".join(map(str, version))
    if version >= WAL_RESET_FIXED:
        return f"SQLite {number} has the fix of the WAL-reset race"
    fixed = ".".join(map(str, WAL_RESET_FIXED))
    return f"SQLite {number} is older than the fix of its WAL-reset race ({fixed}), which one writer never meets"


def _store(path: Path) -> Finding:
    library = library_of(sqlite3.sqlite_version_info)
    if not path.exists():
        return Finding("store", "ok", f"{path.name} is not there yet; the agent begins it. {library}")
    try:
        damage = damage_of(path)
        if damage is not None:
            mark = read_mark(path)
            good = "" if mark is None or mark.at is None else f"; it was last known to be good at {mark.at}"
            do = "start the agent, which sets the store aside whole; or move it away or set another path"
            return Finding("store", "not ok", f"{path.name} is damaged ({damage}){good}. {library}", do)
        with told(path, "opening the store"):
            connection = look(path)
            try:
                (version,) = connection.execute("PRAGMA user_version").fetchone()
                waiting = _count(connection, "outbox")
                records = _count(connection, "record")
            finally:
                connection.close()
    except StoreError as problem:
        return Finding("store", "not ok", f"{problem} {library}", "as it says there")
    if version > len(MIGRATIONS):
        found = f"{path.name} was written by a newer program (version {version}; this one knows {len(MIGRATIONS)})"
        return Finding("store", "not ok", found, "install that program, or set another path")
    older = "" if version == len(MIGRATIONS) else f"; version {version}, the agent brings it up to {len(MIGRATIONS)}"
    user = "the agent runs and uses it" if is_agent_running(path) else "nobody uses it now"
    found = f"{path.name} opens: {records} records, {waiting} of them to be published{older}; {user}. {library}"
    return Finding("store", "ok", found)


def _count(connection: sqlite3.Connection, table: str) -> int:
    with suppress(sqlite3.OperationalError):  # a store so old that it has no such table
        (count,) = connection.execute(f"SELECT count(*) FROM {table}").fetchone()  # noqa: S608 - our own two words
        return int(count)
    return 0


def _can_see(folder: Path) -> bool:
    try:
        folder.stat()
    except PermissionError:
        return False
    except OSError:
        return True  # it is not there, which is seen
    return os.access(folder, os.X_OK)
