"""The plan: what is meant to travel, on which vehicle, from where to where. CSV in, rows out (formats.md section 4).

Checked against the sites and the register, so that a row that could never be met is refused at the start rather than
reported short every day. Compares nothing with what happened; `agent.planned` does.
"""

from __future__ import annotations

import re
from collections.abc import Collection
from datetime import date

from agent.epc import parse_epc
from agent.errors import ConfigError
from agent.records import PlanRow
from agent.register import Register
from agent.tables import Complaints, Row, near_miss, read_table

REQUIRED = ("vehicle", "date", "load_at", "unload_at")
OPTIONAL = ("epc", "type", "quantity", "order", "line", "trip", "driver", "untagged", "cancelled")

_ID = re.compile(r"[a-z0-9-]{1,40}")
_DATE = re.compile(r"\d{4}-\d\d-\d\d", re.ASCII)
_COUNT = re.compile(r"[1-9]\d{0,5}", re.ASCII)


def parse_plan(text: str, *, file: str, sites: Collection[str], register: Register) -> tuple[PlanRow, ...]:
    """The plan of a CSV text, in the order of the file; `sites` are the site ids that exist.

    Raises ConfigError with every problem, each with line, column, got and what to do.
    """
    complaints = Complaints(file)
    rows = read_table(text, complaints=complaints, required=REQUIRED, optional=OPTIONAL)
    known = _Known(sites, register)
    first_line: dict[tuple[object, ...], int] = {}
    planned: list[PlanRow] = []
    for row in rows or ():
        found = _row(row, known, complaints)
        if found is None:
            continue
        same = _what_it_plans(found)
        if same in first_line and not found.cancelled:
            complaints.add(
                row.line_no, "", got="", what=f"plans the same as line {first_line[same]}",
                do="take one of the two out, or put the quantities together",
            )  # fmt: skip
            continue
        if not found.cancelled:
            first_line[same] = row.line_no
        planned.append(found)
    if complaints:
        raise ConfigError(complaints.by_line())
    return tuple(planned)


class _Known:
    """What a row may name."""

    def __init__(self, sites: Collection[str], register: Register) -> None:
        self.sites = frozenset(sites)
        self.register = register
        self.types = frozenset(listing.type for listing in register.listings if listing.kind == "item" and listing.type)


def _what_it_plans(row: PlanRow) -> tuple[object, ...]:
    """Two rows that agree in this are one row written twice. An item can leave a place once on a trip."""
    where = (row.vehicle, row.date, row.trip, row.load_at)
    if row.epc is not None:
        return (*where, row.epc)
    return (*where, row.unload_at, row.type, row.order, row.line)


def _row(row: Row, known: _Known, complaints: Complaints) -> PlanRow | None:
    """None, with its problems noted, where the row cannot be used."""
    before = len(complaints)
    if not _ID.fullmatch(row["vehicle"]):
        _add(complaints, row, "vehicle", do="give the vehicle's id: a-z, 0-9 and -, at most 40 characters")
    if not _is_date(row["date"]):
        _add(complaints, row, "date", do="give the local day of the load as 2026-03-02")
    for column in ("load_at", "unload_at"):
        if row[column] not in known.sites:
            meant = near_miss(row[column], known.sites)
            do = (
                f"write {meant}, if that is meant"
                if meant
                else "give the id of a site that exists, or draw the site first"
            )
            _add(complaints, row, column, what="is no site known here", do=do)
    untagged, cancelled = _flag(row, "untagged", complaints), _flag(row, "cancelled", complaints)
    epc = _listed(row, "epc", "item", known, complaints)
    driver = _listed(row, "driver", "person", known, complaints)
    quantity = _quantity(row, known, complaints, untagged=untagged)
    trip = _count(row, "trip", complaints)
    if len(complaints) > before:
        return None
    return PlanRow(
        vehicle=row["vehicle"],
        date=row["date"],
        load_at=row["load_at"],
        unload_at=row["unload_at"],
        epc=epc,
        type=row["type"] or None,
        quantity=quantity,
        order=row["order"] or None,
        line=row["line"] or None,
        trip=trip,
        driver=driver,
        untagged=untagged,
        cancelled=cancelled,
        line_no=row.line_no,
    )


def _quantity(row: Row, known: _Known, complaints: Complaints, *, untagged: bool) -> int:
    """How many; checks on the way that the row names either one epc, or a type that exists and its number."""
    quantity = _count(row, "quantity", complaints)
    if bool(row["epc"]) == bool(row["type"]):
        got = "both" if row["epc"] else "neither"
        complaints.add(row.line_no, "epc", got=got, do="give either epc, or type with quantity")
    elif row["type"]:
        if not row["quantity"]:
            _add(complaints, row, "quantity", what="is empty", do="say how many of the type")
        if row["type"] not in known.types and not untagged:
            meant = near_miss(row["type"], known.types)
            do = f"write {meant}, if that is meant" if meant else "use a type of the register, or set untagged to 1"
            _add(complaints, row, "type", what="is the type of no item in the register", do=do)
    elif quantity != 1:
        _add(complaints, row, "quantity", do="leave it out, or write 1, where one epc is named")
    return quantity


def _add(complaints: Complaints, row: Row, column: str, *, do: str, what: str = "") -> None:
    complaints.add(row.line_no, column, got=row[column], what=what if row[column] else "is empty", do=do)


def _is_date(text: str) -> bool:
    if not _DATE.fullmatch(text):
        return False
    try:
        date.fromisoformat(text)
    except ValueError:
        return False
    return True


def _count(row: Row, column: str, complaints: Complaints) -> int:
    """A number from 1; 1 where the cell is empty."""
    if not row[column]:
        return 1
    if not _COUNT.fullmatch(row[column]):
        _add(complaints, row, column, do="write a whole number from 1 to 999999")
        return 1
    return int(row[column])


def _flag(row: Row, column: str, complaints: Complaints) -> bool:
    if row[column] not in {"", "0", "1"}:
        _add(complaints, row, column, do="write 1, or leave it empty")
    return row[column] == "1"


def _listed(row: Row, column: str, kind: str, known: _Known, complaints: Complaints) -> str | None:
    """The pure identity of an EPC that the register has under `kind`; None where the cell is empty or wrong."""
    if not row[column]:
        return None
    try:
        epc, _ = parse_epc(row[column])
    except ValueError as error:
        _add(complaints, row, column, what=str(error), do="give a pure identity URI, a tag URI or the tag's hex")
        return None
    listing = known.register.by_epc.get(epc)
    if listing is None:
        _add(
            complaints,
            row,
            column,
            what="is not in the register",
            do=f"add it to the register as {kind}, or correct it",
        )
    elif listing.kind != kind:
        _add(complaints, row, column, what=f"is {listing.kind} in the register", do=f"name one that is {kind} there")
    return epc
