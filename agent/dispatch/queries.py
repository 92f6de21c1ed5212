"""What the pages and the API ask of the store: the one layer both share. Reads only, renders nothing."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, TypeVar

import msgspec
import sqlalchemy as sa

from agent.bodies import Aboard, Position, Status
from agent.dispatch import cargo as carried
from agent.dispatch import schema
from agent.dispatch.discrepancies import open_discrepancies, strangers
from agent.dispatch.documents import Names, computer_view, event_view, manifest_view, notice_view, visits
from agent.dispatch.places import Places
from agent.dispatch.store import DispatchStore
from agent.dispatch.views import (
    BadgeView,
    DiscrepancyView,
    EventView,
    ItemPage,
    Link,
    ManifestView,
    NoticeView,
    NotReadView,
    PlaceView,
    PositionView,
    RecordView,
    VanLine,
    VanPage,
)
from agent.dispatch.wire import parse_ranges
from agent.dispatch.words import seconds_of
from agent.ledger import SeqRanges

T = TypeVar("T")
_MOST_LEGS, _MOST_EVENTS, _MOST_NOTICES = 40, 200, 20


class Queries:
    """Answers from `store`; names of items come from the register where it has them, else from the vehicles."""

    def __init__(
        self,
        store: DispatchStore,
        *,
        places: Places,
        names: Mapping[str, str] | None = None,
        quiet_after_s: float = 180.0,
    ) -> None:
        self._store = store
        self._places = places
        self._register = dict(names or {})
        self._quiet_after_s = quiet_after_s

    # -- for the modules beside this one -------------------------------------------------------------------------------

    @property
    def store(self) -> DispatchStore:
        """Where the answers come from."""
        return self._store

    @property
    def places(self) -> Places:
        """What sites are called."""
        return self._places

    def names(self, connection: sa.Connection) -> Names:
        """What items are called."""
        return self._names(connection)

    # -- vans ----------------------------------------------------------------------------------------------------------

    def vans(self, *, now_s: float, only: str | None = None) -> tuple[VanLine, ...]:
        """Every van by id, or the one asked for."""
        query = sa.select(schema.vehicle).order_by(schema.vehicle.c.vehicle)
        if only is not None:
            query = query.where(schema.vehicle.c.vehicle == only)
        with self._store.reading() as connection:
            rows = connection.execute(query).all()
            return tuple(self._line(connection, row, now_s=now_s) for row in rows)

    def strangers(self) -> DiscrepancyView | None:
        """Messages that could not be read and belong to no van that was ever heard."""
        with self._store.reading() as connection:
            return strangers(connection)

    def links(self, *, now_s: float) -> dict[str, Link]:
        """Only the state of every van's link."""
        table = schema.vehicle
        with self._store.reading() as connection:
            rows = connection.execute(sa.select(table.c.vehicle, table.c.link, table.c.heard_s))
            return {row.vehicle: self._link(row.link, row.heard_s, now_s=now_s) for row in rows}

    def _link(self, told: str | None, heard_s: float | None, *, now_s: float) -> Link:
        if told == "offline":
            return "offline"
        if heard_s is None:
            return "unknown"
        if now_s - heard_s > self._quiet_after_s:
            return "quiet"
        return "online" if told == "online" else "unknown"

    def _line(self, connection: sa.Connection, row: sa.Row[Any], *, now_s: float) -> VanLine:
        cargo, position = _read(row.aboard, Aboard), _read(row.position, Position)
        status = _read(row.status, Status)
        if cargo is None:
            items = schema.item.c
            count = connection.execute(sa.select(sa.func.count()).where(items.aboard == row.vehicle)).scalar() or 0
            aboard, near = int(count), 0
        else:
            aboard = sum(carried.is_aboard(each.p, each.state) for each in cargo.items)
            near = len(cargo.items) - aboard
        cursors = connection.execute(sa.select(schema.cursor.c.ranges).where(schema.cursor.c.vehicle == row.vehicle))
        return VanLine(
            vehicle=row.vehicle,
            link=self._link(row.link, row.heard_s, now_s=now_s),
            link_since_s=row.link_since_s,
            heard_s=row.heard_s,
            place=self._place(connection, row.vehicle, cargo),
            position=None
            if position is None
            else PositionView(
                lat=position.lat,
                lon=position.lon,
                at_s=seconds_of(position.at) or row.position_s,
                error_m=position.error_m,
                speed_mps=position.speed_mps,
            ),
            aboard=aboard,
            near=near,
            certain=None if cargo is None else cargo.certain,
            not_read=_not_read(cargo, status),
            missing=sum(high - low + 1 for text in cursors.scalars() for low, high in parse_ranges(text).gaps),
            discrepancies=open_discrepancies(connection, row.vehicle),
        )

    def _place(self, connection: sa.Connection, vehicle: str, cargo: Aboard | None) -> PlaceView:
        if cargo is None or cargo.state == "unknown":
            return PlaceView("unknown")
        since_s = seconds_of(cargo.since)
        if cargo.state == "stopped":
            if cargo.site is None:
                return PlaceView("halt", since_s=since_s)
            return PlaceView("site", self._places.name(cargo.site), since_s)
        origin = None
        if cargo.leg is not None:
            table = schema.manifest.c
            body = connection.execute(
                sa.select(table.body)
                .where(table.vehicle == vehicle, table.manifest == cargo.leg)
                .order_by(table.revision.desc())
            ).scalar()
            departed = msgspec.json.decode(body).get("departed", {}) if body else {}
            site = departed.get("site")
            origin = self._places.name(site) if isinstance(site, str) else None
        return PlaceView("way", origin, since_s)

    def van(self, vehicle: str, *, now_s: float) -> VanPage | None:
        """All of one van; None where it was never heard."""
        lines = self.vans(now_s=now_s, only=vehicle)
        if not lines:
            return None
        with self._store.reading() as connection:
            row = connection.execute(sa.select(schema.vehicle).where(schema.vehicle.c.vehicle == vehicle)).one()
            cargo = _read(row.aboard, Aboard)
            at_s = None if cargo is None else seconds_of(cargo.at) or row.aboard_s
            record, clash = schema.record.c, schema.clash.c
            names = self._names(connection)
            events = self._events(connection, names, schema.event.c.vehicle == vehicle)
            status = _read(row.status, Status)
            manifests, withdrawn = self._manifests(connection, vehicle, names)
            clashes = connection.execute(sa.select(sa.func.count()).where(clash.vehicle == vehicle)).scalar()
            unused = connection.execute(
                sa.select(sa.func.count()).where(record.vehicle == vehicle, record.refused.is_not(None))
            ).scalar()
            return VanPage(
                line=lines[0],
                at_s=at_s,
                items=()
                if cargo is None
                else carried.items(connection, cargo, at_s=at_s, names=names, places=self._places),
                badges=() if cargo is None else tuple(BadgeView(each.epc, each.name, each.p) for each in cargo.badges),
                manifests=manifests,
                withdrawn=withdrawn,
                events=events,
                visits=visits(events),
                more_events=len(events) == _MOST_EVENTS,
                computer=None if status is None else computer_view(status),
                record=_records(connection, vehicle),
                clashes=clashes or 0,
                unused=unused or 0,
                notices=_notices(connection, vehicle),
            )

    # -- manifests -----------------------------------------------------------------------------------------------------

    def manifest(self, vehicle: str, manifest: str) -> ManifestView | None:
        """One leg's manifest as it stands; None where there is none, or it was withdrawn."""
        with self._store.reading() as connection:
            found, _ = self._manifests(connection, vehicle, self._names(connection), only=manifest)
        return found[0] if found else None

    def _manifests(
        self, connection: sa.Connection, vehicle: str, names: Names, *, only: str | None = None
    ) -> tuple[tuple[ManifestView, ...], tuple[str, ...]]:
        """The newest legs that stand, and the names of those among them that proved to be none."""
        table = schema.manifest.c
        latest = sa.select(table.manifest).where(table.vehicle == vehicle)
        if only is not None:
            latest = latest.where(table.manifest == only)
        latest = latest.group_by(table.manifest).order_by(sa.func.max(table.departed_s).desc()).limit(_MOST_LEGS)
        query = sa.select(schema.manifest).where(
            table.vehicle == vehicle, table.manifest.in_(connection.execute(latest).scalars().all())
        )
        legs: dict[str, list[sa.Row[Any]]] = {}
        for row in connection.execute(query.order_by(table.revision, table.epoch, table.seq)):
            legs.setdefault(row.manifest, []).append(row)
        standing = sorted(
            (rows for rows in legs.values() if not rows[-1].withdrawn), key=lambda rows: -float(rows[-1].departed_s)
        )
        withdrawn = tuple(sorted(name for name, rows in legs.items() if rows[-1].withdrawn))
        return tuple(manifest_view(rows, self._places, names) for rows in standing), withdrawn

    # -- items ---------------------------------------------------------------------------------------------------------

    def item(self, epc: str) -> ItemPage | None:
        """One item by its pure identity URI; None where neither a vehicle nor the register ever named it."""
        with self._store.reading() as connection:
            row = connection.execute(sa.select(schema.item).where(schema.item.c.epc == epc)).first()
            if row is None and epc not in self._register:
                return None
            names = self._names(connection)
            listed = schema.event_item.c
            speaks = sa.exists().where(
                listed.epc == epc, listed.vehicle == schema.event.c.vehicle, listed.event_id == schema.event.c.event_id
            )
            return ItemPage(
                epc=epc,
                name=names.of(epc),
                tag=None if row is None else row.tag,
                aboard=None if row is None else row.aboard,
                place=None if row is None or row.place is None else self._places.name_of_location(row.place),
                since_s=None if row is None else row.since_s,
                since_exact=True if row is None else row.since_exact,
                p=None if row is None else row.p,
                events=self._events(connection, names, speaks, only=epc),
            )

    def _events(
        self, connection: sa.Connection, names: Names, which: sa.ColumnElement[bool], *, only: str | None = None
    ) -> tuple[EventView, ...]:
        query = sa.select(schema.event).where(which).order_by(schema.event.c.time_s.desc()).limit(_MOST_EVENTS)
        rows: Sequence[sa.Row[Any]] = connection.execute(query).all()
        return tuple(event_view(row, self._places, names, only=only) for row in rows)

    def _names(self, connection: sa.Connection) -> Names:
        rows = connection.execute(
            sa.select(schema.item.c.epc, schema.item.c.name).where(schema.item.c.name.is_not(None))
        )
        return Names({row.epc: row.name for row in rows} | self._register)


