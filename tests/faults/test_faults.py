"""The fault bench in its short form, and that it can fail: a running agent, real sockets, a day of twenty minutes.

`make faults` is the long form. A mixture that does not hold is named by its seed: `python -m tests.faults --only SEED`.
"""

from __future__ import annotations

import threading

import pytest
from msgspec.structs import replace

from agent.reader import Reader
from agent.records import Inventory
from tests.faults.bench import ALONE_AT_S, LAST_S, TRUTH, judge, legs, mixture, trial
from tests.faults.catalogue import BY_NAME, FAULTS
from tests.faults.day import Due, Lived, Van

pytestmark = pytest.mark.integration

# Faults alone would take a minute and a half. Here two days hold them all: those of the reader one after another, with
# room for each to be over before the next begins, and those of the receiver between them, at half that pace.
APART_S = 75.0
DAYS = 2


def one_after_another() -> list[tuple[tuple[str, float], ...]]:
    """All faults, spread over the days, each day's in their order."""
    receiver = [fault.name for fault in FAULTS if fault.shows == "fixes"]
    reader = [fault.name for fault in FAULTS if fault.shows != "fixes"]
    days = []
    for day in range(DAYS):
        what = [(name, 45.0 + APART_S * place) for place, name in enumerate(reader[day::DAYS])]
        what += [(name, 82.5 + 2.0 * APART_S * place) for place, name in enumerate(receiver[day::DAYS])]
        days.append(tuple(sorted(what, key=lambda one: one[1])))
    return days


@pytest.fixture(scope="module")
def quiet(tmp_path_factory: pytest.TempPathFactory) -> Lived:
    """The day without any fault."""
    return Van(tmp_path_factory.mktemp("quiet")).live()


def test_the_day_without_faults_is_the_true_one(quiet: Lived) -> None:
    """Without a fault the bench has nothing to say, and both manifests are certain and as the day is made."""
    assert judge((), quiet).problems == ()
    assert legs(quiet) == TRUTH
    assert all(body["certain"] for body in quiet.manifests().values())


@pytest.mark.parametrize("what", one_after_another(), ids=["first day", "second day"])
def test_every_fault_one_after_another(what: tuple[tuple[str, float], ...]) -> None:
    """After each fault the agent is back within the stated time; reads add up; the manifests are those without it."""
    verdict = trial(what)
    assert verdict.problems == ()
    assert set(verdict.took_s) == {name for name, _ in what}


def test_every_fault_has_its_day() -> None:
    """The two days leave none out, and each is over before the day is."""
    what = [one for day in one_after_another() for one in day]
    assert sorted(name for name, _ in what) == sorted(BY_NAME)
    assert all(at_s + BY_NAME[name].holds_s + BY_NAME[name].back_s < LAST_S for name, at_s in what)


@pytest.mark.parametrize("seed", range(1001, 1005))
def test_mixtures(seed: int) -> None:
    """Several faults at once, by a seed that names them."""
    verdict = trial(mixture(seed))
    assert verdict.problems == (), f"python -m tests.faults --only {seed}: {verdict.what}"


def test_a_mixture_can_be_repeated() -> None:
    """The same seed names the same faults at the same seconds; others differ."""
    assert mixture(7) == mixture(7)
    assert len({mixture(seed) for seed in range(50)}) == 50


class Once(Reader):
    """A reader's connection that is given up at its first loss."""

    def _wait(self, seconds: float) -> None:
        """Never again, but let nobody wait for us."""
        while not self._stop.is_set():
            self.polled_at = self._clock.mono()
            self._stop.wait(0.001)
        assert seconds > 0.0


def test_an_agent_that_never_reconnects_is_reported() -> None:
    """The bench sees that reading does not come back."""
    verdict = trial((("connection cut", ALONE_AT_S),), make_reader=Once)
    assert any("not back by the day's end" in problem for problem in verdict.problems), verdict


def test_a_fault_that_was_not_injected_is_reported(quiet: Lived) -> None:
    """A day on which nothing happened does not pass for one on which gpsd was killed."""
    assert any("left no trace" in problem for problem in judge((("gpsd killed", ALONE_AT_S),), quiet).problems)


def test_an_agent_that_dies_is_reported(monkeypatch: pytest.MonkeyPatch) -> None:
    """What ends the run loop is told."""

    def dies(*_: object, **_named: object) -> None:
        raise ValueError("a bug of ours")

    monkeypatch.setattr("agent.vehicle_agent.choose_plan", dies)
    verdict = trial(())
    assert "ValueError('a bug of ours')" in verdict.problems[0]
    assert threading.active_count() < 20


def test_lost_reads_wrong_manifests_and_false_unloadings_are_reported(quiet: Lived) -> None:
    """Each thing that is held can fail to hold."""
    assert quiet.heard
    lost = replace(quiet, handed_on=quiet.handed_on - 1)
    assert "handed on" in judge((), lost).problems[0]
    uncounted = replace(quiet, tally=replace(quiet.tally, used=quiet.tally.used - 1))
    assert any("accounted for" in problem for problem in judge((), uncounted).problems)
    shorter = [
        (kind, body | {"items": body["items"][1:]} if kind == "manifest" else body) for kind, body in quiet.bodies
    ]
    assert any("says depot to hall with" in problem for problem in judge((), replace(quiet, bodies=shorter)).problems)
    unsure = [(kind, body | {"certain": False} if kind == "manifest" else body) for kind, body in shorter]
    assert judge((), replace(quiet, bodies=unsure)).problems == ()
    false = next(body for kind, body in quiet.bodies if kind == "event" and body.get("bizStep") == "unloading")
    twice = [*quiet.bodies, ("event", false | {"eventID": "other", "childEPCs": ["urn:epc:id:grai:9521141.12345.1"]})]
    assert any("false unloading" in problem for problem in judge((), replace(quiet, bodies=twice)).problems)


def test_late_is_reported(quiet: Lived) -> None:
    """Back, but later than stated, is not as stated."""
    heard = [item for item in quiet.heard if not (isinstance(item, Inventory) and 160.0 < item.mono < 400.0)]
    verdict = judge((("connection cut", ALONE_AT_S),), replace(quiet, heard=heard))
    assert any("stated are 12 s" in problem for problem in verdict.problems), verdict.problems


def test_every_row_of_the_catalogue_is_whole() -> None:
    """Names are unique, times are stated, and what holds also ends."""
    assert len(BY_NAME) == len(FAULTS)
    for fault in FAULTS:
        assert fault.back_s > 0.0
        assert (fault.holds_s > 0.0) == (fault.end is not None), fault.name
    assert len(BY_NAME["gpsd killed"].due(10.0)) == 2
    assert isinstance(BY_NAME["gpsd killed"].due(10.0)[0], Due)
