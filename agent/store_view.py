"""A vehicle's store as others may look at it: read only, beside the process that writes it, changing nothing."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import Self

import msgspec

from agent.errors import StoreError
from agent.kept_evidence import Kept
from agent.messages import DownLeaf, Downlink
from agent.store_connection import connect, read_held, told
from agent.store_schema import MIGRATIONS

_MAGIC = b"SQLite format 3\0"


def is_store(path: Path) -> bool:
    """True for a file that begins as SQLite's do; False for any other, or where there is none."""
    try:
        with path.open("rb") as file:
            return file.read(len(_MAGIC)) == _MAGIC
    except OSError:
        return False


class StoreView:
    """An open store; made by `StoreView.open`. Every method raises StoreError where the disk fails."""

    def __init__(self, path: Path, connection: sqlite3.Connection) -> None:
        self._path = path
        self._connection = connection

    @classmethod
    def open(cls, path: Path) -> Self:
        """Open an existing store of the version that this program writes. Raises StoreError."""
        with told(path, "opening the store"):
            connection = connect(path, writer=False)
            try:
                (version,) = connection.execute("PRAGMA user_version").fetchone()
            except BaseException:
                connection.close()
                raise
        if version != len(MIGRATIONS):
            connection.close()
            raise StoreError(
                f"{path}: the store has version {version}, this program reads {len(MIGRATIONS)};"
                " read it with the program that wrote it, or let this one's agent bring it up to date."
            )
        return cls(path, connection)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._connection.close()

    def held(self, leaf: DownLeaf) -> Downlink | None:
        """The last good version of what the dispatch side sent; None where it never did."""
        with told(self._path, f"reading {leaf}"):
            return read_held(self._connection, leaf)

    def kept(self) -> Kept:
        """Everything in it that is evidence, as of one moment."""
        execute = self._connection.execute
        with told(self._path, "reading the store"):
            execute("BEGIN")  # one snapshot: the agent may be writing meanwhile
            records = execute("SELECT kind, body, boot, mono FROM record WHERE body IS NOT NULL ORDER BY id").fetchall()
            readings = execute("SELECT boot, minute, tag, antenna, reads, rssi_dbm FROM reading").fetchall()
            offsets = dict(execute("SELECT boot, offset_s FROM boot").fetchall())
            checkpoint = execute("SELECT state FROM checkpoint").fetchone()
            blocks = execute("SELECT id, data FROM block ORDER BY id").fetchall()
            execute("COMMIT")
        return Kept(
            records=tuple((kind, msgspec.json.decode(body), boot, mono) for kind, body, boot, mono in records),
            readings=tuple(readings),
            offsets=offsets,
            checkpoint=None if checkpoint is None else checkpoint[0],
            blocks=tuple(blocks),
        )
