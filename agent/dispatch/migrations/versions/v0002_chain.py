"""A record keeps its place in its vehicle's chain, and an ack names the record it ends at."""

from __future__ import annotations

import hashlib
from typing import Any

import sqlalchemy as sa
from alembic import op

revision, down_revision = "0002", "0001"
_AT_ONCE = 500


def upgrade() -> None:
    """Add the columns; the digest of a body follows where its octets are still all there."""
    for table in ("record", "clash"):
        for column in ("content", "prev", "sig", "key"):
            op.add_column(table, sa.Column(column, sa.Text))
        op.add_column(table, sa.Column("raw", sa.LargeBinary))
    op.add_column("record", sa.Column("misfit", sa.Text))
    op.add_column("record", sa.Column("stripped", sa.Boolean, nullable=False, server_default=sa.false()))
    for index, column in (("record_refused", "refused"), ("record_misfit", "misfit")):
        there = sa.column(column).is_not(None)
        op.create_index(index, "record", ["vehicle"], sqlite_where=there, postgresql_where=there)
    op.add_column("cursor", sa.Column("fork", sa.BigInteger))
    op.add_column("cursor", sa.Column("hash_seq", sa.BigInteger))
    op.add_column("cursor", sa.Column("hash", sa.Text))
    op.add_column("vehicle", sa.Column("key", sa.Text))
    op.create_table(
        "vehicle_key",
        sa.Column("vehicle", sa.String(40), nullable=False),
        sa.Column("key", sa.Text, nullable=False),
        sa.Column("first_s", sa.Double, nullable=False),
        sa.PrimaryKeyConstraint("vehicle", "key"),
    )
    for name in ("record", "clash"):
        _digests(name)
    if op.get_bind().dialect.name == "sqlite":
        _keep_once()


def _keep_once() -> None:
    """An item's row is all key: SQLite kept it twice, in the table and in the key's index."""
    op.create_table(
        "event_item_once",
        sa.Column("epc", sa.Text, nullable=False),
        sa.Column("vehicle", sa.String(40), nullable=False),
        sa.Column("event_id", sa.Text, nullable=False),
        sa.Column("p", sa.Double),
        sa.PrimaryKeyConstraint("epc", "vehicle", "event_id"),
        sqlite_with_rowid=False,
    )
    op.execute("INSERT INTO event_item_once SELECT epc, vehicle, event_id, p FROM event_item ORDER BY 1, 2, 3")
    op.drop_table("event_item")
    op.rename_table("event_item_once", "event_item")


def _digests(name: str) -> None:
    """0.1.0 kept the SHA-256 of kind and body as received: where it still fits, nothing was taken out of the body."""
    keys: list[sa.ColumnClause[Any]] = [
        sa.column(key) for key in ("vehicle", "epoch", "seq", *(("sha256",) if name == "clash" else ()))
    ]
    table = sa.table(name, *keys, *(sa.column(key) for key in ("kind", "body", "content", "stripped")))
    if name == "record":
        table.append_column(sa.column("sha256"))
    connection, last = op.get_bind(), None
    while True:
        query = sa.select(*keys, table.c.kind, table.c.body, table.c.sha256.label("digest")).select_from(table)
        if last is not None:
            query = query.where(sa.tuple_(*keys) > sa.tuple_(*last))
        rows = connection.execute(query.order_by(*keys).limit(_AT_ONCE)).all()
        if not rows:
            return
        whole, other = [], []
        for row in rows:
            body = row.body.encode()
            named = {f"at_{key.name}": getattr(row, key.name) for key in keys}
            if hashlib.sha256(f"{row.kind}\0".encode() + body).hexdigest() == row.digest:
                whole.append({**named, "now_content": "sha-256:" + hashlib.sha256(body).hexdigest()})
            else:
                other.append(named)
        here = sa.and_(*(key == sa.bindparam(f"at_{key.name}") for key in keys))
        if whole:
            connection.execute(sa.update(table).where(here).values(content=sa.bindparam("now_content")), whole)
        if other and name == "record":
            connection.execute(sa.update(table).where(here).values(stripped=sa.true()), other)
        last = tuple(getattr(rows[-1], key.name) for key in keys)
