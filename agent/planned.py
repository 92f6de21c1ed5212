"""What a plan says about a leg: where each item goes, what is short, over, substituted, and what no tag can check.

Pure comparison (formats.md sections 4 and 7) of plan rows with what was found aboard. It comes after the inference and
feeds nothing back into it: a tally that knows what it should find is no check. Knows nothing of probabilities; the
caller decides what counts as aboard.

When a row counts. A row is planned aboard from the first departure from `load_at` on its trip until the first arrival
at `unload_at` after it. Its trip is a departure round: with `trip` n it opens at the vehicle's n-th departure from
`load_at` on the local day `date`, and on no other. It is taken from the plan that the vehicle held at that departure;
a later version neither adds a row to a round that has left nor takes one out. A cancelled row never counts. A row also
ends with the vehicle's trip, where the caller says that an arrival ends one: a drop that was never reached must not
stand as short for ever.

Who fills which row, in this order, rows in the order of the plan and items in the order of their EPCs:

1. An `epc` row is met by its own item. (Where two rows that count name the same item, it goes by the first, and is
   short by neither.)
2. An item that filled a `type` row on an earlier leg keeps it while that row counts.
3. A `type` row takes items of its type, as many as it still needs; first such as had no row before.
4. An `epc` row whose item is missing takes another item of the same type, which is *substituted* for it.
5. A row with `untagged` is never judged: it stands under `not_checked`, and takes what is left of its own kind.
   So does an `epc` row whose item is missing and whose tag is known to be broken or absent.

What is then without an item is short, what is without a row is over. An item whose own `epc` row has ended (its drop
lies behind) is over and fills nothing else: aboard after that is over.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Any

from msgspec import Struct

from agent.records import Listing, PlanRow
from agent.register import Register

_NO_TAG = {"failed": "tag failed", "none": "no tag"}


class Departed(Struct, frozen=True):
    """The vehicle left a site (None: a place that is no site) on this local day.

    `rows` is the plan that it held then, where that is not the one given to `open_rows`.
    """

    site: str | None
    date: str
    rows: tuple[PlanRow, ...] | None = None


class Arrived(Struct, frozen=True):
    """The vehicle came to a site (None: a place that is no site); `ends_trip` where its trip ended there."""

    site: str | None
    ends_trip: bool = False


class Planned(Struct, frozen=True):
    """What counts now: `open` rows are planned aboard; `ended` were, and their drop or their trip lies behind."""

    open: tuple[PlanRow, ...] = ()
    ended: tuple[PlanRow, ...] = ()


class Comparison(Struct, frozen=True):
    """The keys of a manifest that only a plan brings.

    `unload_at` gives the site for each item aboard that has a row (what is over is not in it). `filled` gives the row
    of each of these items, for the comparison of the next leg. The rest is JSON-ready.
    """

    unload_at: Mapping[str, str]
    short: tuple[dict[str, Any], ...]
    over: tuple[dict[str, Any], ...]
    substituted: tuple[dict[str, Any], ...]
    not_checked: tuple[dict[str, Any], ...]
    filled: Mapping[str, PlanRow]


def open_rows(rows: Sequence[PlanRow], history: Sequence[Departed | Arrived], *, vehicle: str) -> Planned:
    """The rows that count after `history`, which is everything since the plan's first day, oldest first.

    For a leg's manifest the history ends with that leg's departure.
    """
    rounds: dict[tuple[str, str], int] = {}
    counting: list[PlanRow] = []
    ended: list[PlanRow] = []
    for event in history:
        if isinstance(event, Arrived):
            over = [row for row in counting if event.ends_trip or row.unload_at == event.site]
            counting = [row for row in counting if row not in over]
            ended.extend(over)
        elif event.site is not None:
            trip = rounds[event.site, event.date] = rounds.get((event.site, event.date), 0) + 1
            held = rows if event.rows is None else event.rows
            counting.extend(
                row
                for row in held
                if not row.cancelled
                and (row.vehicle, row.load_at, row.date, row.trip) == (vehicle, event.site, event.date, trip)
            )
    return Planned(open=tuple(counting), ended=tuple(ended))


def compare(
    *,
    planned: Planned,
    aboard: Collection[Listing],
    register: Register,
    filled_before: Mapping[str, PlanRow] | None = None,
) -> Comparison:
    """Hold the items aboard on a leg (their listings, badges and fixtures left out) against the rows that count.

    `filled_before` is `filled` of the leg before, if there was one.
    """
    fitting = _Fitting(planned, aboard, filled_before or {})
    fitting.own_items()
    fitting.types()
    fitting.substitutes(register)
    fitting.untagged()
    short, not_checked = [], []
    for row in planned.open:
        missing = row.quantity - len(fitting.taken[row])
        if row.untagged:
            not_checked.append({"line": row.line, "why": "untagged", **_what(row, register)})
        elif missing and row.epc is not None and row.epc not in fitting.present:
            listing = register.by_epc.get(row.epc)
            if listing is not None and listing.tag_state in _NO_TAG:
                not_checked.append({"line": row.line, "why": _NO_TAG[listing.tag_state], **_what(row, register)})
            else:
                short.append({**_what(row, register), **_line(row)})
        elif missing and row.epc is None:
            short.append({"type": row.type, "quantity": missing, **_line(row)})
    filled = {item.epc: row for row in planned.open for item in fitting.taken[row]}
    return Comparison(
        unload_at={epc: row.unload_at for epc, row in filled.items()},
        short=tuple(short),
        over=tuple({"epc": item.epc, "name": item.name} for item in fitting.free),
        substituted=tuple({"epc": epc, "for": row.epc} for epc, row in filled.items() if row.epc not in {None, epc}),
        not_checked=tuple(not_checked),
        filled=filled,
    )


def _what(row: PlanRow, register: Register) -> dict[str, Any]:
    if row.epc is None:
        return {"type": row.type, "quantity": row.quantity}
    listing = register.by_epc.get(row.epc)
    return {"epc": row.epc, "name": "" if listing is None else listing.name}


def _line(row: PlanRow) -> dict[str, str]:
    return {} if row.line is None else {"line": row.line}


class _Fitting:
    """Items aboard being given to rows: each item to one row at most, each row at most its quantity.

    Changed in place, within one call of `compare`: `free` shrinks as `taken` grows.
    """

    def __init__(self, planned: Planned, aboard: Collection[Listing], before: Mapping[str, PlanRow]) -> None:
        self.rows = planned.open
        self.before = before
        self.taken: dict[PlanRow, list[Listing]] = {row: [] for row in planned.open}
        self.free = sorted(aboard, key=lambda item: item.epc)
        self.present = {item.epc for item in aboard}
        own = {row.epc for row in planned.open}
        self.past_drop = {row.epc for row in planned.ended if row.epc is not None and row.epc not in own}

    def take(self, row: PlanRow, items: Sequence[Listing]) -> None:
        taken = items[: row.quantity - len(self.taken[row])]
        self.taken[row].extend(taken)
        self.free = [item for item in self.free if item not in taken]

    def own_items(self) -> None:
        for row in self.rows:
            if row.epc is not None:
                self.take(row, [item for item in self.free if item.epc == row.epc])

    def types(self) -> None:
        rows = [row for row in self.rows if row.type is not None and not row.untagged]
        for row in rows:
            self.take(row, [item for item in self.free if self.before.get(item.epc) == row])
        for row in rows:
            alike = [item for item in self._spare() if item.type == row.type]
            self.take(row, sorted(alike, key=lambda item: item.epc in self.before))

    def substitutes(self, register: Register) -> None:
        for row in self.rows:
            listing = register.by_epc.get(row.epc) if row.epc is not None and not row.untagged else None
            if listing is None or listing.type is None or listing.tag_state in _NO_TAG or row.epc in self.present:
                continue
            alike = [item for item in self._spare() if item.type == listing.type]
            # As with types: the one that stood in on the leg before goes on standing in.
            self.take(row, sorted(alike, key=lambda item: self.before.get(item.epc) != row))

    def untagged(self) -> None:
        for row in self.rows:
            if row.untagged and row.type is not None:
                self.take(row, [item for item in self._spare() if item.type == row.type])

    def _spare(self) -> list[Listing]:
        return [item for item in self.free if item.epc not in self.past_drop]
