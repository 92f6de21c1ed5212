"""Another van's own tag heard inside this one is told as *wrong vehicle*; one that is only beside it is not."""

from __future__ import annotations

import pytest
from msgspec.structs import replace

from agent.epc import parse_epc
from agent.proof import fixed_elsewhere
from agent.records import Listing
from agent.register import register_of
from agent.silence import present
from agent.snapshot import aboard
from tests import days
from tests.days import FIXTURE, ITEMS, Scene, Told, setup_of, tell

THEIRS = Listing(*parse_epc("urn:epc:id:giai:9521141.9011"), "fixture", "another van's tag", home="van-09")
SETUP = replace(setup_of(), register=register_of((*ITEMS.values(), FIXTURE, THEIRS)))


@pytest.fixture(autouse=True)
def _theirs(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(days.TAGS, "theirs", THEIRS.tag)


def told(scene: Scene) -> Told:
    """What is said while the record goes on."""
    return tell(scene, SETUP, to_the_end=False)


def codes(scene: Scene) -> list[str]:
    """The notices of this matter, in order."""
    return [n["notice"] for n in told(scene).notices if n["notice"] in {"wrong-vehicle", "own-vehicle"}]


def test_the_tag_fixed_in_another_van_heard_on_the_way_says_wrong_vehicle() -> None:
    """Once, after some rounds of driving with it; the notice names the other van, and it stands on the board."""
    scene = Scene().hear("theirs", "case-1").stay(120).drive("nowhere", speed_mps=15.0)
    out = told(scene)
    (notice,) = [n for n in out.notices if n["notice"] == "wrong-vehicle"]
    assert "van-09" in notice["text"]
    assert (notice["other"], notice["tag"]) == ("van-09", THEIRS.tag)
    assert [each.why for each in present(out.state)] == ["wrong vehicle"]
    body = aboard(SETUP, out.state, now_s=out.state.axis.last_s)
    assert body.not_read is not None
    assert "van-09" in body.not_read.why
    assert not body.not_read.whole


def test_one_that_stands_beside_is_left_behind() -> None:
    """Heard for twenty minutes at the depot and not on the way: two vans side by side, as every evening."""
    scene = Scene().hear("theirs", "fixture", "case-1").stay(1200).lose("theirs").drive("nowhere")
    assert codes(scene) == []


def test_one_that_is_heard_now_and_then_is_not_inside() -> None:
    """A van that drives ahead in the same street is heard in few rounds; a tag that rides along in most."""
    scene = Scene().hear("fixture", "case-1").hear("theirs", rate=0.1).stay(120).drive("nowhere", speed_mps=15.0)
    assert codes(scene) == []


def test_it_ends_when_the_tag_stays_behind() -> None:
    """Taken out at the hall: on the way from there it is told that it is gone, and the board is clear."""
    scene = Scene().hear("theirs", "case-1").stay(120).drive("hall").doors(on=True).stay(120).lose("theirs")
    scene.stay(60).doors(on=False).stay(60).drive("nowhere")
    assert codes(scene) == ["wrong-vehicle", "own-vehicle"]
    assert present(told(scene).state) == ()


def test_its_own_tag_and_tags_without_a_home_are_nobody_elses() -> None:
    """Only a fixture whose home is another vehicle is fixed elsewhere."""
    homeless = replace(THEIRS, home=None)
    assert fixed_elsewhere(register_of((THEIRS,)), "van-07", THEIRS.tag) == "van-09"
    assert fixed_elsewhere(register_of((THEIRS,)), "van-09", THEIRS.tag) is None
    assert fixed_elsewhere(register_of((homeless,)), "van-07", THEIRS.tag) is None
    assert fixed_elsewhere(register_of(ITEMS.values()), "van-07", ITEMS["case-1"].tag) is None
