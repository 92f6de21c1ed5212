"""What records mean for events, manifests and items, drawn into those tables once for a whole transaction.

`take` reads a record, `write` brings the tables up to date. The tables end the same whatever the order of records, and
however they are spread over transactions: `agent.ledger` decides what stands.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from operator import attrgetter
from typing import Any

import msgspec
import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite

from agent.dispatch import schema
from agent.dispatch.badges import epcs_of
from agent.dispatch.bulk import chunks, insert_all, insert_new, upsert_all
from agent.dispatch.schema_accounts import badge_leg
from agent.dispatch.wire import LogRecord
from agent.errors import MessageError
from agent.ledger import (
    LONGEST_NAME,
    UNKNOWN,
    CustodyEvent,
    ItemState,
    children,
    next_state,
    parse_event,
    parse_manifest,
)
from agent.units import parse_utc

log = logging.getLogger(__name__)

Upsert = Callable[[sa.Table], sqlite.Insert | postgresql.Insert]
"""The dialect's own INSERT, which knows ON CONFLICT."""

_Name = tuple[str, str]
"""Vehicle and eventID."""
_LAST = ("last_s", "last_vehicle", "last_epoch", "last_seq")
_FOLDED = (*ItemState.__struct_fields__, *_LAST)
_EVENT = tuple(column.name for column in schema.event.columns)
_UPDATED = tuple(name for name in _EVENT if name not in ("vehicle", "event_id"))


