"""The tables of the vehicle's store, and how an older store becomes a newer one.

A store's version is SQLite's `user_version`: the number of migrations it has had. To change the schema add a function
at the end of `MIGRATIONS` and a fixture of the new schema to the tests; a migration, once released, never changes.
Forward only: a store of a newer version is refused.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from typing import TYPE_CHECKING

from agent.errors import StoreError

if TYPE_CHECKING:
    from sqlite_utils import Database


def _first(db: Database) -> None:
    """Records with their outbox, the pipeline's checkpoint and history, what is held, boots, thinned reads."""
    db.table("meta").create({"key": str, "value": str}, pk="key", not_null={"value"})
    # Custody records: never dropped, in the order in which they were made. `boot` and `mono` say when.
    db.table("record").create(
        {"seq": int, "kind": str, "body": str, "boot": int, "mono": float},
        pk="seq",
        not_null={"kind", "body", "boot", "mono"},
    )
    # The records that no ack has covered yet.
    db.table("outbox").create({"seq": int}, pk="seq", foreign_keys=[("seq", "record", "seq")])
    # One row: where the pipeline goes on from after a restart. `seq` is the last record made before it.
    db.table("checkpoint").create(
        {"id": int, "state": bytes, "boot": int, "mono": float, "seq": int},
        pk="id",
        not_null={"state", "boot", "mono", "seq"},
    )
    # The pipeline's history, cut into blocks that are written once.
    db.table("block").create({"id": int, "data": bytes}, pk="id", not_null={"data"})
    # The last good version of what the dispatch side sent.
    db.table("held").create(
        {"leaf": str, "version": int, "digest": str, "content": str},
        pk="leaf",
        not_null={"version", "digest", "content"},
    )
    # Each start of the computer; `offset_s` is UTC minus its monotonic clock, once that is trusted.
    db.table("boot").create({"boot": int, "offset_s": float}, pk="boot")
    # One row for each tag, antenna and minute of a boot. sqlite-utils has no option for WITHOUT ROWID, and a rowid
    # table would keep these keys twice.
    db.execute(
        "CREATE TABLE reading (boot INTEGER NOT NULL, minute INTEGER NOT NULL, tag TEXT NOT NULL,"
        " antenna INTEGER NOT NULL, reads INTEGER NOT NULL, rssi_dbm REAL NOT NULL,"
        " PRIMARY KEY (boot, minute, tag, antenna)) WITHOUT ROWID"
    )
    db.execute("INSERT INTO meta (key, value) VALUES ('epoch', '1')")


MIGRATIONS: tuple[Callable[[Database], None], ...] = (_first,)


def migrate(connection: sqlite3.Connection, *, path: str) -> None:
    """Bring a store to the newest version, each step whole or not at all; the connection must be in autocommit mode.

    Raises StoreError for a store of a newer version than this program knows, sqlite3.Error as SQLite does.
    """
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    if version == len(MIGRATIONS):
        return
    if version > len(MIGRATIONS):
        raise StoreError(
            f"{path}: the store has version {version}, this program knows up to {len(MIGRATIONS)};"
            " install the newer program again, or move the file away to begin a new store."
        )
    # Importing it takes 0.3 s, which a start with nothing to migrate need not wait for.
    from sqlite_utils import Database  # noqa: PLC0415

    for number, step in enumerate(MIGRATIONS[version:], start=version + 1):
        connection.execute("BEGIN IMMEDIATE")
        try:
            step(Database(connection, execute_plugins=False))
            connection.execute(f"PRAGMA user_version = {number}")
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise
