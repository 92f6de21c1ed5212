"""The chain's matrices and likelihoods, against scipy and the binomial distribution."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.linalg import expm
from scipy.stats import binom

from agent.presence.contexts import Context, Visit, doors_of, on_visit, visit_of
from agent.presence.model import MOST_RATE, Model
from agent.presence.parameters import Parameters, parse_parameters

MODEL = Model(Parameters())
GAPS = {Context.GAP, Context.GAP_AGAIN, Context.GAP_HOME}
DRIVEN = [context for context in Context if context not in GAPS]


@pytest.mark.parametrize("context", list(Context))
def test_a_generator_loses_nothing(context: Context) -> None:
    """Each row of a generator sums to 0, with nothing negative off its diagonal."""
    q = MODEL._generators[context]
    assert q.sum(axis=1) == pytest.approx(np.zeros(MODEL.states), abs=1e-12)
    assert (q - np.diag(np.diag(q)) >= 0).all()


@pytest.mark.parametrize("context", list(Context))
@pytest.mark.parametrize("elapsed_s", [0.0, 0.5, 613.5, 86_400.0, 1e7])
def test_rows_of_a_transition_sum_to_one(context: Context, elapsed_s: float) -> None:
    """However long it takes, every state goes somewhere."""
    matrix = MODEL.transition(context, elapsed_s)
    assert matrix.sum(axis=1) == pytest.approx(np.ones(MODEL.states), abs=1e-9)
    assert (matrix >= 0).all()


@pytest.mark.parametrize("context", DRIVEN)
@pytest.mark.parametrize("elapsed_s", [0.5, 90.0, 36_000.0])
def test_a_transition_is_the_matrix_exponential(context: Context, elapsed_s: float) -> None:
    """Scaling, squaring and a Taylor series give scipy.linalg.expm (Pade approximation)."""
    expected = expm(MODEL._generators[context] * elapsed_s)
    assert MODEL.transition(context, elapsed_s) == pytest.approx(expected, abs=1e-10)


@pytest.mark.parametrize("context", DRIVEN)
def test_two_short_whiles_are_one_long_one(context: Context) -> None:
    """P(s) P(t) = P(s + t) (Chapman and Kolmogorov)."""
    both = MODEL.transition(context, 12.5) @ MODEL.transition(context, 400.0)
    assert both == pytest.approx(MODEL.transition(context, 412.5), abs=1e-10)


def test_a_gap_counts_the_same_however_long_it_was() -> None:
    """How long the power was off is not known, so it is always worth one stop."""
    assert np.array_equal(MODEL.transition(Context.GAP, 0.0), MODEL.transition(Context.GAP, 50_000.0))
    seconds = MODEL.parameters.gap_counts_as_s
    assert MODEL.transition(Context.GAP, 0.0) == pytest.approx(
        expm(MODEL._generators[Context.GAP] * seconds), abs=1e-10
    )


@pytest.mark.parametrize("rounds", [1, 5, 12])
def test_the_likelihood_is_binomial_up_to_its_coefficient(rounds: int) -> None:
    """The chance of k in n rounds is scipy's binomial probability over n choose k."""
    table = MODEL.likelihood(rounds)
    assert table.shape == (rounds + 1, MODEL.states)
    for heard in range(rounds + 1):
        expected = binom.pmf(heard, rounds, MODEL.rates) / math.comb(rounds, heard)
        assert table[heard] == pytest.approx(expected, rel=1e-9)


def test_a_tag_of_unknown_level_is_not_judged_by_its_strength() -> None:
    """Without a level learned on the road the strength says nothing; with one, a weak read speaks for outside."""
    level = np.array([-60.0])
    unknown = MODEL.strength(np.array([-75.0]), level, np.array([0.0]))
    assert unknown == pytest.approx(np.ones(unknown.shape), abs=1e-6)
    known = np.array([30.0])
    aboard, at_hand, elsewhere = MODEL.strength(np.array([-75.0]), level, known)[0]
    assert aboard < at_hand < elsewhere == 1.0
    aboard, at_hand, elsewhere = MODEL.strength(np.array([-60.0]), level, known)[0]
    assert 1.0 == aboard > at_hand > elsewhere
    assert set(MODEL.kind_of_state[MODEL.is_aboard]) == {0}
    assert set(MODEL.kind_of_state[~MODEL.is_aboard]) == {1, 2}


