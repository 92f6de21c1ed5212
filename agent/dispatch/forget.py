"""Takes out of the dispatch side's tables what is too old to be kept, inside a transaction that the store holds.

What is forgotten stays acknowledged. A record whose badges are taken out keeps the digest of what it held, so that its
vehicle's chain still proves its place (`agent.dispatch.chains`).
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

import sqlalchemy as sa

from agent.dispatch import schema
from agent.dispatch.schema_accounts import badge_leg, note

_BADGES = ("badges", "rt:badges")


def forget(connection: sa.Connection, *, records_before_s: float, badges_before_s: float) -> int:
    """Delete records, events and manifests from before the one, and badges and positions from before the other.

    The last known place of an item is kept. Returns how many records went.
    """
    record, event, manifest = schema.record, schema.event, schema.manifest
    old = event.c.time_s < records_before_s
    old_events = sa.select(event.c.vehicle, event.c.event_id).where(old)
    items = schema.event_item
    connection.execute(sa.delete(items).where(sa.tuple_(items.c.vehicle, items.c.event_id).in_(old_events)))
    connection.execute(sa.delete(event).where(old))
    connection.execute(sa.delete(manifest).where(manifest.c.departed_s < records_before_s))
    for table in (schema.clash, schema.unreadable):
        connection.execute(sa.delete(table).where(table.c.received_s < records_before_s))
    gone = connection.execute(sa.delete(record).where(record.c.received_s < records_before_s)).rowcount
    for table, at in (
        (record, record.c.received_s),
        (schema.clash, schema.clash.c.received_s),
        (event, event.c.time_s),
        (manifest, manifest.c.departed_s),
    ):
        _strip_badges(connection, table, at < badges_before_s)
    connection.execute(sa.delete(badge_leg).where(badge_leg.c.departed_s < badges_before_s))
    connection.execute(sa.delete(note).where(note.c.at_s < badges_before_s))
    vehicle = schema.vehicle
    for what, at in ((vehicle.c.position, vehicle.c.position_s), (vehicle.c.aboard, vehicle.c.aboard_s)):
        stale = sa.update(vehicle).where(at < badges_before_s)
        connection.execute(stale.values({what: None, at: None}))
    return int(gone)


def _strip_badges(connection: sa.Connection, table: sa.Table, old: sa.ColumnElement[bool]) -> None:
    keys: Sequence[sa.Column[Any]] = tuple(table.primary_key.columns)
    for row in connection.execute(sa.select(*keys, table.c.body).where(old, table.c.body.contains("badges"))).all():
        here = sa.and_(*(key == getattr(row, key.name) for key in keys))
        try:
            body = json.loads(row.body)
        except ValueError:
            body = None
        if not isinstance(body, dict) or not any(body.get(key) for key in _BADGES):
            continue
        kept = {key: [] if key in _BADGES else value for key, value in body.items()}
        values: dict[str, Any] = {"body": json.dumps(kept, ensure_ascii=False)}
        if table is schema.record:
            values["stripped"] = True  # `content` stays: what it was the digest of is here no more
        connection.execute(sa.update(table).where(here).values(values))