class Drawn:
    """The records of one transaction, and what they change."""

    def __init__(self, connection: sa.Connection) -> None:
        self._connection = connection
        self._events: list[tuple[CustodyEvent, str]] = []
        self._manifests: list[dict[str, Any]] = []
        self._legs: list[dict[str, Any]] = []
        self._names: dict[str, tuple[str, str | None]] = {}

    def take(self, vehicle: str, epoch: int, each: LogRecord) -> str | None:
        """Read a record for `write`; the reason where it cannot be used."""
        try:
            self._read(vehicle, epoch, each)
        except (MessageError, ArithmeticError, ValueError, RecursionError) as error:
            # Whatever a vehicle may write: a record that ended ingest would come again, first of all, at each start.
            log.warning("%s epoch %d seq %d is kept unused: %s", vehicle, epoch, each.seq, error)
            return str(error) or type(error).__name__
        return None

    def write(self) -> None:
        """Bring the tables up to date with all that was taken."""
        states = _Statements(self._connection, {(event.vehicle, event.event_id) for event, _ in self._events})
        for event, body in self._events:
            states.state(event, body)
        states.write()
        insert_all(self._connection, schema.manifest, self._manifests)
        insert_new(self._connection, badge_leg, self._legs)
        self._write_items(states)

    # -- records -------------------------------------------------------------------------------------------------------

    def _read(self, vehicle: str, epoch: int, each: LogRecord) -> None:
        body = each.value
        if not isinstance(body, Mapping):
            raise MessageError(f"a record's body is a JSON object (got {type(body).__name__})")
        if each.kind == "event":
            document = each.document
            if "\\u0000" in document:
                raise MessageError("an event's texts hold no NUL")  # nor do PostgreSQL's
            self._events.append((parse_event(body, vehicle=vehicle, epoch=epoch, seq=each.seq), document))
        elif each.kind == "manifest":
            self._read_manifest(vehicle, epoch, each, body)
        elif each.kind != "notice":
            raise MessageError(f"kind {each.kind!r} is none of event, manifest, notice")

    def _read_manifest(self, vehicle: str, epoch: int, each: LogRecord, body: Mapping[str, Any]) -> None:
        revision = parse_manifest(body, vehicle=vehicle, epoch=epoch, seq=each.seq)
        if "\0" in revision.manifest:
            raise MessageError("a manifest's name holds no NUL")
        row = {
            "vehicle": vehicle,
            "manifest": revision.manifest,
            "revision": revision.revision,
            "epoch": epoch,
            "seq": each.seq,
            "departed_s": parse_utc(body["departed"]["time"]),
            "withdrawn": revision.withdrawn,
            "body": each.document,
        }
        leg = {key: row[key] for key in ("vehicle", "manifest", "departed_s")}
        legs = [{"epc": epc, **leg} for epc in epcs_of(body) if len(epc) <= LONGEST_NAME]
        names = dict(_names(body["items"], clean="\u0000" not in each.document))
        self._manifests.append(row)
        self._legs += legs
        self._names.update(names)

    # -- items ---------------------------------------------------------------------------------------------------------

    def _write_items(self, states: _Statements) -> None:
        table = schema.item
        touched = sorted(states.anew | states.named | states.later.keys() | self._names.keys())
        rows: dict[str, dict[str, Any]] = {}
        for some in chunks(touched):
            for row in self._connection.execute(sa.select(table).where(table.c.epc.in_(some))):
                rows[row.epc] = dict(row._mapping)  # noqa: SLF001 - SQLAlchemy's name for a row as a mapping
        changed: dict[str, dict[str, Any]] = {epc: {} for epc in states.named if epc not in rows}
        changed |= self._folded(states, rows)
        for epc, (name, tag) in self._names.items():
            known = rows.get(epc)
            if known is None or (known["name"], known["tag"]) != (name, tag):
                changed[epc] = changed.get(epc, {}) | {"name": name, "tag": tag}
        blank = {"name": None, "tag": None, "since_exact": True} | dict.fromkeys(
            key for key in _FOLDED if key != "since_exact"
        )
        upsert_all(
            self._connection,
            table,
            [{**blank, "epc": epc, **rows.get(epc, {}), **values} for epc, values in sorted(changed.items())],
            by=["epc"],
        )

    def _folded(self, states: _Statements, rows: Mapping[str, Mapping[str, Any]]) -> dict[str, dict[str, Any]]:
        """Where items are now: on from where they stood, or anew where their past has changed."""
        changed: dict[str, dict[str, Any]] = {}
        anew = set(states.anew)
        for epc, events in states.later.items():
            row = rows.get(epc)
            last = None if row is None or row["last_s"] is None else _last_of(row)
            if epc in anew or (last is not None and events[0][0].order <= last):
                anew.add(epc)
                continue
            state = UNKNOWN
            if row is not None and last is not None:
                state = ItemState(*(row[key] for key in ItemState.__struct_fields__))
            for event, p in events[_last_added(events) :]:
                state = next_state(state, event, p)
            changed[epc] = _folded(state, events[-1][0])
        for epc, told in self._standing_events(sorted(anew)).items():
            state = UNKNOWN
            for event in told:
                state = next_state(state, event, event.confidence[0])
            changed[epc] = _folded(state, told[-1] if told else None)
        return changed

    def _standing_events(self, epcs: list[str]) -> dict[str, list[CustodyEvent]]:
        """From the last loading of each item on: what came before it, that one overrules (`agent.ledger`)."""
        found: dict[str, list[CustodyEvent]] = {}
        for epc in epcs:
            asked = {"epc": epc, "most": _FEW}
            rows: Sequence[Any] = self._connection.execute(_NEWEST, asked).all()
            if len(rows) == _FEW and (all(row.action != "ADD" for row in rows) or _from_s(rows) == rows[-1].time_s):
                rows = self._connection.execute(_NEWEST, asked | {"most": 2**31}).all()
            from_s = _from_s(rows)
            told = (row for row in rows if from_s is None or row.time_s >= from_s)
            found[epc] = sorted((_standing(epc, *row) for row in told), key=_order)
        return found


def _standing(epc: str, *row: Any) -> CustodyEvent:  # noqa: ANN401 - a row's values
    """A row of `_NEWEST` as the fold sees it."""
    vehicle, epoch, seq, event_id, time_s, action, step, p, *where = row
    return CustodyEvent(vehicle, epoch, seq, event_id, time_s, action, step, (epc,), (p,), *where)


def _newest() -> sa.Select[Any]:
    """Of one item the standing events, the newest first."""
    event, listed = schema.event, schema.event_item
    columns = tuple(event.c[key] for key in ("vehicle", "epoch", "seq", "event_id", "time_s", "action", "biz_step"))
    columns += (listed.c.p, event.c.place, event.c.not_before_s, event.c.not_after_s)
    same = sa.and_(listed.c.vehicle == event.c.vehicle, listed.c.event_id == event.c.event_id)
    of_it = sa.and_(listed.c.epc == sa.bindparam("epc"), event.c.voided.is_(False))
    newest = sa.select(*columns).select_from(listed.join(event, same)).where(of_it).order_by(listed.c.time_s.desc())
    return newest.limit(sa.bindparam("most", type_=sa.Integer))


