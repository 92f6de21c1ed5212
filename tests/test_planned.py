"""The comparison of plan and leg, on cases worked by hand from formats.md sections 4 and 7."""

from __future__ import annotations

from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from agent.planned import Arrived, Comparison, Departed, compare, open_rows
from agent.records import Listing, PlanRow
from agent.register import register_of

DAY = "2026-03-02"


def _item(code: str, kind: str | None, *, tag_state: str = "ok") -> Listing:
    return Listing(epc=code, tag=code, kind="item", name=f"the {code}", type=kind, tag_state=tag_state)  # type: ignore[arg-type]


LAMPS = [_item(f"lamp-{n}", "lamp") for n in range(1, 6)]
TRUNKS = [_item(f"trunk-{n}", "trunk") for n in range(1, 4)]
BROKEN, BARE = _item("desk-1", "desk", tag_state="failed"), _item("desk-2", "desk", tag_state="none")
REGISTER = register_of((*LAMPS, *TRUNKS, BROKEN, BARE))


def _row(unload_at: str, *, epc: str | None = None, kind: str | None = None, n: int = 1, **more: Any) -> PlanRow:
    where = {"vehicle": "van-07", "date": DAY, "load_at": "depot", **more}
    return PlanRow(unload_at=unload_at, epc=epc, type=kind, quantity=n, **where)


def _aboard(*codes: str) -> list[Listing]:
    return [REGISTER.by_epc[code] for code in codes]


def _compare(rows: list[PlanRow], *codes: str, after: list[Any] | None = None, before: Any = None) -> Comparison:
    history = [Departed("depot", DAY)] if after is None else after
    planned = open_rows(rows, history, vehicle="van-07")
    return compare(planned=planned, aboard=_aboard(*codes), register=REGISTER, filled_before=before)


def _nothing_else(result: Comparison, *said: str) -> None:
    for key in ("short", "over", "substituted", "not_checked"):
        if key not in said:
            assert getattr(result, key) == (), key


def test_all_as_planned() -> None:
    """Items that the plan names, and items of a type that it asks for, get the site where they go; nothing is amiss."""
    rows = [_row("hall", epc="lamp-1"), _row("yard", kind="lamp", n=2), _row("yard", epc="trunk-1")]
    result = _compare(rows, "lamp-3", "trunk-1", "lamp-2", "lamp-1")
    assert result.unload_at == {"lamp-1": "hall", "lamp-2": "yard", "lamp-3": "yard", "trunk-1": "yard"}
    _nothing_else(result)


def test_short_and_over() -> None:
    """What is planned and not aboard is short, by name or by number; what is aboard and not planned is over."""
    rows = [_row("hall", epc="trunk-1"), _row("yard", kind="lamp", n=3, line="20")]
    result = _compare(rows, "lamp-2", "desk-1")
    assert result.short == ({"epc": "trunk-1", "name": "the trunk-1"}, {"type": "lamp", "quantity": 2, "line": "20"})
    assert result.over == ({"epc": "desk-1", "name": "the desk-1"},)
    assert result.unload_at == {"lamp-2": "yard"}
    _nothing_else(result, "short", "over")


def test_substituted() -> None:
    """Another item of the type stands in for a named one that is missing: substituted, neither short nor over."""
    result = _compare([_row("hall", epc="lamp-1", line="7")], "lamp-4", "trunk-1")
    assert result.substituted == ({"epc": "lamp-4", "for": "lamp-1"},)
    assert result.unload_at == {"lamp-4": "hall"}
    assert [item["epc"] for item in result.over] == ["trunk-1"]
    _nothing_else(result, "substituted", "over")


def test_type_rows_go_before_substitution() -> None:
    """An item that a type row asks for fills that row, and the named item that is missing is short."""
    result = _compare([_row("hall", epc="lamp-1"), _row("hall", kind="lamp", n=1)], "lamp-4")
    assert result.short == ({"epc": "lamp-1", "name": "the lamp-1"},)
    _nothing_else(result, "short")


def test_an_item_without_a_type_is_no_substitute() -> None:
    """An item whose type the register does not say stands in for nothing."""
    register = register_of((_item("a", None), _item("b", None)))
    planned = open_rows([_row("hall", epc="a")], [Departed("depot", DAY)], vehicle="van-07")
    result = compare(planned=planned, aboard=[register.by_epc["b"]], register=register)
    assert [len(part) for part in (result.short, result.over, result.substituted)] == [1, 1, 0]


def test_not_checked() -> None:
    """Untagged rows and items whose tag is broken or absent are neither short nor met: they are not checked."""
    rows = [
        _row("hall", kind="chain", n=12, untagged=True, line="1"),
        _row("hall", epc="desk-1", line="2"),
        _row("hall", epc="desk-2"),
    ]
    result = _compare(rows)
    assert result.not_checked == (
        {"line": "1", "why": "untagged", "type": "chain", "quantity": 12},
        {"line": "2", "why": "tag failed", "epc": "desk-1", "name": "the desk-1"},
        {"line": None, "why": "no tag", "epc": "desk-2", "name": "the desk-2"},
    )
    _nothing_else(result, "not_checked")


