"""The plan's file: formats.md section 4."""

from __future__ import annotations

import time

import pytest

from agent.errors import ConfigError
from agent.plan import parse_plan
from agent.records import PlanRow
from agent.register import parse_register

REGISTER = parse_register(
    "epc,kind,name,type\n"
    "urn:epc:id:grai:9521141.00012.101,item,moving head 101,moving head\n"
    "urn:epc:id:grai:9521141.00014.7,item,cable trunk 7,cable trunk\n"
    "urn:epc:id:gsrnp:9521141.1234567890,person,A. Nyberg,\n",
    file="register.csv",
)
SITES = {"depot", "hall-04", "yard-a"}
HEADER = "vehicle,date,load_at,unload_at,epc,type,quantity,order,line,trip,driver,untagged,cancelled\n"


def _plan(text: str) -> tuple[PlanRow, ...]:
    return parse_plan(text, file="plan.csv", sites=SITES, register=REGISTER)


def _problems(text: str) -> list[str]:
    with pytest.raises(ConfigError) as caught:
        _plan(text)
    return [str(problem) for problem in caught.value.problems]


def test_rows() -> None:
    """Every column arrives; an EPC in any form is the pure identity; what is left out has its stated default."""
    first, second, third = _plan(
        HEADER
        + "van-07,2026-03-02,depot,hall-04,3376451FD400030000000065,,,A-7,10,2,urn:epc:id:gsrnp:9521141.1234567890\n"
        "van-07,2026-03-02,depot,hall-04,,moving head,3\n"
        "van-07,2026-03-02,depot,depot,,loose chain,12,,,,,1,1\n"
    )
    assert first == PlanRow(
        vehicle="van-07", date="2026-03-02", load_at="depot", unload_at="hall-04", order="A-7", line="10", trip=2,
        epc="urn:epc:id:grai:9521141.00012.101", driver="urn:epc:id:gsrnp:9521141.1234567890", line_no=2,
    )  # fmt: skip
    assert (second.type, second.quantity, second.trip, second.untagged, second.cancelled) == (
        "moving head", 3, 1, False, False,
    )  # fmt: skip
    assert (third.untagged, third.cancelled) == (True, True)


def test_every_problem_at_once() -> None:
    """Each wrong cell is named with line, column, what stands there and what to do; in the order of the file."""
    found = _problems(
        HEADER + "Van 7,02.03.2026,deopt,nowhere,,moving head,0\n"
        "van-07,2026-02-30,depot,hall-04,urn:epc:id:grai:9521141.00012.101,moving head,1\n"
        "van-07,2026-03-02,depot,hall-04,,,,,,,urn:epc:id:grai:9521141.00014.7\n"
        "van-07,2026-03-02,depot,hall-04,urn:epc:id:grai:9521141.00012.999,,\n"
        "van-07,2026-03-02,depot,hall-04,urn:epc:id:gsrnp:9521141.1234567890,,2\n"
        "van-07,2026-03-02,depot,hall-04,grai 7,,,,,,,yes,no\n"
        "van-07,2026-03-02,depot,hall-04,,moving haed,,,,x\n"
        "van-07,2026-03-02,depot,yard-a,urn:epc:id:grai:9521141.00014.7,,\n"
        "van-07,2026-03-02,depot,hall-04,urn:epc:id:grai:9521141.00014.7,,\n"
    )
    wants = [
        ("line 2, column vehicle (got 'Van 7')", "a-z, 0-9 and -"),
        ("line 2, column date (got '02.03.2026')", "2026-03-02"),
        ("line 2, column load_at: is no site known here (got 'deopt')", "write depot"),
        ("line 2, column unload_at: is no site known here (got 'nowhere')", "draw the site"),
        ("line 2, column quantity (got '0')", "whole number from 1"),
        ("line 3, column date (got '2026-02-30')", "2026-03-02"),
        ("line 3, column epc (got 'both')", "either epc, or type"),
        ("line 4, column driver: is item in the register", "person"),
        ("line 4, column epc (got 'neither')", "either epc, or type"),
        ("line 5, column epc: is not in the register", "add it"),
        ("line 6, column epc: is person in the register", "item"),
        ("line 6, column quantity (got '2')", "where one epc is named"),
        ("line 7, column untagged (got 'yes')", "write 1"),
        ("line 7, column cancelled (got 'no')", "write 1"),
        ("line 7, column epc: 'grai 7' is neither", "pure identity"),
        ("line 8, column quantity: is empty", "how many"),
        ("line 8, column type: is the type of no item in the register (got 'moving haed')", "write moving head"),
        ("line 8, column trip (got 'x')", "whole number"),
        ("line 10: plans the same as line 9", "take one of the two out"),
    ]
    assert len(found) == len(wants), "\n".join(found)
    for line, parts in zip(found, wants, strict=True):
        assert all(part in line for part in parts), line


def test_a_cancelled_row_is_no_duplicate() -> None:
    """A row that is cancelled may stand beside the one that replaces it."""
    row = "van-07,2026-03-02,depot,hall-04,urn:epc:id:grai:9521141.00014.7,,,,,,,,"
    assert [plan.cancelled for plan in _plan(f"{HEADER}{row}1\n{row}\n{row}1\n")] == [True, False, True]


def test_the_same_item_on_two_trips() -> None:
    """An item may be planned again on another trip, day or vehicle, and from where it was taken."""
    text = HEADER + "".join(
        f"{vehicle},{date},{load},depot,urn:epc:id:grai:9521141.00014.7,,,,,{trip}\n"
        for vehicle, date, load, trip in (
            ("van-07", "2026-03-02", "depot", ""),
            ("van-07", "2026-03-02", "depot", "2"),
            ("van-07", "2026-03-02", "hall-04", ""),
            ("van-07", "2026-03-03", "depot", ""),
            ("van-08", "2026-03-02", "depot", ""),
        )
    )
    assert len(_plan(text)) == 5


def test_missing_columns() -> None:
    """A header without a column that is needed, or with one misspelt, says which."""
    assert any("column unload_at: is missing" in line for line in _problems("vehicle,date,load_at\n"))
    assert any("write quantity" in line for line in _problems("vehicle,date,load_at,unload_at,type,quantitty\n"))


def test_twenty_thousand_rows() -> None:
    """A plan of 20,000 rows is read in under 3 s."""
    text = HEADER + "".join(f"van-{n % 90},2026-03-02,depot,hall-04,,moving head,1,A{n}\n" for n in range(20_000))
    started = time.process_time()
    assert len(_plan(text)) == 20_000
    assert time.process_time() - started < 3
