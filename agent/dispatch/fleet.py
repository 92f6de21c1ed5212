"""The vans' lines, many at once: a handful of queries whatever the number of vans. Reads through a given connection."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime, tzinfo
from typing import Any, Literal, TypeVar

import msgspec
import sqlalchemy as sa
from msgspec import Struct

from agent.bodies import Aboard, NotRead, Position, Status
from agent.dispatch import schema
from agent.dispatch.discrepancies import open_discrepancies, troubled
from agent.dispatch.loading import LoadingPage, Plan, counted, is_aboard, planned_lines, rows_now
from agent.dispatch.places import Places
from agent.dispatch.views import Link, PlaceView, PositionView, VanLine
from agent.dispatch.views_found import LoadingCount, NotReadView
from agent.dispatch.wire import parse_ranges
from agent.dispatch.words import seconds_of
from agent.records import PlanRow

T = TypeVar("T")
_DAY_S = 86_400.0
_FEW = 20  # vans that are asked for one by one rather than by reading whole tables
_MOST_REMEMBERED = 4096


class _Weight(Struct, frozen=True):
    p: float
    state: str = "aboard"


class Cargo(Struct, frozen=True, kw_only=True):
    """What a line needs of an `aboard` body; the items' names and tags, most of its text, are passed over."""

    at: str | None = None
    leg: str | None = None
    state: Literal["stopped", "moving", "unknown"] = "unknown"
    site: str | None = None
    since: str | None = None
    certain: bool = False
    items: tuple[_Weight, ...] = ()
    not_read: NotRead | None = None
    silences: tuple[NotRead, ...] = ()
    count: int = 0  # of the items, those that count as aboard


class _Leg(Struct, frozen=True):
    """What a line needs of a leg's manifest."""

    origin: str | None = None
    short: int = 0
    over: int = 0


class _Departed(Struct, frozen=True):
    site: str | None = None


class _Manifest(Struct, frozen=True):
    departed: _Departed = _Departed()
    short: tuple[dict[str, Any], ...] = ()
    over: tuple[Any, ...] = ()


