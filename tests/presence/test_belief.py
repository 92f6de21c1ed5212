"""What is believed of tags over a stop, a leg and the next stop, from rounds made by hand."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from msgspec.structs import replace

from agent.presence.belief import Belief, assess, begin, close, forget, hear
from agent.presence.contexts import Context
from agent.presence.model import Model
from agent.presence.parameters import Parameters
from agent.presence.slots import Regimes

MODEL = Model(Parameters())
# Stands with open doors, leaves at 600 s, arrives at 1200 s.
DAY = Regimes((0.0, 600.0, 1200.0), (Context.DOORS_OPEN, Context.MOVING, Context.DOORS_OPEN))
CARGO, STOCK, LATE = "AA", "BB", "CC"


def listen(
    belief: Belief, *, from_s: float, to_s: float, heard: dict[str, float], rng: np.random.Generator | None = None
) -> Belief:
    """Rounds of 2 s; `heard` gives each tag's read rate in them (1: every round)."""
    rng = rng or np.random.default_rng(1)
    at = from_s + 2.0
    while at <= to_s:
        reads = {tag: -60.0 for tag, rate in heard.items() if rng.random() < rate}
        belief = hear(belief, reads, to_s=at, seconds=2.0, model=MODEL, regimes=DAY)
        at += 2.0
    return belief


def aboard(belief: Belief, tag: str) -> float:
    """The live P(aboard)."""
    return float(belief.forward[belief.numbers[tag], MODEL.is_aboard].sum())


def looked_back(belief: Belief, marks_s: Sequence[float], tag: str) -> list[float]:
    """P(aboard) at moments, from everything heard."""
    _, found = assess(belief, model=MODEL, regimes=DAY, from_s=0.0, to_s=belief.at_s, marks_s=marks_s)
    return [float(found.aboard[row, belief.numbers[tag]]) for row in found.marks]


@pytest.fixture(scope="module")
def driven() -> Belief:
    """A stop of ten minutes with cargo and stock, then five minutes on the road in which only the cargo is heard."""
    belief = listen(begin(MODEL, at_s=0.0), from_s=0.0, to_s=600.0, heard={CARGO: 0.8, STOCK: 0.8})
    return close(listen(belief, from_s=600.0, to_s=900.0, heard={CARGO: 0.8}), model=MODEL, regimes=DAY)


def test_what_moves_along_is_aboard_and_what_is_left_behind_is_not(driven: Belief) -> None:
    """Heard alike at the dock, the cargo is heard on the road and the stock is not: that decides."""
    assert aboard(driven, CARGO) > 0.99
    assert aboard(driven, STOCK) < 0.01
    assert looked_back(driven, [750.0], CARGO)[0] > 0.99
    assert looked_back(driven, [750.0], STOCK)[0] < 0.01


def test_a_tag_unread_for_one_round_stays_aboard(driven: Belief) -> None:
    """One silent round on the road changes nothing that anybody would act on."""
    after = close(hear(driven, {}, to_s=902.0, seconds=2.0, model=MODEL, regimes=DAY), model=MODEL, regimes=DAY)
    assert aboard(after, CARGO) > 0.99


def test_aboard_but_unheard_for_hours_is_still_aboard(driven: Belief) -> None:
    """Three hours of silence on the road do not take an item off: while the van moves nothing gets off."""
    drive = Regimes((0.0, 600.0), (Context.DOORS_OPEN, Context.MOVING))
    belief = driven
    for at in range(902, 902 + 3 * 3600, 20):
        belief = hear(belief, {}, to_s=float(at), seconds=2.0, model=MODEL, regimes=drive)
    belief = close(belief, model=MODEL, regimes=drive)
    assert aboard(belief, CARGO) > 0.9


