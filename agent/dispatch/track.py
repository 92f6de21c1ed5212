"""Keeps where a van was and when it gave a sign of life, thinned, inside a transaction that the store holds.

A retained message is what the broker remembers and is not for here. `agent.dispatch.forget` takes the rows away with
the badges.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite

from agent.bodies import Body, Position, Status
from agent.dispatch import schema
from agent.dispatch.words import seconds_of
from agent.geo import distance_m

Upsert = Callable[[sa.Table], sqlite.Insert | postgresql.Insert]

# A vehicle sends a position a minute while it moves and one in 150 s while it stands (`agent.worth`); an older or a
# foreign one may send more. Judgement: a town's street corner is 30 m, and a stay's edges are told by its records.
APART_S, APART_M = 20.0, 30.0
# A row is lengthened while it stands there, or while words go on to come: `until_s` is the last one of them.
STILL_S = 150.0
# A fix whose time is further than this from when it came is no live one: a clock is wrong. Judgement: a slow network.
STALE_S = 600.0


def keep_word(connection: sa.Connection, upsert: Upsert, body: Body, *, received_s: float) -> None:
    """Keep a position, or that a word or the broker's last will came, unless the last row says as much."""
    if isinstance(body, Position):
        at_s = seconds_of(body.at)
        if at_s is not None and abs(at_s - received_s) <= STALE_S:
            _keep_position(connection, upsert, body, at_s=at_s, received_s=received_s)
            return
    if isinstance(body, Status) and body.state == "offline":
        _insert(connection, upsert, vehicle=body.vehicle, at_s=received_s, until_s=received_s, kind="lost")
        return
    keep_lives(connection, upsert, [body.vehicle], received_s=received_s)


def keep_lives(connection: sa.Connection, upsert: Upsert, vehicles: Iterable[str], *, received_s: float) -> None:
    """Keep that a word came from each of them, unless one came a moment ago."""
    for vehicle in sorted(set(vehicles)):
        last = _last(connection, vehicle)
        if last is None or last.kind == "lost" or received_s - last.until_s >= STILL_S:
            _insert(connection, upsert, vehicle=vehicle, at_s=received_s, until_s=received_s, kind="word")
        elif last.kind == "word" and received_s > last.until_s:
            _lengthen(connection, last, until_s=received_s)


def _keep_position(
    connection: sa.Connection, upsert: Upsert, body: Position, *, at_s: float, received_s: float
) -> None:
    until_s = max(at_s, received_s)
    last = _last(connection, body.vehicle)
    if last is not None and last.kind == "position":
        if at_s - last.at_s < APART_S:
            return
        if at_s - last.until_s < STILL_S * 2 and distance_m(last.lat, last.lon, body.lat, body.lon) < APART_M:
            _lengthen(connection, last, until_s=until_s)
            return
    where: dict[str, Any] = {"lat": body.lat, "lon": body.lon, "error_m": body.error_m, "speed_mps": body.speed_mps}
    _insert(connection, upsert, vehicle=body.vehicle, at_s=at_s, until_s=until_s, kind="position", **where)


def _last(connection: sa.Connection, vehicle: str) -> sa.Row[Any] | None:
    table = schema.track.c
    query = sa.select(schema.track).where(table.vehicle == vehicle).order_by(table.at_s.desc()).limit(1)
    return connection.execute(query).first()


def _lengthen(connection: sa.Connection, row: sa.Row[Any], *, until_s: float) -> None:
    table = schema.track
    here = sa.and_(table.c.vehicle == row.vehicle, table.c.at_s == row.at_s)
    connection.execute(sa.update(table).where(here).values(until_s=until_s))


def _insert(connection: sa.Connection, upsert: Upsert, **values: Any) -> None:  # noqa: ANN401 - columns
    connection.execute(upsert(schema.track).values(**values).on_conflict_do_nothing())
