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
from agent.wrong_vehicle import HALF_ROUNDS, observe_other
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
    scene = Scene().hear("theirs", "case-1").stay(120).drive("nowhere")
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
    scene = Scene().hear("fixture", "case-1").hear("theirs", rate=0.1).stay(120).drive("nowhere")
    assert codes(scene) == []


def test_one_that_comes_alongside_on_the_way_is_not_inside() -> None:
    """Nobody gets in while driving: a van met after a minute and heard in nearly every round then drives beside."""
    scene = Scene().hear("fixture", "case-1", rate=0.95).stay(120).stay(60, speed_mps=10.0)
    assert codes(scene.hear("theirs", rate=0.95).stay(120, speed_mps=10.0)) == []


def test_one_that_leaves_with_the_van_and_turns_off_is_not_inside() -> None:
    """Heard in two of three of the leg's first rounds and then no more: by the time it counts it is behind."""
    scene = Scene().hear("fixture", "case-1", "theirs", rate=0.95).stay(120).stay(44, speed_mps=10.0)
    scene.lose("theirs").stay(120, speed_mps=10.0)
    assert told(scene).state.other.first[THEIRS.tag] > 9
    assert codes(scene) == []


def test_what_stands_beside_at_the_lights_is_not_counted() -> None:
    """Rounds made while the van halts say nothing of who is inside: only those on the move are counted."""
    scene = Scene().hear("fixture", "case-1").stay(120).stay(30, speed_mps=10.0)
    before = told(scene).state.other
    after = told(scene.hear("theirs", rate=1.0).stay(60)).state.other
    assert before.rounds >= 10
    assert after.rounds - before.rounds <= 6  # until the halt is found
    assert after.first.get(THEIRS.tag, 0) <= 6


def test_the_presence_model_has_the_last_word() -> None:
    """The same rounds with a belief that the tag is not aboard lead to no notice; with its own belief they do."""
    scene = Scene().hear("theirs", "case-1").stay(120).drive("nowhere")
    state = next(
        state for state, _ in days.run(SETUP, scene.inputs) if state.other.rounds == 2 * HALF_ROUNDS - 1
    )
    belief = state.belief
    assert belief is not None
    now, notices = observe_other(SETUP, state, [THEIRS.tag], state.axis.last_s)
    assert [record.body["notice"] for record in notices] == ["wrong-vehicle"]
    forward = belief.forward.copy()
    forward[belief.numbers[THEIRS.tag], SETUP.model.is_aboard] = 0.0
    doubted = replace(state, belief=replace(belief, forward=forward))
    assert observe_other(SETUP, doubted, [THEIRS.tag], state.axis.last_s)[1] == ()
    assert now.other.home == "van-09"


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