def test_a_newly_heard_tag_starts_from_the_silent_column() -> None:
    """A tag first heard late has the belief of one that was silent up to then, not a fresh one."""
    belief = listen(begin(MODEL, at_s=0.0), from_s=0.0, to_s=300.0, heard={CARGO: 0.9})
    silent = belief.forward[0].copy()
    assert not np.allclose(silent, MODEL.first)
    belief = hear(belief, {LATE: -60.0}, to_s=302.0, seconds=2.0, model=MODEL, regimes=DAY)
    assert belief.tags == ("", CARGO, LATE)
    assert np.allclose(belief.forward[2], belief.forward[0])
    # Looked back on from the very begin, where the tag is known all along, the belief is the same.
    late = close(belief, model=MODEL, regimes=DAY)
    again, _ = assess(late, model=MODEL, regimes=DAY, from_s=0.0, to_s=late.at_s, marks_s=[late.at_s])
    assert again.forward[2] == pytest.approx(late.forward[2], abs=1e-5)


def test_what_is_heard_only_on_the_road_was_aboard_when_it_left(driven: Belief) -> None:
    """A hard tag first heard five minutes into the leg was aboard at its start: nothing gets on while moving."""
    belief = driven
    for at in range(902, 1190, 2):
        reads = {CARGO: -60.0, LATE: -60.0} if at in {906, 960, 1050, 1100} else {CARGO: -60.0}
        belief = hear(belief, reads, to_s=float(at), seconds=2.0, model=MODEL, regimes=DAY)
    belief = close(belief, model=MODEL, regimes=DAY)
    assert looked_back(belief, [620.0, 1000.0], LATE) == pytest.approx([1.0, 1.0], abs=0.01)


def test_marks_are_answered_in_the_order_asked_and_keep_moments_leave_checkpoints(driven: Belief) -> None:
    """Each mark's row stands at its own moment; a checkpoint is left at each moment to keep, and only there."""
    marks, keep = [0.0, 300.0, 600.0, 750.0], [600.0]
    belief, found = assess(
        driven, model=MODEL, regimes=DAY, from_s=0.0, to_s=900.0, marks_s=marks, keep_s=keep, also_s=[123.0]
    )
    assert [found.at_s[row] for row in found.marks] == marks
    assert 123.0 in found.at_s
    assert [checkpoint.at_s for checkpoint in belief.checkpoints] == [0.0, 600.0]
    assert found.rounds.sum() == 450
    assert belief.at_s == 900.0
    assert (np.diff(found.at_s) >= 0).all()


def test_a_window_from_a_checkpoint_gives_what_the_whole_gives(driven: Belief) -> None:
    """Smoothed again from the departure on, every P(aboard) is what it is from the very begin."""
    belief, whole = assess(
        driven, model=MODEL, regimes=DAY, from_s=0.0, to_s=900.0, marks_s=[600.0, 750.0, 900.0], keep_s=[600.0]
    )
    _, window = assess(belief, model=MODEL, regimes=DAY, from_s=600.0, to_s=900.0, marks_s=[600.0, 750.0, 900.0])
    assert len(window.at_s) < len(whole.at_s)
    assert window.aboard[list(window.marks)] == pytest.approx(whole.aboard[list(whole.marks)], abs=1e-4)


def test_assessing_puts_the_live_belief_right() -> None:
    """A departure is found seconds late; the assessment carries the live belief over the road from where it began."""
    unaware = Regimes((0.0,), (Context.DOORS_OPEN,))
    belief = begin(MODEL, at_s=0.0)
    for at in range(2, 902, 2):
        reads = {CARGO: -60.0} if at > 600 else {CARGO: -60.0, STOCK: -60.0}
        belief = hear(belief, reads, to_s=float(at), seconds=2.0, model=MODEL, regimes=unaware)
    belief = close(belief, model=MODEL, regimes=unaware)
    unaware_p = aboard(belief, STOCK)
    belief, _ = assess(belief, model=MODEL, regimes=DAY, from_s=0.0, to_s=900.0, marks_s=[900.0])
    assert aboard(belief, STOCK) < 0.8 * unaware_p
    assert aboard(belief, CARGO) > 0.999