class Fleet:
    """See the module."""

    def __init__(self, places: Places, plan: Plan, zone: tzinfo) -> None:
        self._places, self._plan, self._zone = places, plan, zone
        # What was made of a text once is not made of the same text again: by the row of a manifest's revision, which
        # never changes, and by vehicle, with the text that it was made of.
        self._legs: dict[tuple[Any, ...], _Leg] = {}
        self._cargoes: dict[str, tuple[str, Cargo]] = {}
        self._loadings: dict[str, tuple[str, tuple[PlanRow, ...], LoadingCount]] = {}

    def lines(
        self, connection: sa.Connection, rows: Sequence[sa.Row[Any]], *, link: Callable[[sa.Row[Any]], Link]
    ) -> tuple[VanLine, ...]:
        """The lines of these rows of `vehicle`, in their order."""
        cargoes = {row.vehicle: self._cargo(row) for row in rows}
        few = None if len(rows) > _FEW else [row.vehicle for row in rows]
        open_ones = troubled(connection) if few is None else dict.fromkeys(few)
        missing = _missing(connection, few)
        counts = _counts(connection) if any(each is None for each in cargoes.values()) else {}
        legs = self._current_legs(connection, cargoes)
        loading = self._loading(connection, rows, cargoes)
        found = []
        for row in rows:
            cargo, position = cargoes[row.vehicle], read(row.position, Position)
            leg = legs.get(row.vehicle, _Leg())
            aboard = counts.get(row.vehicle, 0) if cargo is None else cargo.count
            found.append(
                VanLine(
                    vehicle=row.vehicle,
                    link=link(row),
                    link_since_s=row.link_since_s,
                    heard_s=row.heard_s,
                    place=self._place(cargo, leg),
                    position=None if position is None else _position(position, row.position_s),
                    aboard=aboard,
                    near=0 if cargo is None else len(cargo.items) - aboard,
                    certain=None if cargo is None else cargo.certain,
                    not_read=_not_read(cargo, read(row.status, Status)),
                    missing=missing.get(row.vehicle, 0),
                    discrepancies=open_discrepancies(connection, row.vehicle, open_ones[row.vehicle])
                    if row.vehicle in open_ones
                    else (),
                    loading=loading.get(row.vehicle),
                    short=leg.short,
                    over=leg.over,
                )
            )
        return tuple(found)

    def loading_page(self, connection: sa.Connection, row: sa.Row[Any], line: VanLine) -> LoadingPage | None:
        """What the plan loads where this van stands; None where it stands at no site."""
        cargo = read(row.aboard, Aboard)
        if cargo is None or cargo.state != "stopped" or cargo.site is None:
            return None
        departed = self._departed(connection, {row.vehicle: (cargo.site, self._date(cargo.site, cargo))})
        date = self._date(cargo.site, cargo)
        count = departed.get(row.vehicle, 0)
        planned = rows_now(self._plan, vehicle=row.vehicle, site=cargo.site, date=date, departed=count)
        lines = planned_lines(planned, cargo, self._plan.register)
        named = tuple(
            msgspec.structs.replace(
                each, unload_at=None if each.unload_at is None else self._places.name(each.unload_at)
            )
            for each in lines
        )
        at_s = seconds_of(cargo.at) or row.aboard_s
        return LoadingPage(van=line, site=self._places.name(cargo.site), at_s=at_s, trip=count + 1, lines=named)

    # -- parts ---------------------------------------------------------------------------------------------------------

    def _place(self, cargo: Cargo | None, leg: _Leg) -> PlaceView:
        if cargo is None or cargo.state == "unknown":
            return PlaceView("unknown")
        since_s = seconds_of(cargo.since)
        if cargo.state == "moving":
            return PlaceView("way", None if leg.origin is None else self._places.name(leg.origin), since_s)
        if cargo.site is None:
            return PlaceView("halt", since_s=since_s)
        return PlaceView("site", self._places.name(cargo.site), since_s, cargo.site)

    def _current_legs(self, connection: sa.Connection, cargoes: Mapping[str, Cargo | None]) -> dict[str, _Leg]:
        """The legs that vans are on, each by its newest revision."""
        wanted = {
            (vehicle, cargo.leg)
            for vehicle, cargo in cargoes.items()
            if cargo is not None and cargo.state == "moving" and cargo.leg is not None
        }
        if not wanted:
            return {}
        table = schema.manifest.c
        key = (table.vehicle, table.manifest, table.revision, table.epoch, table.seq)
        query = sa.select(*key).where(sa.tuple_(table.vehicle, table.manifest).in_(sorted(wanted)))
        newest: dict[str, Any] = {}
        for row in connection.execute(query.order_by(table.vehicle, table.revision, table.epoch, table.seq)):
            newest[row.vehicle] = row
        return {vehicle: self._leg(connection, tuple(row)) for vehicle, row in newest.items()}

    def _leg(self, connection: sa.Connection, name: tuple[Any, ...]) -> _Leg:
        """What the revision at this key says."""
        known = self._legs.get(name)
        if known is None:
            if len(self._legs) >= _MOST_REMEMBERED:
                self._legs.clear()
            named = dict(zip(("at_vehicle", "at_manifest", "at_revision", "at_epoch", "at_seq"), name, strict=True))
            known = self._legs[name] = _leg(connection.execute(_ONE_REVISION, named).scalar())
        return known

    def _cargo(self, row: sa.Row[Any]) -> Cargo | None:
        if row.aboard is None:
            return None
        text, cargo = self._cargoes.get(row.vehicle, (None, None))
        if cargo is None or text != row.aboard:
            cargo = msgspec.json.decode(row.aboard, type=Cargo)
            count = sum(is_aboard(each.p, each.state) for each in cargo.items)
            cargo = msgspec.structs.replace(cargo, count=count)
            self._cargoes[row.vehicle] = (row.aboard, cargo)
        return cargo

    def _loading(
        self, connection: sa.Connection, rows: Sequence[sa.Row[Any]], cargoes: Mapping[str, Cargo | None]
    ) -> dict[str, LoadingCount]:
        if not self._plan.rows:
            return {}
        at = {
            vehicle: (cargo.site, self._date(cargo.site, cargo))
            for vehicle, cargo in cargoes.items()
            if cargo is not None
            and cargo.state == "stopped"
            and cargo.site is not None
            and (vehicle, cargo.site) in self._plan.rows
        }
        departed = self._departed(connection, at) if at else {}
        found = {}
        for row in rows:
            if row.vehicle not in at:
                continue
            site, date = at[row.vehicle]
            planned = rows_now(
                self._plan, vehicle=row.vehicle, site=site, date=date, departed=departed.get(row.vehicle, 0)
            )
            if not planned:
                continue
            text, rows_then, count = self._loadings.get(row.vehicle, ("", (), None))
            if count is None or text != row.aboard or rows_then != planned:
                count = counted(
                    planned_lines(planned, msgspec.json.decode(row.aboard, type=Aboard), self._plan.register)
                )
                self._loadings[row.vehicle] = (row.aboard, planned, count)
            found[row.vehicle] = count
        return found

    def _date(self, site: str, cargo: Cargo | Aboard) -> str:
        at_s = seconds_of(cargo.at) or 0.0
        return self._local_date(site, at_s)

    def _local_date(self, site: str, at_s: float) -> str:
        zone = self._places.zone_of(site) or self._zone
        return datetime.fromtimestamp(at_s, tz=UTC).astimezone(zone).date().isoformat()

    def _departed(self, connection: sa.Connection, at: Mapping[str, tuple[str, str]]) -> dict[str, int]:
        """How often each of these vans has left that site on that local day, by the manifests that stand."""
        table = schema.manifest.c
        first_s = min(datetime.fromisoformat(date).replace(tzinfo=UTC).timestamp() for _, date in at.values()) - _DAY_S
        key = (table.vehicle, table.manifest, table.revision, table.epoch, table.seq)
        query = sa.select(*key, table.departed_s, table.withdrawn)
        query = query.where(table.vehicle.in_(sorted(at)), table.departed_s >= first_s)
        latest: dict[tuple[str, str], Any] = {}
        for row in connection.execute(query.order_by(table.revision, table.epoch, table.seq)):
            latest[row.vehicle, row.manifest] = row
        counts: dict[str, int] = {}
        for (vehicle, _), last in latest.items():
            site, date = at[vehicle]
            if last.withdrawn or self._local_date(site, last.departed_s) != date:
                continue
            if self._leg(connection, tuple(last)[: len(key)]).origin == site:
                counts[vehicle] = counts.get(vehicle, 0) + 1
        return counts


