"""The dispatch side's database: takes in what vehicles publish, once and for ever, and says what it holds.

`ingest` is the only way in for log records: one transaction a batch, idempotent, and whatever the order of batches the
tables end the same (`agent.ledger` decides what stands). `acks` tells what is committed, so call it after `ingest`.
Reading pages goes through `reading`; this module renders nothing and speaks no MQTT.
"""

from __future__ import annotations

import hashlib
import json
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.engine.interfaces import DBAPIConnection
from sqlalchemy.exc import SQLAlchemyError

from agent.bodies import Aboard, Body, Status, encode_body
from agent.dispatch import schema
from agent.dispatch.intake import Ingested, Intake, keep_names
from agent.dispatch.wire import LogBatch, parse_ranges
from agent.errors import StoreError
from agent.ledger import SeqRanges
from agent.units import parse_utc


def open_store(where: Path | str) -> DispatchStore:
    """The store in an SQLite file (made if missing) or at an SQLAlchemy URL; StoreError if it cannot be opened."""
    url = where if isinstance(where, str) and "://" in where else sa.URL.create("sqlite", database=str(where))
    engine = sa.create_engine(url)
    if engine.dialect.name == "sqlite":
        sa.event.listen(engine, "connect", _sqlite_settings)
    try:
        schema.metadata.create_all(engine)
    except SQLAlchemyError as error:
        raise StoreError(f"{where}: the dispatch database cannot be opened: {error.__cause__ or error}") from error
    return DispatchStore(engine)


def _sqlite_settings(connection: DBAPIConnection, _record: object) -> None:
    cursor = connection.cursor()
    for setting in ("busy_timeout=10000", "journal_mode=WAL", "synchronous=FULL"):
        cursor.execute(f"PRAGMA {setting}")
    cursor.close()


