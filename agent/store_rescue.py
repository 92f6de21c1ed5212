"""What can still be read of a damaged store: its epoch, what no ack had covered, what the tally goes on from.

Reads only, row by row, so that one bad page costs the rows on it and nothing else. A record counts only if it can be
read whole; a checkpoint only if it knows of exactly the last record that there is, for the tally would otherwise state
something twice or never.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import closing, suppress
from pathlib import Path
from typing import Any

import msgspec
from msgspec import Struct

from agent import checkpoint
from agent.canonical import digest_of
from agent.chain import content_digest
from agent.errors import StoreError
from agent.messages import HELD_LEAVES, Downlink
from agent.records import Record
from agent.store_connection import look, read_held
from agent.store_mark import read_mark

# What SQLite, and Python with its texts, raise for what is garbage.
_UNREADABLE = (sqlite3.Error, UnicodeDecodeError)
# No van has that many boots or epochs: a higher number is garbage.
_MOST = 1_000_000_000
# Where not even the outbox tells which numbers there are, this many are looked up at most.
_MOST_GUESSED = 5_000_000


class Waiting(Struct, frozen=True):
    """A record that no ack had covered, and when it was made."""

    record: Record
    boot: int
    mono: float


class Rescued(Struct, frozen=True):
    """What was read. `unread` numbers had a record that no ack had covered, as far as known, and cannot be read.

    `epoch` is the highest that the store, or the mark beside it, tells of; None where neither does. `good_until` is
    when the store was last known to be good; `state` the checkpoint's with its boot and moment.
    """

    epoch: int | None = None
    waiting: tuple[Waiting, ...] = ()
    unread: int = 0
    state: tuple[bytes, int, float] | None = None
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
        except (*_UNREADABLE, OSError):
            found = Rescued()  # not even opened: the mark alone is left
    if mark is not None:
        found = msgspec.structs.replace(
            found,
            epoch=max(found.epoch or 0, mark.epoch),
            good_until=mark.at,
        )
    return found


class _Reading:
    """One look at a damaged file. A store of schema 1 has its epoch in `meta` and no ids, digests or seals."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        self._columns = {table: self._columns_of(table) for table in ("record", "outbox", "checkpoint")}

    def all(self) -> Rescued:
        known = [row[0] for row in self._rows("epoch", ("epoch",), "epoch") if isinstance(row[0], int)]
        for key, value in self._rows("meta", ("key", "value"), "key"):
            if key in {"epoch", "heard"} and isinstance(value, str) and value.isascii() and value.isdecimal():
                known.append(int(value))
        known = [epoch for epoch in known if 0 < epoch < _MOST]
        last = self._highest("record", "checkpoint", "outbox")
        waiting, unread = self._waiting(last)
        state, blocks = (None, ()) if unread else self._checkpoint(last)
        return Rescued(
            epoch=max(known, default=None),
            waiting=waiting,
            unread=unread,
            state=state,
            blocks=blocks,
            boots=tuple(sorted(filter(_is_boot, self._rows("boot", ("boot", "offset_s"), "boot")))),
            held=self._held(),
        )

    def _columns_of(self, table: str) -> frozenset[str]:
        with suppress(*_UNREADABLE):
            return frozenset(row[1] for row in self._connection.execute(f"PRAGMA table_info('{table}')"))
        return frozenset()

    def _id_of(self, table: str) -> str:
        """What a record is called in a table."""
        own = "id" if table == "record" else "record"
        return own if own in self._columns[table] else "seq"

    def _rows(self, table: str, columns: Sequence[str], key: str) -> Iterator[tuple[Any, ...]]:
        """A table's rows from both ends up to what cannot be read, each once."""
        seen: set[Any] = set()
        for order in ("ASC", "DESC"):
            sql = f"SELECT {key}, {', '.join(columns)} FROM {table} ORDER BY {key} {order}"  # noqa: S608 - our own words
            try:
                for row in self._connection.execute(sql):
                    if row[0] not in seen:
                        seen.add(row[0])
                        yield row[1:]
            except _UNREADABLE:
                continue
            return

    def _highest(self, *tables: str) -> int:
        found = 0
        for table in tables:
            with suppress(*_UNREADABLE):
                sql = f"SELECT max({self._id_of(table)}) FROM {table}"  # noqa: S608 - our own words
                (highest,) = self._connection.execute(sql).fetchone()
                found = max(found, highest if isinstance(highest, int) else 0)
        return found

    def _waiting(self, last: int) -> tuple[tuple[Waiting, ...], int]:
        """The records that no ack had covered, and how many of them cannot be read whole."""
        numbers: Iterable[int] = sorted(
            row[0] for row in self._rows("outbox", (self._id_of("outbox"),), "seq") if isinstance(row[0], int)
        )
        if not self._is_whole("outbox"):
            # Without the outbox's word every record may be one that nobody has taken in yet.
            numbers = range(1, min(last, _MOST_GUESSED) + 1)
        digest = "content" if "content" in self._columns["record"] else "NULL"
        where = self._id_of("record")
        sql = f"SELECT kind, body, boot, mono, {digest} FROM record WHERE {where} = ?"  # noqa: S608 - our own words
        waiting, unread = [], 0
        for number in numbers:
            made = None
            with suppress(*_UNREADABLE):
                row = self._connection.execute(sql, (number,)).fetchone()
                made = None if row is None else _record(*row)
            if made is None:
                unread += 1
            else:
                waiting.append(made)
        return tuple(waiting), unread

    def _is_whole(self, table: str) -> bool:
        with suppress(*_UNREADABLE):
            return bool(self._connection.execute(f"PRAGMA quick_check('{table}')").fetchone() == ("ok",))
        return False

    def _checkpoint(self, last: int) -> tuple[tuple[bytes, int, float] | None, tuple[tuple[int, bytes], ...]]:
        with suppress(*_UNREADABLE, StoreError, TypeError):
            sql = f"SELECT state, boot, mono, {self._id_of('checkpoint')} FROM checkpoint"  # noqa: S608 - our own words
            row = self._connection.execute(sql).fetchone()
            blocks = tuple(self._connection.execute("SELECT id, data FROM block ORDER BY id").fetchall())
            if row is not None and row[3] == last and _is_boot((row[1], row[2])):
                checkpoint.decode(row[0], blocks)
                return row[:3], blocks
        return None, ()

    def _held(self) -> tuple[Downlink, ...]:
        found = []
        for leaf in HELD_LEAVES:
            with suppress(*_UNREADABLE, TypeError, ValueError):
                held = read_held(self._connection, leaf)
                found += (
                    []
                    if held is None or digest_of(held.content) != held.digest or not isinstance(held.version, int)
                    else [held]
                )
        return tuple(found)


def _is_boot(row: tuple[Any, ...]) -> bool:
    """Whether a boot's number, and the seconds beside it, can be what they say."""
    boot, seconds = row
    return isinstance(boot, int) and 0 < boot < _MOST and (seconds is None or isinstance(seconds, float))


def _record(kind: object, body: object, boot: int, mono: float, content: object) -> Waiting | None:
    """The record if all of it is as it was written, as far as the row can tell."""
    if not isinstance(body, str) or not _is_boot((boot, mono)) or mono is None:
        return None
    if content is not None and content != content_digest(body.encode()):
        return None
    try:
        return Waiting(msgspec.convert({"kind": kind, "body": msgspec.json.decode(body)}, Record), boot, mono)
    except (msgspec.DecodeError, msgspec.ValidationError):
        return None
