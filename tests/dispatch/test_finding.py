"""Items are found by code, name and type, with why each fits; one exact hit is told from several."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from agent.dispatch.finding import MOST_HITS, Finder
from agent.dispatch.loading import plan_of
from agent.dispatch.places import Places
from agent.dispatch.store import DispatchStore, open_store
from agent.epc import check_digit, encode_uri
from agent.records import Listing
from agent.register import register_of
from tests.dispatch.scenario import BADGE, aboard, fill, item, word
from tests.dispatch.test_board import NOW_S

GRAI = "0952114100012"
ONLY_LISTED = Listing("urn:epc:id:sgtin:9521141.012345.400", "30", "item", "haze machine 9", type="smoke")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[DispatchStore]:
    """The scenario's two vans."""
    opened = open_store(tmp_path / "dispatch.sqlite")
    fill(opened, now_s=NOW_S)
    yield opened
    opened.close()


@pytest.fixture
def finder(store: DispatchStore) -> Finder:
    """With a register of four things, one of which no van ever heard."""
    known = [Listing(item(n)["epc"], item(n)["tag"], "item", item(n)["name"], type="light") for n in (0, 3, 6)]
    return Finder(store, Places(), plan_of((), register_of((*known, ONLY_LISTED))))


def test_a_code_leads_to_one(finder: Finder) -> None:
    """EPC, hex of any filter value, and Digital Link find the one thing, heard or only listed."""
    epc = item(3)["epc"]
    for text in (epc, encode_uri(epc, filter_value=5), f"(8003){GRAI}{check_digit(GRAI)}103"):
        found = finder.find(text)
        assert (found.exact, [hit.epc for hit in found.hits]) == (True, [epc]), text
    link = finder.find("https://id.example/01/09521141123454/21/400")
    assert link.exact
    assert link.hits[0].name == "haze machine 9"
    assert link.hits[0].where == "not heard yet"
    assert "GS1 Digital Link" in link.hits[0].why


def test_names_rank_by_how_they_fit(finder: Finder) -> None:
    """The whole name first and alone enough; else those that begin so before those that hold it, each with why."""
    exact = finder.find("MOVING  head 100")
    assert exact.exact
    assert exact.hits[0].why == "this is its name"
    several = finder.find("head 10")
    assert not several.exact
    why = [hit.why for hit in several.hits]
    assert why == ["its name holds this"] * 3 + ["a van's name for it holds this"] * (len(why) - 3)
    assert [hit.epc for hit in several.hits][:3] == [item(n)["epc"] for n in (0, 3, 6)]
    assert finder.find("moving").hits[0].why == "its name begins so"
    assert {hit.why for hit in finder.find("light").hits} == {"this is its type"}
    assert [hit.why for hit in finder.find("smoke haze").hits] == ["its name and type hold this"]


def test_what_only_a_van_names_is_found(finder: Finder) -> None:
    """A thing that the register lacks goes by what a van calls it."""
    trunk = finder.find("trunk 101")
    assert [(hit.name, hit.where) for hit in trunk.hits] == [("cable trunk 101", "last known at playhouse")]
    assert trunk.hits[0].why == "a van's name for it holds this"
    assert finder.find(item(1)["name"]).hits[0].why == "a van calls it so"
    assert finder.find("5003 nothing").hits == ()


def test_many_are_cut_off(store: DispatchStore, finder: Finder) -> None:
    """No more than a page holds, and it is said that there are more."""
    held = aboard("van-07", [item(n) for n in range(200)], at_s=NOW_S)
    store.hear(word(held), received_s=NOW_S)
    found = finder.find("1")
    assert (len(found.hits), found.more) == (MOST_HITS, True)


def test_nothing_fits(finder: Finder) -> None:
    """What the text was read as is told; a code that cannot be read says why; patterns of SQL are only text."""
    assert finder.find("").hits == ()
    assert finder.find("urn:epc:id:grai:9521141.00012.999").read_as == ("urn:epc:id:grai:9521141.00012.999",)
    assert "check digit" in (finder.find("(01)09521141123455(21)400").problem or "")
    for text in ("%", "_", "%' OR 1=1 --", "\x00", "\u202e"):
        assert finder.find(text).hits == ()


def test_a_badge_is_never_found(store: DispatchStore) -> None:
    """Neither by name nor by code, in part or whole, whether the register alone names it or a vehicle does too."""
    told = Listing(item(3)["epc"], item(3)["tag"], "person", item(3)["name"])
    listed = Listing(BADGE["epc"], "31", "person", "A. Ferrow")
    finder = Finder(store, Places(), plan_of((), register_of((told, listed))))
    for text in (told.epc, told.tag, told.name, listed.epc, "Ferrow", "gsrnp", "0000000042"):
        assert not {told.epc, listed.epc} & {hit.epc for hit in finder.find(text).hits}, text
