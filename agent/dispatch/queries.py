"""What the pages and the API ask of the store: the one layer both share. Reads only, renders nothing."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import UTC, tzinfo
from typing import Any

import sqlalchemy as sa

from agent.bodies import Aboard, Status
from agent.dispatch import cargo as carried
from agent.dispatch import schema
from agent.dispatch.badges import is_badge
from agent.dispatch.discrepancies import strangers
from agent.dispatch.documents import Names, computer_view, event_view, manifest_view, notice_view, visits
from agent.dispatch.fleet import Fleet, read
from agent.dispatch.loading import LoadingPage, Plan
from agent.dispatch.names import kept_names
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
    RecordView,
    ToldView,
    VanLine,
    VanPage,
)
from agent.dispatch.wire import parse_ranges
from agent.dispatch.words import seconds_of
from agent.ledger import SeqRanges

_MOST_LEGS, _MOST_EVENTS, _MOST_NOTICES = 40, 200, 20


class Queries:
    """Answers from `store`; names of items come from the register where it has them, else from the vehicles."""

    def __init__(
        self,
        store: DispatchStore,
        *,
        places: Places,
        names: Mapping[str, str] | None = None,
        plan: Plan | None = None,
        zone: tzinfo = UTC,
        quiet_after_s: float = 180.0,
    ) -> None:
        self._store = store
        self._places = places
        self._plan = Plan() if plan is None else plan
        self._fleet = Fleet(places, self._plan, zone)
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

    @property
    def plan(self) -> Plan:
        """The plan and register as they lie here."""
        return self._plan

    # -- vans ----------------------------------------------------------------------------------------------------------

    def vans(self, *, now_s: float, only: str | Collection[str] | None = None) -> tuple[VanLine, ...]:
        """Every van by id, or the one or those asked for."""
        query = sa.select(schema.vehicle).order_by(schema.vehicle.c.vehicle)
        if only is not None:
            query = query.where(schema.vehicle.c.vehicle.in_((only,) if isinstance(only, str) else sorted(only)))
        with self._store.reading() as connection:
            rows = connection.execute(query).all()
            return self._fleet.lines(
                connection, rows, link=lambda row: self._link(row.link, row.heard_s, now_s=now_s)
            )

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

    def loading(self, vehicle: str, *, now_s: float) -> LoadingPage | None:
        """What the plan loads where a van stands now, line by line; None where it stands at no site."""
        lines = self.vans(now_s=now_s, only=vehicle)
        if not lines:
            return None
        with self._store.reading() as connection:
            row = connection.execute(sa.select(schema.vehicle).where(schema.vehicle.c.vehicle == vehicle)).one()
            return self._fleet.loading_page(connection, row, lines[0])

    def van(self, vehicle: str, *, now_s: float) -> VanPage | None:
        """All of one van; None where it was never heard."""
        lines = self.vans(now_s=now_s, only=vehicle)
        if not lines:
            return None
        with self._store.reading() as connection:
            row = connection.execute(sa.select(schema.vehicle).where(schema.vehicle.c.vehicle == vehicle)).one()
            cargo = read(row.aboard, Aboard)
            at_s = None if cargo is None else seconds_of(cargo.at) or row.aboard_s
            record, clash = schema.record.c, schema.clash.c
            names = self._names(connection)
            events = self._events(connection, names, schema.event.c.vehicle == vehicle)
            status = read(row.status, Status)
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

    def item(self, epc: str, *, now_s: float | None = None) -> ItemPage | None:
        """One item by its pure identity URI; None where neither a vehicle nor the register ever named it.

        None for a badge too: it is no item, and where it was is told with its record alone.
        """
        if is_badge(self._plan.register, epc):
            return None
        with self._store.reading() as connection:
            row = connection.execute(sa.select(schema.item).where(schema.item.c.epc == epc)).first()
            listing = self._plan.register.by_epc.get(epc)
            if row is None and listing is None and epc not in self._register:
                return None
            names = self._names(connection)
            listed = schema.event_item.c
            mine = sa.select(listed.vehicle, listed.event_id).where(listed.epc == epc)
            events = self._events(
                connection, names, sa.tuple_(schema.event.c.vehicle, schema.event.c.event_id).in_(mine), only=epc
            )
            told = None
            if row is not None and row.aboard is not None:
                told = self._told(connection, row.aboard, epc, now_s=now_s)
            return ItemPage(
                epc=epc,
                name=names.of(epc),
                tag=listing.tag if row is None and listing is not None else None if row is None else row.tag,
                aboard=None if row is None else row.aboard,
                place=None if row is None or row.place is None else self._places.name_of_location(row.place),
                since_s=None if row is None else row.since_s,
                since_exact=True if row is None else row.since_exact,
                p=None if row is None else row.p,
                events=events,
                told=told,
                type=None if listing is None else listing.type,
                home=None if listing is None or listing.home is None else self._places.name(listing.home),
                more_events=len(events) == _MOST_EVENTS,
            )

    def _told(self, connection: sa.Connection, vehicle: str, epc: str, *, now_s: float | None) -> ToldView | None:
        """What a van last said of an item; None where it said nothing."""
        row = connection.execute(sa.select(schema.vehicle).where(schema.vehicle.c.vehicle == vehicle)).first()
        cargo = None if row is None else read(row.aboard, Aboard)
        if row is None or cargo is None:
            return None
        link = self._link(row.link, row.heard_s, now_s=row.heard_s or 0.0 if now_s is None else now_s)
        (line,) = self._fleet.lines(connection, [row], link=lambda _row: link)
        at_s = seconds_of(cargo.at) or row.aboard_s
        heard = next((each for each in cargo.items if each.epc == epc), None)
        if heard is None:
            return ToldView(at_s, None, "not named", None, line.place, link)
        heard_s = None if heard.heard_s is None or at_s is None else at_s - heard.heard_s
        return ToldView(at_s, heard.p, heard.state, heard_s, line.place, link)

    def _events(
        self, connection: sa.Connection, names: Names, which: sa.ColumnElement[bool], *, only: str | None = None
    ) -> tuple[EventView, ...]:
        query = sa.select(schema.event).where(which).order_by(schema.event.c.time_s.desc()).limit(_MOST_EVENTS)
        rows: Sequence[sa.Row[Any]] = connection.execute(query).all()
        return tuple(event_view(row, self._places, names, only=only) for row in rows)

    def _names(self, connection: sa.Connection) -> Names:
        return kept_names(connection, self._register)


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
