"""What records mean for events, manifests and items, drawn into those tables once for a whole transaction.

`take` reads a record, `write` brings the tables up to date. The tables end the same whatever the order of records, and
however they are spread over transactions: `agent.ledger` decides what stands.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from operator import attrgetter
from typing import Any, TypeVar

import msgspec
import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite

from agent.dispatch import schema
from agent.dispatch.badges import epcs_of
from agent.dispatch.schema_accounts import badge_leg
from agent.dispatch.wire import LogRecord
from agent.errors import MessageError
from agent.ledger import UNKNOWN, CustodyEvent, ItemState, next_state, parse_event, parse_manifest
from agent.units import parse_utc

log = logging.getLogger(__name__)
T = TypeVar("T")

Upsert = Callable[[sa.Table], sqlite.Insert | postgresql.Insert]
"""The dialect's own INSERT, which knows ON CONFLICT."""
AT_ONCE = 500
"""How many keys one query asks for; SQLite takes 32 766 and once took 999."""

_Name = tuple[str, str]
"""Vehicle and eventID."""
_LAST = ("last_s", "last_vehicle", "last_epoch", "last_seq")
_FOLDED = (*ItemState.__struct_fields__, *_LAST)
_EVENT = tuple(column.name for column in schema.event.columns)
_UPDATED = tuple(name for name in _EVENT if name not in ("vehicle", "event_id"))


class Drawn:
    """The records of one transaction, and what they change."""

    def __init__(self, connection: sa.Connection, upsert: Upsert) -> None:
        self._connection = connection
        self._upsert = upsert
        self._events: list[tuple[CustodyEvent, str]] = []
        self._manifests: list[dict[str, Any]] = []
        self._legs: list[dict[str, Any]] = []
        self._names: dict[str, tuple[str, str | None]] = {}

    def take(self, vehicle: str, epoch: int, each: LogRecord) -> str | None:
        """Read a record for `write`; the reason where it cannot be used."""
        try:
            self._read(vehicle, epoch, each)
        except MessageError as error:
            log.warning("%s epoch %d seq %d is kept unused: %s", vehicle, epoch, each.seq, error)
            return str(error)
        return None

    def write(self) -> None:
        """Bring the tables up to date with all that was taken."""
        states = _Statements(self._connection, {(event.vehicle, event.event_id) for event, _ in self._events})
        for event, body in self._events:
            states.state(event, body)
        states.write()
        if self._manifests:
            self._connection.execute(sa.insert(schema.manifest), self._manifests)
        if self._legs:
            self._connection.execute(self._upsert(badge_leg).on_conflict_do_nothing(), self._legs)
        self._write_items(states)

    # -- records -------------------------------------------------------------------------------------------------------

    def _read(self, vehicle: str, epoch: int, each: LogRecord) -> None:
        body = each.body
        if not isinstance(body, Mapping):
            raise MessageError(f"a record's body is a JSON object (got {type(body).__name__})")
        if each.kind == "event":
            document = each.document
            if "\\u0000" in document:
                raise MessageError("an event's texts hold no NUL")  # nor do PostgreSQL's
            self._events.append((parse_event(body, vehicle=vehicle, epoch=epoch, seq=each.seq), document))
        elif each.kind == "manifest":
            self._read_manifest(vehicle, epoch, each)
        elif each.kind != "notice":
            raise MessageError(f"kind {each.kind!r} is none of event, manifest, notice")

    def _read_manifest(self, vehicle: str, epoch: int, each: LogRecord) -> None:
        revision = parse_manifest(each.body, vehicle=vehicle, epoch=epoch, seq=each.seq)
        if "\0" in revision.manifest:
            raise MessageError("a manifest's name holds no NUL")
        self._manifests.append(
            {
                "vehicle": vehicle,
                "manifest": revision.manifest,
                "revision": revision.revision,
                "epoch": epoch,
                "seq": each.seq,
                "departed_s": parse_utc(each.body["departed"]["time"]),
                "withdrawn": revision.withdrawn,
                "body": each.document,
            }
        )
        leg = {key: self._manifests[-1][key] for key in ("vehicle", "manifest", "departed_s")}
        self._legs += [{"epc": epc, **leg} for epc in epcs_of(each.body)]
        self._names.update(_names(each.body["items"]))

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
            self._upsert(table),
            [{**blank, "epc": epc, **rows.get(epc, {}), **values} for epc, values in sorted(changed.items())],
            by=["epc"],
        )

    def _folded(self, states: _Statements, rows: Mapping[str, Mapping[str, Any]]) -> dict[str, dict[str, Any]]:
        """Where items are now: on from where they stood, or anew where their past has changed."""
        changed: dict[str, dict[str, Any]] = {}
        anew = set(states.anew)
        for epc, events in states.later.items():
            row = rows.get(epc)
            if len(events) > 1:
                events.sort(key=lambda each: each[0].order)
            state, last = UNKNOWN, None
            if row is not None and row["last_s"] is not None:
                state, last = ItemState(*(row[key] for key in ItemState.__struct_fields__)), _last_of(row)
            if epc in anew or (last is not None and events[0][0].order <= last):
                anew.add(epc)
                continue
            for event, p in events:
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
        found: dict[str, list[CustodyEvent]] = {epc: [] for epc in epcs}
        event, listed = schema.event, schema.event_item
        columns = tuple(event.c[key] for key in ("vehicle", "epoch", "seq", "event_id", "time_s", "action", "biz_step"))
        columns += (listed.c.epc, listed.c.p, event.c.place, event.c.not_before_s, event.c.not_after_s)
        same = sa.and_(listed.c.vehicle == event.c.vehicle, listed.c.event_id == event.c.event_id)
        for some in chunks(epcs):
            here = sa.and_(listed.c.epc.in_(some), event.c.voided.is_(False))
            added = sa.select(listed.c.epc, sa.func.max(event.c.time_s).label("from_s"))
            added = added.select_from(listed.join(event, same)).where(here, event.c.action == "ADD")
            last = added.group_by(listed.c.epc).cte("last_added")
            both = listed.join(event, same).outerjoin(last, last.c.epc == listed.c.epc)
            since = sa.or_(last.c.from_s.is_(None), event.c.time_s >= last.c.from_s)
            rows: Sequence[Any] = self._connection.execute(
                sa.select(*columns).select_from(both).where(here, since)
            ).all()
            for vehicle, epoch, seq, event_id, time_s, action, step, epc, *rest in rows:
                p, place, low_s, high_s = rest
                told = (vehicle, epoch, seq, event_id, time_s, action, step, (epc,), (p,), place, low_s, high_s)
                found[epc].append(CustodyEvent(*told))
        for events in found.values():
            events.sort(key=_order)
        return found


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
        if new:
            self._connection.execute(sa.insert(table), new)
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
            {"epc": epc, "vehicle": event.vehicle, "event_id": event.event_id, "p": p}
            for event in self._items.values()
            for epc, p in zip(event.epcs, event.confidence, strict=True)
        ]
        if items:
            self._connection.execute(sa.insert(schema.event_item), items)
        for name, event in self._items.items():
            if name in self._there or self._rows[name]["voided"]:
                self.named.update(event.epcs)
                continue
            for epc, p in zip(event.epcs, event.confidence, strict=True):
                self.later.setdefault(epc, []).append((event, p))

    def _listed(self, name: _Name, row: Mapping[str, Any]) -> tuple[str, ...]:
        """The items that are listed for an event now: those that the body of its row names."""
        if name in self._items:
            return self._items[name].epcs
        body = msgspec.json.decode(row["body"])
        return parse_event(body, vehicle=name[0], epoch=1, seq=1).epcs

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


