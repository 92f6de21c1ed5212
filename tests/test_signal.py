"""The lamp: what it shows in which situation, how fast it may blink, and that nothing hangs on it."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

from agent.records import PlanRow
from agent.signal import Signal, choose_signal
from agent.state import Setup, State
from tests.days import EPCS, VEHICLE, Scene, run, setup_of, tell
from tests.test_pipeline_time import untrusted_until

ROOT = Path(__file__).resolve().parents[1]
PLAN = tuple(
    PlanRow(vehicle="van-07", date="2026-03-02", load_at="depot", unload_at="hall", epc=EPCS[name], trip=2)
    for name in ("case-1", "case-2")
)
SETUP = setup_of(plan=PLAN)


# Their second departure from the depot that day: after a first that showed what rides along.


def live(scene: Scene, setup: Setup = SETUP) -> State:
    """The state while the record goes on."""
    return tell(scene, setup, to_the_end=False).state


def shown(scene: Scene, setup: Setup = SETUP) -> Signal:
    """What the lamp shows at a scene's end."""
    state = live(scene, setup)
    return choose_signal(setup, state, now_s=state.axis.last_s)


def loading(*names: str) -> Scene:
    """These are put aboard at the depot; the doors are shut and some minutes pass."""
    scene = Scene(seed=2).doors(on=True).stay(60).hear(*names, rate=0.9).stay(240).doors(on=False)
    return scene.stay(200)


def as_driven(*names: str) -> Scene:
    """Aboard beyond doubt: they rode to the road outside and back, which leaves behind what stands beside."""
    return loading(*names).drive("nowhere").stay(5).drive("depot").stay(60)


def test_while_it_moves_the_lamp_is_dark() -> None:
    """From the moment on at which the van is found driving until it is found standing, halts in traffic included."""
    scene = loading("case-1", "case-2")
    before = len(scene.inputs)
    scene.drive("nowhere").stay(30)
    halts = 0
    for number, (state, _) in enumerate(run(SETUP, scene.inputs)):
        if number < before + 20:
            continue
        halts += state.motion.state.value == "halted"
        assert choose_signal(SETUP, state, now_s=state.axis.last_s) is Signal.DARK
    assert halts > 10


def test_as_planned_and_certain_is_steady() -> None:
    """Both planned cases have come home from a drive, and nothing else has."""
    assert shown(as_driven("case-1", "case-2")) is Signal.STEADY


@pytest.mark.parametrize("names", [("case-1",), ("case-1", "case-2", "case-3")], ids=["short", "over"])
def test_short_or_over_is_fast(names: tuple[str, ...]) -> None:
    """Certain, but one case is missing, or one too many is aboard."""
    assert shown(as_driven(*names)) is Signal.FAST


@pytest.mark.parametrize("rate", [0.3, 0.9])
def test_what_may_or_may_not_be_aboard_is_slow(rate: float) -> None:
    """What was only ever heard while the van stood may stand beside it, however well it is heard."""
    assert shown(Scene(seed=2).stay(30).hear("case-1", "case-2", rate=rate).stay(40)) is Signal.SLOW


def test_what_is_not_read_is_never_steady() -> None:
    """The reader goes down, or no round has come for some minutes: not sure any more."""
    assert shown(as_driven("case-1", "case-2").reader("down").stay(10)) is Signal.SLOW
    paused = as_driven("case-1", "case-2")
    paused.reads = False
    assert shown(paused.stay(60)) is Signal.STEADY
    assert shown(paused.stay(60)) is Signal.SLOW


def test_without_a_plan_it_is_dark() -> None:
    """There is nothing to compare with, and a steady lamp would say that there is."""
    assert shown(as_driven("case-1", "case-2"), setup_of()) is Signal.DARK


def test_asleep_it_is_dark() -> None:
    """A lamp is a load too."""
    setup = setup_of(VEHICLE + "[reading]\nasleep_after_h = 0.25\nawake_min = 5\n", plan=PLAN)
    scene = as_driven("case-1", "case-2").port(2, on=True).stay(2).port(2, on=False)
    assert shown(scene.stay(600), setup) is Signal.STEADY
    assert shown(scene.stay(400), setup) is Signal.DARK


def test_without_a_trusted_time_nothing_is_sure() -> None:
    """Which day's plan it is, nobody knows then."""
    assert shown(untrusted_until(as_driven("case-1", "case-2"), 1e9)) is not Signal.STEADY


def test_it_flashes_less_than_three_times_a_second() -> None:
    """At most three in any one second (W3C, WCAG 2.2, success criterion 2.3.1), and the two rates are far apart."""
    for signal in Signal:
        rhythm = signal.value
        levels = [rhythm.level(n / 1000.0) for n in range(10_000)]
        rises = [n for n in range(1, 10_000) if levels[n] and not levels[n - 1]]
        assert all(sum(at <= other < at + 1000 for other in rises) < 3 for at in rises), signal
    assert Signal.SLOW.value.on_s >= 4 * Signal.FAST.value.on_s


def test_nothing_of_the_inference_and_no_replay_knows_of_it() -> None:
    """Only the agent imports it: what the lamp says of the plan can't come back into the tally."""
    users = {
        path.stem
        for path in (ROOT / "agent").rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text()))
        if isinstance(node, ast.ImportFrom) and node.module == "agent.signal"
    }
    assert users == {"vehicle_agent"}
    state = live(as_driven("case-1"))
    before = repr(state.ledger), state.filled, state.plan_of
    choose_signal(SETUP, state, now_s=state.axis.last_s)
    assert (repr(state.ledger), state.filled, state.plan_of) == before
