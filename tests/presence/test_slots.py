"""Rounds into slots, regimes into matrices, and slots and marks in order."""

from __future__ import annotations

import numpy as np
import pytest

from agent.presence.contexts import Context
from agent.presence.model import Model
from agent.presence.parameters import Parameters
from agent.presence.slots import Heard, Levels, Regimes, Slot, close_slot, lay_out

MODEL = Model(Parameters())
NO_LEVELS = Levels(np.zeros(3), np.zeros(3))


def slot(from_s: float, to_s: float, heard: dict[int, int], *, rounds: int = 5, rssi_dbm: float = -60.0) -> Slot:
    """A slot in which each tag number was heard so many times."""
    return Slot(
        from_s,
        to_s,
        rounds,
        np.array(list(heard), dtype=np.int32),
        np.array(list(heard.values()), dtype=np.int16),
        np.full(len(heard), rssi_dbm, dtype=np.float32),
    )


def test_a_slot_counts_rounds_and_means_strengths() -> None:
    """Three rounds: how many heard each tag, and its mean strength over those that did."""
    closed = close_slot([Heard(12.0, 2.0, {1: -60.0}), Heard(14.0, 2.0, {1: -64.0, 2: -70.0}), Heard(16.0, 2.0, {})])
    assert (closed.from_s, closed.to_s, closed.middle_s, closed.rounds) == (10.0, 16.0, 13.0, 3)
    assert dict(zip(closed.tags.tolist(), closed.heard.tolist(), strict=True)) == {1: 2, 2: 1}
    assert dict(zip(closed.tags.tolist(), closed.rssi_dbm.tolist(), strict=True)) == {1: -62.0, 2: -70.0}


def test_a_round_that_heard_nothing_is_a_slot_all_the_same() -> None:
    """Silence counts: the round ended and no tag was among its reads."""
    closed = close_slot([Heard(12.0, 2.0, {})])
    assert closed.rounds == 1
    assert len(closed.tags) == 0


def test_a_level_is_the_mean_of_the_slots_heard_while_moving() -> None:
    """Two slots at -60 and -64 dBm make -62; a tag never heard has none."""
    levels = NO_LEVELS.add(slot(0, 10, {1: 5})).add(slot(10, 20, {1: 4}, rssi_dbm=-64.0)).add(slot(20, 30, {}))
    assert levels.mean_db()[1] == pytest.approx(-62.0)
    assert levels.slots.tolist() == [0.0, 2.0, 0.0]
    assert NO_LEVELS.slots.tolist() == [0.0, 0.0, 0.0]


def test_a_while_across_a_departure_is_its_pieces_in_turn() -> None:
    """Standing for 60 s, then moving for 30 s: the product of the two."""
    regimes = Regimes((0.0, 100.0), (Context.DOORS_OPEN, Context.MOVING))
    expected = MODEL.transition(Context.DOORS_OPEN, 60.0) @ MODEL.transition(Context.MOVING, 30.0)
    assert np.allclose(regimes.transition(MODEL, 40.0, 130.0), expected)
    assert np.allclose(regimes.transition(MODEL, 100.0, 130.0), MODEL.transition(Context.MOVING, 30.0))
    assert regimes.context(99.9) is Context.DOORS_OPEN
    assert regimes.context(100.0) is Context.MOVING
    assert regimes.context(-5.0) is Context.DOORS_OPEN


def test_a_gap_counts_once_and_in_the_while_that_holds_it() -> None:
    """A break in the record comes on top of the seconds, once, whichever steps it falls between."""
    regimes = Regimes((0.0,), (Context.DOORS_OPEN,), gaps_s=(50.0,))
    gap = MODEL.transition(Context.GAP, 0.0)
    assert np.allclose(regimes.transition(MODEL, 40.0, 60.0), MODEL.transition(Context.DOORS_OPEN, 20.0) @ gap)
    before, after = regimes.transition(MODEL, 40.0, 50.0), regimes.transition(MODEL, 50.0, 60.0)
    assert np.allclose(before, MODEL.transition(Context.DOORS_OPEN, 10.0) @ gap)
    assert np.allclose(after, MODEL.transition(Context.DOORS_OPEN, 10.0))


def test_marks_and_slots_stand_in_the_order_of_their_times() -> None:
    """A mark at a slot's own moment comes before it; marks beyond the last slot follow it."""
    regimes = Regimes((0.0,), (Context.DOORS_UNKNOWN,))
    slots = [slot(10, 20, {1: 3}), slot(20, 30, {2: 1})]
    marks = [5.0, 15.0, 22.0, 40.0]
    steps, where = lay_out(MODEL, regimes, slots, begin_s=0.0, marks_s=marks, levels=NO_LEVELS)
    assert [step.at_s for step in steps] == [5.0, 15.0, 15.0, 22.0, 25.0, 40.0]
    assert where == [0, 1, 3, 5]
    assert [step.likelihood is not None for step in steps] == [False, False, True, False, True, False]
    heard = steps[2].heard
    assert heard is not None
    assert heard.tolist() == [0, 3, 0]


def test_what_lies_before_the_begin_takes_no_time_back() -> None:
    """A mark or slot earlier than where the pass begins is laid at its begin."""
    regimes = Regimes((0.0,), (Context.DOORS_UNKNOWN,))
    steps, where = lay_out(MODEL, regimes, [slot(0, 10, {})], begin_s=50.0, marks_s=[20.0, 60.0], levels=NO_LEVELS)
    assert [step.at_s for step in steps] == [50.0, 50.0, 60.0]
    assert where == [0, 2]


def test_strength_is_weighed_standing_and_never_on_the_road() -> None:
    """On the road the level is being learned; it is used only at stops, for the tags heard there."""
    levels = Levels(np.array([0.0, -600.0, 0.0]), np.array([0.0, 10.0, 0.0]))
    regimes = Regimes((0.0, 100.0), (Context.MOVING, Context.DOORS_OPEN))
    slots = [slot(10, 20, {1: 3}), slot(110, 120, {2: 1, 1: 3}, rssi_dbm=-75.0), slot(120, 130, {1: 3}, rssi_dbm=-60.0)]
    moving, weak, strong = lay_out(MODEL, regimes, slots, begin_s=0.0, marks_s=[], levels=levels)[0]
    assert moving.rows is None
    for step in (weak, strong):
        assert step.rows is not None
        assert step.factors is not None
        assert step.factors.shape == (len(step.rows), MODEL.states)
    assert weak.rows is not None
    assert weak.factors is not None
    assert strong.factors is not None
    assert weak.rows.tolist() == [2, 1]
    assert weak.factors[0] == pytest.approx(np.ones(MODEL.states), abs=1e-6)
    assert weak.factors[1, MODEL.is_aboard].max() < weak.factors[1, MODEL.near].min()
    assert strong.factors[0, MODEL.is_aboard].min() > strong.factors[0, MODEL.near].max()
