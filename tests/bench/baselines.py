"""Three simple rules to beat: heard once on the leg, heard within 60 s, and SMURF's adaptive window.

Each is told the true stops, which no tally is, and says for each leg which tags are aboard. Registered items alone
count. What they say becomes moves by the difference from leg to leg.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from agent.records import Boot, Line, Read, Round
from agent.world import Day

Move = tuple[str, str, int]
"""Kind, EPC, number of the stop."""


@dataclass(frozen=True, slots=True, eq=False)
class Heard:
    """Every round's end in seconds of the day, and which item was heard in it: (rounds, items)."""

    at_s: NDArray[np.float64]
    heard: NDArray[np.bool_]
    epcs: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Said:
    """What a rule or a tally says of a day: its moves, and the set aboard on each leg in order."""

    moves: tuple[Move, ...]
    aboard: tuple[frozenset[str], ...]


Rule = Callable[[Heard, float, float], NDArray[np.bool_]]
"""Rounds, and when the leg begins and ends; which items are aboard."""


def hear(day: Day, lines: Iterable[Line]) -> Heard:
    """The rounds of a recording on the day's own clock."""
    items = {tag.tag: tag.epc for tag in day.tags if tag.kind == "item"}
    column = {tag: i for i, tag in enumerate(items)}
    at_s: list[float] = []
    rows: list[list[int]] = []
    row: list[int] = []
    boots = iter(day.boots)
    lag = 0.0
    for line in lines:
        if isinstance(line, Boot):
            lag, row = next(boots)[0] - line.mono, []
        elif isinstance(line, Read):
            if line.epc in column:
                row.append(column[line.epc])
        elif isinstance(line, Round):
            at_s.append(line.mono + lag)
            rows.append(row)
            row = []
    heard = np.zeros((len(rows), len(column)), dtype=np.bool_)
    for i, columns in enumerate(rows):
        heard[i, columns] = True
    return Heard(np.asarray(at_s), heard, tuple(items.values()))


def heard_once(rounds: Heard, begin_s: float, end_s: float) -> NDArray[np.bool_]:
    """Aboard is what was heard at least once on the leg."""
    within = (rounds.at_s > begin_s) & (rounds.at_s <= end_s)
    return rounds.heard[within].any(axis=0)


def last_minute(rounds: Heard, begin_s: float, end_s: float) -> NDArray[np.bool_]:
    """Aboard is what was heard within the last 60 s, asked a minute after departure when the sweep is at its best."""
    asked_s = min(begin_s + 60, end_s)
    within = (rounds.at_s > asked_s - 60) & (rounds.at_s <= asked_s)
    return rounds.heard[within].any(axis=0)


def windows(
    rounds: Heard, *, epoch_s: float = 10.0, delta: float = 0.05
) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """SMURF's per-tag cleaning: the epochs' numbers and who is present in each, (epochs, items).

    Jeffery, Garofalakis, Franklin: Adaptive Cleaning for RFID Data Streams, VLDB 2006, algorithm 1 (written from
    memory of the paper). Reads of a tag in a window are a binomial sample: the window grows to ln(1/delta)/p epochs so
    that a present tag is missed with probability delta at most, and is halved where the count of epochs with a read
    falls more than two standard deviations below what p would give. A present window speaks for its midpoint.
    """
    number = (rounds.at_s // epoch_s).astype(np.int64)
    epochs, first = np.unique(number, return_index=True)
    cycles = np.diff(np.append(first, len(number)))
    rate = np.add.reduceat(rounds.heard.astype(np.float64), first, axis=0) / cycles[:, None]
    present = np.zeros(rate.shape, dtype=np.bool_)
    for item in range(rate.shape[1]):
        width = 1
        column = rate[:, item]
        for epoch in range(len(epochs)):
            begin = max(epoch - width + 1, 0)
            window = column[begin : epoch + 1]
            read = window[window > 0]
            if not len(read):
                width = 1
                continue
            present[(begin + epoch) // 2, item] = True
            mean = float(read.mean())
            wanted = max(math.ceil(math.log(1 / delta) / mean), 1)
            short = len(window) * mean - len(read)
            if short > 2 * math.sqrt(len(window) * mean * (1 - mean)):
                width = max(min(width // 2, wanted), 1)
            elif wanted > width:
                width = min(width + 2, wanted)
    return epochs, present


def smurf(rounds: Heard) -> Rule:
    """SMURF's smoothed stream, asked over the first minute of a leg: aboard is what is present in most of it."""
    epochs, present = windows(rounds)

    def rule(_: Heard, begin_s: float, end_s: float) -> NDArray[np.bool_]:
        middle_s = epochs * 10.0 + 5.0
        within = (middle_s > begin_s) & (middle_s <= min(end_s, begin_s + 60))
        if not within.any():
            return np.zeros(present.shape[1], dtype=np.bool_)
        return present[within].mean(axis=0) >= 0.5

    return rule


def apply(rule: Rule, rounds: Heard, day: Day) -> Said:
    """What a rule says of the whole day; what it hears last counts as still aboard at the end."""
    aboard: list[frozenset[str]] = []
    for before, after in pairwise(day.stops):
        mask = rule(rounds, before.departed_s, after.arrived_s)
        aboard.append(frozenset(np.asarray(rounds.epcs)[mask].tolist()))
    end_s = float(rounds.at_s[-1])
    left = frozenset(np.asarray(rounds.epcs)[rule(rounds, end_s - 60, end_s)].tolist())
    return Said(differences([frozenset(), *aboard, left]), tuple(aboard))


def differences(sets: Sequence[frozenset[str]]) -> tuple[Move, ...]:
    """Loads and unloads at each stop from what is aboard before and after it."""
    moves: list[Move] = []
    for stop, (before, after) in enumerate(pairwise(sets)):
        moves += [("load", epc, stop) for epc in sorted(after - before)]
        moves += [("unload", epc, stop) for epc in sorted(before - after)]
    return tuple(moves)
