"""The register's file: formats.md section 3."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.epc import encode_uri
from agent.errors import ConfigError
from agent.register import parse_register

LAMP = "urn:epc:id:grai:9521141.00012.101"


def _problems(text: str) -> list[str]:
    with pytest.raises(ConfigError) as caught:
        parse_register(text, file="register.csv")
    return [str(problem) for problem in caught.value.problems]


def test_short_day(short_day: Path) -> None:
    """The example lists four items and a badge, and its recording's tag without a filter value finds its item."""
    register = parse_register((short_day / "register.csv").read_text(encoding="utf-8"), file="register.csv")
    assert [listing.kind for listing in register.listings] == ["item", "item", "item", "item", "person"]
    found = register.find("3316451FD400038000000008")
    assert found is not None
    assert found.name == "cable trunk 8"


def test_all_columns() -> None:
    """Every column arrives; what is left out has its stated default."""
    text = (
        "\ufeffepc,kind,name,type,case,home,tag_state,value,notes,shelf\r\n"
        f'{LAMP},item,moving head 101,moving head,3316451FD400038000000008,depot,failed,1200,"dented, left",B4\r\n'
        "\r\n"
        " urn:epc:tag:gsrnp-96:3.9521141.1234567890 ,person,A. Nyberg\r\n"
        "e2801160,ignore,\r\n"
        "3476451FD40000000000162E,fixture,bulkhead,,,van-07,,,,\r\n"
    )  # fmt: skip
    lamp, badge, stray, fixture = parse_register(text, file="register.csv").listings
    assert (lamp.epc, lamp.tag) == (LAMP, encode_uri(LAMP))
    assert lamp.case == "urn:epc:id:grai:9521141.00014.8"
    assert (lamp.type, lamp.home, lamp.tag_state, lamp.value, lamp.notes) == (
        "moving head", "depot", "failed", "1200", "dented, left",
    )  # fmt: skip
    assert (badge.epc, badge.tag, badge.kind) == (
        "urn:epc:id:gsrnp:9521141.1234567890", "2E76451FD4499602D2000000", "person",
    )  # fmt: skip
    assert (badge.type, badge.tag_state, badge.notes) == (None, "ok", None)
    assert (stray.epc, stray.tag) == ("urn:epc:raw:32.xE2801160", "E2801160")
    assert (fixture.epc, fixture.home) == ("urn:epc:id:giai:9521141.5678", "van-07")


@given(st.integers(0, 7), st.integers(0, 7))
def test_filter_value_does_not_matter(written: int, heard: int) -> None:
    """A tag finds its item whatever filter value the file names and whatever value is on the tag."""
    text = f"epc,kind,name\n{encode_uri(LAMP, filter_value=written)},item,moving head 101\n"
    found = parse_register(text, file="register.csv").find(encode_uri(LAMP, filter_value=heard))
    assert found is not None
    assert found.epc == LAMP


def test_find_knows_strangers() -> None:
    """A tag that the register does not hold is found by nobody; one that is no GS1 EPC is found by its hex."""
    register = parse_register("epc,kind,name\nE2801160,item,old trunk\n", file="register.csv")
    assert register.find("E2801160") is register.listings[0]
    assert register.find("E2801161") is None
    assert register.find(encode_uri(LAMP)) is None


def test_nothing_can_be_changed() -> None:
    """A register is immutable, its lookups too."""
    register = parse_register(f"epc,kind,name\n{LAMP},item,moving head 101\n", file="register.csv")
    with pytest.raises(TypeError):
        register.by_epc["x"] = register.listings[0]  # type: ignore[index]
    with pytest.raises(AttributeError):
        register.listings = ()  # type: ignore[misc]


def test_every_problem_at_once() -> None:
    """Each wrong cell is named with line, column, what stands there and what to do; in the order of the file."""
    found = _problems(
        "epc,kind,name,home,tag_state,case\n"
        "x,itme,z\n"
        "\n"
        f"{LAMP},item,\n"
        f"{encode_uri(LAMP, filter_value=3)},person,A. Nyberg,Big Home,broken\n"
        "urn:epc:id:giai:9521141.7,item,a,b,c,d,e\n"
        'urn:epc:id:giai:9521141.8,item,"two\nlines"\n'
        ",ignore,\n"
        "urn:epc:id:giai:9521141.9,item,trunk,,,urn:epc:id:giai:9521141.9\n"
        "urn:epc:id:giai:9521141.08,item,trunk,,,\n"
        "urn:epc:id:giai:9521141.8,item,again,,,\n"
    )
    wants = [
        ("line 2, column epc: 'x' is neither", "hex"),
        ("line 2, column kind (got 'itme')", "item is near"),
        ("line 4, column name: is empty", "name that people know it by"),
        ("line 5, column tag_state (got 'broken')", "ok, failed, none"),
        ("line 5, column home (got 'Big Home')", "a-z, 0-9 and -"),
        ("line 6: has 7 values, the header 6", "double quotes"),
        ("line 9, column epc: is empty", "URI or hex"),
        ("line 10, column case: is the item itself", "case's EPC"),
        ("line 11, column epc", "leading zeros"),
        ("line 12, column epc: is the EPC of line 7 as well", "keep one"),
    ]
    assert len(found) == len(wants), "\n".join(found)
    for line, parts in zip(found, wants, strict=True):
        assert line.startswith("register.csv, ")
        assert all(part in line for part in parts), line


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "begin with the line epc,kind,name"),
        ("\n\n", "has no header"),
        ("epc;kind;name\nx;y;z\n", "save the file as CSV with commas"),
        ("epc,name\n", "column kind: is missing"),
        ("epc,kind,nmae\n", "column nmae: is no known column (got 'nmae'); write name"),
        ("epc,kind,name,tpye\n", "write type, if that is meant"),
        ("epc,kind,name,name\n", "stands twice in the header"),
        ('epc,kind,name\nE2801160,item,"trunk" 7\n', "line 2: cannot be read as CSV"),
        ('epc,kind,name\nE2801160,item,"trunk\n', "line 2: cannot be read as CSV"),
    ],
)
def test_unreadable_files(text: str, says: str) -> None:
    """A file without the right header, or that is no CSV, says what it should have been."""
    assert any(says in line for line in _problems(text))
