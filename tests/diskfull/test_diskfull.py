"""The disk bench in its short form, and that it can fail. `python -m tests.diskfull` is the long form."""

from __future__ import annotations

from typing import Any

import pytest
from msgspec.structs import replace

from agent.errors import DiskFullError
from agent.store_holdback import Holdback
from tests.diskfull.bench import Fill, Script, lived, reference, script_of, trial
from tests.diskfull.disks import Kind, kinds

KINDS = kinds()
# Full from before the first leg is told (at 450 s of the day) until after the van has reached the hall.
OVER_THE_LEG = Script((Fill(430.0, 600.0, 0, 1.0),), reserve_mb=0)
DYING = replace(OVER_THE_LEG, dies_s=500.0)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("seed", [2, 5])
def test_a_full_disk_costs_no_custody_record(seed: int, kind: Kind) -> None:
    """A day by a seed: the records are those of the day without a full disk, or a gap says which time they are of."""
    assert trial(seed, kind).problems == ()


@pytest.mark.parametrize("kind", KINDS)
def test_records_wait_in_memory_and_come_in_order(kind: Kind) -> None:
    """Without a reserve, and with somebody who takes every byte, what a leg says waits until there is space."""
    verdict = lived(1, OVER_THE_LEG, kind)
    assert verdict.problems == ()
    assert (verdict.times, verdict.waited) == (1, 7)


@pytest.mark.parametrize("kind", [kind for kind in KINDS if kind != "pages"][:1])
def test_the_reserve_is_for_custody_records(kind: Kind) -> None:
    """With a reserve none of them waits, even if all that is given up is taken by somebody else a moment later."""
    verdict = lived(1, replace(OVER_THE_LEG, reserve_mb=1), kind)
    assert verdict.problems == ()
    assert (verdict.times, verdict.waited) == (1, 0)


@pytest.mark.parametrize("kind", KINDS[:1])
def test_a_death_on_a_full_disk_is_a_gap_that_says_so(kind: Kind) -> None:
    """What was in memory alone is lost with the process; the gap told holds its moment, and nothing is twice."""
    verdict = lived(1, DYING, kind)
    assert verdict.problems == ()
    assert len(verdict.gaps_s) == 1
    assert verdict.gaps_s[0] > 500.0 - 450.0


def test_the_day_has_what_could_be_lost() -> None:
    """The undisturbed day states things at several moments, and of a hundred scripts some fill the disk at each."""
    moments = [at_s for at_s, (kind, _) in reference() if kind != "notice"]
    assert len(set(moments)) >= 4
    hit = [
        at_s
        for at_s in set(moments)
        if any(fill.from_s < at_s < fill.to_s for seed in range(100) for fill in script_of(seed).fills)
    ]
    assert len(hit) == len(set(moments))
    assert script_of(7) == script_of(7)


def forgets(self: Holdback, append: Any) -> bool:
    """A store that gives up what it could not write."""
    self._waiting.clear()
    return append is None


def ends(_self: Holdback, _mono: float, error: DiskFullError) -> None:
    """An agent that a full disk ends."""
    raise error


def test_records_that_are_forgotten_are_reported(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where what waits is dropped the bench says what was lost."""
    monkeypatch.setattr(Holdback, "_custody_first", forgets)
    problems = lived(1, OVER_THE_LEG, KINDS[0]).problems
    assert problems[0].startswith("7 lost, 0 doubled")


def test_an_agent_that_ends_is_reported(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where a full disk ends the run loop the bench says so."""
    monkeypatch.setattr(Holdback, "_begin", ends)
    assert "the agent ended: DiskFullError" in lived(1, OVER_THE_LEG, KINDS[0]).problems[0]


def test_records_without_their_checkpoint_are_reported(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where records are committed before the checkpoint that knows of them, a death makes them twice."""
    whole = Holdback.commit

    def halved(self: Holdback, records: Any = (), **more: Any) -> bool:
        if self.outage is None:
            return whole(self, records, **more)
        whole(self, records, mono=more["mono"], reads=more["reads"])
        return False

    monkeypatch.setattr(Holdback, "commit", halved)
    script = Script((Fill(430.0, 600.0, 0, 0.0),), dies_s=470.0)
    assert any("stated twice" in problem for problem in lived(1, script, KINDS[0]).problems)


def test_records_that_come_twice_are_reported(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where what waited is committed again the bench says what was doubled."""
    whole = Holdback._ends

    def again(self: Holdback, append: Any, mono: float) -> bool:
        waited = list(self._waiting)
        done = whole(self, append, mono)
        if done:
            self._waiting += waited
        return done

    monkeypatch.setattr(Holdback, "_ends", again)
    assert "0 lost, 7 doubled, 0 different" in lived(1, OVER_THE_LEG, KINDS[0]).problems


def test_raw_reads_that_nobody_counts_are_reported(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where reads are let go without being counted the sum does not hold."""

    def uncounted(self: Holdback) -> None:
        self._reads.clear()

    monkeypatch.setattr(Holdback, "_bound", uncounted)
    assert "raw reads were heard" in lived(1, OVER_THE_LEG, KINDS[0]).problems[0]