class DispatchStore:
    """See the module. Any thread may read; writes take turns."""

    def __init__(self, engine: sa.Engine) -> None:
        self._engine = engine
        self._write = threading.Lock()

    def close(self) -> None:
        """Give back every connection."""
        self._engine.dispose()

    @contextmanager
    def reading(self) -> Iterator[sa.Connection]:
        """A connection for queries only."""
        with self._engine.connect() as connection:
            yield connection

    @contextmanager
    def _writing(self) -> Iterator[sa.Connection]:
        try:
            with self._write, self._engine.begin() as connection:
                yield connection
        except SQLAlchemyError as error:
            raise StoreError(f"the dispatch database did not take the change: {error.__cause__ or error}") from error

    def _upsert(self, table: sa.Table) -> sqlite.Insert | postgresql.Insert:
        return (postgresql.insert if self._engine.dialect.name == "postgresql" else sqlite.insert)(table)

    # -- in ------------------------------------------------------------------------------------------------------------

    def ingest(self, batch: LogBatch, *, received_s: float) -> Ingested:
        """Commit a batch of log records; when it returns, `acks` covers all of them. After StoreError none is in."""
        with self._writing() as connection:
            return Intake(connection, self._upsert, batch, received_s).run()

    def keep_unreadable(self, *, topic: str, payload: bytes, reason: str, received_s: float) -> None:
        """Keep a payload that cannot be read at all, once, with how often it came."""
        name = hashlib.sha256(topic.encode() + b"\0" + payload).hexdigest()
        table = schema.unreadable
        insert = self._upsert(table).values(
            sha256=name, topic=topic, payload=payload, reason=reason, times=1, received_s=received_s
        )
        with self._writing() as connection:
            connection.execute(
                insert.on_conflict_do_update(
                    index_elements=["sha256"], set_={"times": table.c.times + 1, "received_s": received_s}
                )
            )

    def hear(self, body: Body, *, received_s: float, retained: bool = False) -> bool:
        """Take the last word on a vehicle's status, cargo or position; false where an older one was told again.

        A retained message is what the broker remembers, not a sign of life: it is dated by its own `at` or `since`, and
        changes nothing that was heard directly since.
        """
        table = schema.vehicle
        told_s = told_at_s(body) if retained else None
        with self._writing() as connection:
            self._know(connection, body.vehicle)
            row = connection.execute(sa.select(table).where(table.c.vehicle == body.vehicle)).one()
            if isinstance(body, Status):
                values = _status_values(row, body, received_s=received_s, told_s=told_s, retained=retained)
                lives = body.state == "online"  # the last will is the broker's word
            else:
                what, lives = ("aboard" if isinstance(body, Aboard) else "position"), True
                known_s = getattr(row, f"{what}_s")
                values = {}
                if not retained or known_s is None or (told_s is not None and told_s > known_s):
                    values = {what: encode_body(body).decode(), f"{what}_s": told_s or received_s}
            if lives and not retained:
                values["heard_s"] = received_s
            elif values and row.heard_s is None and told_s is not None:
                values["heard_s"] = told_s
            if values:
                connection.execute(sa.update(table).where(table.c.vehicle == body.vehicle).values(**values))
            if isinstance(body, Aboard):
                keep_names(connection, self._upsert, ((each.epc, each.name, each.tag) for each in body.items))
        return bool(values)

    def _know(self, connection: sa.Connection, vehicle: str) -> None:
        connection.execute(self._upsert(schema.vehicle).values(vehicle=vehicle).on_conflict_do_nothing())

    def version_of(self, what: str, digest: str, *, now_s: float) -> int:
        """The version number of a downlink's content: the highest one if its digest is this, else the next."""
        table = schema.downlink
        with self._writing() as connection:
            last = connection.execute(
                sa.select(table.c.version, table.c.digest).where(table.c.what == what).order_by(table.c.version.desc())
            ).first()
            if last is not None and last.digest == digest:
                return int(last.version)
            version = 1 if last is None else int(last.version) + 1
            connection.execute(sa.insert(table).values(what=what, version=version, digest=digest, first_s=now_s))
        return version

    def forget(self, *, records_before_s: float, badges_before_s: float) -> int:
        """Delete records, events and manifests from before the one, and badges and positions from before the other.

        What is forgotten stays acknowledged. The last known place of an item is kept. Returns how many records went.
        """
        record, event, manifest = schema.record, schema.event, schema.manifest
        old = event.c.time_s < records_before_s
        with self._writing() as connection:
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
            vehicle = schema.vehicle
            for what, at in ((vehicle.c.position, vehicle.c.position_s), (vehicle.c.aboard, vehicle.c.aboard_s)):
                stale = sa.update(vehicle).where(at < badges_before_s)
                connection.execute(stale.values({what: None, at: None}))
        return int(gone)

    # -- out -----------------------------------------------------------------------------------------------------------

    def acks(self, vehicle: str) -> dict[int, SeqRanges]:
        """By epoch, the seqs of that vehicle that are committed."""
        table = schema.cursor
        query = sa.select(table.c.epoch, table.c.ranges).where(table.c.vehicle == vehicle).order_by(table.c.epoch)
        with self.reading() as connection:
            return {int(row.epoch): parse_ranges(row.ranges) for row in connection.execute(query)}

    def vehicles(self) -> tuple[str, ...]:
        """Every vehicle ever heard, by id."""
        with self.reading() as connection:
            return tuple(connection.execute(sa.select(schema.vehicle.c.vehicle).order_by("vehicle")).scalars())


def _status_values(
    row: sa.Row[Any], body: Status, *, received_s: float, told_s: float | None, retained: bool
) -> dict[str, Any]:
    values: dict[str, Any] = {}
    if body.state != row.link:
        since_s = (told_s or row.heard_s or received_s) if retained else received_s
        values = {"link": body.state, "link_since_s": since_s}
    if body.state == "online":
        values["status"] = encode_body(body).decode()  # a last will tells nothing else; keep what was known
    return values


def told_at_s(body: Body) -> float | None:
    """When a body says that it was true; None where it does not, or in no way that can be read."""
    try:
        return parse_utc((body.since if isinstance(body, Status) else body.at) or "")
    except ValueError:
        return None


def _strip_badges(connection: sa.Connection, table: sa.Table, old: sa.ColumnElement[bool]) -> None:
    keys: Sequence[sa.Column[Any]] = tuple(table.primary_key.columns)
    for row in connection.execute(sa.select(*keys, table.c.body).where(old, table.c.body.contains("badges"))).all():
        body = json.loads(row.body)
        if not isinstance(body, dict) or not (body.get("badges") or body.get("rt:badges")):
            continue
        kept = {key: [] if key in ("badges", "rt:badges") else value for key, value in body.items()}
        here = sa.and_(*(key == getattr(row, key.name) for key in keys))
        connection.execute(sa.update(table).where(here).values(body=json.dumps(kept, ensure_ascii=False)))
