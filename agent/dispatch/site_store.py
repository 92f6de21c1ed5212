"""The versions of the sites in the dispatch database: saved, put in force, never changed.

Each saved change is a version; numbers only grow, and are those that the vans know. One that was put in force carries
when; the highest of these counts. A version saved after it is a draft. Also tells what vans hold, and where they stood.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import msgspec
import sqlalchemy as sa
from msgspec import Struct

from agent.bodies import Status
from agent.canonical import canonical_json, digest_of
from agent.dispatch import schema
from agent.dispatch.audit import Doer, keep
from agent.dispatch.site_hints import StopSeen
from agent.dispatch.sitebook import read_book
from agent.dispatch.store import DispatchStore, open_store
from agent.dispatch.words import seconds_of
from agent.geo import distance_m

MOST_DEPARTURES = 3000
"""Of which stops are looked at, the newest first: as many as a page can wait for."""
_SAME_STOP_M = 200.0  # an event's place and where the van stood at departure; Judgement
_MOST_NOTICES = 200


class SiteVersion(Struct, frozen=True, kw_only=True):
    """One version without its content. `who` is None where nobody had to log in; `sent_s` None for one not sent.

    `files` is the digest of the folder's files where it was made of them.
    """

    version: int
    digest: str
    made_s: float
    who: str | None
    note: str
    files: str | None
    sent_s: float | None
    sent_by: str | None


class VanHolds(Struct, frozen=True, kw_only=True):
    """Which version of the sites a van says it holds; `refused` is a later one that it did not take, with reasons."""

    vehicle: str
    version: int | None
    told_s: float | None
    refused: int | None = None
    reasons: tuple[str, ...] = ()
    refused_s: float | None = None


class SiteBusyError(Exception):
    """Somebody else has saved a version since."""


class _Place(Struct):
    lat: float
    lon: float
    error_m: float | None = None


class _End(Struct):
    site: str | None = None
    time: str | None = None
    position: _Place | None = None


class _Leg(Struct):
    departed: _End


class SiteStore:
    """See the module."""

    def __init__(self, store: DispatchStore) -> None:
        self._store = store

    # -- versions ------------------------------------------------------------------------------------------------------

    def versions(self) -> tuple[SiteVersion, ...]:
        """Every version, the newest first."""
        table = schema.site_version.c
        columns = [getattr(table, name) for name in SiteVersion.__struct_fields__]
        with self._store.reading() as connection:
            rows = connection.execute(sa.select(*columns).order_by(table.version.desc())).all()
        return tuple(SiteVersion(**row._asdict()) for row in rows)

    def content(self, version: int) -> Any:  # noqa: ANN401 - JSON
        """A version's content as it was saved; None where there is no such version."""
        table = schema.site_version.c
        with self._store.reading() as connection:
            text = connection.execute(sa.select(table.content).where(table.version == version)).scalar()
        return None if text is None else msgspec.json.decode(text)

    def in_force(self) -> SiteVersion | None:
        """The version that counts; None where none was ever put in force."""
        return next((each for each in self.versions() if each.sent_s is not None), None)

    def seed(self, content: Any, *, now_s: float) -> SiteVersion | None:  # noqa: ANN401 - JSON
        """Make the files' content the first version, in force, where there is none yet."""
        with self._store.writing() as connection:
            if connection.execute(sa.select(sa.func.count()).select_from(schema.site_version)).scalar():
                return None
            digest, down = digest_of(content), schema.downlink
            last = connection.execute(
                sa.select(down.c.version, down.c.digest).where(down.c.what == "sites").order_by(down.c.version.desc())
            ).first()
            # A release without versions may have sent the same: vans that hold it need not take it again.
            version = 1 if last is None else last.version if last.digest == digest else last.version + 1
            if last is None or last.digest != digest:
                connection.execute(
                    sa.insert(down).values(what="sites", version=version, digest=digest, first_s=now_s)
                )
            row = {"version": version, "digest": digest, "note": "as in the files", "who": None, "files": digest}
            self._insert(connection, row, content, now_s)
            self._put_in_force(connection, version, None, now_s)
        return self.in_force()

    def save(
        self,
        content: Any,  # noqa: ANN401 - JSON
        *,
        base: int,
        doer: Doer,
        note: str,
        now_s: float,
        files: str | None = None,
    ) -> int:
        """Keep a content as the next version and return its number; `base` is the newest one that its maker saw.

        The same content as the newest makes no version. Raises SiteBusyError where another was saved since.
        """
        digest, table, down = digest_of(content), schema.site_version, schema.downlink
        with self._store.writing() as connection:
            newest = connection.execute(sa.select(table).order_by(table.c.version.desc())).first()
            if (0 if newest is None else newest.version) != base:
                raise SiteBusyError
            if newest is not None and newest.digest == digest and files in (None, newest.files):
                return int(newest.version)
            sent = connection.execute(sa.select(sa.func.max(down.c.version)).where(down.c.what == "sites")).scalar()
            version = max(base, sent or 0) + 1
            row = {"version": version, "digest": digest, "note": note, "who": doer.who, "files": files}
            self._insert(connection, row, content, now_s)
            told = {"version": version, "note": note, "digest": digest}
            keep(connection, doer, "sites-changed", f"version {version}", at_s=now_s, before=_named(newest), after=told)
        return version

    def send(self, version: int, *, doer: Doer, now_s: float) -> Any:  # noqa: ANN401 - JSON
        """Put the newest version in force and return its content; SiteBusyError for any other."""
        table = schema.site_version
        with self._store.writing() as connection:
            row = connection.execute(sa.select(table).order_by(table.c.version.desc())).first()
            if row is None or row.version != version:
                raise SiteBusyError
            if row.sent_s is None:
                connection.execute(
                    sa.insert(schema.downlink).values(what="sites", version=version, digest=row.digest, first_s=now_s)
                )
                self._put_in_force(connection, version, doer.who, now_s)
                before = connection.execute(
                    sa.select(table)
                    .where(table.c.sent_s.is_not(None), table.c.version < version)
                    .order_by(table.c.version.desc())
                ).first()
                told, subject = _named(row), f"version {version}"
                keep(connection, doer, "sites-in-force", subject, at_s=now_s, before=_named(before), after=told)
        return msgspec.json.decode(row.content)

    @staticmethod
    def _insert(connection: sa.Connection, row: Mapping[str, Any], content: Any, now_s: float) -> None:  # noqa: ANN401 - JSON
        values = {**row, "content": canonical_json(content).decode(), "made_s": now_s}
        connection.execute(sa.insert(schema.site_version).values(**values))

    @staticmethod
    def _put_in_force(connection: sa.Connection, version: int, who: str | None, now_s: float) -> None:
        table = schema.site_version
        connection.execute(sa.update(table).where(table.c.version == version).values(sent_s=now_s, sent_by=who))

    # -- vans ----------------------------------------------------------------------------------------------------------

    def holdings(self) -> tuple[VanHolds, ...]:
        """What every van says of the sites it holds, by id."""
        table = schema.vehicle.c
        found = []
        with self._store.reading() as connection:
            for row in connection.execute(sa.select(table.vehicle, table.status, table.heard_s).order_by("vehicle")):
                status = None if row.status is None else msgspec.json.decode(row.status, type=Status)
                holding = None if status is None else status.holding
                refused = next((each for each in holding.refused if each.what == "sites"), None) if holding else None
                since_s = None if refused is None else self._refused_s(connection, row.vehicle)
                found.append(
                    VanHolds(
                        vehicle=row.vehicle,
                        version=None if holding is None else holding.sites.version,
                        told_s=row.heard_s,
                        refused=None if refused is None else refused.version,
                        reasons=() if refused is None else refused.reasons or ("no reason told",),
                        refused_s=since_s,
                    )
                )
        return tuple(found)

    @staticmethod
    def _refused_s(connection: sa.Connection, vehicle: str) -> float | None:
        table = schema.record.c
        query = sa.select(table.body).where(table.vehicle == vehicle, table.kind == "notice", table.refused.is_(None))
        newest = query.order_by(table.epoch.desc(), table.seq.desc()).limit(_MOST_NOTICES)
        for text in connection.execute(newest).scalars():
            body: Mapping[str, Any] = msgspec.json.decode(text)
            if body.get("notice") == "sites-refused":
                return seconds_of(body.get("at"))
        return None

    # -- stops ---------------------------------------------------------------------------------------------------------

    def stops(self, *, since_s: float) -> tuple[tuple[StopSeen, ...], float]:
        """Where vans stood since then, and since when that is in truth: the newest departures only are looked at.

        A stop is known by the manifest of the leg that left it; one at no site that no leg has left yet, by an event.
        """
        leg, event = schema.manifest.c, schema.event.c
        query = sa.select(leg.vehicle, leg.manifest, leg.revision, leg.withdrawn, leg.departed_s, leg.body)
        query = query.where(leg.departed_s >= since_s).order_by(leg.departed_s.desc()).limit(MOST_DEPARTURES)
        with self._store.reading() as connection:
            rows = connection.execute(query).all()
            if len(rows) == MOST_DEPARTURES:
                since_s = float(rows[-1].departed_s)
            events = connection.execute(
                sa.select(event.vehicle, event.time_s, event.place)
                .where(schema.AT_NO_SITE, event.time_s >= since_s, event.voided.is_(False))
                .order_by(event.time_s.desc())
                .limit(MOST_DEPARTURES)
            ).all()
        legs: dict[tuple[str, str], Any] = {}
        for leg_row in rows:
            held = legs.get((leg_row.vehicle, leg_row.manifest))
            if held is None or leg_row.revision > held.revision:
                legs[leg_row.vehicle, leg_row.manifest] = leg_row
        departed = (_departed(leg_row) for leg_row in legs.values() if not leg_row.withdrawn)
        found = [stop for stop in departed if stop is not None]
        known: dict[str, list[StopSeen]] = {}
        for stop in found:
            known.setdefault(stop.vehicle, []).append(stop)
        for event_row in events:
            at = _at_no_site(event_row)
            if at is not None and not any(_is_same(at, other) for other in known.setdefault(at.vehicle, [])):
                known[at.vehicle].append(at)
                found.append(at)
        return tuple(sorted(found, key=lambda stop: (stop.at_s, stop.vehicle))), since_s


