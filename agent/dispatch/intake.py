"""One batch of log records on its way into the dispatch side's tables, inside a transaction that the store holds.

What came in goes to `record` and never changes; what it means for events, manifests and items is drawn from it here, so
that the tables end the same whatever the order of batches. What cannot be used is kept with the reason.
"""

from __future__ import annotations

import hashlib
import logging
from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Any

import msgspec
import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite

from agent.dispatch import schema
from agent.dispatch.wire import LogBatch, LogRecord, parse_ranges
from agent.errors import MessageError
from agent.ledger import UNKNOWN, CustodyEvent, ItemState, parse_event, parse_manifest, standing, step_item
from agent.units import parse_utc

log = logging.getLogger(__name__)
_json = msgspec.json

Upsert = Callable[[sa.Table], sqlite.Insert | postgresql.Insert]
"""The dialect's own INSERT, which knows ON CONFLICT."""


class Ingested(msgspec.Struct, frozen=True):
    """What became of a batch.

    `fresh` records were new, `repeated` known already, `clashed` known with other content; `refused` are those of the
    fresh ones that could not be used.
    """

    fresh: int = 0
    repeated: int = 0
    clashed: int = 0
    refused: int = 0


class Intake:
    """One batch on its way into the tables, inside one transaction."""

    def __init__(self, connection: sa.Connection, upsert: Upsert, batch: LogBatch, received_s: float) -> None:
        self._connection = connection
        self._upsert = upsert
        self._batch = batch
        self._vehicle = batch.vehicle
        self._received_s = received_s
        self._later: dict[str, list[CustodyEvent]] = {}
        self._anew: set[str] = set()

    def run(self) -> Ingested:
        """Take it in; the transaction is the caller's to commit."""
        batch, record = self._batch, schema.record
        at = schema.cursor.c
        mine = sa.and_(at.vehicle == self._vehicle, at.epoch == batch.epoch)
        text = self._connection.execute(sa.select(at.ranges).where(mine)).scalar()
        have = parse_ranges(text)
        known = {
            int(row.seq): row.sha256
            for row in self._connection.execute(
                sa.select(record.c.seq, record.c.sha256).where(
                    record.c.vehicle == self._vehicle,
                    record.c.epoch == batch.epoch,
                    record.c.seq.in_([each.seq for each in batch.records]),
                )
            )
        }
        fresh = repeated = clashed = refused = 0
        for each in batch.records:
            digest = _digest(each)
            if each.seq in known:
                repeated += known[each.seq] == digest
                if known[each.seq] != digest:
                    clashed += 1
                    self._clash(each, digest)
            elif each.seq in have:
                repeated += 1  # forgotten since, for its age
            else:
                known[each.seq] = digest
                reason = self._take(each)
                self._keep(each, digest, reason)
                fresh += 1
                refused += reason is not None
        for epc in sorted(self._anew | self._later.keys()):
            self._fold(epc)
        ranges = _json.encode(have.add_all(each.seq for each in batch.records).ranges).decode()
        row = {"vehicle": self._vehicle, "epoch": batch.epoch, "ranges": ranges}
        self._connection.execute(
            self._upsert(schema.cursor)
            .values(**row)
            .on_conflict_do_update(index_elements=["vehicle", "epoch"], set_={"ranges": ranges})
        )
        heard = {"heard_s": self._received_s}
        self._connection.execute(
            self._upsert(schema.vehicle)
            .values(vehicle=self._vehicle, **heard)
            .on_conflict_do_update(index_elements=["vehicle"], set_=heard)
        )
        return Ingested(fresh=fresh, repeated=repeated, clashed=clashed, refused=refused)

    def _keep(self, each: LogRecord, digest: str, reason: str | None) -> None:
        self._connection.execute(
            sa.insert(schema.record).values(
                vehicle=self._vehicle,
                epoch=self._batch.epoch,
                seq=each.seq,
                kind=each.kind[:20],
                body=each.document,
                sha256=digest,
                received_s=self._received_s,
                refused=reason,
            )
        )

    def _clash(self, each: LogRecord, digest: str) -> None:
        name = f"{self._vehicle} epoch {self._batch.epoch} seq {each.seq}"
        log.warning("%s came again with other content; both are kept, the first one counts", name)
        self._connection.execute(
            self._upsert(schema.clash)
            .values(
                vehicle=self._vehicle,
                epoch=self._batch.epoch,
                seq=each.seq,
                sha256=digest,
                kind=each.kind[:20],
                body=each.document,
                received_s=self._received_s,
            )
            .on_conflict_do_nothing()
        )

    def _take(self, each: LogRecord) -> str | None:
        """Draw a record into the tables; the reason where it cannot be used."""
        try:
            self._draw(each)
        except MessageError as error:
            log.warning("%s epoch %d seq %d is kept unused: %s", self._vehicle, self._batch.epoch, each.seq, error)
            return str(error)
        return None

    def _draw(self, each: LogRecord) -> None:
        if not isinstance(each.body, Mapping):
            raise MessageError(f"a record's body is a JSON object (got {type(each.body).__name__})")
        if each.kind == "event":
            event = parse_event(each.body, vehicle=self._vehicle, epoch=self._batch.epoch, seq=each.seq)
            self._take_event(event, each.document)
        elif each.kind == "manifest":
            self._take_manifest(each)
        elif each.kind != "notice":
            raise MessageError(f"kind {each.kind!r} is none of event, manifest, notice")

    def _take_event(self, event: CustodyEvent, body: str) -> None:
        """One row an eventID, whatever came first: what its first statement says, and whether it was ever taken back.

        First by epoch and seq. While only declarations have come in, the row says what they repeat of the event.
        """
        table = schema.event
        here = sa.and_(table.c.vehicle == event.vehicle, table.c.event_id == event.event_id)
        row = self._connection.execute(sa.select(table).where(here)).first()
        taken_back = {"voided": True, "void_reason": event.reason, "void_declared_s": event.declared_s}
        says = _event_values(event) | {"body": body}
        says |= taken_back if event.void else {"epoch": event.epoch, "seq": event.seq}
        if row is None:
            self._connection.execute(sa.insert(table).values(**({"voided": False} | says)))
            self._list_items(event)
            if event.void:
                self._anew.update(event.epcs)
            else:
                for epc in event.epcs:
                    self._later.setdefault(epc, []).append(event)
            return
        if not event.void and row.epoch is not None and not _says_the_same(row, event):
            log.warning("%s says two different things as %s; the first one counts", event.vehicle, event.event_id)
        if event.void and row.epoch is not None:
            if not row.voided or _declared(event) < _declared(row):
                self._connection.execute(sa.update(table).where(here).values(**taken_back))
                self._anew.update(self._items_of(event))
        elif (
            (*_declared(event), body) < (*_declared(row), row.body)
            if event.void
            else row.epoch is None or (event.epoch, event.seq) < (row.epoch, row.seq)
        ):
            self._connection.execute(sa.update(table).where(here).values(**says))
            self._anew.update(self._items_of(event), event.epcs)
            self._list_items(event)

    def _items_of(self, event: CustodyEvent) -> set[str]:
        listed = schema.event_item.c
        mine = sa.and_(listed.vehicle == event.vehicle, listed.event_id == event.event_id)
        return set(self._connection.execute(sa.select(listed.epc).where(mine)).scalars())

    def _list_items(self, event: CustodyEvent) -> None:
        table = schema.event_item
        mine = sa.and_(table.c.vehicle == event.vehicle, table.c.event_id == event.event_id)
        self._connection.execute(sa.delete(table).where(mine))
        rows = [
            {"epc": epc, "vehicle": event.vehicle, "event_id": event.event_id, "p": p}
            for epc, p in zip(event.epcs, event.confidence, strict=True)
        ]
        if rows:
            self._connection.execute(sa.insert(table), rows)

    def _take_manifest(self, each: LogRecord) -> None:
        body = each.body
        revision = parse_manifest(body, vehicle=self._vehicle, epoch=self._batch.epoch, seq=each.seq)
        self._connection.execute(
            sa.insert(schema.manifest).values(
                vehicle=revision.vehicle,
                manifest=revision.manifest,
                revision=revision.revision,
                epoch=revision.epoch,
                seq=revision.seq,
                departed_s=parse_utc(body["departed"]["time"]),
                withdrawn=revision.withdrawn,
                body=each.document,
            )
        )
        keep_names(self._connection, self._upsert, _names(body["items"]))

    def _fold(self, epc: str) -> None:
        """Bring an item's row up to date: go on from where it stands, or fold anew where the past has changed."""
        item = schema.item
        row = self._connection.execute(sa.select(item).where(item.c.epc == epc)).first()
        events = sorted(self._later.get(epc, ()), key=lambda event: event.order)
        last = None
        if row is not None and row.last_s is not None:
            last = (row.last_s, row.last_vehicle, row.last_epoch, row.last_seq)
        if epc in self._anew or last is None or events[0].order <= last:
            events = list(standing(self._standing_events(epc)))
            state = UNKNOWN
        else:
            state = ItemState(**{key: getattr(row, key) for key in ItemState.__struct_fields__})
        for event in events:
            state = step_item(epc, state, event)
        order = events[-1].order if events else (None, None, None, None)
        values = msgspec.structs.asdict(state)
        values |= dict(zip(("last_s", "last_vehicle", "last_epoch", "last_seq"), order, strict=True))
        self._connection.execute(
            self._upsert(item).values(epc=epc, **values).on_conflict_do_update(index_elements=["epc"], set_=values)
        )

    def _standing_events(self, epc: str) -> Iterator[CustodyEvent]:
        event, listed = schema.event, schema.event_item
        query = sa.select(event, listed.c.p).join(
            listed, sa.and_(listed.c.vehicle == event.c.vehicle, listed.c.event_id == event.c.event_id)
        )
        rows = self._connection.execute(query.where(listed.c.epc == epc, event.c.voided.is_(False)))
        return (_event_of(epc, row) for row in rows)


