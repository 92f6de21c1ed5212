"""Fills in what a vehicle's list of what is aboard leaves out because its records tell it: names and loadings.

It is the largest thing that a vehicle sends over and over. An item goes by its EPC alone where a manifest has named it,
and where it was loaded an event has told.
"""

from __future__ import annotations

from typing import NamedTuple

import sqlalchemy as sa

from agent.bodies import Aboard
from agent.dispatch import schema
from agent.dispatch.documents import Names
from agent.dispatch.loading import is_aboard
from agent.dispatch.places import Places
from agent.dispatch.views import AboardView
from agent.dispatch.words import seconds_of


class _Loading(NamedTuple):
    place: str | None
    time_s: float


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
