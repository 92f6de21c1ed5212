"""Many rows at once into a table of the dispatch side's, through the driver's own cursor.

SQLAlchemy writes each statement once and is then asked for no row of it any more: its way with a row costs more than
the database's. Values must be such as the driver takes as they are (numbers, texts, octets, booleans, None).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from functools import lru_cache
from operator import itemgetter
from typing import Any, TypeVar

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite

T = TypeVar("T")
AT_ONCE = 500
"""How many keys one query asks for; SQLite takes 32 766 and once took 999."""


def chunks(values: Sequence[T]) -> Iterator[Sequence[T]]:
    """`values` in parts that one query takes."""
    return (values[at : at + AT_ONCE] for at in range(0, len(values), AT_ONCE))


def insert_all(connection: sa.Connection, table: sa.Table, rows: Sequence[Mapping[str, Any]]) -> None:
    """Insert rows that all have the same keys, columns of `table`."""
    _write(connection, table, rows, ())


def insert_new(connection: sa.Connection, table: sa.Table, rows: Sequence[Mapping[str, Any]]) -> None:
    """The same, but for those that are there already."""
    _write(connection, table, rows, None)


def upsert_all(connection: sa.Connection, table: sa.Table, rows: Sequence[Mapping[str, Any]], *, by: list[str]) -> None:
    """The same; where `by` is there already, all their other values replace those."""
    _write(connection, table, rows, tuple(by))


def _write(
    connection: sa.Connection, table: sa.Table, rows: Sequence[Mapping[str, Any]], by: tuple[str, ...] | None
) -> None:
    if not rows:
        return
    text, order = _statement(connection.dialect, table, tuple(rows[0]), by)
    if order is None:
        connection.exec_driver_sql(text, [dict(row) for row in rows])
    else:
        connection.exec_driver_sql(text, list(map(itemgetter(*order), rows)))


@lru_cache(maxsize=64)
def _statement(
    dialect: sa.Dialect, table: sa.Table, keys: tuple[str, ...], by: tuple[str, ...] | None
) -> tuple[str, tuple[str, ...] | None]:
    """The statement in the driver's words, and the order of its values where they have no names in it."""
    insert = (postgresql.insert if dialect.name == "postgresql" else sqlite.insert)(table)
    if by is None:
        insert = insert.on_conflict_do_nothing()
    elif by:
        now = {key: insert.excluded[key] for key in keys if key not in by}
        insert = insert.on_conflict_do_update(index_elements=list(by), set_=now)
    compiled: Any = insert.compile(dialect=dialect, column_keys=list(keys))
    return str(compiled), tuple(compiled.positiontup) if compiled.positional else None
