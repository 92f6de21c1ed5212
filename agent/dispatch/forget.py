"""Takes out of the dispatch side's tables what is too old to be kept, inside transactions that the store holds.

What is forgotten stays acknowledged. Of a vehicle's chain only the beginning is deleted, and the cursor keeps how much
and where the rest begins; a record that is too old while one before it is not (it came late) loses its body. A
record without its body or badges keeps the digest of what it held, so that its vehicle's chain still proves its place
(`agent.dispatch.chains`).
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager
from typing import Any

import sqlalchemy as sa

from agent.dispatch import schema
from agent.dispatch.links import link_of
from agent.dispatch.schema_accounts import badge_leg, note

_BADGES = ("badges", "rt:badges")
_PAGE = 200
"""Bodies that are read, and changed, at once. Judgement."""
_Connecting = AbstractContextManager[sa.Connection]


def forget(connection: sa.Connection, *, records_before_s: float, badges_before_s: float) -> int:
    """Delete records, events and manifests from before the one, positions and badges' legs from before the other.

    The last known place of an item is kept. Returns how many records went.
    """
    record, event, manifest = schema.record, schema.event, schema.manifest
    for table in (schema.event_item, event):
        connection.execute(sa.delete(table).where(table.c.time_s < records_before_s))
    connection.execute(sa.delete(manifest).where(manifest.c.departed_s < records_before_s))
    for table in (schema.clash, schema.unreadable):
        connection.execute(sa.delete(table).where(table.c.received_s < records_before_s))
    names = sa.select(record.c.vehicle, record.c.epoch).where(record.c.received_s < records_before_s).distinct()
    gone = sum(_forget_records(connection, *row, records_before_s) for row in connection.execute(names).all())
    connection.execute(sa.delete(badge_leg).where(badge_leg.c.departed_s < badges_before_s))
    connection.execute(sa.delete(note).where(note.c.at_s < badges_before_s))
    connection.execute(sa.delete(schema.track).where(schema.track.c.at_s < badges_before_s))
    vehicle = schema.vehicle
    for what, at in ((vehicle.c.position, vehicle.c.position_s), (vehicle.c.aboard, vehicle.c.aboard_s)):
        stale = sa.update(vehicle).where(at < badges_before_s)
        connection.execute(stale.values({what: None, at: None}))
    return gone


def _forget_records(connection: sa.Connection, vehicle: str, epoch: int, before_s: float) -> int:
    record, cursor = schema.record, schema.cursor
    here = sa.and_(record.c.vehicle == vehicle, record.c.epoch == epoch)
    old = sa.and_(here, record.c.received_s < before_s)
    first_young = sa.select(sa.func.min(record.c.seq)).where(here, record.c.received_s >= before_s)
    young = connection.execute(first_young).scalar()
    beginning = old if young is None else sa.and_(old, record.c.seq < young)
    last = connection.execute(sa.select(record).where(beginning).order_by(record.c.seq.desc()).limit(1)).first()
    gone = 0
    if last is not None:
        until_s = connection.execute(sa.select(sa.func.max(record.c.received_s)).where(beginning)).scalar()
        gone = connection.execute(sa.delete(record).where(beginning)).rowcount
        mine = sa.and_(cursor.c.vehicle == vehicle, cursor.c.epoch == epoch)
        known = connection.execute(sa.select(cursor.c.gone, cursor.c.gone_seq).where(mine)).first()
        values: dict[str, Any] = {"gone": gone + (0 if known is None else known.gone or 0), "gone_s": until_s}
        if known is None or known.gone_seq is None or known.gone_seq < last.seq:
            link = link_of(dict(last._mapping))  # noqa: SLF001 - SQLAlchemy's name for a row as a mapping
            values |= {"gone_seq": last.seq, "gone_sealed": link.is_sealed, "gone_hash": link.digest(vehicle, epoch)}
        connection.execute(sa.update(cursor).where(mine).values(values))
    connection.execute(sa.update(record).where(old).values(body=schema.ERASED, raw=None, stripped=True))
    return int(gone)


def strip_badges(reading: Callable[[], _Connecting], writing: Callable[[], _Connecting], *, before_s: float) -> None:
    """Take the badges out of all bodies from before then, a page at a time: nobody else waits long to read or write.

    `reading` and `writing` each open a transaction of the store.
    """
    record, event, manifest = schema.record, schema.event, schema.manifest
    for table, old in (
        (record, sa.and_(record.c.received_s < before_s, record.c.stripped.is_(False))),
        (schema.clash, schema.clash.c.received_s < before_s),
        (event, event.c.time_s < before_s),
        (manifest, manifest.c.departed_s < before_s),
    ):
        keys: Sequence[sa.Column[Any]] = tuple(table.primary_key.columns)
        page = sa.select(*keys, table.c.body).where(old, table.c.body.contains("badges")).order_by(*keys).limit(_PAGE)
        after: tuple[Any, ...] | None = None
        while True:
            with reading() as connection:
                beyond = sa.true() if after is None else sa.tuple_(*keys) > sa.tuple_(*map(sa.literal, after))
                rows: Sequence[Any] = connection.execute(page.where(beyond)).all()
            found = [(row, body) for row in rows if (body := _without_badges(row.body)) is not None]
            if found:
                with writing() as connection:
                    for row, body in found:
                        _replace(connection, table, row, body)
            if len(rows) < _PAGE:
                break
            after = tuple(rows[-1])[: len(keys)]


def _replace(connection: sa.Connection, table: sa.Table, row: Any, body: str) -> None:  # noqa: ANN401 - a row
    # A body that has changed since it was read is stripped the next time.
    here = sa.and_(*(key == getattr(row, key.name) for key in table.primary_key.columns), table.c.body == row.body)
    values: dict[str, Any] = {"body": body}
    if table is schema.record:
        values["stripped"] = True  # `content` stays: what it was the digest of is here no more
    connection.execute(sa.update(table).where(here).values(values))


def _without_badges(text: str) -> str | None:
    """A body without its badges; None where it has none, or is nothing that is ever shown as a document."""
    try:
        body = json.loads(text)
        if not isinstance(body, dict) or not any(body.get(key) for key in _BADGES):
            return None
        return json.dumps({key: [] if key in _BADGES else value for key, value in body.items()}, ensure_ascii=False)
    except (ValueError, RecursionError):
        return None
