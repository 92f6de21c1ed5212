"""What the plan loads where a van stands: likely aboard, heard near or not heard; short is no word for it."""

from __future__ import annotations

from typing import Any, cast

from agent.bodies import Aboard
from agent.dispatch.loading import counted, plan_of, planned_lines, rows_now
from agent.dispatch.views_found import LoadingCount
from agent.records import Listing, PlanRow
from agent.register import register_of
from tests.dispatch.scenario import DAY_S, aboard, item, word

DATE = "2026-03-02"


def row(line_no: int, **more: Any) -> PlanRow:
    """A row of van-07's plan, from the depot to the quay."""
    return PlanRow(
        **({"vehicle": "van-07", "date": DATE, "load_at": "depot", "unload_at": "quay", "line_no": line_no} | more)
    )


def heard(*numbers: int, **more: Any) -> Aboard:
    """What the van hears: all aboard but the last, which is only near; the one before it not heard lately."""
    return cast("Aboard", word(aboard("van-07", [item(n) for n in numbers], at_s=DAY_S, **more)))


def register(*listings: Listing) -> Any:
    """A register in which items 0 to 8 are heads, trunks and racks in turn, unless said otherwise."""
    kinds = ("head", "trunk", "rack")
    known = {
        item(n)["epc"]: Listing(item(n)["epc"], item(n)["tag"], "item", item(n)["name"], type=kinds[n % 3])
        for n in range(9)
    }
    return register_of(tuple((known | {each.epc: each for each in listings}).values()))


def test_an_items_own_line() -> None:
    """Aboard, near, not heard, each with the age of its last read; not even one heard long ago is short."""
    rows = [row(n, epc=item(n)["epc"]) for n in (0, 1, 2, 3)]
    lines = planned_lines(rows, heard(0, 1, 2), register())
    assert [each.state for each in lines] == ["likely aboard", "likely aboard", "heard near", "not heard"]
    assert [each.heard_s for each in lines] == [DAY_S - 12.0, DAY_S - 900.0, DAY_S - 14.0, None]
    assert lines[3].what == item(3)["name"]
    assert counted(lines) == LoadingCount(4, 2, 1, 1)


def test_a_line_of_a_type_is_told_in_parts() -> None:
    """Items count for their own line first, then for one of their type, and for one line alone."""
    rows = [row(1, type="head", quantity=3), row(2, epc=item(0)["epc"])]
    lines = planned_lines(rows, heard(0, 3, 1, 6), register())
    own = [each for each in lines if each.epc is not None]
    kinds = [(each.state, each.quantity) for each in lines if each.epc is None]
    assert [each.state for each in own] == ["likely aboard"]
    assert kinds == [("likely aboard", 1), ("heard near", 1), ("not heard", 1)]


def test_what_no_tag_can_tell() -> None:
    """Untagged lines and broken tags are not checked, unless the tag is heard all the same."""
    broken = Listing(item(5)["epc"], item(5)["tag"], "item", "rack 105", type="rack", tag_state="failed")
    rows = [row(1, type="drapes", quantity=6, untagged=True), row(2, epc=item(5)["epc"])]
    lines = planned_lines(rows, heard(0), register(broken))
    assert [(each.state, each.quantity) for each in lines] == [("not checked", 6), ("not checked", 1)]
    assert lines[1].why == "its tag has failed"
    assert planned_lines(rows, heard(5, 0, 1), register(broken))[1].state == "likely aboard"


def test_only_the_next_departures_rows_count() -> None:
    """The rows of this site, day and departure; not those that have left, are cancelled, or load elsewhere."""
    rows = [row(1, epc=item(0)["epc"]), row(2, epc=item(1)["epc"], trip=2), row(3, epc=item(2)["epc"], cancelled=True),
            row(4, epc=item(3)["epc"], load_at="hall"), row(5, epc=item(4)["epc"], date="2026-03-03")]  # fmt: skip
    plan = plan_of(rows, register())
    at = {"vehicle": "van-07", "site": "depot", "date": DATE}
    assert [each.line_no for each in rows_now(plan, departed=0, **at)] == [1]  # type: ignore[arg-type]
    assert [each.line_no for each in rows_now(plan, departed=1, **at)] == [2]  # type: ignore[arg-type]
    assert rows_now(plan, departed=2, **at) == ()  # type: ignore[arg-type]
