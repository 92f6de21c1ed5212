"""Forward-backward against an example worked by hand, and against hmmlearn, which shares no code with ours, to 1e-9.

Sources: the example is that of a course page of Tufts University, Comp 250P
(www.cs.tufts.edu/comp/250P/classpages/hmmex.html), with every number as a fraction. hmmlearn (BSD-3-Clause) is asked by
`CategoricalHMM.predict_proba`, its parameters set and nothing fitted. It knows one transition for all steps, an
observation at every step and a first belief that stands at the first observation; so here a step that hears nothing is
a symbol as likely in every state, a hearing weighed by strength is a pair of symbols, and its first belief is ours
moved on by one step.

What `smooth` keeps between its two passes is float32, to halve their memory. Its arithmetic is held to 1e-9 with that
one type exchanged for float64; as it runs, with float32, to 1e-6.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
from hmmlearn.hmm import CategoricalHMM
from msgspec import Struct
from numpy.typing import NDArray

from agent.presence import chain
from agent.presence.chain import Step, filter_all, filter_step, smooth

Numbers = NDArray[np.float64]

EXACT, AS_IT_RUNS = 1e-9, 1e-6
HEARD, STRENGTHS = 3, 2
# The share of steps that hear nothing, and the symbol which stands for them there.
SILENT, NOTHING = 0.2, HEARD * STRENGTHS


class World(Struct, frozen=True):
    """A chain with fixed parameters, and what was heard of some tags: `symbols` (steps, tags)."""

    transition: Numbers  # (S, S)
    likelihood: Numbers  # (HEARD, S), columns sum to 1
    factors: Numbers  # (STRENGTHS, S), columns sum to 1
    first: Numbers  # (tags, S), before the first step
    symbols: NDArray[np.int64]


def world(*, states: int, tags: int, count: int, silent: bool, sharp: bool) -> World:
    """Drawn once for these sizes. `sharp`: most transitions are none, most hearings near certain, as in a van."""
    rng = np.random.default_rng([states, tags, count, silent, sharp])
    weight = 0.1 if sharp else 1.0
    transition = rng.dirichlet(np.full(states, weight), size=states)
    if sharp:
        transition = np.where(rng.random((states, states)) < 0.5, 0.0, transition) + 50.0 * np.eye(states)
        transition /= transition.sum(axis=1, keepdims=True)
    likelihood = np.clip(rng.dirichlet(np.full(HEARD, weight), size=states), 1e-3, 1.0).T
    symbols = rng.integers(0, NOTHING, size=(count, tags))
    if silent:
        symbols[rng.random(count) < 0.3] = NOTHING
    return World(
        transition,
        likelihood / likelihood.sum(axis=0),
        rng.dirichlet(np.full(STRENGTHS, 5.0), size=states).T,
        rng.dirichlet(np.ones(states), size=tags),
        symbols,
    )


def steps_of(given: World) -> list[Step]:
    """The same as the engine's own steps: silent ones, hearings, and factors for the tags that have them."""
    steps = []
    for number, symbols in enumerate(given.symbols):
        if symbols[0] == NOTHING:
            steps.append(Step(float(number), given.transition))
            continue
        heard, strength = np.divmod(symbols, STRENGTHS)
        rows = np.arange(len(symbols), dtype=np.int32)
        factors = given.factors[strength]
        steps.append(Step(float(number), given.transition, given.likelihood, heard.astype(np.int16), rows, factors))
    return steps


def theirs(given: World) -> Iterator[tuple[CategoricalHMM, NDArray[np.int64]]]:
    """For each tag hmmlearn's model, and its symbols as a column."""
    states = len(given.transition)
    pairs = np.array([h * f for h in given.likelihood for f in given.factors])
    emission = np.vstack([pairs * (1 - SILENT), np.full((1, states), SILENT)]).T
    for tag, first in enumerate(given.first):
        model = CategoricalHMM(n_components=states, n_features=NOTHING + 1)
        model.startprob_ = first @ given.transition
        model.transmat_ = given.transition
        model.emissionprob_ = emission
        yield model, given.symbols[:, tag : tag + 1]


class Doubles:
    """numpy, with float64 wherever float32 is asked for."""

    float32 = np.float64

    def __getattr__(self, name: str) -> Any:
        return getattr(np, name)


