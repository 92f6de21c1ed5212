"""Which tags speak for the antennas, and what is said when a port fades."""

from __future__ import annotations

import pytest
from msgspec.structs import replace

from agent.antennas import PortDay
from agent.pipeline import step
from agent.records import Record
from agent.state import State
from tests.days import UTC_S, Scene, run, setup_of, tell

SETUP = setup_of()
DAY = int(UTC_S // 86_400)


def leaving() -> Scene:
    """Two cases, the van's own tag, a badge and a stranger have ridden for some minutes; one case stayed behind."""
    scene = Scene(seed=4).hear("case-1", "case-2", "fixture", "badge", "stranger", rate=0.75).hear("case-3", rate=0.2)
    return scene.stay(200).lose("case-3").drive("nowhere").stay(4, speed_mps=10.0)


def test_only_what_surely_rides_counts_and_only_on_the_road() -> None:
    """At the depot nothing is counted; on the road cases and fixture, neither badge, stranger nor what stayed."""
    scene = leaving()
    parked = tell(Scene(seed=4).hear("case-1", "fixture").stay(200), SETUP, to_the_end=False).state
    assert parked.health.day is None
    health = tell(scene, SETUP, to_the_end=False).state.health
    assert health.day == DAY
    assert {*health.tags} < {*(SETUP.register.by_epc[epc].tag for epc in SETUP.register.by_epc)}
    names = {SETUP.register.find(tag).name for tag in health.tags}  # type: ignore[union-attr]
    assert names == {"case 1", "case 2"}
    heard, chances = health.today["1 fixture"]
    assert chances > 250
    assert heard / chances == pytest.approx(0.75, abs=0.08)
    assert health.today["2 fixture"] == (0, chances)
    heard, chances = health.today["1 load"]
    assert heard / chances == pytest.approx(0.75, abs=0.08)


def test_a_faded_port_is_noticed_with_what_to_do() -> None:
    """On the first drive of a new day: which antenna, how much is left of what it heard, and what to look at."""
    scene = leaving()
    state = State()
    for now, _ in run(SETUP, scene.inputs):
        state = now
    shares = [180] * 13 + [72] * 6
    days = tuple(PortDay(DAY - 20 + n, 1, "fixture", heard, 200) for n, heard in enumerate(shares))
    faded = {"1 fixture": (72, 200)}
    state = replace(state, health=replace(state.health, day=DAY - 1, days=days, today=faded))
    done = len(scene.inputs)
    said: list[Record] = []
    for item in scene.stay(10, speed_mps=10.0).inputs[done:]:
        state, records = step(SETUP, state, item)
        said += records
    (notice,) = (record.body for record in said if record.body.get("notice") == "antenna-fading")
    assert notice["text"] == "Antenna 1 hears 40% of what it heard a week ago; check its cable and connector."
    assert notice["antenna"] == 1
    assert notice["at"] is not None
    assert state.health.told == {1: DAY}


def test_counting_changes_nothing_of_what_is_believed() -> None:
    """The same scene with and without a history of antennas gives the same belief."""
    scene = leaving()
    plain = tell(scene, SETUP, to_the_end=False)
    begun = State(health=replace(State().health, days=(PortDay(DAY - 3, 1, "fixture", 1, 200),)))
    for now, _ in run(SETUP, scene.inputs, state=begun):
        begun = now
    assert begun.belief is not None
    assert plain.state.belief is not None
    assert (begun.belief.forward == plain.state.belief.forward).all()
