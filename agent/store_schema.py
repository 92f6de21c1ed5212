"""The tables of the vehicle's store, and how an older store becomes a newer one.

A store's version is SQLite's `user_version`: the number of migrations it has had. To change the schema add a function
at the end of `MIGRATIONS` and a fixture of the new schema to the tests; a migration, once released, never changes.
Forward only: a store of a newer version is refused.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from typing import TYPE_CHECKING

from agent.chain import content_digest
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


def _second(db: Database) -> None:
    """Records form a signed chain and keep their place when they are numbered anew; what is known of each epoch."""
    db.rename_table("record", "record_1")
    db.rename_table("outbox", "outbox_1")
    # `id` is the order in which records were made, whatever they are called; `content` the digest of the body as it was
    # written. `prev` and `sig` are missing where nobody signed, `body` where it was erased on purpose.
    db.table("record").create(
        {
            "id": int,
            "epoch": int,
            "seq": int,
            "kind": str,
            "body": str,
            "boot": int,
            "mono": float,
            "content": str,
            "prev": str,
            "sig": str,
        },
        pk="id",
        not_null={"epoch", "seq", "kind", "boot", "mono", "content"},
    )
    db.table("record").create_index(["epoch", "seq"], index_name="record_name", unique=True)
    # The records that no ack has covered yet, all of the newest epoch, by their seq in it.
    db.table("outbox").create(
        {"seq": int, "record": int}, pk="seq", not_null={"record"}, foreign_keys=[("record", "record", "id")]
    )
    # The epochs of this store: of which vehicle, signed by which public key (none in its unsigned beginning), and up to
    # where and with which digest the dispatch side last said that it holds them. The highest is the one in use.
    db.table("epoch").create(
        {"epoch": int, "vehicle": str, "key": str, "acked": int, "digest": str},
        pk="epoch",
        not_null={"acked"},
        defaults={"acked": 0},
    )
    db.register_function(_content, deterministic=True)
    db.execute(
        "INSERT INTO epoch (epoch, acked) SELECT value, coalesce((SELECT min(seq) - 1 FROM outbox_1),"
        " (SELECT max(seq) FROM record_1), 0) FROM meta WHERE key = 'epoch'"
    )
    db.execute(
        "INSERT INTO record (id, epoch, seq, kind, body, boot, mono, content)"
        " SELECT seq, (SELECT epoch FROM epoch), seq, kind, body, boot, mono, _content(body) FROM record_1 ORDER BY seq"
    )
    db.execute("INSERT INTO outbox (seq, record) SELECT seq, seq FROM outbox_1")
    db.execute("DROP TABLE outbox_1")
    db.execute("DROP TABLE record_1")
    db.execute("DELETE FROM meta WHERE key = 'epoch'")
    # A record's id stays when it is numbered anew, its seq does not.
    db.execute("ALTER TABLE checkpoint RENAME COLUMN seq TO record")


def _content(body: str) -> str:
    return content_digest(body.encode())


MIGRATIONS: tuple[Callable[[Database], None], ...] = (_first, _second)


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