def ids_in_force(database: str, folder: Path) -> frozenset[str]:
    """The ids of the sites that count in a database (a URL, or a file seen from a folder); none where there is no file.

    None is made here.
    """
    is_url = "://" in database
    if not is_url and not (folder / database).exists():
        return frozenset()
    store = open_store(database if is_url else folder / database)
    try:
        sites = SiteStore(store)
        in_force = sites.in_force()
        content = None if in_force is None else sites.content(in_force.version)
    finally:
        store.close()
    return frozenset() if content is None else frozenset(site.id for site in read_book(content).sites)


def _named(row: Any) -> dict[str, Any] | None:  # noqa: ANN401 - a row
    return None if row is None else {"version": row.version, "note": row.note, "digest": row.digest}


def _departed(row: Any) -> StopSeen | None:  # noqa: ANN401 - a row
    try:
        departed = msgspec.json.decode(row.body, type=_Leg).departed
    except msgspec.MsgspecError:
        return None
    where = departed.position
    if where is None or departed.site == "withheld":
        return None
    return StopSeen(row.vehicle, float(row.departed_s), where.lat, where.lon, departed.site, where.error_m)


def _at_no_site(row: Any) -> StopSeen | None:  # noqa: ANN401 - a row
    coordinates = row.place.removeprefix("geo:").partition(";")[0].split(",")
    try:
        lat, lon = float(coordinates[0]), float(coordinates[1])
    except (ValueError, IndexError):
        return None
    return StopSeen(row.vehicle, float(row.time_s), lat, lon, None)


def _is_same(stop: StopSeen, other: StopSeen) -> bool:
    """Whether an event at a place belongs to a stop already known there that day."""
    if abs(stop.at_s - other.at_s) > 86_400.0:  # noqa: PLR2004 - a day
        return False
    return distance_m(stop.lat, stop.lon, other.lat, other.lon) < _SAME_STOP_M
