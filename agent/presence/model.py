"""The presence model: one hidden Markov chain for each tag, its states, hazards and read rates.

A tag is *aboard* (a margin over the reader's threshold, and a fade that wanders), *at hand* beside the open doors,
*near* the standing van (four read rates each), travelling *beside* it, *away* and not met yet, or *left*: met before
and left somewhere, from where it does not come to another site by itself. Between two observations `elapsed_s` apart
the belief b (a row over states) moves by

    b' = b expm(Q(context) elapsed_s)

with a generator Q for each context: moving, standing with doors open / closed / not known, and a gap in the record.
While the van moves nothing gets on or off, and what is near is left behind: that is the strongest evidence there is.
A slot of n rounds in which the tag was heard k times has the likelihood

    L(k | n, state) = r(state)^k (1 - r(state))^(n-k)

with r(state) the state's read rate per round. The rates are states, so no tag and no antenna needs calibrating.

Source of the form: L. R. Rabiner, "A tutorial on hidden Markov models", Proc. IEEE 77 (1989), equations 19-28. Where
a figure of `Parameters` comes from stands beside it; "judgement" means ours, before any check was run.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from enum import IntEnum
from functools import lru_cache

import numpy as np
from msgspec import Struct
from msgspec.structs import asdict, replace
from numpy.typing import NDArray

Array = NDArray[np.float64]


class Context(IntEnum):
    """What the van was doing while time passed; decides which changes are possible.

    `AGAIN`: at home, or at a site where it has been before on this trip, so that what was left there may come back.
    """

    MOVING = 0
    DOORS_OPEN = 1
    DOORS_CLOSED = 2
    DOORS_UNKNOWN = 3
    GAP = 4
    DOORS_OPEN_AGAIN = 5
    DOORS_CLOSED_AGAIN = 6
    DOORS_UNKNOWN_AGAIN = 7
    GAP_AGAIN = 8


_FIRST_TIME = {
    Context.DOORS_OPEN_AGAIN: Context.DOORS_OPEN,
    Context.DOORS_CLOSED_AGAIN: Context.DOORS_CLOSED,
    Context.DOORS_UNKNOWN_AGAIN: Context.DOORS_UNKNOWN,
    Context.GAP_AGAIN: Context.GAP,
}
_AGAIN = {first: again for again, first in _FIRST_TIME.items()}


def again(context: Context) -> Context:
    """The same at a place where the van has been before."""
    return _AGAIN.get(context, context)


# Not even the best tag is heard in every round.
MOST_RATE = 0.97


class Parameters(Struct, frozen=True):
    """Every figure of the model. Rates are per round, hazards per second, weights sum to 1."""

    # A tag aboard is heard with probability logistic((margin + fade) / slope) in a round: its margin over the reader's
    # threshold belongs to the tag where it lies and stays; the fade wanders. Margins span read rates from under 0.01 to
    # nearly 1 (design.md, Presence); how common each is, is judgement.
    margins_db: tuple[float, ...] = (-11.0, -7.0, -3.0, 0.0, 3.0, 7.0, 14.0)
    margin_weights: tuple[float, ...] = (0.025, 0.04, 0.08, 0.13, 0.20, 0.28, 0.245)
    slope_db: float = 1.5
    # Silences at a real dock door run about twice as long as independent reads would give (standards/dock_reads:
    # silences times mean rate, median 14 against 6): fades of this depth, with these shares of time, from one to the
    # next in about this long. Depths and time are judgement.
    fades_db: tuple[float, ...] = (-14.0, -6.0, 0.0, 4.0)
    fade_weights: tuple[float, ...] = (0.10, 0.22, 0.43, 0.25)
    fade_time_s: float = 80.0
    # At hand: just set down beside the open doors or about to go in, heard about as well as inside, not for long.
    at_hand_rates: tuple[float, ...] = (0.02, 0.25, 0.6, 0.92)
    at_hand_weights: tuple[float, ...] = (0.25, 0.25, 0.25, 0.25)
    at_hand_lasts_s: float = 120.0
    at_hand_redraw_per_s: float = 1 / 60
    # Standing about: stock and strangers within earshot, for as long as the van stands and longer.
    near_rates: tuple[float, ...] = (0.004, 0.05, 0.3, 0.8)
    near_weights: tuple[float, ...] = (0.35, 0.30, 0.20, 0.15)
    beside_rate: float = 0.25
    # A read of a tag that is nowhere near: a wrong EPC that passed its CRC, or a far reflection. Judgement.
    ghost_rate: float = 2e-5
    # Rates are redrawn when cargo shifts (moving) or is handled (standing with the doors open). Judgement.
    redraw_moving_per_s: float = 1 / 6000
    redraw_standing_per_s: float = 1 / 1000
    # What gets on and off at a stop. Judgement: one item in four changes at a stop of a quarter of an hour.
    unload_open_per_s: float = 1 / 3000
    unload_closed_per_s: float = 1 / 200_000
    unload_unknown_per_s: float = 1 / 4000
    # What is brought to the doors of an open van goes in, two times in three. Judgement.
    at_hand_goes_in: float = 0.65
    # How much likelier than an unloading it is that something standing near, or away unheard, is brought. Judgement.
    load_near_factor: float = 2.0
    load_away_factor: float = 0.35
    # What is set down at the doors is mostly taken in at once, and at times left standing there. Judgement.
    straight_off_share: float = 0.35
    stays_near_share: float = 0.2
    # What was left at one site turns up at another only by some other van: this share of what never was met. Judgement.
    left_returns: float = 0.01
    forgotten_per_s: float = 1 / 43_200
    near_leaves_per_s: float = 1 / 1200
    near_comes_per_s: float = 1 / 4000
    near_rate_redraw_per_s: float = 1 / 240
    # What is left behind is out of hearing within seconds of moving off. Judgement.
    left_behind_per_s: float = 1 / 5
    moving_change_per_s: float = 1e-8
    beside_comes_per_s: float = 1e-5
    beside_leaves_per_s: float = 1 / 100
    # A gap counts as this long a stop with the doors not known, whatever its true length. Judgement.
    gap_counts_as_s: float = 900.0
    # What a tag is before anything was ever heard: most of a register is somewhere else.
    first_aboard: float = 0.005
    first_near: float = 0.20
    # Signal strength: a tag's own level aboard is learned while the van moves; outside it reads weaker. Path loss to a
    # place beside the door is some 8 dB more than inside; judgement. Tempered, for strengths of one tag hang together.
    level_dbm: float = -56.0
    level_sigma_db: float = 6.0
    rssi_sigma_db: float = 4.0
    near_loss_db: float = 8.0
    at_hand_loss_db: float = 3.0
    near_sigma_db: float = 7.0
    rssi_temper: float = 0.25


def parse_parameters(given: Mapping[str, float]) -> Parameters:
    """The parameters with those of a vehicle file's `[presence]`; ValueError for an unknown or impossible one."""
    single = {name for name, value in asdict(Parameters()).items() if isinstance(value, float)}
    for name, value in given.items():
        if name not in single:
            raise ValueError(f"{name} is no parameter; there are {', '.join(sorted(single))}")
        if not math.isfinite(value) or (value <= 0 and name != "level_dbm"):
            raise ValueError(f"{name} = {value} must be a number above 0")
        if value >= 1 and not name.endswith(("_s", "_db", "_dbm", "_factor", "_temper")):
            raise ValueError(f"{name} = {value} must be below 1")
    p = replace(Parameters(), **given)
    if p.first_aboard + p.first_near >= 1:
        raise ValueError(f"first_aboard + first_near = {p.first_aboard + p.first_near:g} must be below 1")
    return p


