"""What the plan loads where a van stands, against what the van hears there; pure.

Nothing is short as long as the van stands: a line is *likely aboard*, *heard near* or *not heard*. Which rows count is
`agent.planned`'s rule for a departure now; what is said here feeds nothing back into the van's tally.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence

from msgspec import Struct

from agent.bodies import Aboard, AboardItem
from agent.dispatch.views import VanLine
from agent.dispatch.views_found import LoadingCount, PlannedLineView, PlannedState
from agent.dispatch.words import seconds_of
from agent.planned import Departed, open_rows
from agent.records import PlanRow
from agent.register import Register

ABOARD_FROM = 0.5  # an item more likely aboard than not is counted as aboard
_NO_TAG = {"failed": "its tag has failed", "none": "it carries no tag"}


class LoadingPage(Struct, frozen=True, kw_only=True):
    """What the plan loads where a van stands now, line by line. `at_s` is when the van told what it hears."""

    van: VanLine
    site: str
    at_s: float | None
    trip: int
    lines: tuple[PlannedLineView, ...]


class Plan(Struct, frozen=True):
    """The plan and register as they lie here; `rows` by vehicle and loading site."""

    register: Register = Register()
    rows: Mapping[tuple[str, str], tuple[PlanRow, ...]] = {}


def plan_of(rows: Iterable[PlanRow], register: Register) -> Plan:
    """A plan ready to be asked."""
    found: dict[tuple[str, str], list[PlanRow]] = defaultdict(list)
    for row in rows:
        found[row.vehicle, row.load_at].append(row)
    return Plan(register, {key: tuple(each) for key, each in found.items()})


def is_aboard(p: float, state: str) -> bool:
    """Whether something counts as aboard by what the van last said."""
    return state != "near" and p >= ABOARD_FROM


def rows_now(plan: Plan, *, vehicle: str, site: str, date: str, departed: int) -> tuple[PlanRow, ...]:
    """The rows that open at this site if the van left now, having left it `departed` times on that local day."""
    rows = plan.rows.get((vehicle, site), ())
    before = [Departed(site, date) for _ in range(departed)]
    opened = open_rows(rows, before, vehicle=vehicle).open
    return tuple(
        row for row in open_rows(rows, [*before, Departed(site, date)], vehicle=vehicle).open if row not in opened
    )


def planned_lines(rows: Sequence[PlanRow], cargo: Aboard, register: Register) -> tuple[PlannedLineView, ...]:
    """The rows one by one; a row of a type is told in parts, one for each state that its items are in.

    An item counts for its own row first, then for a row of its type, each for one row alone.
    """
    at_s = seconds_of(cargo.at)
    left = {each.epc: each for each in cargo.items}
    own = [None if row.epc is None else left.pop(row.epc, None) for row in rows]
    by_type: dict[str, list[AboardItem]] = defaultdict(list)
    for each in sorted(left.values(), key=lambda each: (not is_aboard(each.p, each.state), -each.p, each.epc)):
        listing = register.by_epc.get(each.epc)
        if listing is not None and listing.type is not None:
            by_type[listing.type].append(each)
    found: list[PlannedLineView] = []
    for row, heard in zip(rows, own, strict=True):
        if row.epc is not None:
            found.append(_own(row, heard, register, at_s))
        else:
            found += _of_type(row, by_type[row.type or ""], at_s)
    return tuple(found)


def counted(lines: Iterable[PlannedLineView]) -> LoadingCount:
    """The lines in numbers of items."""
    of: dict[str, int] = defaultdict(int)
    for each in lines:
        of[each.state] += each.quantity
    return LoadingCount(sum(of.values()), of["likely aboard"], of["heard near"], of["not heard"], of["not checked"])


def _own(row: PlanRow, heard: AboardItem | None, register: Register, at_s: float | None) -> PlannedLineView:
    listing = register.by_epc.get(row.epc or "")
    name = (listing.name if listing else "") or (heard.name if heard else "") or row.epc or ""
    why = "planned without a tag" if row.untagged else _NO_TAG.get(listing.tag_state) if listing else None
    return _line(row, name, heard, at_s, why=why)


def _of_type(row: PlanRow, free: list[AboardItem], at_s: float | None) -> list[PlannedLineView]:
    if row.untagged:
        return [_line(row, f"{row.type}", None, at_s, quantity=row.quantity, why="planned without a tag")]
    taken, free[:] = free[: row.quantity], free[row.quantity :]
    groups: dict[PlannedState, list[AboardItem]] = defaultdict(list)
    for each in taken:
        groups[_state(each)].append(each)
    found = [
        _line(row, f"{row.type}", max(group, key=lambda each: -(each.heard_s or 0.0)), at_s, quantity=len(group))
        for group in groups.values()
    ]
    missing = row.quantity - len(taken)
    return [*found, _line(row, f"{row.type}", None, at_s, quantity=missing)] if missing else found


def _state(heard: AboardItem) -> PlannedState:
    return "likely aboard" if is_aboard(heard.p, heard.state) else "heard near"


def _line(
    row: PlanRow,
    what: str,
    heard: AboardItem | None,
    at_s: float | None,
    *,
    quantity: int | None = None,
    why: str | None = None,
) -> PlannedLineView:
    state: PlannedState = "not heard" if heard is None else _state(heard)
    return PlannedLineView(
        what=what,
        epc=row.epc,
        state="not checked" if why is not None and heard is None else state,
        quantity=1 if quantity is None else quantity,
        p=None if heard is None else heard.p,
        heard_s=None if heard is None or heard.heard_s is None or at_s is None else at_s - heard.heard_s,
        unload_at=row.unload_at,
        line=row.line,
        why=why if heard is None else None,
    )