_NEWEST = _newest()
_FEW = 16
"""Standing events of an item among which its last loading nearly always is; where it is not, all are read."""


def _from_s(rows: Sequence[Any]) -> float | None:
    """When the last loading among them was; they come newest first."""
    return next((row.time_s for row in rows if row.action == "ADD"), None)


_order = attrgetter("order")


class _Statements:
    """The `event` and `event_item` rows of one transaction: one row an eventID, whatever came first.

    It says what the event's first statement says, by epoch and seq, and whether it was ever taken back. While only
    declarations have come in, it says what they repeat of the event. After `write`, `later` are the items of events
    that are new and stand, `named` those of new ones that do not, and `anew` those whose past has changed.
    """

    def __init__(self, connection: sa.Connection, names: set[_Name]) -> None:
        self._connection = connection
        self.later: dict[str, list[tuple[CustodyEvent, float | None]]] = {}
        self.named: set[str] = set()
        self.anew: set[str] = set()
        self._rows: dict[_Name, dict[str, Any]] = {}
        self._there: set[_Name] = set()
        self._changed: set[_Name] = set()
        self._items: dict[_Name, CustodyEvent] = {}  # whose items are to be listed
        table = schema.event
        ids: dict[str, list[str]] = {}
        for vehicle, event_id in sorted(names):
            ids.setdefault(vehicle, []).append(event_id)
        for vehicle, wanted in ids.items():
            for some in chunks(wanted):
                here = sa.and_(table.c.vehicle == vehicle, table.c.event_id.in_(some))
                for row in self._connection.execute(sa.select(table).where(here)):
                    self._rows[vehicle, row.event_id] = dict(row._mapping)  # noqa: SLF001 - as above
        self._there.update(self._rows)

    def state(self, event: CustodyEvent, body: str) -> None:
        """Take one statement or declaration in."""
        name = (event.vehicle, event.event_id)
        row = self._rows.get(name)
        taken_back = {"voided": True, "void_reason": event.reason, "void_declared_s": event.declared_s}
        says = _event_values(event) | {"body": body}
        says |= taken_back if event.void else {"epoch": event.epoch, "seq": event.seq}
        if row is None:
            self._rows[name] = dict.fromkeys(_EVENT) | {"voided": False} | says
            self._items[name] = event
            return
        if not event.void and row["epoch"] is not None and not _says_the_same(row, event):
            log.warning("%s says two different things as %s; the first one counts", event.vehicle, event.event_id)
        if event.void and row["epoch"] is not None:
            if not row["voided"] or _declared(event) < _declared(row):
                if name in self._there:
                    self.anew.update(self._listed(name, row))
                    self._changed.add(name)
                row.update(taken_back)
        elif (
            (*_declared(event), body) < (*_declared(row), row["body"])
            if event.void
            else row["epoch"] is None or (event.epoch, event.seq) < (row["epoch"], row["seq"])
        ):
            if name in self._there:
                self.anew.update(self._listed(name, row), event.epcs)
                self._changed.add(name)
                if name not in self._items:
                    self._unlist(name, row)
            row.update(says)
            self._items[name] = event

    def write(self) -> None:
        """Write what has changed."""
        table = schema.event
        new = [row for name, row in self._rows.items() if name not in self._there]
        insert_all(self._connection, table, new)
        changed = [
            {f"now_{key}": value for key, value in self._rows[name].items()} for name in self._changed & self._there
        ]
        if changed:
            here = sa.and_(
                table.c.vehicle == sa.bindparam("now_vehicle"), table.c.event_id == sa.bindparam("now_event_id")
            )
            now: dict[str, Any] = {key: sa.bindparam(f"now_{key}") for key in _UPDATED}
            self._connection.execute(sa.update(table).where(here).values(now), changed)
        items = [
            {"epc": epc, "time_s": event.time_s, "vehicle": event.vehicle, "event_id": event.event_id, "p": p}
            for event in self._items.values()
            for epc, p in zip(event.epcs, event.confidence, strict=True)
        ]
        insert_all(self._connection, schema.event_item, items)
        for name, event in sorted(self._items.items(), key=lambda each: each[1].order):
            if name in self._there or self._rows[name]["voided"]:
                self.named.update(event.epcs)
                continue
            for epc, p in zip(event.epcs, event.confidence, strict=True):
                self.later.setdefault(epc, []).append((event, p))

    def _listed(self, name: _Name, row: Mapping[str, Any]) -> tuple[str, ...]:
        """The items that are listed for an event now: those that the body of its row names."""
        if name in self._items:
            return self._items[name].epcs
        return children(msgspec.json.decode(row["body"]))

    def _unlist(self, name: _Name, row: Mapping[str, Any]) -> None:
        table = schema.event_item
        gone = [{"at_epc": epc, "at_vehicle": name[0], "at_event": name[1]} for epc in self._listed(name, row)]
        if gone:
            here = sa.and_(
                table.c.epc == sa.bindparam("at_epc"),
                table.c.vehicle == sa.bindparam("at_vehicle"),
                table.c.event_id == sa.bindparam("at_event"),
            )
            self._connection.execute(sa.delete(table).where(here), gone)


