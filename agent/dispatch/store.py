"""The dispatch side's database: takes in what vehicles publish, once and for ever, and says what it holds.

`ingest_all` is the only way in for log records: one transaction for all the batches it is given, idempotent, and
whatever their order the tables end the same (`agent.ledger` decides what stands). Several processes may write at once:
a transaction that writes takes the database's one turn at its beginning (`agent.dispatch.turns`). `acks` tells what is
committed, so call it after `ingest_all`. Reading pages goes through `reading`; this module renders nothing and speaks
no MQTT.
"""

from __future__ import annotations

import hashlib
import logging
import sqlite3
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
from agent.dispatch.drawn import keep_names
from agent.dispatch.forget import forget, strip_badges
from agent.dispatch.intake import Ingested, Intake
from agent.dispatch.migrations import bring_up_to_date
from agent.dispatch.track import keep_lives, keep_word
from agent.dispatch.turns import NoTurnError, Turns, checkpoint, is_mended
from agent.dispatch.wire import LogBatch, acks_of, parse_ranges
from agent.errors import StoreError
from agent.ledger import SeqRanges
from agent.messages import Ack
from agent.units import parse_utc

_WRITES = "roadtally_writes"
_ONE_WRITER = 0x726F6164  # PostgreSQL's advisory lock for it; any number that nobody else takes
_NOT_NOW = (sa.exc.OperationalError, sa.exc.InterfaceError, sa.exc.TimeoutError, NoTurnError)
_TOO_MUCH = "54"
"""The class of PostgreSQL's error codes (its Appendix A) for what exceeds a limit of its own: no later try succeeds."""
_MUCH = 100_000
log = logging.getLogger(__name__)


def open_store(where: Path | str) -> DispatchStore:
    """The store in an SQLite file (made if missing) or at an SQLAlchemy URL; StoreError if it cannot be opened."""
    url = where if isinstance(where, str) and "://" in where else sa.URL.create("sqlite", database=str(where))
    engine = sa.create_engine(url)
    if engine.dialect.name == "sqlite":
        sa.event.listen(engine, "connect", _sqlite_settings)
        sa.event.listen(engine, "begin", _begin)
    try:
        turns = Turns(_file_of(engine))
    except OSError as error:
        raise StoreError(f"{where}: the dispatch database cannot be opened: {error}") from error
    try:
        with turns.one(), _transaction(engine) as connection:
            bring_up_to_date(connection)
    except (SQLAlchemyError, NoTurnError) as error:
        turns.close()
        raise StoreError(f"{where}: the dispatch database cannot be opened: {error.__cause__ or error}") from error
    return DispatchStore(engine, turns)


def _file_of(engine: sa.Engine) -> Path | None:
    name = engine.url.database
    return Path(name) if engine.dialect.name == "sqlite" and name and name != ":memory:" else None


def _sqlite_settings(connection: DBAPIConnection, _record: object) -> None:
    connection.isolation_level = None  # sqlite3 begins nothing by itself; `_begin` does
    cursor = connection.cursor()
    for setting in (
        "busy_timeout=10000",
        "journal_mode=WAL",
        "synchronous=FULL",
        "cache_size=-32000",
        "wal_autocheckpoint=0",  # see agent.dispatch.turns
    ):
        cursor.execute(f"PRAGMA {setting}")
    cursor.close()


