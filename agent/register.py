"""The register: which tag is which item, badge or fixture. CSV text in, an immutable lookup out (formats.md section 3).

A tag is found whatever filter value is written on it: the lookup is by pure identity, and by hex for tags that are no
GS1 EPC. Knows nothing of where anything is.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from types import MappingProxyType
from typing import Literal, cast, get_args

from msgspec import Struct

from agent.epc import decode_tag, parse_epc
from agent.errors import ConfigError
from agent.records import Listing
from agent.tables import Complaints, Row, near_miss, read_table

REQUIRED = ("epc", "kind", "name")
OPTIONAL = ("type", "case", "home", "tag_state", "value", "notes")

Kind = Literal["item", "person", "fixture", "ignore"]
TagState = Literal["ok", "failed", "none"]
_ID = re.compile(r"[a-z0-9-]{1,40}")


class Register(Struct, frozen=True):
    """Every listing, in the order of the file; by pure identity URI, and by the tag that the file names or implies."""

    listings: tuple[Listing, ...] = ()
    by_epc: Mapping[str, Listing] = MappingProxyType({})
    by_tag: Mapping[str, Listing] = MappingProxyType({})
    members: Mapping[str, tuple[Listing, ...]] = MappingProxyType({})  # of each case: its own listing, and what belongs

    def find(self, tag_hex: str) -> Listing | None:
        """The listing of a tag as heard, whatever its filter value; None for a tag that is not in the register."""
        return self.by_tag.get(tag_hex) or self.by_epc.get(decode_tag(tag_hex))


def register_of(listings: tuple[Listing, ...]) -> Register:
    """A register of listings whose EPCs are known to differ."""
    members: dict[str, list[Listing]] = {}
    for listing in listings:
        if listing.kind == "item" and listing.case is not None and listing.tag_state == "ok":
            members.setdefault(listing.case, []).append(listing)
    for listing in listings:
        if listing.epc in members:
            members[listing.epc].insert(0, listing)
    return Register(
        listings=listings,
        members=MappingProxyType({case: tuple(each) for case, each in members.items()}),
        by_epc=MappingProxyType({listing.epc: listing for listing in listings}),
        by_tag=MappingProxyType({listing.tag: listing for listing in listings}),
    )


def parse_register(text: str, *, file: str) -> Register:
    """The register of a CSV text; raises ConfigError with every problem, each with line, column, got and what to do."""
    complaints = Complaints(file)
    rows = read_table(text, complaints=complaints, required=REQUIRED, optional=OPTIONAL)
    first_line: dict[str, int] = {}
    listings: list[Listing] = []
    for row in rows or ():
        listing = _listing(row, complaints)
        if listing is None:
            continue
        if listing.epc in first_line:
            complaints.add(
                row.line_no, "epc", got=row["epc"], what=f"is the EPC of line {first_line[listing.epc]} as well",
                do="keep one of the two rows, or give this one its own tag's EPC",
            )  # fmt: skip
            continue
        first_line[listing.epc] = row.line_no
        listings.append(listing)
    if complaints:
        raise ConfigError(complaints.by_line())
    return register_of(tuple(listings))


def _listing(row: Row, complaints: Complaints) -> Listing | None:
    """None, with its problems noted, where the row cannot be used."""
    before = len(complaints)
    epc, tag = _epc(row, "epc", complaints)
    if not row["epc"]:
        complaints.add(row.line_no, "epc", got="", what="is empty", do="give the tag's EPC as URI or hex")
    kind = _choice(row, "kind", get_args(Kind), complaints)
    tag_state = _choice(row, "tag_state", get_args(TagState), complaints, default="ok")
    if not row["name"] and kind in {"item", "person"}:
        complaints.add(row.line_no, "name", got="", what="is empty", do="give the name that people know it by")
    if row["home"] and not _ID.fullmatch(row["home"]):
        complaints.add(
            row.line_no, "home", got=row["home"],
            do="give a site id, or a vehicle id for a fixture: a-z, 0-9 and -, at most 40 characters",
        )  # fmt: skip
    case, _ = _epc(row, "case", complaints)
    if case and case == epc:
        complaints.add(
            row.line_no, "case", got=row["case"], what="is the item itself", do="give its case's EPC, or none"
        )
    if len(complaints) > before:
        return None
    return Listing(
        epc=epc,
        tag=tag,
        kind=cast("Kind", kind),
        name=row["name"],
        type=row["type"] or None,
        case=case or None,
        home=row["home"] or None,
        tag_state=cast("TagState", tag_state),
        value=row["value"] or None,
        notes=row["notes"] or None,
    )


def _epc(row: Row, column: str, complaints: Complaints) -> tuple[str, str]:
    if not row[column]:
        return "", ""
    try:
        return parse_epc(row[column])
    except ValueError as error:
        complaints.add(
            row.line_no, column, got=row[column], what=str(error),
            do="give a pure identity URI (urn:epc:id:…), a tag URI (urn:epc:tag:…) or the tag's hex",
        )  # fmt: skip
        return "", ""


def _choice(row: Row, column: str, known: tuple[str, ...], complaints: Complaints, *, default: str = "") -> str:
    got = row[column] or default
    if got not in known:
        meant = near_miss(got, known)
        do = f"write one of {', '.join(known)}" + (f"; {meant} is near" if meant else "")
        complaints.add(row.line_no, column, got=got, what="" if got else "is empty", do=do)
    return got
