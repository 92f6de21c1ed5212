"""What the API's lists ask of the store, a page at a time after a key, so that nothing is told twice or left out."""

from __future__ import annotations

import sqlalchemy as sa

from agent.dispatch import schema
from agent.dispatch.loading import Plan
from agent.dispatch.places import Places
from agent.dispatch.store import DispatchStore
from agent.dispatch.views import ItemLine


class Lists:
    """Reads only."""

    def __init__(self, store: DispatchStore, places: Places, plan: Plan) -> None:
        self._store, self._places = store, places
        self._badges = [each.epc for each in plan.register.listings if each.kind == "person"]

    def vehicles(self, *, after: str | None, most: int) -> tuple[str, ...]:
        """Vehicles by id."""
        at = schema.vehicle.c.vehicle
        query = sa.select(at).order_by(at).limit(most)
        with self._store.reading() as connection:
            return tuple(connection.execute(query if after is None else query.where(at > after)).scalars())

    def items(self, *, after: str | None, most: int, aboard: str | None = None) -> tuple[ItemLine, ...]:
        """Items by EPC, all or those aboard one vehicle; badges are none, whatever a vehicle took them for."""
        table = schema.item
        query = sa.select(table).where(table.c.epc.not_in(self._badges)).order_by(table.c.epc).limit(most)
        if after is not None:
            query = query.where(table.c.epc > after)
        if aboard is not None:
            query = query.where(table.c.aboard == aboard)
        with self._store.reading() as connection:
            rows = connection.execute(query).all()
        return tuple(
            ItemLine(
                epc=row.epc, name=row.name or row.epc, tag=row.tag, aboard=row.aboard,
                place=None if row.place is None else self._places.name_of_location(row.place),
                since_s=row.since_s, since_exact=row.since_exact, p=row.p,
            )
            for row in rows
        )  # fmt: skip