def keep_names(connection: sa.Connection, upsert: Upsert, named: Iterable[tuple[str, str, str | None]]) -> None:
    """Remember what a vehicle calls items: (epc, name, tag)."""
    rows = {
        epc: {"epc": epc, "since_exact": True, "name": _clean(name), "tag": tag}
        for epc, name, tag in named
        if len(epc) <= LONGEST_NAME
    }
    insert = upsert(schema.item)
    now = {"name": insert.excluded["name"], "tag": sa.func.coalesce(insert.excluded["tag"], schema.item.c.tag)}
    if rows:
        connection.execute(insert.on_conflict_do_update(index_elements=["epc"], set_=now), list(rows.values()))


def _names(items: list[Any], *, clean: bool) -> Iterator[tuple[str, tuple[str, str | None]]]:
    """What a manifest calls its items; `clean` where it is known that no text of it holds a NUL."""
    for each in items:
        if isinstance(each, dict):
            epc, name, tag = each.get("epc"), each.get("name"), each.get("tag")
            if isinstance(epc, str) and isinstance(name, str) and len(epc) <= LONGEST_NAME:
                tag = tag if isinstance(tag, str) else None
                yield (epc, (name, tag)) if clean else (_clean(epc), (_clean(name), tag and _clean(tag)))


def _clean(text: str) -> str:
    return text.replace("\0", "") if "\0" in text else text  # PostgreSQL's text holds no NUL


def _last_of(row: Mapping[str, Any]) -> tuple[float, str, int, int]:
    return (row["last_s"], row["last_vehicle"], row["last_epoch"], row["last_seq"])


def _last_added(events: Sequence[tuple[CustodyEvent, float | None]]) -> int:
    """Which of them is the last loading: what came before it, that one overrules (`agent.ledger`)."""
    return next((at for at in range(len(events) - 1, 0, -1) if events[at][0].action == "ADD"), 0)


def _folded(state: ItemState, last: CustodyEvent | None) -> dict[str, Any]:
    order = (None, None, None, None) if last is None else last.order
    return dict(zip(_FOLDED, (*msgspec.structs.astuple(state), *order), strict=True))


def _event_values(event: CustodyEvent) -> dict[str, Any]:
    keys = ("vehicle", "event_id", "time_s", "not_before_s", "not_after_s", "action", "biz_step", "place")
    return {key: getattr(event, key) for key in keys}


def _says_the_same(row: Mapping[str, Any], event: CustodyEvent) -> bool:
    return all(row[key] == value for key, value in _event_values(event).items())


def _declared(of: CustodyEvent | Mapping[str, Any]) -> tuple[float, str]:
    """Of several declarations the earliest counts."""
    if isinstance(of, CustodyEvent):
        return (of.declared_s or 0.0, of.reason or "")
    return (of["void_declared_s"] or 0.0, of["void_reason"] or "")