def _event_values(event: CustodyEvent) -> dict[str, Any]:
    keys = ("vehicle", "event_id", "time_s", "not_before_s", "not_after_s", "action", "biz_step", "place")
    return {key: getattr(event, key) for key in keys}


def _says_the_same(row: sa.Row[Any], event: CustodyEvent) -> bool:
    return all(getattr(row, key) == value for key, value in _event_values(event).items())


def _declared(of: CustodyEvent | sa.Row[Any]) -> tuple[float, str]:
    """Of several declarations the earliest counts."""
    if isinstance(of, CustodyEvent):
        return (of.declared_s or 0.0, of.reason or "")
    return (of.void_declared_s or 0.0, of.void_reason or "")


def _event_of(epc: str, row: sa.Row[Any]) -> CustodyEvent:
    return CustodyEvent(
        vehicle=row.vehicle,
        epoch=row.epoch,
        seq=row.seq,
        event_id=row.event_id,
        time_s=row.time_s,
        action=row.action,
        biz_step=row.biz_step,
        epcs=(epc,),
        confidence=(row.p,),
        place=row.place,
        not_before_s=row.not_before_s,
        not_after_s=row.not_after_s,
    )


def keep_names(connection: sa.Connection, upsert: Upsert, named: Iterable[tuple[str, str, str | None]]) -> None:
    """Remember what a vehicle calls items: (epc, name, tag)."""
    for epc, name, tag in named:
        values = {"name": name.replace("\0", ""), "tag": tag}  # PostgreSQL's text holds no NUL
        connection.execute(
            upsert(schema.item)
            .values(epc=epc, since_exact=True, **values)
            .on_conflict_do_update(index_elements=["epc"], set_=values)
        )


def _names(items: list[Any]) -> Iterator[tuple[str, str, str | None]]:
    for each in items:
        if isinstance(each, Mapping) and isinstance(each.get("epc"), str) and isinstance(each.get("name"), str):
            yield each["epc"], each["name"], each["tag"] if isinstance(each.get("tag"), str) else None


def _digest(each: LogRecord) -> str:
    return hashlib.sha256(f"{each.kind}\0{each.document}".encode()).hexdigest()