def _begin(connection: sa.Connection) -> None:
    # A transaction that reads before it writes must hold its turn from the start: what it has read would be old by the
    # time it writes, and SQLite would refuse it without waiting (https://www.sqlite.org/rescode.html#busy_snapshot).
    writes = connection.get_execution_options().get(_WRITES, False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


@contextmanager
def _transaction(engine: sa.Engine) -> Iterator[sa.Connection]:
    """A transaction that is the only one to write; in SQLite whose turn it is has it."""
    with engine.connect().execution_options(**{_WRITES: True}) as connection, connection.begin():
        if engine.dialect.name == "postgresql":
            connection.execute(sa.select(sa.func.pg_advisory_xact_lock(_ONE_WRITER)))
        yield connection


class BusyError(StoreError):
    """Locked, full or gone: the same change may be taken later."""


class DispatchStore:
    """See the module. Any thread may read; writes take turns."""

    def __init__(self, engine: sa.Engine, turns: Turns) -> None:
        self._engine = engine
        self._turns = turns

    def close(self) -> None:
        """Give back every connection."""
        self._engine.dispose()
        self._turns.close()

    @property
    def about(self) -> str:
        """Which database this is, for the log and whoever looks after it."""
        if self._engine.dialect.name != "sqlite":
            return self._engine.dialect.name
        major, minor, patch = sqlite3.sqlite_version_info[:3]
        bug = "without the WAL-reset bug" if is_mended((major, minor, patch)) else "with the WAL-reset bug, kept off"
        return f"SQLite {sqlite3.sqlite_version} ({bug}; one at a time writes)"

    @contextmanager
    def reading(self) -> Iterator[sa.Connection]:
        """A connection for queries only."""
        with self._engine.connect() as connection:
            yield connection

    @contextmanager
    def _writing(self, *, work: int = 0) -> Iterator[sa.Connection]:
        """One transaction; `work` tells how much it writes, in records."""
        try:
            with self._turns.one():
                with _transaction(self._engine) as connection:
                    yield connection
                if self._turns.is_checkpoint_due(work):
                    self._checkpoint()
        except (SQLAlchemyError, NoTurnError) as error:
            text = f"the dispatch database did not take the change: {error.__cause__ or error}"
            raise (BusyError if _may_pass(error) else StoreError)(text) from error

    @contextmanager
    def writing(self) -> Iterator[sa.Connection]:
        """A transaction that is the only one to write, for what people do; raises as `ingest_all` does."""
        with self._writing() as connection:
            yield connection

    def _checkpoint(self) -> None:
        try:
            checkpoint(self._engine)
        except (SQLAlchemyError, sqlite3.Error) as error:
            log.warning("the dispatch database's log could not be brought in; tried again later: %s", error)

    def _upsert(self, table: sa.Table) -> sqlite.Insert | postgresql.Insert:
        return (postgresql.insert if self._engine.dialect.name == "postgresql" else sqlite.insert)(table)

    # -- in ------------------------------------------------------------------------------------------------------------

    def ingest(self, batch: LogBatch, *, received_s: float) -> Ingested:
        """`ingest_all` of one batch."""
        return self.ingest_all((batch,), received_s=received_s)

    def ingest_all(self, batches: Sequence[LogBatch], *, received_s: float) -> Ingested:
        """Commit batches of log records, of any vehicles; when it returns, `acks` covers all of them.

        After StoreError none is in; after BusyError it is worth another try.
        """
        with self._writing(work=sum(len(batch.records) for batch in batches)) as connection:
            keep_lives(connection, self._upsert, {batch.vehicle for batch in batches}, received_s=received_s)
            return Intake(connection, self._upsert, received_s).run(batches)

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
            if not retained:
                keep_word(connection, self._upsert, body, received_s=received_s)
            if isinstance(body, Aboard):
                named = ((each.epc, each.name, each.tag) for each in body.items if each.name)
                keep_names(connection, self._upsert, named)
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
        with self._writing(work=_MUCH) as connection:
            gone = forget(connection, records_before_s=records_before_s, badges_before_s=badges_before_s)
        try:
            strip_badges(self.reading, self._writing, before_s=badges_before_s)
        except SQLAlchemyError as error:
            raise BusyError(f"the dispatch database cannot be read: {error.__cause__ or error}") from error
        return gone

    # -- out -----------------------------------------------------------------------------------------------------------

    def acks(self, vehicle: str) -> dict[int, SeqRanges]:
        """By epoch, the seqs of that vehicle that are committed."""
        table = schema.cursor
        query = sa.select(table.c.epoch, table.c.ranges).where(table.c.vehicle == vehicle).order_by(table.c.epoch)
        with self.reading() as connection:
            return {int(row.epoch): parse_ranges(row.ranges) for row in connection.execute(query)}

    def told(self, vehicle: str) -> tuple[Ack, ...]:
        """The same as an `ack` says it: with the end of each epoch's chain and its digest. Raises BusyError."""
        table = schema.cursor
        try:
            with self.reading() as connection:
                rows = connection.execute(sa.select(table).where(table.c.vehicle == vehicle)).all()
        except SQLAlchemyError as error:
            raise BusyError(f"the dispatch database cannot be read: {error.__cause__ or error}") from error
        heads = {row.epoch: (row.hash_seq, row.hash) for row in rows if row.hash_seq is not None}
        return acks_of({row.epoch: parse_ranges(row.ranges) for row in rows}, heads)

    def vehicles(self) -> tuple[str, ...]:
        """Every vehicle ever heard, by id."""
        with self.reading() as connection:
            return tuple(connection.execute(sa.select(schema.vehicle.c.vehicle).order_by("vehicle")).scalars())


def _may_pass(error: Exception) -> bool:
    """Whether the same change may be taken later."""
    driver = getattr(error, "orig", None)
    code = getattr(driver, "sqlstate", None) or getattr(driver, "pgcode", None) or ""  # psycopg's names, 3 and 2
    return isinstance(error, _NOT_NOW) and not str(code).startswith(_TOO_MUCH)


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
