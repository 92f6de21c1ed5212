"""Forward filter and forward-backward smoothing over many tags at once. Knows matrices and nothing of vans.

Beliefs are arrays (tags, states) whose rows sum to 1. Source: L. R. Rabiner, "A tutorial on hidden Markov models",
Proc. IEEE 77 (1989), equations 19-27, each row scaled to sum 1 at every step instead of the paper's common factor.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from agent.presence.model import Array

Weights = NDArray[np.float32]
Counts = NDArray[np.int16]

# Forward beliefs are kept for the backward pass in blocks of at most this many numbers (32 MB as float32); a longer
# pass keeps one belief for each block and runs forward again inside it.
BLOCK_NUMBERS = 8_000_000


@dataclass(frozen=True, slots=True)
class Step:
    """Move by `transition` (S, S), then, if `likelihood` (n + 1, S) is there, hear `heard` (tags,) of n rounds.

    `rows` (k,) and `factors` (k, S) weigh the states of those tags further, as signal strength does. `others` are tags
    (j,) that move by another matrix (S, S) than all the rest.
    """

    at_s: float
    transition: Array
    likelihood: Array | None = None
    heard: Counts | None = None
    rows: NDArray[np.int32] | None = None
    factors: Array | None = None
    others: tuple[tuple[NDArray[np.int32], Array], ...] = ()


def filter_step(belief: Array, step: Step) -> Array:
    """The belief after one step; (tags, S) in, (tags, S) out."""
    moved = _moved(belief, step)
    _weigh(moved, step)
    total = moved.sum(axis=1, keepdims=True)
    moved /= total
    return moved


def _moved(array: Array, step: Step, *, back: bool = False) -> Array:
    """(tags, S) by the step's transitions, or `back` by their transposes."""
    moved: Array = array @ (step.transition.T if back else step.transition)
    for rows, transition in step.others:
        moved[rows] = array[rows] @ (transition.T if back else transition)
    return moved


def _weigh(array: Array, step: Step) -> None:
    """Multiply (tags, S) by what the step's hearing says, in place: the array is the caller's own."""
    if step.likelihood is not None and step.heard is not None:
        array *= step.likelihood[step.heard]
        if step.rows is not None and step.factors is not None:
            array[step.rows] *= step.factors


def filter_all(belief: Array, steps: Sequence[Step]) -> Array:
    """The belief after all steps."""
    for step in steps:
        belief = filter_step(belief, step)
    return belief


def smooth(first: Array, steps: Sequence[Step], *, column: NDArray[np.bool_]) -> Weights:
    """P(state in `column` | every step) for each step and tag: shape (steps, tags).

    `first` (tags, S) is the belief before the first step; `column` (S,) marks the states asked for.
    """
    return smooth_and_keep(first, steps, column=column, keep=())[0]


def smooth_and_keep(
    first: Array, steps: Sequence[Step], *, column: NDArray[np.bool_], keep: Collection[int]
) -> tuple[Weights, dict[int, Array]]:
    """The same, and the forward beliefs (tags, S) after the steps numbered in `keep`."""
    count, tags = len(steps), first.shape[0]
    states = first.shape[1]
    result: Weights = np.empty((count, tags), dtype=np.float32)
    kept: dict[int, Array] = {}
    block = max(16, BLOCK_NUMBERS // max(1, tags * states))
    starts = list(range(0, count, block))
    beliefs = [first]
    for start in starts[:-1]:
        beliefs.append(filter_all(beliefs[-1], steps[start : start + block]))
    mask = column.astype(np.float64)
    later: Array = np.ones((tags, states))
    for start, belief in zip(reversed(starts), reversed(beliefs), strict=True):
        inside = steps[start : start + block]
        forward = np.empty((len(inside), tags, states), dtype=np.float32)
        for i, step in enumerate(inside):
            belief = filter_step(belief, step)  # noqa: PLW2901 - the block's own running belief
            forward[i] = belief
            if start + i in keep:
                kept[start + i] = belief
        for i in range(len(inside) - 1, -1, -1):
            both = forward[i] * later
            result[start + i] = (both @ mask) / both.sum(axis=1)
            step = inside[i]
            _weigh(later, step)
            later = _moved(later, step, back=True)
            later /= later.max(axis=1, keepdims=True)
    return result, kept
