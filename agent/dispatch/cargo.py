"""Fills in what a vehicle's retained messages leave out because its records tell it: names, loadings, where it is now.

A list of what is aboard is the largest thing that a vehicle sends over and over. An item goes by its EPC alone where
a manifest has named it, and where it was loaded an event has told. So too no list goes out for an arrival alone: the
arrival's event and the position say it (`agent.worth`).
"""

from __future__ import annotations

from typing import Any, NamedTuple

import msgspec
import sqlalchemy as sa

from agent.bodies import Aboard, Position
from agent.dispatch import schema
from agent.dispatch.documents import Names
from agent.dispatch.places import Places
from agent.dispatch.views import AboardView, PlaceView
from agent.dispatch.words import seconds_of

ABOARD_FROM = 0.5  # an item more likely aboard than not is counted as aboard


class _Loading(NamedTuple):
    place: str | None
    time_s: float


def is_aboard(p: float, state: str) -> bool:
    """Whether an item of a list counts as aboard; all others are only heard near."""
    return state != "near" and p >= ABOARD_FROM


def items(
    connection: sa.Connection, cargo: Aboard, *, at_s: float | None, names: Names, places: Places
) -> tuple[AboardView, ...]:
    """The lines of a list, what is aboard first, then by name; `at_s` is when the list was true."""
    untold = [each.epc for each in cargo.items if each.loaded is None and is_aboard(each.p, each.state)]
    loadings = _loadings(connection, cargo.vehicle, untold)
    found = []
    for each in cargo.items:
        loading = loadings.get(each.epc)
        if each.loaded is not None:
            loaded_s = seconds_of(each.loaded.time)
            loaded_at = None if each.loaded.site is None else places.name(each.loaded.site)
        elif loading is not None:
            is_site = loading.place is not None and not loading.place.startswith("geo:")
            loaded_s, loaded_at = loading.time_s, places.name_of_location(loading.place) if is_site else None
        else:
            loaded_s = loaded_at = None
        found.append(
            AboardView(
                epc=each.epc,
                name=names.of(each.epc, each.name),
                p=each.p,
                state=each.state,
                heard_s=None if each.heard_s is None or at_s is None else at_s - each.heard_s,
                loaded_at=loaded_at,
                loaded_s=loaded_s,
            )
        )
    return tuple(sorted(found, key=lambda view: (not is_aboard(view.p, view.state), view.name, view.epc)))


def _loadings(connection: sa.Connection, vehicle: str, epcs: list[str]) -> dict[str, _Loading]:
    """Where and when each of these was last loaded, unless it was unloaded since."""
    listed, event = schema.event_item.c, schema.event.c
    latest: dict[str, tuple[str, _Loading]] = {}
    query = (
        sa.select(listed.epc, event.biz_step, event.place, event.time_s)
        .join(schema.event, sa.and_(event.vehicle == listed.vehicle, event.event_id == listed.event_id))
        .where(listed.vehicle == vehicle, listed.epc.in_(epcs), event.biz_step.in_(("loading", "unloading")))
        .where(event.voided.is_(False))
        .order_by(event.time_s)
    )
    for row in connection.execute(query):
        latest[row.epc] = (row.biz_step, _Loading(row.place, row.time_s))
    return {epc: loading for epc, (step, loading) in latest.items() if step == "loading"}


def place(
    connection: sa.Connection, row: sa.Row[Any], *, cargo: Aboard | None, position: Position | None, places: Places
) -> PlaceView:
    """Where a vehicle is: by its list, or by an arrival or a departure later than that, or by a position that moves.

    `row` is its line of `schema.vehicle`.
    """
    step = _last_step(connection, row.vehicle)
    told_s = None if cargo is None else seconds_of(cargo.at) or row.aboard_s
    since_s = None if cargo is None else seconds_of(cargo.since) or told_s
    if step is not None and (since_s is None or step.time_s > since_s):
        told_s, shown = step.time_s, _by_step(step, places)
    elif cargo is None or cargo.state == "unknown":
        return PlaceView("unknown")
    else:
        shown = _by_list(connection, cargo, places)
    if position is None or shown.kind == "way" or not position.speed_mps or position.site is not None:
        return shown
    at_s = seconds_of(position.at) or row.position_s
    if at_s is None or told_s is None or at_s <= told_s:
        return shown
    return PlaceView("way", shown.name)


def _by_list(connection: sa.Connection, cargo: Aboard, places: Places) -> PlaceView:
    since_s = seconds_of(cargo.since)
    if cargo.state == "stopped":
        return _standing(None if cargo.site is None else places.name(cargo.site), since_s)
    origin = None
    if cargo.leg is not None:
        table = schema.manifest.c
        body = connection.execute(
            sa.select(table.body)
            .where(table.vehicle == cargo.vehicle, table.manifest == cargo.leg)
            .order_by(table.revision.desc())
        ).scalar()
        site = msgspec.json.decode(body).get("departed", {}).get("site") if body else None
        origin = places.name(site) if isinstance(site, str) else None
    return PlaceView("way", origin, since_s)


def _by_step(step: sa.Row[Any], places: Places) -> PlaceView:
    site = None if step.place is None or step.place.startswith("geo:") else places.name_of_location(step.place)
    return PlaceView("way", site, step.time_s) if step.biz_step == "departing" else _standing(site, step.time_s)


def _standing(site: str | None, since_s: float | None) -> PlaceView:
    return PlaceView("halt", since_s=since_s) if site is None else PlaceView("site", site, since_s)


def _last_step(connection: sa.Connection, vehicle: str) -> Any:  # noqa: ANN401 - a row, or None
    """The newest arrival or departure that stands."""
    event = schema.event.c
    query = (
        sa.select(event.biz_step, event.place, event.time_s)
        .where(event.vehicle == vehicle, event.biz_step.in_(("arriving", "departing")), event.voided.is_(False))
        .order_by(event.time_s.desc())
        .limit(1)
    )
    return connection.execute(query).first()
