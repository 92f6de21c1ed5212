"""Filtering and smoothing: against a published example, against every state path, and against themselves in blocks."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from numpy.typing import NDArray

from agent.presence import chain
from agent.presence.chain import Step, filter_all, filter_step, smooth

# The umbrella world of S. Russell and P. Norvig, "Artificial Intelligence: A Modern Approach", chapter on temporal
# models: rain stays rain with 0.7; an umbrella is seen with 0.9 when it rains and 0.2 when not. The book prints
# P(rain) on days 1 and 2 as 0.818 and 0.883, and 0.883 for day 1 smoothed (values from memory, worked again below:
# day 1: 0.45 / 0.55 = 0.8182; day 2: 0.9 * 0.6273 / (0.9 * 0.6273 + 0.2 * 0.3727) = 0.8834;
# day 1 after day 2: 0.8182 * 0.69 / (0.8182 * 0.69 + 0.1818 * 0.41) = 0.8834).
RAIN = np.array([[0.7, 0.3], [0.3, 0.7]])
UMBRELLA = np.array([[0.1, 0.8], [0.9, 0.2]])  # row 0: not seen, row 1: seen
FROM_EVEN = np.array([[0.5, 0.5]])
IS_RAIN = np.array([True, False])


def umbrella(day: int, *, seen: bool = True) -> Step:
    """One day on which the umbrella was seen or not."""
    return Step(float(day), RAIN, UMBRELLA, np.array([int(seen)], dtype=np.int16))


def test_the_filter_gives_the_umbrella_worlds_printed_beliefs() -> None:
    """Two umbrellas in a row leave rain at 0.818, then 0.883."""
    first = filter_step(FROM_EVEN, umbrella(1))
    second = filter_step(first, umbrella(2))
    assert first[0, 0] == pytest.approx(0.818, abs=5e-4)
    assert second[0, 0] == pytest.approx(0.883, abs=5e-4)


def test_smoothing_gives_the_umbrella_worlds_printed_belief() -> None:
    """Knowing the second umbrella lifts rain on the first day to 0.883."""
    smoothed = smooth(FROM_EVEN, [umbrella(1), umbrella(2)], column=IS_RAIN)
    assert smoothed[:, 0] == pytest.approx([0.883, 0.883], abs=5e-4)


def random_world(
    rng: np.random.Generator, *, states: int, tags: int, count: int
) -> tuple[NDArray[np.float64], list[Step]]:
    """A first belief and steps with random transitions, hearings, silent steps and strength factors."""
    first = rng.dirichlet(np.ones(states), size=tags)
    steps = []
    for number in range(count):
        transition = rng.dirichlet(np.ones(states), size=states)
        if number % 4 == 3:
            steps.append(Step(float(number), transition))
            continue
        rows = np.flatnonzero(rng.random(tags) < 0.5).astype(np.int32)
        factors = rng.uniform(0.2, 1.0, size=(len(rows), states))
        heard = rng.integers(0, 3, size=tags).astype(np.int16)
        steps.append(Step(float(number), transition, rng.uniform(0.05, 1.0, size=(3, states)), heard, rows, factors))
    return first, steps


def by_every_path(first: NDArray[np.float64], steps: list[Step], tag: int, mask: NDArray[np.bool_]) -> list[float]:
    """P(state in mask) at each step, by summing over every path of states there is."""
    states = first.shape[1]
    total = 0.0
    inside = [0.0] * len(steps)
    for path in product(range(states), repeat=len(steps) + 1):
        weight = first[tag, path[0]]
        for i, step in enumerate(steps):
            here = path[i + 1]
            weight *= step.transition[path[i], here]
            if step.likelihood is not None and step.heard is not None:
                weight *= step.likelihood[step.heard[tag], here]
            if step.rows is not None and step.factors is not None and tag in step.rows:
                weight *= step.factors[list(step.rows).index(tag), here]
        total += weight
        for i in range(len(steps)):
            inside[i] += weight * mask[path[i + 1]]
    return [value / total for value in inside]


@pytest.mark.parametrize("seed", range(8))
def test_smoothing_is_the_sum_over_every_path(seed: int) -> None:
    """Forward and backward together give what adding up all paths of states gives."""
    rng = np.random.default_rng(seed)
    first, steps = random_world(rng, states=3, tags=2, count=6)
    mask = np.array([True, False, True]) if seed % 2 else np.array([True, False, False])
    smoothed = smooth(first, steps, column=mask)
    for tag in range(2):
        assert smoothed[:, tag] == pytest.approx(by_every_path(first, steps, tag, mask), abs=2e-6)


def test_the_last_smoothed_belief_is_the_filtered_one() -> None:
    """At the last step nothing later is known, so smoothing and filtering agree."""
    first, steps = random_world(np.random.default_rng(3), states=4, tags=5, count=30)
    mask = np.array([True, True, False, False])
    assert smooth(first, steps, column=mask)[-1] == pytest.approx(filter_all(first, steps)[:, :2].sum(axis=1), abs=1e-6)


def test_smoothing_in_blocks_is_smoothing_in_one_piece(monkeypatch: pytest.MonkeyPatch) -> None:
    """A pass too long for memory runs forward again block by block and gives the very same numbers."""
    first, steps = random_world(np.random.default_rng(4), states=4, tags=3, count=101)
    mask = np.array([True, False, False, True])
    whole = smooth(first, steps, column=mask)
    for numbers in (1, 16 * 12, 40 * 12, 101 * 12):
        monkeypatch.setattr(chain, "BLOCK_NUMBERS", numbers)
        assert np.array_equal(smooth(first, steps, column=mask), whole)


def test_a_filter_step_leaves_the_belief_that_it_was_given_alone() -> None:
    """A belief in, a new belief out; rows sum to 1."""
    first, steps = random_world(np.random.default_rng(5), states=4, tags=3, count=8)
    before = first.copy()
    after = filter_all(first, steps)
    assert np.array_equal(first, before)
    assert after.sum(axis=1) == pytest.approx(np.ones(3))


def test_no_steps_leave_the_belief_as_it_was() -> None:
    """Nothing heard and no time passed: the belief stands."""
    first, _ = random_world(np.random.default_rng(6), states=4, tags=3, count=1)
    assert np.array_equal(filter_all(first, []), first)
