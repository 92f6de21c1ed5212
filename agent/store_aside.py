"""A damaged store set aside whole, and what tells that one is damaged. Nothing of it is ever deleted or written to.

    damage_of(path)         what is wrong with the store at `path`, in words; None where it is sound or not there
    note_damage(path, why)  SQLite found damage while running: the next start need not look for it
    set_aside(path)         file, -wal and -shm renamed: `vehicle.db.damaged-1`, `vehicle.db.damaged-1-wal`, …

How many are kept is not limited: each is evidence that a card or disk fails, `check` names them until somebody takes
them away, and if they fill the disk, that is told like any full disk.
"""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing, suppress
from pathlib import Path

from agent.chain import content_digest
from agent.errors import StoreError
from agent.store_connection import look, take_back, told
from agent.store_folder import sync_folder

# What decides is looked through at every start. `reading`, by far the largest, would take seconds on a card and decides
# nothing; damage there shows when it is written to, and is then noted.
_DECIDES = frozenset({"meta", "record", "outbox", "checkpoint", "block", "held", "boot"})
# Beyond so many records, years of them, only those still to be published are looked at, each by its digest: the rest
# has been taken in elsewhere, and would take seconds too. Judgement.
_MANY = 50_000
_WAITING = (
    "SELECT outbox.seq, body, content, kind, prev, sig FROM outbox LEFT JOIN record ON record.id = outbox.record"
    " ORDER BY outbox.seq"
)
# What SQLite says of a file that may be sound; whatever else comes of looking at it is damage: garbage in a table's
# definition, for one, gives any error.
_NO_DAMAGE = frozenset({"BUSY", "LOCKED", "PROTOCOL", "PERM", "READONLY", "CANTOPEN", "IOERR", "FULL", "NOMEM"})
# The main file goes last: as long as it is in its place the store counts as not yet set aside, and a new one must never
# find an older one's log beside it.
_PARTS = ("-wal", "-shm", "")


def damage_of(path: Path) -> str | None:
    """What is wrong with the store's file. Raises StoreError where it cannot be looked at for another reason."""
    with suppress(FileNotFoundError):
        return _note_of(path).read_text(encoding="utf-8", errors="replace").strip() or "found damaged while running"
    if not path.exists():
        return None
    take_back(path)
    log = path.with_name(path.name + "-wal")
    return "the log beside it is damaged" if _is_garbage(log) else _found(path, log)


def _found(path: Path, log: Path) -> str | None:
    try:
        with told(path, "checking the store"), closing(look(path)) as connection:
            return _check(connection)
    except UnicodeDecodeError as problem:
        return f"a name in it is no text ({problem.reason})"
    except StoreError as error:
        if _is_unreadable(log):
            return f"the log beside it cannot be read ({error.__cause__})"
        if _code_of(error.__cause__) in _NO_DAMAGE:
            raise
        return str(error.__cause__)


def _code_of(problem: BaseException | None) -> str:
    return (getattr(problem, "sqlite_errorname", "") or "").removeprefix("SQLITE_").split("_")[0]


def _check(connection: sqlite3.Connection) -> str | None:
    names = {name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    if not names and connection.execute("PRAGMA user_version").fetchone()[0] == 0:
        return None  # begun and never written to
    passed_over = {"reading"}
    if "record" in names:
        (count,) = connection.execute("SELECT coalesce(max(rowid), 0) FROM record").fetchone()
        passed_over |= {"record"} if count > _MANY else set()
    for table in sorted(names - passed_over):
        (found,) = connection.execute(f"PRAGMA quick_check('{table}')").fetchone()
        if found != "ok":
            return f"{table}: {found}"
    missing = sorted(_DECIDES - names)
    return f"tables are missing: {', '.join(missing)}" if missing else _spoilt(connection)


def _spoilt(connection: sqlite3.Connection) -> str | None:
    """The first record still to be published whose octets are not those that were written: SQLite would not notice."""
    if not any(name == "content" for _, name, *_ in connection.execute("PRAGMA table_info('record')")):
        return None  # before schema 2 a record had no digest
    connection.text_factory = bytes
    for seq, body, content, *rest in connection.execute(_WAITING):
        is_text = all(part is None or (isinstance(part, bytes) and part.isascii()) for part in (content, *rest))
        is_same = body is None or (isinstance(body, bytes) and content_digest(body).encode() == content)
        if content is None or not is_text or not is_same:
            return f"record {seq} is not as it was written"
    return None


def _is_garbage(log: Path) -> bool:
    """Whether a log's first octets are none that SQLite writes: it would pass over all that was committed to it.

    https://www.sqlite.org/fileformat2.html#wal_file_format; one that a power cut left before its beginning was written
    is all zero, and nothing was committed to it.
    """
    try:
        with log.open("rb") as file:
            header = file.read(32)
    except OSError:
        return False
    return len(header) == 32 and any(header) and header[:4] not in (b"\x37\x7f\x06\x82", b"\x37\x7f\x06\x83")  # noqa: PLR2004


def _is_unreadable(path: Path) -> bool:
    try:
        with path.open("rb") as file:
            file.read(1)
    except FileNotFoundError:
        return False
    except OSError:
        return True
    return False


def note_damage(path: Path, why: str) -> None:
    """Remember that damage was found, so that the next start sets the store aside."""
    file = os.open(_note_of(path), os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, 0o600)
    try:
        with suppress(OSError):  # on a full disk the file's name alone says it
            os.write(file, why.encode())
    finally:
        os.close(file)


def set_aside(path: Path) -> Path:
    """Rename all of the store; its new name. Going on after a cut in the middle takes the same name again."""
    number = next(n for n in range(1, 1_000_000) if not _aside(path, n).exists())
    for part in _PARTS:
        if not part:  # a disk may keep the last renaming and lose the first, and the log would get another number
            sync_folder(path.parent)
        with suppress(FileNotFoundError):
            path.with_name(path.name + part).rename(_aside(path, number, part))
    _note_of(path).unlink(missing_ok=True)
    sync_folder(path.parent)
    return _aside(path, number)


def set_aside_before(path: Path) -> tuple[Path, ...]:
    """The stores that were set aside beside this one and are there still."""
    return tuple(sorted(file for file in path.parent.glob(f"{path.name}.damaged-*") if file.name[-1].isdigit()))


def _aside(path: Path, number: int, part: str = "") -> Path:
    return path.with_name(f"{path.name}.damaged-{number}{part}")


def _note_of(path: Path) -> Path:
    return path.with_name(path.name + ".is-damaged")