def test_a_broken_tag_that_is_heard_after_all() -> None:
    """An item whose tag is called broken and that is heard meets its row."""
    result = _compare([_row("hall", epc="desk-1")], "desk-1")
    assert result.unload_at == {"desk-1": "hall"}
    _nothing_else(result)


def test_untagged_rows_take_their_own_kind() -> None:
    """A tagged item of an untagged row's type is planned aboard too, up to the row's number, after the other rows."""
    rows = [_row("hall", kind="lamp", n=1, untagged=True), _row("yard", kind="lamp", n=1)]
    result = _compare(rows, "lamp-1", "lamp-2", "lamp-3")
    assert result.unload_at == {"lamp-1": "yard", "lamp-2": "hall"}
    assert [item["epc"] for item in result.over] == ["lamp-3"]


def test_cancelled_rows_do_not_count() -> None:
    """What only a cancelled row plans is over, and never short."""
    rows = [_row("hall", epc="lamp-1", cancelled=True), _row("hall", epc="trunk-1", cancelled=True)]
    result = _compare(rows, "lamp-1")
    assert [item["epc"] for item in result.over] == ["lamp-1"]
    _nothing_else(result, "over")


def test_other_vehicles_and_days_do_not_count() -> None:
    """A row counts for its own vehicle on its own local day alone."""
    rows = [_row("hall", epc="lamp-1", vehicle="van-08"), _row("hall", epc="lamp-2", date="2026-03-03")]
    result = _compare(rows)
    _nothing_else(result)


def test_until_the_first_arrival_at_its_drop() -> None:
    """A row counts on every leg up to its drop; still aboard after it, the item is over, and missing it is no short."""
    rows = [_row("hall", epc="lamp-1"), _row("yard", epc="trunk-1")]
    to_yard = [Departed("depot", DAY), Arrived("market"), Departed("market", DAY)]
    assert _compare(rows, "lamp-1", "trunk-1", after=to_yard).over == ()
    onward = [*to_yard, Arrived("hall"), Departed("hall", DAY)]
    result = _compare(rows, "lamp-1", "trunk-1", after=onward)
    assert [item["epc"] for item in result.over] == ["lamp-1"]
    assert result.unload_at == {"trunk-1": "yard"}
    _nothing_else(result, "over")
    _nothing_else(_compare(rows, "trunk-1", after=onward))


def test_past_its_drop_an_item_stands_in_for_nothing() -> None:
    """An item that should have left at an earlier drop is over even where another of its type is missing."""
    rows = [_row("hall", epc="lamp-1"), _row("yard", epc="lamp-2"), _row("yard", kind="lamp", n=1)]
    after = [Departed("depot", DAY), Arrived("hall"), Departed("hall", DAY)]
    result = _compare(rows, "lamp-1", after=after)
    assert [item["epc"] for item in result.over] == ["lamp-1"]
    assert [entry.get("epc", entry.get("type")) for entry in result.short] == ["lamp-2", "lamp"]
    assert result.substituted == ()


def test_the_second_round_has_its_own_rows() -> None:
    """Trip 2 opens at the second departure from there on that day, and does not reopen what trip 1 planned."""
    rows = [_row("hall", epc="lamp-1"), _row("hall", epc="lamp-2", trip=2), _row("hall", epc="lamp-3", trip=3)]
    first = [Departed("depot", DAY)]
    second = [*first, Arrived("hall"), Departed("hall", DAY), Arrived("depot"), Departed("depot", DAY)]
    assert open_rows(rows, first, vehicle="van-07").open == (rows[0],)
    assert open_rows(rows, second, vehicle="van-07").open == (rows[1],)
    assert open_rows(rows, second, vehicle="van-07").ended == (rows[0],)


def test_a_false_start_does_not_close_a_row() -> None:
    """Coming back to the loading site without having been at the drop leaves trip 1 open at the second departure."""
    rows = [_row("hall", epc="lamp-1")]
    history = [Departed("depot", DAY), Arrived("depot"), Departed("depot", DAY)]
    assert open_rows(rows, history, vehicle="van-07").open == (rows[0],)


def test_the_end_of_a_trip_ends_its_rows() -> None:
    """A drop that was never reached does not stand as short on the days after; what is still aboard then is over."""
    rows = [_row("hall", epc="lamp-1"), _row("yard", epc="lamp-2")]
    history = [Departed("depot", DAY), Arrived("depot", ends_trip=True), Departed("depot", "2026-03-03")]
    result = _compare(rows, "lamp-1", after=history)
    assert [item["epc"] for item in result.over] == ["lamp-1"]
    _nothing_else(result, "over")


def test_over_midnight_a_row_goes_on() -> None:
    """Midnight closes nothing and does not open the next day's row of the same site again."""
    rows = [_row("hall", epc="lamp-1")]
    history = [Departed("depot", DAY), Arrived("market"), Departed("market", "2026-03-03")]
    assert open_rows(rows, history, vehicle="van-07").open == (rows[0],)
    assert open_rows(rows, [Departed("depot", "2026-03-03")], vehicle="van-07").open == ()