def test_forgetting_keeps_what_is_needed_and_numbers_it_anew(driven: Belief) -> None:
    """Slots before the checkpoint go, and tags that nobody needs; the rest answer as before under new numbers."""
    belief, _ = assess(driven, model=MODEL, regimes=DAY, from_s=0.0, to_s=900.0, marks_s=[900.0], keep_s=[600.0])
    strangers = {f"D{i}": 0.2 for i in range(5)}
    before = listen(begin(MODEL, at_s=0.0), from_s=0.0, to_s=60.0, heard={**strangers, "EE": 0.2})
    before = close(listen(before, from_s=60.0, to_s=600.0, heard={CARGO: 0.8}), model=MODEL, regimes=DAY)
    before = close(listen(before, from_s=600.0, to_s=900.0, heard={CARGO: 0.8}), model=MODEL, regimes=DAY)
    before, _ = assess(before, model=MODEL, regimes=DAY, from_s=0.0, to_s=900.0, marks_s=[900.0], keep_s=[600.0])
    after = forget(before, before_s=600.0, keep=["EE"], model=MODEL)
    assert after.tags == ("", "EE", CARGO)
    assert after.numbers == {"EE": 1, CARGO: 2}
    assert after.era == before.era + 1
    assert [checkpoint.at_s for checkpoint in after.checkpoints] == [600.0]
    assert all(part.middle_s >= 600.0 for part in after.slots)
    assert aboard(after, CARGO) == aboard(before, CARGO)
    ask = {"model": MODEL, "regimes": DAY, "from_s": 600.0, "to_s": 900.0, "marks_s": [610.0, 750.0]}
    _, old = assess(before, **ask)  # type: ignore[arg-type]
    _, new = assess(after, **ask)  # type: ignore[arg-type]
    assert new.aboard[list(new.marks), 2] == pytest.approx(old.aboard[list(old.marks), before.numbers[CARGO]], abs=1e-6)
    assert belief.tags == ("", CARGO, STOCK)


def test_forgetting_keeps_the_open_slots_tags(driven: Belief) -> None:
    """A tag heard a moment ago in a slot not yet closed keeps its reads under its new number."""
    belief, _ = assess(driven, model=MODEL, regimes=DAY, from_s=0.0, to_s=900.0, marks_s=[900.0], keep_s=[600.0])
    belief = hear(belief, {"FF": -70.0, CARGO: -60.0}, to_s=902.0, seconds=2.0, model=MODEL, regimes=DAY)
    after = forget(belief, before_s=600.0, keep=[], model=MODEL)
    assert {after.tags[number]: rssi for number, rssi in after.open[0].rssi_dbm.items()} == {"FF": -70.0, CARGO: -60.0}


def test_nothing_is_forgotten_where_no_checkpoint_stands(driven: Belief) -> None:
    """Without a checkpoint to go on from, everything stays."""
    late = replace(driven, checkpoints=())
    assert forget(late, before_s=600.0, keep=[], model=MODEL) is late


def test_a_slot_is_closed_when_it_is_full() -> None:
    """Rounds of 2 s fill a slot of some ten seconds; rounds far apart do not share one."""
    dense = listen(begin(MODEL, at_s=0.0), from_s=0.0, to_s=100.0, heard={CARGO: 1.0})
    assert all(part.to_s - part.from_s <= 14.0 for part in dense.slots)
    assert sum(part.rounds for part in dense.slots) + len(dense.open) == 50
    belief = begin(MODEL, at_s=0.0)
    for at in (10.0, 200.0, 400.0):
        belief = hear(belief, {CARGO: -60.0}, to_s=at, seconds=2.0, model=MODEL, regimes=DAY)
    assert [part.rounds for part in belief.slots] == [1, 1]
    assert belief.heard_s[1] == 200.0
