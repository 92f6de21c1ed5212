"""The pauses between connections."""

from __future__ import annotations

import random

from agent.llrp.patience import Patience


class Middling(random.Random):
    """No chance: always the middle."""

    def uniform(self, a: float, b: float) -> float:
        """The middle."""
        return (a + b) / 2


def test_pauses_grow_until_a_round_was_completed() -> None:
    """Nobody there, refused, or set up and broken off before a round was whole: longer each time, 30 s at most."""
    patience = Patience(Middling())
    assert [patience.pause_s(up_s=up_s) for up_s in (0, 0.1, 2, 0, 15, 0, 29, 0)] == [0.5, 1, 2, 4, 8, 16, 30, 30]
    assert [patience.pause_s(rounds=1), patience.pause_s()] == [0.5, 1.0]


def test_a_connection_that_stood_long_was_no_haste() -> None:
    """A reader that is to be silent completes no round; its connection, broken after an hour, is soon made anew."""
    patience = Patience(Middling())
    assert [patience.pause_s(), patience.pause_s(), patience.pause_s(up_s=3600.0)] == [0.5, 1.0, 0.5]


def test_chance_spreads_them() -> None:
    """Half to one and a half times, so that not all vans of a yard come back at once."""
    pauses = {Patience(random.Random(seed)).pause_s() for seed in range(50)}  # noqa: S311 - a test's chance
    assert len(pauses) == 50
    assert 0.25 <= min(pauses) < 0.4
    assert 0.6 < max(pauses) <= 0.75


def test_who_was_away_for_a_while_is_asked_again_within_as_long() -> None:
    """Whatever chance says: no pause is longer than all before it together and the first one's longest."""
    for seed in range(300):
        patience, waited_s = Patience(random.Random(seed)), 0.0  # noqa: S311 - a test's chance
        for _ in range(8):
            pause_s = patience.pause_s()
            assert pause_s <= waited_s + 0.75
            waited_s += pause_s