_REVISION = schema.manifest.c
_ONE_REVISION = sa.select(_REVISION.body).where(
    _REVISION.vehicle == sa.bindparam("at_vehicle"),
    _REVISION.manifest == sa.bindparam("at_manifest"),
    _REVISION.revision == sa.bindparam("at_revision"),
    _REVISION.epoch == sa.bindparam("at_epoch"),
    _REVISION.seq == sa.bindparam("at_seq"),
)


def read(text: str | None, kind: type[T]) -> T | None:
    """A kept body."""
    return None if text is None else msgspec.json.decode(text, type=kind)


def _leg(body: str | None) -> _Leg:
    try:
        told = msgspec.json.decode(body or "{}", type=_Manifest)
    except msgspec.ValidationError:
        return _Leg()  # the manifest's own page says what is wrong with it
    short = sum(each["quantity"] if isinstance(each.get("quantity"), int) else 1 for each in told.short)
    return _Leg(told.departed.site, short, len(told.over))


def _position(told: Position, received_s: float) -> PositionView:
    return PositionView(
        lat=told.lat,
        lon=told.lon,
        at_s=seconds_of(told.at) or received_s,
        error_m=told.error_m,
        speed_mps=told.speed_mps,
    )


def _missing(connection: sa.Connection, only: Sequence[str] | None) -> dict[str, int]:
    table = schema.cursor.c
    query = sa.select(table.vehicle, table.ranges)
    if only is not None:
        query = query.where(table.vehicle.in_(only))
    found: dict[str, int] = {}
    for row in connection.execute(query):
        gaps = sum(high - low + 1 for low, high in parse_ranges(row.ranges).gaps)
        found[row.vehicle] = found.get(row.vehicle, 0) + gaps
    return found


def _counts(connection: sa.Connection) -> dict[str, int]:
    table = schema.item.c
    query = sa.select(table.aboard, sa.func.count()).where(table.aboard.is_not(None)).group_by(table.aboard)
    return {vehicle: int(count) for vehicle, count in connection.execute(query)}


def _not_read(cargo: Cargo | None, status: Status | None) -> tuple[NotReadView, ...]:
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