class Model:
    """The chain of `Parameters`: `rates` (S,), `is_aboard` (S,) bool, `first` (S,), `transition(…)` (S, S)."""

    def __init__(self, parameters: Parameters) -> None:
        p = parameters
        margins, fades, near = len(p.margins_db), len(p.fades_db), len(p.near_rates)
        self.parameters = p
        self.aboard = slice(0, margins * fades)  # by margin, then by fade
        hand = len(p.at_hand_rates)
        self.at_hand = slice(margins * fades, margins * fades + hand)
        self.near = slice(self.at_hand.stop, self.at_hand.stop + near)
        self.beside = self.near.stop
        self.away = self.beside + 1
        self.left = self.away + 1
        self.states = self.left + 1
        level_db = np.array(p.margins_db)[:, None] + np.array(p.fades_db)[None, :]
        rates = p.ghost_rate + (MOST_RATE - p.ghost_rate) / (1 + np.exp(-level_db / p.slope_db))
        self.rates: Array = np.concatenate(
            [rates.ravel(), p.at_hand_rates, p.near_rates, [p.beside_rate, p.ghost_rate, p.ghost_rate]]
        )
        self.is_aboard = np.zeros(self.states, dtype=bool)
        self.is_aboard[self.aboard] = True
        self.is_near = np.zeros(self.states, dtype=bool)
        self.is_near[self.at_hand.start : self.near.stop] = True
        self.is_at_hand = np.zeros(self.states, dtype=bool)
        self.is_at_hand[self.at_hand] = True
        self.kind_of_state = np.where(self.is_aboard, 0, np.where(self.is_at_hand, 1, 2))
        self._boarding: Array = np.outer(p.margin_weights, p.fade_weights).ravel()
        self._standing: Array = np.array(p.near_weights)
        self._handing: Array = np.array(p.at_hand_weights)
        self.first: Array = np.zeros(self.states)
        self.first[self.aboard] = p.first_aboard * self._boarding
        self.first[self.near] = p.first_near * self._standing
        self.first[self.away] = 1 - p.first_aboard - p.first_near
        self._generators = {context: self._generator(context) for context in Context}
        self._matrix = lru_cache(maxsize=4096)(self._exponential)
        self._table = lru_cache(maxsize=64)(self._counts)

    def transition(self, context: Context, elapsed_s: float) -> Array:
        """P (S, S), rows sum to 1: `belief @ P` is the belief `elapsed_s` later, to half a second, at most a day."""
        if context in {Context.GAP, Context.GAP_AGAIN}:
            return self._matrix(context, round(2 * self.parameters.gap_counts_as_s))
        return self._matrix(context, min(round(2 * elapsed_s), 172_800))

    def strength(self, rssi_dbm: Array, level_dbm: Array, slots: Array) -> Array:
        """Factors (tags, 3) from signal strength on what is aboard, at hand, elsewhere; the largest of each row is 1.

        `kind_of_state` (S,) says which of the three a state takes.

        `level_dbm` is each tag's mean strength over `slots` slots heard while moving. A tag whose level is not known
        says nothing: its offset would count again at every slot.
        """
        p = self.parameters
        shrink = p.level_sigma_db**2 / (p.level_sigma_db**2 + p.rssi_sigma_db**2 / np.maximum(slots, 1e-9))
        spread = p.level_sigma_db**2 * (1 - shrink)
        inside, outside = p.rssi_sigma_db**2 + spread, p.near_sigma_db**2 + spread
        logs = np.stack(
            [
                -0.5 * (rssi_dbm - level_dbm) ** 2 / inside - 0.5 * np.log(inside),
                -0.5 * (rssi_dbm - level_dbm + p.at_hand_loss_db) ** 2 / outside - 0.5 * np.log(outside),
                -0.5 * (rssi_dbm - level_dbm + p.near_loss_db) ** 2 / outside - 0.5 * np.log(outside),
            ],
            axis=1,
        )
        logs *= (p.rssi_temper * shrink)[:, None]
        factors: Array = np.exp(logs - logs.max(axis=1, keepdims=True))
        return factors

    def likelihood(self, rounds: int) -> Array:
        """Table (rounds + 1, S): probability of being heard in exactly those k of n rounds, by state."""
        return self._table(rounds)

    def _counts(self, rounds: int) -> Array:
        heard = np.arange(rounds + 1)[:, None]
        rate = self.rates[None, :]
        return np.ascontiguousarray(rate**heard * (1 - rate) ** (rounds - heard))

    def _generator(self, context: Context) -> Array:
        p = self.parameters
        q = np.zeros((self.states, self.states))
        fades = len(p.fades_db)
        for first in range(0, len(p.margins_db) * fades, fades):
            for i in range(fades - 1):
                # A birth-death chain in detailed balance with the shares of time.
                low, high = p.fade_weights[i], p.fade_weights[i + 1]
                flow = 2 * low * high / (low + high) / p.fade_time_s
                q[first + i, first + i + 1] += flow / low
                q[first + i + 1, first + i] += flow / high
        moving = context is Context.MOVING
        redraw = p.redraw_moving_per_s if moving or context is Context.DOORS_CLOSED else p.redraw_standing_per_s
        q[self.aboard, self.aboard] += redraw * self._boarding
        if moving:
            q[self.at_hand, self.left] += p.left_behind_per_s
            q[self.near, self.left] += p.left_behind_per_s
            q[self.aboard, self.left] += p.moving_change_per_s
            q[self.away, self.aboard] += p.moving_change_per_s * self._boarding
            q[self.away, self.beside] += p.beside_comes_per_s
            q[self.left, self.beside] += p.beside_comes_per_s
            q[self.beside, self.away] += p.beside_leaves_per_s
        else:
            unload = {
                Context.DOORS_OPEN: p.unload_open_per_s,
                Context.DOORS_CLOSED: p.unload_closed_per_s,
            }.get(_FIRST_TIME.get(context, context), p.unload_unknown_per_s)
            back = 1.0 if context in _FIRST_TIME else p.left_returns
            brought = unload * self._handing
            leaves = 1 / p.at_hand_lasts_s
            q[self.aboard, self.at_hand] += (1 - p.straight_off_share) * brought
            q[self.aboard, self.left] += unload * p.straight_off_share
            q[self.at_hand, self.at_hand] += p.at_hand_redraw_per_s * self._handing
            q[self.at_hand, self.aboard] += leaves * p.at_hand_goes_in * self._boarding
            q[self.at_hand, self.near] += leaves * p.stays_near_share * self._standing
            q[self.at_hand, self.left] += leaves * (1 - p.at_hand_goes_in - p.stays_near_share)
            q[self.near, self.at_hand] += p.load_near_factor * brought
            q[self.near, self.near] += p.near_rate_redraw_per_s * self._standing
            q[self.near, self.left] += p.near_leaves_per_s
            for gone, share in ((self.away, 1.0), (self.left, back)):
                q[gone, self.at_hand] += share * p.load_away_factor * brought
                q[gone, self.aboard] += share * p.load_away_factor * unload * self._boarding
                q[gone, self.near] += share * p.near_comes_per_s * self._standing
            q[self.beside, self.near] += p.beside_leaves_per_s * self._standing
        q[self.left, self.away] += p.forgotten_per_s
        np.fill_diagonal(q, 0.0)
        np.fill_diagonal(q, -q.sum(axis=1))
        return q

    def _exponential(self, context: Context, half_seconds: int) -> Array:
        """Scaling and squaring with a Taylor series: Q is small and its norm known, so no library is needed here."""
        a = self._generators[context] * (half_seconds / 2)
        norm = float(np.abs(a).sum(axis=1).max())
        squarings = max(0, int(np.ceil(np.log2(max(norm, 1e-12)))) + 2)
        a = a / 2**squarings
        term = np.eye(self.states)
        total = term.copy()
        for order in range(1, 13):
            term = term @ a / order
            total += term
        for _ in range(squarings):
            total = total @ total
        total = np.maximum(total, 0.0)
        return np.ascontiguousarray(total / total.sum(axis=1, keepdims=True))