def chunks(values: Sequence[T]) -> Iterator[Sequence[T]]:
    """`values` in parts that one query takes."""
    return (values[at : at + AT_ONCE] for at in range(0, len(values), AT_ONCE))


def upsert_all(
    connection: sa.Connection, insert: sqlite.Insert | postgresql.Insert, rows: list[dict[str, Any]], *, by: list[str]
) -> None:
    """Insert rows that all have the same keys; where `by` is there already, all their other values replace those."""
    if rows:
        now = {key: insert.excluded[key] for key in rows[0] if key not in by}
        connection.execute(insert.on_conflict_do_update(index_elements=by, set_=now), rows)


def keep_names(connection: sa.Connection, upsert: Upsert, named: Iterable[tuple[str, str, str | None]]) -> None:
    """Remember what a vehicle calls items: (epc, name, tag)."""
    rows = {epc: {"epc": epc, "since_exact": True, "name": _clean(name), "tag": tag} for epc, name, tag in named}
    insert = upsert(schema.item)
    now = {key: insert.excluded[key] for key in ("name", "tag")}
    if rows:
        connection.execute(insert.on_conflict_do_update(index_elements=["epc"], set_=now), list(rows.values()))


def _names(items: list[Any]) -> Iterator[tuple[str, tuple[str, str | None]]]:
    for each in items:
        if not isinstance(each, dict):
            continue
        epc, name, tag = each.get("epc"), each.get("name"), each.get("tag")
        if isinstance(epc, str) and isinstance(name, str):
            yield _clean(epc), (_clean(name), _clean(tag) if isinstance(tag, str) else None)


def _clean(text: str) -> str:
    return text.replace("\0", "") if "\0" in text else text  # PostgreSQL's text holds no NUL


def _last_of(row: Mapping[str, Any]) -> tuple[float, str, int, int]:
    return (row["last_s"], row["last_vehicle"], row["last_epoch"], row["last_seq"])


def _folded(state: ItemState, last: CustodyEvent | None) -> dict[str, Any]:
    order = (None, None, None, None) if last is None else last.order
    return msgspec.structs.asdict(state) | dict(zip(_LAST, order, strict=True))


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
