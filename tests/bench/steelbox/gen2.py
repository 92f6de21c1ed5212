"""Inventory as a reader does it: slotted ALOHA with adaptive Q, capture, a limit of time, and session flags.

The Q algorithm is the one that the Gen2 air interface suggests in an annex (a floating Q, up by C at a collision and
down at an empty slot), taken here once for each frame. Slot times are those of a middling link rate (common practice).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from tests.bench.steelbox.habits import Radio

Array = NDArray[np.float64]
Index = NDArray[np.int64]
SINGLE_S, EMPTY_S, CRASH_S = 0.0035, 0.0004, 0.0012
CAPTURE = 0.9  # of the power in a slot: a tag that has so much of it is heard through the collision


def singulate(
    answers: Array, decodes: Array, *, limit_s: float, q: float, rng: np.random.Generator
) -> tuple[NDArray[np.bool_], float, float]:
    """One inventory among tags with these powers (mW) and chances to be decoded: who was heard, seconds, the new Q."""
    count = len(answers)
    heard = np.zeros(count, dtype=np.bool_)
    tries = np.zeros(count, dtype=np.int64)
    spent_s = 0.0
    waiting = np.arange(count)
    while len(waiting) and spent_s < limit_s:
        slots = 1 << round(q)
        slot = rng.integers(0, slots, len(waiting))
        held = np.bincount(slot, minlength=slots)
        power = answers[waiting]
        total = np.bincount(slot, weights=power, minlength=slots)
        wins = (held[slot] == 1) | (power > CAPTURE * total[slot])
        order = np.cumsum(np.where(held == 0, EMPTY_S, np.where(held == 1, SINGLE_S, CRASH_S)))
        good = wins & (rng.random(len(waiting)) < decodes[waiting]) & (spent_s + order[slot] <= limit_s)
        heard[waiting[good]] = True
        spent_s += float(order[-1])
        empty, crashed = int((held == 0).sum()), int((held > 1).sum())
        q = min(max(q + 0.8 * (crashed * 1.4 - empty * 0.6) / slots, 0.0), 9.0)
        tries[waiting] += wins
        waiting = waiting[~good & (tries[waiting] < 4)]
    return heard, min(spent_s, limit_s), q


class Inventory:
    """The reader's rounds over a box: keeps Q by antenna and every tag's session flag."""

    def __init__(self, radio: Radio, count: int, rng: np.random.Generator) -> None:
        self.radio, self.rng = radio, rng
        self.q = [3.0] * radio.antennas
        self.quiet_until_s = np.full(count, -math.inf)
        self.flagged = np.zeros(count, dtype=np.bool_)
        self.powered_s = np.full(count, -math.inf)
        self.persists_s = rng.uniform(0.6, 4.8, count) if radio.session == "S1" else rng.uniform(2.2, 20.0, count)
        self.target = False

    @property
    def round_s(self) -> float:
        """How long a round of all antennas takes."""
        return self.radio.dwell_s * self.radio.antennas

    def round(
        self, tags: Index, incident_dbm: Array, rssi_dbm: Array, needs_dbm: Array, *, at_s: float
    ) -> list[tuple[int, Index, Array, Index]]:
        """A round from `at_s`: for each antenna that heard something, the tags, their RSSI and counts."""
        rng, radio = self.rng, self.radio
        if not len(tags):
            return []
        awake = incident_dbm + rng.normal(0, 0.6, incident_dbm.shape) > needs_dbm
        decodes = 1 / (1 + np.exp(-(rssi_dbm - radio.sensitivity_dbm) / 0.8))
        awake &= decodes > 0.02
        if radio.session == "S2":
            lost = at_s - self.powered_s[tags] > self.persists_s[tags]
            self.flagged[tags[lost]] = False
        found = []
        for antenna in range(radio.antennas):
            begin_s = at_s + antenna * radio.dwell_s
            answers = awake[antenna]
            if radio.session == "S1":
                answers = answers & (self.quiet_until_s[tags] <= begin_s)
            elif radio.session == "S2":
                answers = answers & (self.flagged[tags] == self.target)
            column = np.flatnonzero(answers)
            if not len(column):
                self.q[antenna] = max(self.q[antenna] - 1.0, 0.0)
                continue
            power = 10 ** (rssi_dbm[antenna, column] / 10)
            heard, spent_s, self.q[antenna] = singulate(
                power, decodes[antenna, column], limit_s=radio.dwell_s, q=max(self.q[antenna], 1.0), rng=rng
            )
            got = column[heard]
            if not len(got):
                continue
            counts = np.ones(len(got), dtype=np.int64)
            if radio.session == "S0":  # the carrier drops between inventories, and all answer again
                counts += (
                    rng.binomial(min(int(radio.dwell_s / max(spent_s, 0.02)) - 1, 7), 0.9, len(got))
                    if (spent_s < radio.dwell_s / 2)
                    else 0
                )
            self.quiet_until_s[tags[got]] = begin_s + spent_s + self.persists_s[tags[got]]
            self.flagged[tags[got]] = not self.target
            found.append((antenna + 1, tags[got], rssi_dbm[antenna, got], counts))
        self.powered_s[tags[awake.any(axis=0)]] = at_s + self.round_s
        self.target = not self.target
        return found
