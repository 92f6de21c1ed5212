"""What a van's day and its manifests' revisions are asked of the store: the part of the query layer for one van's past.

Reads only; `agent.dispatch.day`, `spans` and `differences` put together what is read.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, time, timedelta, tzinfo
from typing import Any

import msgspec
import sqlalchemy as sa
from msgspec import Struct

from agent.dispatch import schema
from agent.dispatch.day import Told, Window, legs_of, shown, stops_of, with_events, with_spots
from agent.dispatch.differences import difference
from agent.dispatch.documents import Names, event_view, manifest_view
from agent.dispatch.queries import Queries
from agent.dispatch.spans import Word, bounded, no_word_spans, not_read_spans, off_spans, points
from agent.dispatch.views import EventView
from agent.dispatch.views_day import DayView, IssueView, ManifestPage, PointView, SpanView, SpotView
from agent.dispatch.words import seconds_of, zone_name

# Manifests and words from this long before the day are read for what lasts into it. Judgement: a holiday.
_BEFORE_S = 21 * 86400.0
_BESIDE_S = 3600.0
_MOST_EVENTS = 2000
_DAY_S = 86400.0


class _Position(Struct, frozen=True):
    lat: float
    lon: float
    error_m: float | None = None


class _Where(Struct, frozen=True):
    site: str | None = None
    position: _Position | None = None


class _Ends(Struct, frozen=True):
    """What of a manifest the view leaves out."""

    departed: _Where = _Where()
    arrived: _Where | None = None


class DayQueries:
    """Answers beside `queries`, by the days of `zone`; positions are kept for `keep_s`."""

    def __init__(self, queries: Queries, *, zone: tzinfo, keep_s: float) -> None:
        self._queries = queries
        self._zone = zone
        self._keep_s = keep_s

    # -- days ----------------------------------------------------------------------------------------------------------

    def date_of(self, utc_s: float) -> str:
        """The day in which a moment lies."""
        return datetime.fromtimestamp(utc_s, tz=self._zone).date().isoformat()

    def window(self, day: date, *, now_s: float) -> Window:
        """From midnight to midnight: 23 to 25 hours."""
        begin, end = (datetime.combine(each, time(), self._zone) for each in (day, day + timedelta(days=1)))
        return Window(begin.timestamp(), end.timestamp(), now_s)

    def day(self, vehicle: str, day: date, *, now_s: float) -> DayView | None:
        """A van's day; None for a van that was never heard."""
        window = self.window(day, now_s=now_s)
        with self._queries.store.reading() as connection:
            van = schema.vehicle.c.vehicle
            if connection.execute(sa.select(van).where(van == vehicle)).first() is None:
                return None
            names = self._queries.names(connection)
            told, withdrawn = self._told(connection, vehicle, names, window)
            events = self._events(connection, vehicle, names, window)
            notices = _notices(connection, vehicle, window)
            words = _words(connection, vehicle, window)
            previous, following = self._beside(connection, vehicle, window)
        track = tuple(each for each in points(words) if each.until_s >= window.from_s and each.at_s < window.until_s)
        off = tuple(bounded(each, words=words) for each in off_spans(notices))
        recorded = [event.time_s for event in events]
        recorded += [each.manifest.departed_s for each in told]
        recorded += [each.manifest.arrived_s for each in told if each.manifest.arrived_s is not None]
        recorded += [at_s for each in notices if (at_s := seconds_of(each.get("at"))) is not None]
        missing = no_word_spans(
            words, off=off, recorded_s=recorded, from_s=window.from_s, until_s=window.end_s, now_s=now_s
        )
        spans = _of_the_day((*off, *missing, *not_read_spans(notices, [each.manifest for each in told])), window)
        stops, unplaced = with_events(stops_of(told, window), events, window)
        stops = with_spots(stops, track, self._queries.places.centre)
        legs = legs_of(told, stops, window)
        from_s, until_s = shown(window, stops=stops, legs=legs, spans=spans, track=track)
        return DayView(
            vehicle=vehicle,
            date=day.isoformat(),
            zone=zone_name(datetime.fromtimestamp(window.from_s, tz=self._zone)),
            from_s=window.from_s,
            until_s=window.until_s,
            shown_from_s=from_s,
            shown_until_s=until_s,
            now_s=now_s,
            is_today=window.from_s <= now_s < window.until_s,
            previous=previous,
            next=following,
            stops=stops,
            legs=legs,
            spans=spans,
            track=track,
            track_note=self._track_note(track, window),
            unplaced=unplaced,
            withdrawn=withdrawn,
        )

    def _told(
        self, connection: sa.Connection, vehicle: str, names: Names, window: Window
    ) -> tuple[tuple[Told, ...], tuple[str, ...]]:
        """The legs of the day with one before and one after it, by departure; and the names of those withdrawn."""
        table = schema.manifest.c
        near = sa.and_(
            table.vehicle == vehicle,
            table.departed_s >= window.from_s - _BEFORE_S,
            table.departed_s < window.until_s + _BEFORE_S,
        )
        keys = connection.execute(
            sa.select(table.manifest, sa.func.max(table.departed_s)).where(near).group_by(table.manifest)
        )
        order = sorted(((at_s, name) for name, at_s in keys))
        inside = [name for at_s, name in order if window.from_s <= at_s < window.until_s]
        before = [name for at_s, name in order if at_s < window.from_s][-3:]
        after = [name for at_s, name in order if at_s >= window.until_s][:3]
        query = sa.select(schema.manifest).where(
            table.vehicle == vehicle, table.manifest.in_([*before, *inside, *after])
        )
        legs: dict[str, list[sa.Row[Any]]] = {}
        for row in connection.execute(query.order_by(table.revision, table.epoch, table.seq)):
            legs.setdefault(row.manifest, []).append(row)
        standing = sorted(
            (rows for rows in legs.values() if not rows[-1].withdrawn), key=lambda rows: float(rows[-1].departed_s)
        )
        early = [rows for rows in standing if rows[-1].departed_s < window.from_s][-1:]
        late = [rows for rows in standing if rows[-1].departed_s >= window.until_s][:1]
        todays = [rows for rows in standing if window.from_s <= rows[-1].departed_s < window.until_s]
        withdrawn = sorted(name for name, rows in legs.items() if rows[-1].withdrawn and name in inside)
        return tuple(self._leg(rows, names) for rows in (*early, *todays, *late)), tuple(withdrawn)

    def _leg(self, rows: Sequence[sa.Row[Any]], names: Names) -> Told:
        view = manifest_view(rows, self._queries.places, names)
        try:
            ends = msgspec.json.decode(rows[-1].body, type=_Ends)
        except msgspec.MsgspecError:
            return Told(view)
        position = ends.departed.position
        return Told(
            view,
            from_site=ends.departed.site,
            to_site=None if ends.arrived is None else ends.arrived.site,
            departed=None
            if position is None
            else SpotView(position.lat, position.lon, position.error_m, by="departure"),
        )

    def _events(self, connection: sa.Connection, vehicle: str, names: Names, window: Window) -> tuple[EventView, ...]:
        table = schema.event.c
        query = (
            sa.select(schema.event)
            .where(
                table.vehicle == vehicle,
                table.time_s >= window.from_s - _BESIDE_S,
                table.time_s < window.until_s + _BESIDE_S,
            )
            .order_by(table.time_s)
            .limit(_MOST_EVENTS)
        )
        return tuple(event_view(row, self._queries.places, names) for row in connection.execute(query).all())

    def _beside(self, connection: sa.Connection, vehicle: str, window: Window) -> tuple[str | None, str | None]:
        """The nearest days before and after of which anything is known."""
        early: list[float] = []
        late: list[float] = []
        for table, column in ((schema.manifest, "departed_s"), (schema.event, "time_s"), (schema.track, "at_s")):
            at = table.c[column]
            mine = table.c.vehicle == vehicle
            before = connection.execute(sa.select(sa.func.max(at)).where(mine, at < window.from_s)).scalar()
            after = connection.execute(sa.select(sa.func.min(at)).where(mine, at >= window.until_s)).scalar()
            early += [] if before is None else [float(before)]
            late += [] if after is None else [float(after)]
        return (
            self.date_of(max(early)) if early else None,
            self.date_of(min(late)) if late and min(late) <= window.now_s + _DAY_S else None,
        )

    def _track_note(self, track: Sequence[PointView], window: Window) -> str | None:
        kept_days = f"{self._keep_s / _DAY_S:.0f}"
        if window.until_s < window.now_s - self._keep_s:
            return f"Positions are deleted after {kept_days} days; only the stops of this day are known."
        if not track:
            return "No position came in on this day while the van was on line; only its stops are known."
        if window.from_s < window.now_s - self._keep_s:
            return f"Positions are deleted after {kept_days} days; of this day a part is gone already."
        return None

    # -- manifests -----------------------------------------------------------------------------------------------------

    def manifest(self, name: str, *, key: str | None = None) -> ManifestPage | None:
        """A leg's manifest as it stands, or in the revision `key`; None where there is none."""
        table = schema.manifest.c
        query = sa.select(schema.manifest).where(table.vehicle == name.partition("/")[0], table.manifest == name)
        with self._queries.store.reading() as connection:
            names = self._queries.names(connection)
            rows = connection.execute(query.order_by(table.revision, table.epoch, table.seq)).all()
            issues: list[IssueView] = []
            for index, row in enumerate(rows):
                view = manifest_view(rows[: index + 1], self._queries.places, names)
                last_of_number = index + 1 == len(rows) or rows[index + 1].revision != row.revision
                issues.append(
                    IssueView(
                        key=str(row.revision) if last_of_number else f"{row.revision}-{row.epoch}.{row.seq}",
                        revision=row.revision,
                        issued_s=view.revisions[-1].issued_s,
                        stands=index + 1 == len(rows),
                        again=index > 0 and rows[index - 1].revision == row.revision,
                        manifest=view,
                        withdrawn=row.withdrawn,
                        difference=difference(issues[-1].manifest, view) if issues else None,
                    )
                )
        shown_issue = (
            next((each for each in issues if each.key == key), None) if key else issues[-1] if issues else None
        )
        if shown_issue is None:
            return None
        return ManifestPage(shown=shown_issue, issues=tuple(issues), date=self.date_of(shown_issue.manifest.departed_s))


