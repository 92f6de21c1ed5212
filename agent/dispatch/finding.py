"""Finds an item by what somebody typed or scanned: by EPC in any form, by name, by type. Reads only. Never a badge."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

import sqlalchemy as sa
from msgspec import Struct

from agent.dispatch import schema
from agent.dispatch.badges import is_badge
from agent.dispatch.loading import Plan
from agent.dispatch.places import Places
from agent.dispatch.store import DispatchStore
from agent.dispatch.typed import Typed, understand
from agent.dispatch.views_found import FoundView, HitView
from agent.records import Listing

MOST_HITS = 60
_AFTER_DOT = "/"  # the character that follows the dot: EPCs that begin with `x.` lie between `x.` and `x/`


_SHORTEST_PART = 4  # shorter parts of an EPC fit everything
_WHY = (
    "this is its name",
    "a van calls it so",
    "its name begins so",
    "its name holds this",
    "a van's name for it holds this",
    "this is its type",
    "its name and type hold this",
    "its EPC holds this",
    "its tag's hex holds this",
)


class _Known(Struct, frozen=True):
    epc: str
    name: str
    type: str
    all: str


def _known(listing: Listing) -> _Known:
    name, kind = listing.name.casefold(), (listing.type or "").casefold()
    return _Known(listing.epc, name, kind, f"{name}\n{kind}\n{listing.epc.casefold()}")


def _rank(each: _Known, wanted: str, words: list[str]) -> int | None:
    """Why it fits, as a place in `_WHY`; None where its parts fit by chance only."""
    if each.name == wanted:
        return 0
    if each.name.startswith(wanted):
        return 2
    if all(word in each.name for word in words):
        return 3
    if each.type == wanted:
        return 5
    if all(word in each.name or word in each.type for word in words):
        return 6
    return 7 if len(wanted) >= _SHORTEST_PART and wanted in each.epc.casefold() else None


class Finder:
    """See the module. The register's names go before what vehicles call things."""

    def __init__(self, store: DispatchStore, places: Places, plan: Plan) -> None:
        self._store, self._places, self._register = store, places, plan.register
        self._known = tuple(_known(each) for each in plan.register.listings if each.kind not in ("ignore", "person"))

    def find(self, given: str) -> FoundView:
        """What fits the text, the likeliest first."""
        typed = understand(given.replace("\0", ""))  # which no database's text holds
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
                    if len(why) > MOST_HITS:
                        break
                    why.setdefault(epc, reason)
                exact = self._is_alone(why)
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

    def _is_alone(self, why: Mapping[str, str]) -> bool:
        """Whether the only hit bears just this name."""
        return len(why) == 1 and next(iter(why.values())) in _WHY[:2]

    def _there(self, connection: sa.Connection, epcs: Iterable[str]) -> list[str]:
        wanted = list(dict.fromkeys(epcs))
        if not wanted:
            return []
        at = schema.item.c.epc
        heard = set(connection.execute(sa.select(at).where(at.in_(wanted))).scalars())
        known = (epc for epc in wanted if epc in heard or epc in self._register.by_epc)
        return [epc for epc in known if not is_badge(self._register, epc)]

    def _of_classes(self, connection: sa.Connection, typed: Typed) -> Iterator[str]:
        at = schema.item.c.epc
        for first in typed.classes:
            query = sa.select(at).where(at >= first, at < first[:-1] + _AFTER_DOT).order_by(at).limit(MOST_HITS + 1)
            yield from (epc for epc in connection.execute(query).scalars() if not is_badge(self._register, epc))
            yield from (each.epc for each in self._known if each.epc.startswith(first))

    def _named(self, connection: sa.Connection, text: str) -> list[tuple[str, str]]:
        """By words, each of which must be there; the register once through, then what vehicles call things."""
        wanted = " ".join(text.casefold().split())
        words = wanted.split()
        ranked: list[tuple[int, str, str]] = []
        for each in self._known:
            if all(word in each.all for word in words):
                rank = _rank(each, wanted, words)
                if rank is not None:
                    ranked.append((rank, each.name, each.epc))
        table = schema.item.c
        part = [table.name.icontains(wanted, autoescape=True)]
        if len(words) > 1:
            part.append(sa.and_(*(table.name.icontains(word, autoescape=True) for word in words)))
        if len(wanted) >= _SHORTEST_PART:
            part += [table.epc.icontains(wanted, autoescape=True), table.tag.icontains(wanted, autoescape=True)]
        query = sa.select(table.epc, table.name).where(sa.or_(*part)).order_by(table.name).limit(MOST_HITS + 1)
        for row in connection.execute(query):
            if is_badge(self._register, row.epc):
                continue
            name = (row.name or "").casefold()
            called = name == wanted or all(word in name for word in words)
            rank = 1 if name == wanted else 4 if called else 7 if wanted in row.epc.casefold() else 8
            ranked.append((rank, name, row.epc))
        return [(epc, _WHY[rank]) for rank, _, epc in sorted(ranked)]

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
