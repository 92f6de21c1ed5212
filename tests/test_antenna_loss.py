"""An antenna that dies unnoticed is found by what the others go on hearing; one with nothing to hear is not."""

from __future__ import annotations

import numpy as np

from agent.antenna_loss import LASTS_S, LATE_S, Antennas
from agent.presence.contexts import Context
from agent.presence.model import Model
from agent.presence.parameters import Parameters
from agent.presence.slots import Regimes
from agent.records import Inventory, Read

TAGS = ("E2801", "E2802", "E2803")


def heard(t_s: float, *antennas: int, tags: tuple[str, ...] = TAGS, on: tuple[int, ...] = (1, 2)) -> Inventory:
    """A round on `on`, in which each of the tags was heard on each of `antennas`."""
    reads = tuple(Read(t_s, tag, antenna, -60.0) for tag in tags for antenna in antennas)
    return Inventory(mono=t_s, seconds=1.0, antennas=on, reads=reads)


def listen(
    state: Antennas, from_s: float, to_s: float, *antennas: int, tags: tuple[str, ...] = TAGS
) -> Antennas:
    """A round every five seconds."""
    t_s = from_s
    while t_s < to_s:
        state = state.take(t_s, heard(t_s, *antennas, tags=tags))
        t_s += 5.0
    return state


def test_an_antenna_that_falls_silent_while_the_other_goes_on_is_lost_from_then() -> None:
    """It is found after a quarter of an hour, and dated back to its first silent round."""
    state = listen(listen(Antennas(), 0, 600, 1, 2), 600, 600 + LASTS_S, 1)
    assert not state.lost
    state = listen(state, 600 + LASTS_S, 700 + LASTS_S, 1)
    assert state.lost == {2}
    assert [(loss.at_s, loss.antenna, loss.lost, loss.told) for loss in state.losses] == [(600.0, 2, True, False)]
    assert state.unnoticed() == state.losses
    assert not state.say(2000.0, 2, lost=False).unnoticed()


def test_it_is_back_with_the_first_read_on_it() -> None:
    """Whoever plugs the cable in again need tell nobody."""
    state = listen(listen(listen(Antennas(), 0, 600, 1, 2), 600, 2000, 1), 2000, 2005, 1, 2)
    assert not state.lost
    assert (state.losses[-1].at_s, state.losses[-1].lost) == (2000.0, False)


def test_an_antenna_that_never_heard_these_tags_is_not_missed() -> None:
    """What only the other antenna ever heard says nothing of this one."""
    state = listen(listen(Antennas(), 0, 600, 1, 2), 600, 5000, 1, tags=("E2901", "E2902", "E2903"))
    assert not state.lost


def test_one_tag_moved_out_of_reach_is_no_loss() -> None:
    """Of the tags that are left one alone used to be heard there: it may have been moved."""
    state = listen(Antennas(), 0, 600, 1, 2, tags=TAGS[:1])
    state = listen(state, 600, 900, 1, tags=TAGS[1:])
    assert not listen(state, 900, 5000, 1).lost


def test_silence_of_all_says_nothing_of_one() -> None:
    """With both antennas silent the van may be empty."""
    state = listen(listen(Antennas(), 0, 600, 1, 2), 600, 5000)
    assert not state.lost


def test_what_the_reader_says_counts_and_reads_on_their_way_do_not_undo_it() -> None:
    """A report of a moment before may come after the event that tells of the loss."""
    state = listen(Antennas(), 0, 600, 1, 2).say(600.0, 1, lost=True)
    state = state.take(603.0, heard(603.0, 1, 2))
    assert state.lost == {1}
    assert not state.take(601.0 + LATE_S, heard(601.0 + LATE_S, 1)).lost
    assert not state.say(700.0, 1, lost=False).lost


def test_what_is_out_of_reach_is_an_equal_part_of_what_one_antenna_alone_hears() -> None:
    """One of two antennas lost, half of whose part it alone hears: a quarter; none before and after."""
    state = listen(Antennas(), 0, 600, 1, 2).say(600.0, 1, lost=True).say(900.0, 1, lost=False)
    assert state.deaf(0.5) == ((600.0, 0.25), (900.0, 0.0))
    assert state.forget(700.0) == state
    assert state.forget(1000.0).deaf(0.5) == ()
    spans = ((0, 600), (650, 700), (500, 2000), (950, 2000))
    assert [state.most_deaf(0.5, *span) for span in spans] == [0, 0.25, 0.25, 0]


def test_a_silence_that_begins_with_the_loss_of_an_antenna_is_weaker_evidence_of_an_unloading() -> None:
    """P(aboard) after a silent stretch is higher when an antenna was lost before it, and all rows still sum to 1."""
    model = Model(Parameters())
    silent = model.likelihood(100)[0]
    p = {}
    for name, deaf in (("lost", ((50.0, 0.25),)), ("whole", ())):
        regimes = Regimes((0.0,), (Context.DOORS_OPEN,), deaf=deaf)
        matrix = regimes.transition(model, 0.0, 100.0)
        assert np.allclose(matrix.sum(axis=1), 1.0)
        aboard = np.where(model.is_aboard, model.first, 0.0)
        belief = (aboard @ matrix) * silent
        p[name] = belief[model.is_aboard].sum() / belief.sum()
    assert p["lost"] > p["whole"] + 0.05
