"""What rides in one case goes together: a silent member goes with it, one that is seen to go by itself does not."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pytest

from agent.presence.belief import Belief, admit, assess, begin, close, hear
from agent.presence.cases import Calm, Case, Company, Stretch, follow
from agent.presence.contexts import Context
from agent.presence.model import Model
from agent.presence.parameters import Parameters
from agent.presence.slots import Regimes

MODEL = Model(Parameters())
# Stands with open doors, drives from 600 to 1500 s, stands with open doors, drives from 2100 s on.
DAY = Regimes(
    (0.0, 600.0, 1500.0, 2100.0), (Context.DOORS_OPEN, Context.MOVING, Context.DOORS_OPEN, Context.MOVING)
)
CASE, FIRST, SECOND, SILENT = "CA", "A1", "A2", "A3"
TAGS = (CASE, FIRST, SECOND, SILENT)
TIMES_S = np.arange(0.0, 3000.0, 10.0)


def series(*, on_s: float, off_s: float) -> np.ndarray:
    """P(aboard) that is 0.99 between two moments and 0.01 elsewhere, at `TIMES_S`."""
    return np.where((on_s <= TIMES_S) & (off_s > TIMES_S), 0.99, 0.01)


def gone(columns: list[np.ndarray], heard: list[bool], *, own: int = 0) -> Company:
    """What follows for one case whose columns run like this, over the first stop and the second."""
    aboard = np.stack([np.zeros(len(TIMES_S)), *columns], axis=1).astype(np.float32)
    case = Case(own, np.arange(1, len(columns) + 1, dtype=np.int32))
    stretches = [Stretch(0.0, 600.0, 0, 100, begins=True), Stretch(1500.0, 2100.0, 100, 250)]
    return follow([case], stretches, at_s=TIMES_S, aboard=aboard, heard=np.array([False, *heard]))


def ways(company: Company) -> list[tuple[float, bool]]:
    """When cases got on or off, and which."""
    return list(dict.fromkeys((jump.at_s, jump.on) for jump in company.jumps))


def test_a_case_seen_to_get_on_and_off_takes_its_silent_member_along() -> None:
    """Two members and the case's own tag changed over together: so did what was never heard, at that moment."""
    plain = series(on_s=300.0, off_s=1800.0)
    company = gone([plain, plain, plain, np.zeros(len(TIMES_S))], [True, True, True, False], own=1)
    assert ways(company) == [(300.0, True), (1800.0, False)]
    assert all(set(jump.rows.tolist()) == {1, 2, 3, 4} for jump in company.jumps)
    assert [(calm.from_s, calm.to_s) for calm in company.calm] == [(0.0, 600.0), (1500.0, 2100.0)]


def test_a_case_that_stays_aboard_keeps_its_members_calm_and_moves_none() -> None:
    """Over the second stop nothing changed: no jump, and members hardly get off by themselves there."""
    plain = series(on_s=300.0, off_s=9000.0)
    company = gone([plain, plain], [True, True])
    assert ways(company) == [(300.0, True)]
    assert company.calm_rows(1700.0) is not None
    assert company.calm_rows(1000.0) is None


def test_one_member_alone_says_nothing_of_the_rest_but_the_cases_own_tag_does() -> None:
    """A member by itself may have been taken out; of two votes each, the case's own tag is one that suffices."""
    plain, silent = series(on_s=300.0, off_s=9000.0), np.zeros(len(TIMES_S))
    nothing = gone([plain, silent, silent], [True, False, False], own=-1)
    assert (nothing.jumps, nothing.calm) == ((), ())
    assert ways(gone([plain, silent, silent], [True, False, False], own=1)) == [(300.0, True)]


def test_members_at_odds_say_nothing() -> None:
    """Half of the case travels on and half was left: where the case is is not plain, and nothing is assumed."""
    stays, leaves = series(on_s=300.0, off_s=9000.0), series(on_s=300.0, off_s=1800.0)
    company = gone([stays, stays, leaves, leaves], [True] * 4, own=-1)
    assert [calm.from_s for calm in company.calm] == [0.0]


def test_a_case_whose_tags_changed_over_one_by_one_goes_bit_by_bit() -> None:
    """Its own tags' times spread over a minute: so do its jumps, which together move all that goes."""
    company = gone([series(on_s=300.0 + 20.0 * i, off_s=9000.0) for i in range(4)], [True] * 4)
    times_s = [jump.at_s for jump in company.jumps]
    assert times_s == sorted(times_s)
    assert (times_s[0], times_s[-1]) == (300.0, 360.0)
    assert float(np.prod([1 - jump.share for jump in company.jumps])) == 0.0


def test_a_case_not_there_when_the_record_begins_is_not_said_to_have_got_off() -> None:
    """At the record's begin only what travels along says anything."""
    company = gone([series(on_s=1800.0, off_s=9000.0)] * 2, [True, True])
    assert ways(company) == [(1800.0, True)]


