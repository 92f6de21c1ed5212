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
When an antenna is lost, part of what is aboard lies where that one alone heard it, and is hardly heard from then on.
When a tag's case is seen to get on or off (`agent.presence.cases`), all but the share that is apart goes with it:
b' = b J, with J a jump to aboard, part of it shadowed, or to away.

Source of the form: L. R. Rabiner, "A tutorial on hidden Markov models", Proc. IEEE 77 (1989), equations 19-28. Where
a figure of `Parameters` comes from stands beside it; "judgement" means ours, before any check was run.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from agent.presence.contexts import Context, Visit, doors_of, visit_of
from agent.presence.parameters import Parameters

Array = NDArray[np.float64]


# Not even the best tag is heard in every round.
MOST_RATE = 0.97


class Model:
    """The chain of `Parameters`: `rates` (S,), `is_aboard` (S,) bool, `first` (S,), `transition(…)` (S, S)."""

    def __init__(self, parameters: Parameters) -> None:
        p = parameters
        margins, fades, near = len(p.margins_db), len(p.fades_db), len(p.near_rates)
        self.parameters = p
        self.aboard = slice(0, margins * fades)  # by margin, then by fade
        hand = len(p.at_hand_rates)
        self.going_in = slice(margins * fades, margins * fades + hand)
        self.set_down = slice(self.going_in.stop, self.going_in.stop + hand)
        self.near = slice(self.set_down.stop, self.set_down.stop + near)
        self.beside = self.near.stop
        self.away = self.beside + 1
        self.left = self.away + 1
        self.states = self.left + 1
        level_db = np.array(p.margins_db)[:, None] + np.array(p.fades_db)[None, :]
        rates = p.ghost_rate + (MOST_RATE - p.ghost_rate) / (1 + np.exp(-level_db / p.slope_db))
        self.rates: Array = np.concatenate(
            [rates.ravel(), p.at_hand_rates, p.at_hand_rates, p.near_rates, [p.beside_rate, p.ghost_rate, p.ghost_rate]]
        )
        self.is_aboard = np.zeros(self.states, dtype=bool)
        self.is_aboard[self.aboard] = True
        self.is_near = np.zeros(self.states, dtype=bool)
        self.is_near[self.going_in.start : self.near.stop] = True
        self.is_at_hand = np.zeros(self.states, dtype=bool)
        self.is_at_hand[self.going_in.start : self.set_down.stop] = True
        self.kind_of_state = np.where(self.is_aboard, 0, np.where(self.is_at_hand, 1, 2))
        self._boarding: Array = np.outer(p.margin_weights, p.fade_weights).ravel()
        self._hidden: Array = np.zeros(margins * fades)
        self._hidden[:fades] = p.fade_weights
        self._standing: Array = np.array(p.near_weights)
        self._handing: Array = np.array(p.at_hand_weights)
        self.first: Array = np.zeros(self.states)
        self.first[self.aboard] = p.first_aboard * self._boarding
        self.first[self.near] = p.first_near * self._standing
        self.first[self.away] = 1 - p.first_aboard - p.first_near
        self.stays: Array = np.eye(self.states)
        self._with_case = lru_cache(maxsize=64)(self._follow)
        self._antenna_changed = lru_cache(maxsize=16)(self._redraw)
        self._generators = {context: self._generator(context) for context in Context}
        self._matrix = lru_cache(maxsize=4096)(self._exponential)
        self._table = lru_cache(maxsize=64)(self._counts)

    def transition(self, context: Context, elapsed_s: float) -> Array:
        """P (S, S), rows sum to 1: `belief @ P` is the belief `elapsed_s` later, to half a second, at most a day."""
        if doors_of(context) is Context.GAP:
            return self._matrix(context, round(2 * self.parameters.gap_counts_as_s))
        return self._matrix(context, min(round(2 * elapsed_s), 172_800))

    def with_case(self, *, on: bool, share: float = 1.0) -> Array:
        """P (S, S) at a moment at which a tag's case got on, or off, with probability `share`."""
        return self._with_case(on, share)

    def antenna_changed(self, share: float) -> Array:
        """P (S, S) when an antenna is lost that alone heard this share of what is aboard, or (0) when one is back."""
        return self._antenna_changed(share)

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

    def _follow(self, on: bool, share: float) -> Array:  # noqa: FBT001 - for the cache; `with_case` names it
        """What is in the case goes with it; off it goes to where cases are, from where it is brought again."""
        goes = share * (1 - self.parameters.apart_share)
        matrix = np.eye(self.states)
        outside = ~self.is_aboard
        if on:
            matrix[outside] *= 1 - goes
            shadowed = self.parameters.shadowed_share
            matrix[outside, self.aboard] += goes * ((1 - shadowed) * self._boarding + shadowed * self._hidden)
        else:
            matrix[self.is_aboard] *= 1 - goes
            matrix[self.is_aboard, self.away] += goes
        return matrix

    def _redraw(self, share: float) -> Array:
        """What only a lost antenna heard is hardly heard from now on; once it is back, all margins are drawn anew."""
        matrix = np.eye(self.states)
        if share > 0:
            matrix[self.aboard, self.aboard] *= 1 - share
            matrix[self.aboard, self.aboard] += share * self._hidden
        else:
            matrix[self.aboard, self.aboard] *= 0.5
            matrix[self.aboard, self.aboard] += 0.5 * self._boarding
        return matrix

    def _counts(self, rounds: int) -> Array:
        heard = np.arange(rounds + 1)[:, None]
        rate = self.rates[None, :]
        return np.ascontiguousarray(rate**heard * (1 - rate) ** (rounds - heard))

    def _generator(self, context: Context) -> Array:
        p = self.parameters
        q = np.zeros((self.states, self.states))
        fades = len(p.fades_db)
        lasts_s = p.fade_moving_s if context is Context.MOVING else p.fade_standing_s
        for first in range(0, len(p.margins_db) * fades, fades):
            for i in range(fades - 1):
                # A birth-death chain in detailed balance with the shares of time.
                low, high = p.fade_weights[i], p.fade_weights[i + 1]
                flow = 2 * low * high / (low + high) / lasts_s
                q[first + i, first + i + 1] += flow / low
                q[first + i + 1, first + i] += flow / high
        doors = doors_of(context)
        calm = doors in {Context.MOVING, Context.DOORS_CLOSED}
        q[self.aboard, self.aboard] += (p.redraw_moving_per_s if calm else p.redraw_standing_per_s) * self._boarding
        if doors is Context.MOVING:
            q[self.is_near, self.left] += p.left_behind_per_s
            q[self.aboard, self.left] += p.moving_change_per_s
            q[self.away, self.aboard] += p.moving_change_per_s * self._boarding
            q[self.away, self.beside] += p.beside_comes_per_s
            q[self.left, self.beside] += p.left_returns * p.beside_comes_per_s
            q[self.beside, self.away] += p.beside_leaves_per_s
        else:
            self._handle(q, doors, visit_of(context))
        np.fill_diagonal(q, 0.0)
        np.fill_diagonal(q, -q.sum(axis=1))
        return q

    def _handle(self, q: Array, doors: Context, visit: Visit) -> None:
        """Add to a generator what happens to things at a stop."""
        p = self.parameters
        handled = {
            Context.DOORS_OPEN: p.unload_open_per_s,
            Context.DOORS_CLOSED: p.unload_closed_per_s,
        }.get(doors, p.unload_unknown_per_s)
        unload = handled * (p.homecoming_factor if visit is Visit.HOMECOMING else 1.0)
        brought = handled * self._handing
        leaves = 1 / p.at_hand_lasts_s
        q[self.aboard, self.set_down] += unload * (1 - p.straight_off_share) * self._handing
        q[self.aboard, self.left] += unload * p.straight_off_share
        for hand, goes_in in ((self.going_in, p.going_in_share), (self.set_down, p.put_back_share)):
            q[hand, hand] += p.at_hand_redraw_per_s * self._handing
            q[hand, self.aboard] += leaves * goes_in * self._boarding
            q[hand, self.near] += leaves * (1 - goes_in) * p.stays_near_share * self._standing
            q[hand, self.left] += leaves * (1 - goes_in) * (1 - p.stays_near_share)
        q[self.near, self.going_in] += p.load_near_factor * brought
        q[self.near, self.near] += p.near_rate_redraw_per_s * self._standing
        q[self.near, self.left] += p.near_leaves_per_s
        back = p.left_returns if visit is Visit.FIRST else 1.0
        for gone, share in ((self.away, 1.0), (self.left, back)):
            q[gone, self.going_in] += share * p.load_away_factor * brought
            q[gone, self.aboard] += share * p.load_away_factor * handled * self._boarding
            q[gone, self.near] += share * p.near_comes_per_s * self._standing
        if visit is not Visit.FIRST:
            q[self.left, self.near] += p.found_again_per_s * self._standing
            q[self.left, self.away] += p.forgotten_per_s
        q[self.beside, self.near] += p.beside_leaves_per_s * self._standing

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
