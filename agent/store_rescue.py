"""What can still be read of a damaged store: its epoch and numbers, what no ack had covered, what the tally goes on from.

Reads only, row by row, so that one bad page costs the rows on it and nothing else. A record counts only if it can be
read whole; a checkpoint only if it knows of exactly the last record that there is, for the tally would otherwise state
something twice or never.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing, suppress
from pathlib import Path
from typing import Any, get_args

import msgspec
from msgspec import Struct

from agent import checkpoint
from agent.errors import StoreError
from agent.messages import DownLeaf, Downlink
from agent.records import Record
from agent.store_connection import look, read_held
from agent.store_mark import read_mark

_KINDS = frozenset({"event", "manifest", "notice"})
# Where not even the outbox tells which numbers there are, this many are looked up at most.
_MOST_GUESSED = 5_000_000


class Waiting(Struct, frozen=True):
    """A record that no ack had covered, and when it was made."""

    record: Record
    boot: int
    mono: float


class Rescued(Struct, frozen=True):
    """What was read. `unread` numbers had a record that no ack had covered, as far as known, and cannot be read.

    `epoch` and `last_seq` are the highest that store, or the mark beside it, tells of; None and 0 where neither does.
    """

    epoch: int | None = None
    last_seq: int = 0
    waiting: tuple[Waiting, ...] = ()
    unread: int = 0
    state: bytes | None = None
    blocks: tuple[tuple[int, bytes], ...] = ()
    boots: tuple[tuple[int, float | None], ...] = ()
    held: tuple[Downlink, ...] = ()
    good_until: str | None = None


def rescue(path: Path) -> Rescued:
    """Read what there is of the store at `path`; never raises for what cannot be read."""
    mark = read_mark(path)
    found = Rescued()
    if path.exists():
        try:
            with closing(look(path)) as connection:
                found = _Reading(connection).all()
        except (sqlite3.Error, OSError):
            found = Rescued()  # not even opened: the mark alone is left
    if mark is not None:
        found = msgspec.structs.replace(
            found,
            epoch=max(found.epoch or 0, mark.epoch),
            last_seq=max(found.last_seq, mark.seq),
            good_until=mark.at,
        )
    return found


class _Reading:
    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection

    def all(self) -> Rescued:
        meta = {key: value for (key, value), _ in self._rows("meta", ("key", "value"), "key")}
        known = int(meta["epoch"]) if str(meta.get("epoch", "")).isdigit() else None
        numbers, sure = self._outbox()
        waiting, unread, last_seq = self._records(numbers, sure=sure)
        state, blocks = self._checkpoint(last_seq) if not unread else (None, ())
        return Rescued(
            epoch=known,
            last_seq=last_seq,
            waiting=waiting,
            unread=unread,
            state=state,
            blocks=blocks,
            boots=tuple(sorted({row for row, _ in self._rows("boot", ("boot", "offset_s"), "boot")})),
            held=self._held(),
        )

    def _one(self, sql: str, *values: Any) -> tuple[Any, ...] | None:  # noqa: ANN401 - SQL's values
        """A row, None where there is none; raises sqlite3.Error."""
        row: tuple[Any, ...] | None = self._connection.execute(sql, values).fetchone()
        return row

    def _rows(self, table: str, columns: Sequence[str], key: str) -> Iterator[tuple[tuple[Any, ...], bool]]:
        """Rows from both ends up to what cannot be read, and whether the whole table could be, each row once."""
        seen: set[Any] = set()
        for order in ("ASC", "DESC"):
            whole = True
            sql = f"SELECT {key}, {', '.join(columns)} FROM {table} ORDER BY {key} {order}"  # noqa: S608 - our own words
            try:
                for row in self._connection.execute(sql):
                    if row[0] not in seen:
                        seen.add(row[0])
                        yield row[1:], whole
            except (sqlite3.Error, UnicodeDecodeError):
                whole = False
            if whole:
                return

    def _is_whole(self, table: str) -> bool:
        with suppress(sqlite3.Error):
            row = self._one(f"PRAGMA quick_check('{table}')")
            return row is not None and row[0] == "ok"
        return False

    def _outbox(self) -> tuple[list[int], bool]:
        numbers = [seq for (seq,), _ in self._rows("outbox", ("seq",), "seq")]
        return sorted(numbers), self._is_whole("outbox")

    def _records(self, numbers: list[int], *, sure: bool) -> tuple[tuple[Waiting, ...], int, int]:
        """Those that wait, how many of them cannot be read, and the highest number known."""
        last_seq = max(numbers, default=0)
        for sql in ("SELECT max(seq) FROM record", "SELECT seq FROM checkpoint", "SELECT max(seq) FROM outbox"):
            with suppress(sqlite3.Error):
                row = self._one(sql)
                last_seq = max(last_seq, int(row[0])) if row is not None and isinstance(row[0], int) else last_seq
        # Without the outbox's word every record may be one that nobody has taken in yet.
        wanted = numbers if sure else range(1, min(last_seq, _MOST_GUESSED) + 1)
        waiting: list[Waiting] = []
        unread = 0
        for seq in wanted:
            try:
                row = self._one("SELECT kind, body, boot, mono FROM record WHERE seq = ?", seq)
            except (sqlite3.Error, UnicodeDecodeError):
                row = None
            made = None if row is None else _record(row)
            if made is None:
                unread += 1
            else:
                waiting.append(made)
        return tuple(waiting), unread, last_seq

    def _checkpoint(self, last_seq: int) -> tuple[bytes | None, tuple[tuple[int, bytes], ...]]:
        with suppress(sqlite3.Error, StoreError):
            row = self._one("SELECT state, seq FROM checkpoint")
            blocks = tuple(self._connection.execute("SELECT id, data FROM block ORDER BY id").fetchall())
            if row is not None and row[1] == last_seq:
                checkpoint.decode(row[0], blocks)
                return bytes(row[0]), blocks
        return None, ()

    def _held(self) -> tuple[Downlink, ...]:
        found = []
        for leaf in get_args(DownLeaf):
            with suppress(sqlite3.Error, msgspec.DecodeError, UnicodeDecodeError):
                held = read_held(self._connection, leaf)
                found += [] if held is None else [held]
        return tuple(found)


def _record(row: tuple[Any, ...]) -> Waiting | None:
    kind, body, boot, mono = row
    try:
        content = msgspec.json.decode(body)
    except (msgspec.DecodeError, TypeError, UnicodeDecodeError):
        return None
    is_one = kind in _KINDS and isinstance(content, dict) and isinstance(boot, int) and isinstance(mono, float)
    return Waiting(Record(kind, content), boot, mono) if is_one else None
