"""A tag fixed in the van proves that the reader hears: silent with all the rest, it says *not read*, not *empty*."""

from __future__ import annotations

import pytest
from msgspec.structs import replace

from agent.proof import KNOWN_ROUNDS, Proof, is_own_fixture
from agent.records import Listing
from agent.register import register_of
from agent.snapshot import aboard
from tests.days import FIXTURE, ITEMS, STRANGER, TAGS, Scene, setup_of, tell


def heard(rounds: int, *, every: int = 1) -> Proof:
    """A fixture heard in every so many rounds, something else in all of them."""
    proof = Proof()
    for number in range(rounds):
        proof = proof.take(float(number), fixture=number % every == 0, anything=True)
    return proof


def silence(proof: Proof, rounds: int) -> Proof:
    """Rounds in which nothing was heard."""
    for number in range(rounds):
        proof = proof.take(1000.0 + number, fixture=False, anything=False)
    return proof


def test_silence_of_all_proves_deafness_sooner_the_plainer_the_fixture() -> None:
    """A fixture heard always is missed after four rounds, one heard in every other round after some twenty."""
    assert not silence(heard(100), 3).deaf
    assert silence(heard(100), 4).deaf
    assert not silence(heard(100, every=2), 12).deaf
    assert silence(heard(100, every=2), 25).deaf
    assert silence(heard(100), 30).since_s == 1000.0


def test_a_fixture_that_is_hardly_known_or_hardly_heard_proves_nothing() -> None:
    """Too few rounds, or a tag in a bad spot: its silence is no proof."""
    assert not silence(heard(KNOWN_ROUNDS - 1), 500).deaf
    assert not silence(heard(600, every=5), 500).deaf


def test_one_read_of_anything_ends_it() -> None:
    """What hears is not deaf, whatever it hears."""
    assert not silence(heard(100), 50).take(1060.0, fixture=False, anything=True).deaf


def test_only_the_vans_own_fixture_counts() -> None:
    """Another van's fixture, an item or an unknown tag proves nothing of this van's reader."""
    theirs = replace(FIXTURE, home="van-09")
    assert is_own_fixture(register_of((FIXTURE,)), "van-07", FIXTURE.tag)
    assert not is_own_fixture(register_of((theirs,)), "van-07", FIXTURE.tag)
    item: Listing = ITEMS["case-1"]
    assert not is_own_fixture(register_of((FIXTURE, item)), "van-07", item.tag)
    assert not is_own_fixture(register_of((FIXTURE,)), "van-07", STRANGER)


def scene(*, fixture_too: bool) -> Scene:
    """Two cases to the hall, where everything falls silent, with or without the van's own tag, until the end."""
    day = Scene(seed=3).stay(120).hear("fixture", "case-1", "case-2", rate=0.9).stay(300).drive("hall").stay(60)
    day.doors(on=True).stay(120).lose("case-1", "case-2", *(["fixture"] if fixture_too else []))
    return day.stay(240).doors(on=False).stay(30).drive("studio").stay(60)


@pytest.mark.parametrize("fixture_too", [True, False])
def test_a_deaf_reader_unloads_nothing(*, fixture_too: bool) -> None:
    """With its own tag silent too, nothing is said to have got off and nothing is certain; else all got off."""
    told = tell(scene(fixture_too=fixture_too))
    unloaded = {name for kind, name, _ in told.moves() if kind == "unload"}
    assert unloaded == (set() if fixture_too else {"case-1", "case-2"})
    assert told.items()[1] == ({"case-1", "case-2"} if fixture_too else set())
    assert told.final()[1]["certain"] is not fixture_too
    notices = [record.body["notice"] for record in told.records if record.kind == "notice"]
    assert notices.count("deaf") == int(fixture_too)


def test_deafness_stands_on_the_board_and_ends_with_the_first_read() -> None:
    """Not read since the first silent round, in words; gone once anything is heard again."""
    setup = setup_of()
    told = tell(scene(fixture_too=True), setup, to_the_end=False)
    body = aboard(setup, told.state, now_s=told.state.axis.last_s)
    assert body.not_read is not None
    assert "fixed in the van" in body.not_read.why
    assert body.not_read.since is not None
    assert TAGS["fixture"] == FIXTURE.tag
    again = tell(scene(fixture_too=True).hear("fixture").stay(60), setup, to_the_end=False)
    assert aboard(setup, again.state, now_s=again.state.axis.last_s).not_read is None
    assert [r.body["notice"] for r in again.records if r.kind == "notice"][-1] == "hearing"
