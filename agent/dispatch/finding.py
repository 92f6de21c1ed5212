"""Finds an item by what somebody typed or scanned: by EPC in any form, by name, by type. Reads only."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

import sqlalchemy as sa
from msgspec import Struct

from agent.dispatch import schema
from agent.dispatch.loading import Plan
from agent.dispatch.places import Places
from agent.dispatch.store import DispatchStore
from agent.dispatch.typed import Typed, understand
from agent.dispatch.views import FoundView, HitView

MOST_HITS = 60
_AFTER_DOT = "/"  # the character that follows the dot: EPCs that begin with `x.` lie between `x.` and `x/`


class _Known(Struct, frozen=True):
    epc: str
    words: str
    type: str


class Finder:
    """See the module. The register's names go before what vehicles call things."""

    def __init__(self, store: DispatchStore, places: Places, plan: Plan) -> None:
        self._store, self._places, self._register = store, places, plan.register
        self._known = tuple(
            _Known(each.epc, each.name.casefold(), (each.type or "").casefold())
            for each in plan.register.listings
            if each.kind != "ignore"
        )

    def find(self, given: str) -> FoundView:
        """What fits the text, the likeliest first."""
        typed = understand(given)
        if not typed.text:
            return FoundView("", ())
        with self._store.reading() as connection:
            why: dict[str, str] = {}
            for epc in self._there(connection, typed.epcs):
                why[epc] = f"{typed.what} of it" if typed.what != "an EPC's URI" else "this is its EPC"
            exact = len(why) == 1
            if not why:
                for epc in self._of_classes(connection, typed):
                    why.setdefault(epc, f"{typed.what} of its kind")
                for epc, reason in self._named(connection, typed.text):
                    why.setdefault(epc, reason)
                    if len(why) > MOST_HITS:
                        break
                exact = self._is_alone(typed.text, why)
            shown = list(why)[:MOST_HITS]
            hits = tuple(self._hit(epc, why[epc], row) for epc, row in self._rows(connection, shown).items())
        return FoundView(
            text=typed.text,
            hits=hits,
            more=len(why) > MOST_HITS,
            exact=exact,
            read_as=() if why else typed.epcs,
            problem=None if why else typed.problem,
        )

    def _is_alone(self, text: str, why: Mapping[str, str]) -> bool:
        """Whether the only hit bears just this name."""
        return len(why) == 1 and next(iter(why.values())) in ("this is its name", "a van calls it so")

    def _there(self, connection: sa.Connection, epcs: Iterable[str]) -> list[str]:
        wanted = list(dict.fromkeys(epcs))
        if not wanted:
            return []
        at = schema.item.c.epc
        heard = set(connection.execute(sa.select(at).where(at.in_(wanted))).scalars())
        return [epc for epc in wanted if epc in heard or epc in self._register.by_epc]

    def _of_classes(self, connection: sa.Connection, typed: Typed) -> Iterator[str]:
        at = schema.item.c.epc
        for first in typed.classes:
            query = sa.select(at).where(at >= first, at < first[:-1] + _AFTER_DOT).order_by(at).limit(MOST_HITS + 1)
            yield from connection.execute(query).scalars()
            yield from (each.epc for each in self._known if each.epc.startswith(first))

    def _named(self, connection: sa.Connection, text: str) -> Iterator[tuple[str, str]]:
        wanted = " ".join(text.casefold().split())
        words = wanted.split()
        yield from ((each.epc, "this is its name") for each in self._known if each.words == wanted)
        table = schema.item.c
        yield from self._called(connection, table.name == text, "a van calls it so")
        yield from ((each.epc, "its name begins so") for each in self._known if each.words.startswith(wanted))
        holds = [each for each in self._known if all(word in each.words for word in words)]
        yield from ((each.epc, "its name holds this") for each in holds)
        # A vehicle may know names that the register here does not.
        every = sa.and_(*(table.name.icontains(word, autoescape=True) for word in words))
        yield from self._called(connection, every, "a van's name for it holds this")
        yield from ((each.epc, "this is its type") for each in self._known if each.type == wanted)
        mixed = (each for each in self._known if all(word in each.words or word in each.type for word in words))
        yield from ((each.epc, "its name and type hold this") for each in mixed)
        if len(wanted) >= 4:  # noqa: PLR2004 - shorter parts fit everything
            yield from ((each.epc, "its EPC holds this") for each in self._known if wanted in each.epc)
            part = table.epc.icontains(wanted, autoescape=True)
            yield from self._called(connection, part, "its EPC holds this")
            whole = table.tag.icontains(wanted, autoescape=True)
            yield from self._called(connection, whole, "its tag's hex holds this")

    def _called(
        self, connection: sa.Connection, which: sa.ColumnElement[bool], reason: str
    ) -> Iterator[tuple[str, str]]:
        query = sa.select(schema.item.c.epc).where(which).order_by(schema.item.c.name).limit(MOST_HITS + 1)
        for epc in connection.execute(query).scalars().all():
            yield epc, reason

    def _rows(self, connection: sa.Connection, epcs: list[str]) -> dict[str, sa.Row[tuple[object, ...]] | None]:
        table = schema.item
        rows = {row.epc: row for row in connection.execute(sa.select(table).where(table.c.epc.in_(epcs)))}
        return {epc: rows.get(epc) for epc in epcs}

    def _hit(self, epc: str, why: str, row: sa.Row[tuple[object, ...]] | None) -> HitView:
        listing = self._register.by_epc.get(epc)
        where = "not heard yet"
        if row is not None and row.aboard is not None:
            where = f"aboard {row.aboard}"
        elif row is not None and row.since_s is not None:
            where = f"last known at {self._places.name_of_location(row.place)}"
        name = (listing.name if listing else "") or (row.name if row is not None else "") or epc
        return HitView(epc, name, None if listing is None else listing.type, why, where)