def test_collected_on_the_way() -> None:
    """A row that loads at a stop opens there, and brings the item back to the depot."""
    rows = [_row("depot", epc="trunk-1", load_at="hall")]
    out = [Departed("depot", DAY)]
    assert open_rows(rows, out, vehicle="van-07").open == ()
    back = [*out, Arrived("hall"), Departed("hall", DAY)]
    assert _compare(rows, "trunk-1", after=back).unload_at == {"trunk-1": "depot"}
    assert open_rows(rows, [*back, Arrived("depot")], vehicle="van-07").ended == (rows[0],)


def test_back_where_it_came_from() -> None:
    """A row from the depot to the depot counts on all legs between."""
    rows = [_row("depot", epc="trunk-1")]
    history = [Departed("depot", DAY), Arrived("hall"), Departed("hall", DAY)]
    assert open_rows(rows, history, vehicle="van-07").open == (rows[0],)
    assert open_rows(rows, [*history, Arrived("depot")], vehicle="van-07").open == ()


def test_places_that_are_no_site_open_and_close_nothing() -> None:
    """Stopping in the street changes no row."""
    rows = [_row("hall", epc="lamp-1")]
    history = [Departed("depot", DAY), Arrived(None), Departed(None, DAY)]
    assert open_rows(rows, history, vehicle="van-07").open == (rows[0],)


def test_judged_by_the_version_held_at_departure() -> None:
    """A version that comes while the van is out changes nothing of the round that has left."""
    old, new = (_row("hall", epc="lamp-1"),), (_row("hall", epc="lamp-2"), _row("yard", epc="trunk-1", load_at="hall"))
    history = [Departed("depot", DAY, rows=old), Arrived("market"), Departed("market", DAY, rows=new)]
    assert open_rows((), history, vehicle="van-07").open == old
    history += [Arrived("hall"), Departed("hall", DAY, rows=new)]
    assert open_rows((), history, vehicle="van-07").open == (new[1],)


def test_an_item_keeps_its_row_from_leg_to_leg() -> None:
    """Of alike items the one that was meant for the passed drop is over, not the one that goes on."""
    rows = [_row("hall", kind="lamp", n=1), _row("yard", kind="lamp", n=1)]
    first = _compare(rows, "lamp-1", "lamp-2")
    assert first.unload_at == {"lamp-1": "hall", "lamp-2": "yard"}
    after = [Departed("depot", DAY), Arrived("hall"), Departed("hall", DAY)]
    second = _compare(rows, "lamp-1", "lamp-2", after=after, before=first.filled)
    assert second.unload_at == {"lamp-2": "yard"}
    assert [item["epc"] for item in second.over] == ["lamp-1"]
    # The other was dropped in its stead: the one that stayed still fills the row that is open.
    swapped = _compare(rows, "lamp-1", after=after, before=first.filled)
    assert swapped.unload_at == {"lamp-1": "yard"}
    _nothing_else(swapped)


def test_two_rows_for_one_item() -> None:
    """An item that two open rows name goes by the first, and is short by neither."""
    rows = [_row("hall", epc="lamp-1"), _row("yard", epc="lamp-1", load_at="market")]
    history = [Departed("depot", DAY), Arrived("market"), Departed("market", DAY)]
    result = _compare(rows, "lamp-1", "lamp-2", after=history)
    assert result.unload_at == {"lamp-1": "hall"}
    assert [item["epc"] for item in result.over] == ["lamp-2"]
    _nothing_else(result, "over")


CODES = [listing.epc for listing in REGISTER.listings]


@given(
    st.sets(st.sampled_from(CODES)),
    st.sets(st.sampled_from(CODES)),
    st.lists(st.tuples(st.sampled_from(["lamp", "trunk", "desk"]), st.integers(1, 4), st.booleans()), max_size=4),
)
def test_sums_add_up(aboard: set[str], named: set[str], types: list[tuple[str, int, bool]]) -> None:
    """Every item aboard is over or has a drop; every planned unit is aboard, substituted, short or not checked."""
    rows = [_row("hall", epc=code, line_no=n) for n, code in enumerate(sorted(named))]
    rows += [_row("yard", kind=kind, n=n, untagged=u, line_no=100 + i) for i, (kind, n, u) in enumerate(types)]
    result = _compare(rows, *sorted(aboard))
    over = {item["epc"] for item in result.over}
    assert over | set(result.unload_at) == aboard
    assert not over & set(result.unload_at)
    judged = [row for row in rows if not row.untagged]
    planned = sum(row.quantity for row in judged)
    met = sum(1 for row in result.filled.values() if not row.untagged)
    short = sum(entry.get("quantity", 1) for entry in result.short)
    broken = sum(1 for entry in result.not_checked if entry["why"] != "untagged")
    assert planned == met + short + broken
    assert {epc for epc, row in result.filled.items() if row.epc == epc} == aboard & named
    assert {pair["for"] for pair in result.substituted} <= named - aboard