def _read(text: str | None, kind: type[T]) -> T | None:
    return None if text is None else msgspec.json.decode(text, type=kind)


def _not_read(cargo: Aboard | None, status: Status | None) -> tuple[NotReadView, ...]:
    told = () if cargo is None else cargo.silences or ((cargo.not_read,) if cargo.not_read is not None else ())
    found = [NotReadView(each.why, seconds_of(each.since), each.whole) for each in told]
    reader = None if status is None else status.reader
    if reader is not None and reader.state == "down" and not any(each.whole for each in found):
        found.insert(0, NotReadView("the reader is down", seconds_of(reader.not_read_since)))
    if status is not None and status.gps is not None and status.gps.state != "ok":
        gps = {"no fix": "places: the receiver has no fix", "silent": "places: the receiver is silent"}
        found.append(NotReadView(gps[status.gps.state], seconds_of(status.gps.last_fix), whole=False))
    if reader is not None and reader.antennas_lost and not any(each.antenna is not None for each in told):
        lost = ", ".join(map(str, reader.antennas_lost))
        found.append(NotReadView(f"antenna {lost} is lost", whole=False))
    return tuple(found)


def _records(connection: sa.Connection, vehicle: str) -> tuple[RecordView, ...]:
    table = schema.cursor.c
    rows = connection.execute(sa.select(schema.cursor).where(table.vehicle == vehicle).order_by(table.epoch))
    cursors: Iterable[tuple[int, SeqRanges]] = ((row.epoch, parse_ranges(row.ranges)) for row in rows)
    return tuple(RecordView(epoch, have.count, have.up_to, have.ranges, have.gaps) for epoch, have in cursors)


def _notices(connection: sa.Connection, vehicle: str) -> tuple[NoticeView, ...]:
    """The newest, each once: one that came again under another number, with the same octets, is the same notice."""
    table = schema.record.c
    name = sa.func.coalesce(table.content, table.sha256)
    shown = sa.and_(
        table.vehicle == vehicle, table.kind == "notice", table.refused.is_(None), table.body != schema.ERASED
    )
    place = sa.func.row_number().over(partition_by=name, order_by=(table.epoch.desc(), table.seq.desc()))
    columns = (name.label("name"), table.epoch, table.seq, table.body)
    each = sa.select(*columns, place.label("place")).where(shown).subquery()
    newest = sa.select(each).where(each.c.place == 1).order_by(each.c.epoch.desc(), each.c.seq.desc())
    rows = connection.execute(newest.limit(_MOST_NOTICES)).all()
    numbers: dict[str, list[tuple[int, int]]] = {row.name: [] for row in rows}
    told = sa.select(*columns[:3]).where(shown, name.in_(numbers)).order_by(table.epoch, table.seq)
    for row in connection.execute(told):
        numbers[row.name].append((row.epoch, row.seq))
    return tuple(notice_view(row.body, tuple(numbers[row.name])) for row in rows)