def drive(rates: Mapping[str, Mapping[tuple[float, float], float]]) -> Belief:
    """Rounds of 2 s from 0 to 3000 s; each tag's read rate by stretch of time."""
    rng = np.random.default_rng(7)
    belief = admit(begin(MODEL, at_s=0.0), TAGS)
    for at in np.arange(2.0, 3000.0, 2.0):
        reads = {
            tag: -60.0
            for tag, parts in rates.items()
            if any(a <= at < b and rng.random() < rate for (a, b), rate in parts.items())
        }
        belief = hear(belief, reads, to_s=float(at), seconds=2.0, model=MODEL, regimes=DAY)
    return close(belief, model=MODEL, regimes=DAY)


def together(belief: Belief) -> tuple[dict[str, list[float]], dict[str, list[float]]]:
    """P(aboard) on the two legs of each tag by itself, and with its case."""
    marks_s = [0.0, 1050.0, 2600.0]
    ask = {"model": MODEL, "regimes": DAY, "from_s": 0.0, "to_s": 2990.0, "marks_s": marks_s}
    _, alone = assess(belief, **ask)  # type: ignore[arg-type]
    start, first, second = alone.marks
    company = follow(
        [Case(belief.numbers[CASE], np.array([belief.numbers[tag] for tag in TAGS], dtype=np.int32))],
        [Stretch(0.0, 600.0, start, first, begins=True), Stretch(1500.0, 2100.0, first, second)],
        at_s=alone.at_s,
        aboard=alone.aboard,
        heard=np.array(belief.heard_s) >= 0,
    )
    _, with_case = assess(belief, **ask, company=company)  # type: ignore[arg-type]
    return tuple(  # type: ignore[return-value]
        {tag: [float(found.aboard[row, belief.numbers[tag]]) for row in found.marks[1:]] for tag in TAGS}
        for found in (alone, with_case)
    )


def test_a_member_that_is_never_heard_rides_with_its_case_and_is_less_sure_than_what_is_heard() -> None:
    """Shadowed for two legs while its cage travels, it is likelier aboard than gone; by itself it would be away."""
    always = {(200.0, 3000.0): 0.6}
    alone, with_case = together(drive({CASE: always, FIRST: always, SECOND: always}))
    assert max(alone[SILENT]) < 0.05
    assert all(0.5 < p < 0.95 for p in with_case[SILENT])
    assert min(with_case[FIRST]) > 0.99


def test_a_member_that_falls_silent_while_its_case_travels_on_is_not_called_unloaded() -> None:
    """Silent from the second stop on, by itself it got off there; its case did not, and so it rides on."""
    always, until = {(200.0, 3000.0): 0.6}, {(200.0, 1800.0): 0.25}
    alone, with_case = together(drive({CASE: always, FIRST: always, SECOND: always, SILENT: until}))
    assert alone[SILENT][0] > 0.95
    assert with_case[SILENT][1] > alone[SILENT][1]


def test_members_do_get_taken_out() -> None:
    """Heard nearly always, then heard beside the open doors and not again: it was taken out, whatever its case did."""
    always = {(200.0, 3000.0): 0.8}
    taken = {(200.0, 1700.0): 0.95, (1700.0, 1800.0): 0.5}
    _, with_case = together(drive({CASE: always, FIRST: always, SECOND: always, SILENT: taken}))
    assert with_case[SILENT][0] > 0.95
    assert with_case[SILENT][1] < 0.1


def test_a_silent_member_gets_off_with_its_case() -> None:
    """What was taken to be in the cage is taken to leave with it."""
    until = {(200.0, 1800.0): 0.8}
    _, with_case = together(drive({CASE: until, FIRST: until, SECOND: until}))
    assert with_case[SILENT][0] > 0.5
    assert with_case[SILENT][1] < 0.1


@pytest.mark.parametrize("on", [True, False])
def test_going_with_the_case_moves_all_but_the_share_that_is_apart(*, on: bool) -> None:
    """Rows stay distributions; off, what was aboard is away, on, what was anywhere is aboard, but for `apart_share`."""
    matrix = MODEL.with_case(on=on)
    assert matrix.sum(axis=1) == pytest.approx(np.ones(MODEL.states))
    moved = MODEL.first @ matrix
    inside = float(moved[MODEL.is_aboard].sum())
    apart = MODEL.parameters.apart_share
    before = float(MODEL.first[MODEL.is_aboard].sum())
    assert inside == pytest.approx(1 - apart * (1 - before) if on else apart * before)


def test_calm_rows_are_those_of_the_stretch() -> None:
    """From the first moment of a stretch on, up to and without its last."""
    rows = np.array([3], dtype=np.int32)
    company = Company(calm=(Calm(10.0, 20.0, rows),))
    assert company.calm_rows(10.0) is rows
    assert company.calm_rows(20.0) is None