def test_moving_off_leaves_behind_what_is_near_and_keeps_what_is_aboard() -> None:
    """A minute on the road: what stood beside the van is out of hearing, what is aboard is aboard."""
    matrix = MODEL.transition(Context.MOVING, 60.0)
    assert matrix[MODEL.is_aboard][:, MODEL.is_aboard].sum(axis=1).min() > 0.99999
    assert matrix[MODEL.is_near][:, MODEL.is_near].sum(axis=1).max() < 1e-4


def test_open_doors_let_more_on_and_off_than_closed_ones() -> None:
    """An item is likelier to get off through open doors than through closed ones, and not known lies between."""
    off = {}
    for context in (Context.DOORS_OPEN, Context.DOORS_CLOSED, Context.DOORS_UNKNOWN):
        matrix = MODEL.transition(context, 600.0)
        off[context] = 1 - matrix[MODEL.is_aboard][:, MODEL.is_aboard].sum(axis=1).mean()
    assert off[Context.DOORS_CLOSED] < off[Context.DOORS_UNKNOWN] < off[Context.DOORS_OPEN]


def test_what_was_left_comes_back_only_where_the_van_has_been() -> None:
    """At a site seen for the first time, what was left somewhere else hardly turns up."""
    first = MODEL.transition(Context.DOORS_OPEN, 600.0)[MODEL.left, MODEL.is_aboard].sum()
    second = MODEL.transition(Context.DOORS_OPEN_AGAIN, 600.0)[MODEL.left, MODEL.is_aboard].sum()
    assert first < second / 5
    assert on_visit(Context.DOORS_OPEN, Visit.AGAIN) is Context.DOORS_OPEN_AGAIN
    assert on_visit(Context.DOORS_OPEN_AGAIN, Visit.HOMECOMING) is Context.DOORS_OPEN_HOME
    assert on_visit(Context.MOVING, Visit.AGAIN) is Context.MOVING


@pytest.mark.parametrize("context", list(Context))
def test_a_context_is_its_doors_and_its_visit(context: Context) -> None:
    """Taken apart and put together again a context is the same."""
    assert on_visit(doors_of(context), visit_of(context)) is context


def test_a_van_come_home_is_emptied() -> None:
    """Ten minutes with the doors open at home after a trip take far more off than at a drop."""
    drop = MODEL.transition(Context.DOORS_OPEN, 600.0)[MODEL.is_aboard][:, MODEL.is_aboard].sum(axis=1).mean()
    home = MODEL.transition(Context.DOORS_OPEN_HOME, 600.0)[MODEL.is_aboard][:, MODEL.is_aboard].sum(axis=1).mean()
    assert home < 0.3
    assert drop > 0.7


def test_the_first_belief_is_one() -> None:
    """Before anything was heard the states' weights sum to 1, and most tags are away."""
    assert MODEL.first.sum() == pytest.approx(1.0)
    assert MODEL.first[MODEL.away] > 0.5
    assert (MODEL.rates > 0).all()
    assert MODEL.rates.max() <= MOST_RATE


def test_parameters_of_a_vehicle_file_are_named_and_sane() -> None:
    """A known figure above 0 is taken; an unknown name or an impossible figure is told."""
    assert parse_parameters({"beside_rate": 0.5}).beside_rate == 0.5
    assert parse_parameters({"level_dbm": -61.0}).level_dbm == -61.0
    with pytest.raises(ValueError, match="besides_rate is no parameter; there are"):
        parse_parameters({"besides_rate": 0.5})
    with pytest.raises(ValueError, match="margins_db is no parameter"):
        parse_parameters({"margins_db": 3.0})
    with pytest.raises(ValueError, match="must be a number above 0"):
        parse_parameters({"beside_rate": -0.5})


@pytest.mark.parametrize("given", [{"beside_rate": 1.5}, {"first_aboard": 0.9}, {"straight_off_share": 2.0},
                                   {"ghost_rate": float("inf")}, {"rssi_temper": float("nan")}])  # fmt: skip
def test_a_probability_above_one_is_refused(given: dict[str, float]) -> None:
    """A figure that would leave a probability below 0, above 1 or no number at all is told, not computed with."""
    with pytest.raises(ValueError, match=next(iter(given))):
        parse_parameters(given)