# Two states, even at first. Symbols +, 0 and -. The page gives, for the sequence + - 0, forward 1/8 and 1/6, 1/24 and
# 1/24, 13/576 and 11/864; backward 29/216 and 1/9, 7/18 and 11/24, 1 and 1; and 61/1728 for the whole.
TUFTS_TRANSITION = np.array([[1 / 3, 2 / 3], [3 / 4, 1 / 4]])
TUFTS_SYMBOLS = np.array([[1 / 4, 1 / 3], [1 / 2, 1 / 3], [1 / 4, 1 / 3]])
TUFTS_FORWARD = [(1 / 8, 1 / 6), (1 / 24, 1 / 24), (13 / 576, 11 / 864)]
TUFTS_BACKWARD = [(29 / 216, 1 / 9), (7 / 18, 11 / 24), (1.0, 1.0)]
TUFTS_WHOLE = 61 / 1728


def test_an_example_worked_by_hand_comes_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """Filtered and smoothed, each step of the page's example is what its fractions make of it, to 1e-9."""
    heard = [np.array([symbol], dtype=np.int16) for symbol in (0, 2, 1)]
    # The page's chain begins at its first symbol: nothing moves before that.
    moves = [np.eye(2), TUFTS_TRANSITION, TUFTS_TRANSITION]
    steps = [
        Step(float(i), move, TUFTS_SYMBOLS, symbol) for i, (move, symbol) in enumerate(zip(moves, heard, strict=True))
    ]
    belief = np.array([[0.5, 0.5]])
    for step, (one, other) in zip(steps, TUFTS_FORWARD, strict=True):
        belief = filter_step(belief, step)
        assert belief[0, 0] == pytest.approx(one / (one + other), abs=EXACT)
    true = [f[0] * b[0] / TUFTS_WHOLE for f, b in zip(TUFTS_FORWARD, TUFTS_BACKWARD, strict=True)]
    assert true == pytest.approx([29 / 61, 28 / 61, 39 / 61])
    first, one = np.array([[0.5, 0.5]]), np.array([True, False])
    assert smooth(first, steps, column=one)[:, 0] == pytest.approx(true, abs=AS_IT_RUNS)
    monkeypatch.setattr(chain, "np", Doubles())
    assert smooth(first, steps, column=one)[:, 0] == pytest.approx(true, abs=EXACT)


SIZES = [
    pytest.param({"states": 2, "tags": 3, "count": 40, "silent": False, "sharp": False}, id="two states"),
    pytest.param({"states": 5, "tags": 4, "count": 200, "silent": True, "sharp": False}, id="five, some steps silent"),
    pytest.param({"states": 5, "tags": 4, "count": 400, "silent": True, "sharp": True}, id="five, seldom changing"),
    pytest.param({"states": 40, "tags": 6, "count": 300, "silent": True, "sharp": True}, id="forty"),
]


@pytest.mark.parametrize("size", SIZES)
def test_the_filter_gives_hmmlearns_numbers(size: dict[str, Any]) -> None:
    """After every tenth step and the last, each state of each tag is as likely as hmmlearn says, to 1e-9."""
    given = world(**size)
    steps = steps_of(given)
    belief, ours = given.first, {}
    for number, step in enumerate(steps, start=1):
        belief = filter_step(belief, step)
        ours[number] = belief
    assert np.array_equal(filter_all(given.first, steps), belief)
    asked = [*range(10, len(steps), 10), len(steps)]
    for tag, (model, symbols) in enumerate(theirs(given)):
        for number in asked:
            last = model.predict_proba(symbols[:number])[-1]
            assert np.abs(ours[number][tag] - last).max() < EXACT


@pytest.mark.parametrize("block", [1, chain.BLOCK_NUMBERS], ids=["in blocks", "in one piece"])
@pytest.mark.parametrize("size", SIZES)
def test_smoothing_gives_hmmlearns_numbers(size: dict[str, Any], block: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """At every step each tag's states, alone and together, are as likely as hmmlearn says: to 1e-9 in doubles."""
    given = world(**size)
    steps, states = steps_of(given), len(given.transition)
    posteriors = [model.predict_proba(symbols) for model, symbols in theirs(given)]
    monkeypatch.setattr(chain, "BLOCK_NUMBERS", block)
    masks = [np.arange(states) == 0, np.arange(states) >= states // 2]
    masks += [np.arange(states) == state for state in range(1, min(states, 5))]
    as_it_runs = [smooth(given.first, steps, column=mask) for mask in masks]
    monkeypatch.setattr(chain, "np", Doubles())
    exactly = [smooth(given.first, steps, column=mask) for mask in masks]
    for mask, single, double in zip(masks, as_it_runs, exactly, strict=True):
        assert (single.dtype, double.dtype) == (np.float32, np.float64)
        for tag, posterior in enumerate(posteriors):
            true = posterior[:, mask].sum(axis=1)
            assert np.abs(double[:, tag] - true).max() < EXACT
            assert np.abs(single[:, tag] - true).max() < AS_IT_RUNS