def _of_the_day(spans: Sequence[SpanView], window: Window) -> tuple[SpanView, ...]:
    """Those that touch the day, by when they began."""
    touching = [
        each
        for each in spans
        if (each.from_s is None or each.from_s < window.end_s)
        and (each.until_s is None or each.until_s > window.from_s)
        and (each.from_s is not None or (each.until_s or 0.0) < window.until_s)
    ]
    return tuple(sorted(touching, key=lambda each: (each.from_s or each.until_s or 0.0, each.kind)))


def _notices(connection: sa.Connection, vehicle: str, window: Window) -> tuple[dict[str, Any], ...]:
    """Those that came since three weeks before the day; what they tell may have come in long after."""
    table = schema.record.c
    query = sa.select(table.body).where(
        table.vehicle == vehicle,
        table.kind == "notice",
        table.refused.is_(None),
        table.received_s >= window.from_s - _BEFORE_S,
    )
    bodies = []
    for text in connection.execute(query.order_by(table.epoch, table.seq)).scalars():
        body = msgspec.json.decode(text)
        if isinstance(body, dict):
            bodies.append(body)
    return tuple(bodies)


def _words(connection: sa.Connection, vehicle: str, window: Window) -> tuple[Word, ...]:
    """The day's words and positions with the last ones before it and the first ones after."""
    table = schema.track.c
    mine = sa.select(schema.track).where(table.vehicle == vehicle)
    before = mine.where(table.at_s < window.from_s).order_by(table.at_s.desc()).limit(2)
    after = mine.where(table.at_s >= window.until_s, table.kind != "lost")
    rows = [
        *reversed(connection.execute(before).all()),
        *connection.execute(mine.where(table.at_s >= window.from_s, table.at_s < window.until_s).order_by(table.at_s)),
        *connection.execute(after.order_by(table.at_s).limit(1)),
    ]
    return tuple(
        Word(row.at_s, row.until_s, row.kind == "lost", row.lat, row.lon, row.error_m, row.speed_mps) for row in rows
    )
