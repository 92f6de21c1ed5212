"""How long to wait before a reader is connected again. Pure; chance comes as an argument.

0.5 s, then twice as long up to 30 s, each with chance in it, so that a reader that takes the connection and refuses to
read is not asked twice a second all day. But hardly longer than has been waited so far: who was away for a while is
found again within as long, whatever chance says. A connection in which a round was completed has shown that the reader
works, and one that stood up for longer than the longest pause was no haste: after these it begins with 0.5 s again.
"""

from __future__ import annotations

import random

FIRST_PAUSE_S, LONGEST_PAUSE_S = 0.5, 30.0


class Patience:
    """See the module."""

    def __init__(self, rng: random.Random) -> None:
        self._rng = rng
        self._next_s = FIRST_PAUSE_S
        self._waited_s = 0.0

    def pause_s(self, *, rounds: int = 0, up_s: float = 0.0) -> float:
        """The pause after a connection with so many completed rounds, which was set up for so long; without: none."""
        if rounds or up_s > LONGEST_PAUSE_S:
            self._next_s, self._waited_s = FIRST_PAUSE_S, 0.0
        pause_s = self._next_s
        self._next_s = min(pause_s * 2, LONGEST_PAUSE_S)
        pause_s = min(pause_s * self._rng.uniform(0.5, 1.5), self._waited_s + 1.5 * FIRST_PAUSE_S)
        self._waited_s += pause_s
        return pause_s
