"""Ghost reads: a wrong EPC that passed its checksum, and one read of something registered that is nowhere near.

A reply with flipped bits passes the 16 bits of the CRC once in 65,536 times (ISO/IEC 18000-63, CRC-16); a far tag
answers once over a reflection. The chances in a day's faults are higher than that, as with a reader that is ill.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from agent.world.account import Day


class TagRead(Struct, frozen=True):
    """One tag heard on one antenna in one round; `count` is how often."""

    tag: str
    antenna: int
    rssi_dbm: float
    count: int = 1


class Ghosts:
    """Draws the ghosts of a day, round by round, from the fault's own generator."""

    def __init__(self, day: Day) -> None:
        self._chance = day.faults.ghost_reads
        self._rng = day.faults.generator("ghost-reads", day.seed)
        self._tags = [tag.tag for tag in day.tags]
        self._known = np.array([bool(tag.kind) for tag in day.tags])

    def reads(self, heard: Sequence[TagRead], *, far: NDArray[np.bool_], antennas: Sequence[int]) -> list[TagRead]:
        """The ghosts of one round in which `heard` was read; `far` (tags,) says what has no link at all."""
        rng = self._rng
        found: list[TagRead] = []
        wrong, lone = rng.random(2)
        if wrong < self._chance and heard:
            spoilt = heard[int(rng.integers(len(heard)))]
            bits = int(spoilt.tag, 16)
            for place in rng.integers(0, 4 * len(spoilt.tag), int(rng.integers(1, 4))).tolist():
                bits ^= 1 << place
            found.append(TagRead(f"{bits:0{len(spoilt.tag)}X}", spoilt.antenna, self._faint()))
        elsewhere = np.flatnonzero(far & self._known)
        if lone < self._chance / 2 and len(elsewhere) and antennas:
            tag = int(rng.choice(elsewhere))
            found.append(TagRead(self._tags[tag], int(rng.choice(antennas)), self._faint()))
        return found

    def _faint(self) -> float:
        return float(np.round(np.clip(self._rng.normal(-71, 3), -84, -60) * 2) / 2)
