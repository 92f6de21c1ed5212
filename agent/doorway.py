"""Who moved through a doorway: passes of a crowd of tags, and for each tag whether it was carried along or stood near.

Takes reads by the side their antenna looks to, and nothing else: no register, no labels, no rate of any tag. A tag that
stands near a door is read there as often as one that is carried through; what it does not do is change sides when the
others do. Leaves to others whose reads these are, and what a crossing means for custody.

**Passes.** Of a tag that was read both in the h seconds before a moment and in the h seconds after it, let b and b' be
the looking-in antennas' reads less the looking-out ones', as a share of its reads, before and after; s = (b' - b) / 2.
For a standing tag before and after are alike, so that s is as likely as -s: then the sum of s over all tags has the sum
of s^2 for its variance (a sign test, with weights). A pass is where |sum s| is largest and beyond so many deviations.

**Carried or standing.** Within a pass every tag is a hidden Markov chain over cells of time (`agent.presence.chain`).
In cell t the antennas of side s hear it, independently of the other side, with probability

    carried, level l_s:    1 - (1 - q_s(t))^l_s
    standing, rate r_s:    r_s

q_s(t) is the crowd's own timing: the share of carried tags that side s hears in cell t. It is the same for all, so a
tag is carried if it comes and goes with the others. Levels and rates are states: a carried tag is heard worse or better
than the crowd on each side, a standing one as its place has it; both are redrawn now and then, at the presence model's
own pace. Nothing moves between carried and standing within a pass, so the belief after the last cell is already
the smoothed one. q and the share of carried tags are not known; expectation maximisation finds them, starting from a
plain crossing q°: with w_i = P(tag i carried | its reads, q) and h_is(t) in {0, 1} whether it was heard,

    q_s(t) = (sum_i w_i h_is(t) + k q°_s(t)) / (sum_i w_i + k)

until w stands still; k tags' worth of the plain crossing stay in, so that a lone tag is not held against itself only.

Source of the form: A. P. Dempster, N. M. Laird, D. B. Rubin, "Maximum likelihood from incomplete data via the EM
algorithm", J. R. Stat. Soc. B 39 (1977); L. R. Rabiner, Proc. IEEE 77 (1989).

Limits. All of a pass moves one way: a tag that goes against the crowd, or by itself, counts as standing. To find a pass
takes sixteen tags that change sides, and some thirty among sixty that stand about. `judge` takes fewer, when something
else says that there was a pass; but with fewer than eight carried it is the stock that shapes the timing, and a tenth
to a fifth of sixty standing tags are taken for carried. How a tag is read hangs on how it is turned and on what stands
before it, and reads of one tag hang together, so that probabilities lie too near 0 and 1: they order the tags, and say
little beyond that.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from itertools import pairwise, product
from typing import Literal

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from agent.presence.chain import Counts, Step, filter_all
from agent.presence.model import Array
from agent.presence.parameters import Parameters

Side = Literal["in", "out"]
SIDES: tuple[Side, Side] = ("in", "out")


class DoorRead(Struct, frozen=True):
    """One read: when, whose, and to which side of the door its antenna looks."""

    at_s: float
    tag: str
    looking: Side


class Pass(Struct, frozen=True):
    """A crowd went through at `at_s`, towards `heading`; what it did from `from_s` to `to_s` belongs to that."""

    at_s: float
    from_s: float
    to_s: float
    heading: Side


class Door(Struct, frozen=True):
    """Every figure of this module that the presence model does not have.

    "Judgement" means ours: reasoned, or by the likelihood of unlabelled reads; none was picked by a score.
    """

    # A pack is heard on either side of a door for about this long, at a walk. Judgement.
    swing_s: float = 3.0
    grid_s: float = 0.25
    # How many standard deviations no stock swings by chance: once in some ten thousand moments. Judgement. It takes
    # 16 tags that all change sides.
    swing_bound: float = 4.0
    # Nobody carries a pack through, turns it and carries it back sooner. Judgement.
    apart_s: float = 5.0
    # What happened longer before or after a crossing is no part of it. Judgement.
    reach_s: float = 10.0
    # A cell counts as one inventory round of the presence model. In S1 a tag answers about once in it. Judgement.
    cell_s: float = 1.0
    # How well a carried tag is heard beside the crowd: 3 dB either way, as the share of tags and sides. Judgement.
    levels: tuple[float, ...] = (0.5, 1.0, 2.0)
    level_weights: tuple[float, ...] = (0.25, 0.5, 0.25)
    # A standing tag is heard on a side in one cell in a hundred up to two in three, no rate likelier than another, in
    # steps no wider than the levels: else a timing with no crossing in it would fit stock better than its own rates.
    rates: tuple[float, ...] = (0.01, 0.02, 0.04, 0.08, 0.16, 0.32, 0.64)
    # The plain crossing: heard in this share of cells on the side where it is, and on the other; it weighs as much as
    # so many tags. Judgement.
    plain_here: float = 0.3
    plain_there: float = 0.03
    plain_weight: float = 10.0
    # EM stops when no tag's probability moves by more than this, or after so many turns.
    still: float = 1e-4
    turns: int = 100


def find_passes(reads: Iterable[DoorRead], *, door: Door | None = None) -> tuple[Pass, ...]:
    """The passes in these reads, in order of time; empty where no crowd changes sides.

    The reads may come in any order. A crossing less than `swing_s` from the first or last read is not looked for.
    """
    door = door or Door()
    by_tag: dict[str, list[tuple[float, float]]] = {}
    for read in reads:
        by_tag.setdefault(read.tag, []).append((read.at_s, 1.0 if read.looking == "in" else -1.0))
    begin_s = min((at_s for of_tag in by_tag.values() for at_s, _ in of_tag), default=0.0)
    end_s = max((at_s for of_tag in by_tag.values() for at_s, _ in of_tag), default=0.0)
    half = round(door.swing_s / door.grid_s)
    places = math.ceil((end_s - begin_s) / door.grid_s) - 2 * half + 1
    if places < 1:
        return ()
    swing, square = np.zeros(places), np.zeros(places)
    for _, of_tag in sorted(by_tag.items()):
        of_one = _swing(np.array(of_tag), begin_s, places, half, door.grid_s)
        swing += of_one
        square += of_one**2
    found: list[int] = []
    for place in np.argsort(-np.abs(swing), kind="stable").tolist():
        sure = abs(swing[place]) > door.swing_bound * math.sqrt(square[place])
        if sure and all(abs(place - other) * door.grid_s >= door.apart_s for other in found):
            found.append(place)
    if not found:
        return ()
    found.sort()
    times = [begin_s + (place + half) * door.grid_s for place in found]
    borders = [-math.inf, *((a + b) / 2 for a, b in pairwise(times)), math.inf]
    return tuple(
        Pass(
            at_s=at_s,
            from_s=max(before, at_s - door.reach_s),
            to_s=min(after, at_s + door.reach_s),
            heading="in" if swing[place] > 0 else "out",
        )
        for at_s, place, before, after in zip(times, found, borders[:-1], borders[1:], strict=True)
    )


def _swing(reads: Array, begin_s: float, places: int, half: int, grid_s: float) -> Array:
    """Half of b' - b at each place (places,) for one tag, whose `reads` are (n, 2): when, and 1 for in, -1 for out."""
    cells = places + 2 * half - 1
    number = np.minimum(((reads[:, 0] - begin_s) / grid_s).astype(int), cells - 1)
    total = np.concatenate([[0.0], np.cumsum(np.bincount(number, weights=reads[:, 1], minlength=cells))])
    count = np.concatenate([[0], np.cumsum(np.bincount(number, minlength=cells))])
    sums, counts = total[half:] - total[:-half], count[half:] - count[:-half]
    balance = sums / np.maximum(counts, 1)
    both = (counts[half:] > 0) & (counts[:-half] > 0)
    swing: Array = np.where(both, (balance[half:] - balance[:-half]) / 2, 0.0)
    return swing


def judge(
    reads: Iterable[DoorRead], crossing: Pass, *, door: Door | None = None, parameters: Parameters | None = None
) -> dict[str, float]:
    """P(carried through) of each tag that is read within the pass; neither the order of reads nor names matter."""
    door, parameters = door or Door(), parameters or Parameters()
    tags, heard, plain = _lay_out(reads, crossing, door)
    if not tags:
        return {}
    chain = _Chain(door, parameters)
    codes: Counts = (heard[:, :, 0] + 2 * heard[:, :, 1]).astype(np.int16)
    timing, share = plain, 0.5
    carried: Array = np.full(len(tags), share)
    for _ in range(door.turns):
        first = np.repeat(chain.first(share)[None, :], len(tags), axis=0)
        belief = filter_all(first, chain.steps(codes, timing))
        before, carried = carried, belief[:, chain.is_carried].sum(axis=1)
        if np.abs(carried - before).max() < door.still:
            break
        weight = carried.sum() + door.plain_weight
        timing = (np.tensordot(carried, heard, axes=1) + door.plain_weight * plain) / weight
        share = (carried.sum() + door.plain_weight / 2) / (len(tags) + door.plain_weight)
    return {tag: min(1.0, float(p)) for tag, p in zip(tags, carried, strict=True)}


def _lay_out(
    reads: Iterable[DoorRead], crossing: Pass, door: Door
) -> tuple[Sequence[str], NDArray[np.float64], NDArray[np.float64]]:
    """The tags; heard or not (tags, cells, sides) as 0 and 1; the plain crossing (cells, sides).

    The crossing is the border between two cells, so that no cell holds both what was before and after it.
    """
    inside = [read for read in reads if crossing.from_s <= read.at_s < crossing.to_s]
    tags = sorted({read.tag for read in inside})
    rows: Mapping[str, int] = {tag: row for row, tag in enumerate(tags)}
    before = math.ceil((crossing.at_s - crossing.from_s) / door.cell_s)
    cells = before + math.ceil((crossing.to_s - crossing.at_s) / door.cell_s)
    heard = np.zeros((len(tags), cells, len(SIDES)))
    for read in inside:
        cell = before + math.floor((read.at_s - crossing.at_s) / door.cell_s)
        heard[rows[read.tag], cell, SIDES.index(read.looking)] = 1.0
    goal = SIDES.index(crossing.heading)
    plain = np.full((cells, len(SIDES)), door.plain_there)
    plain[:before, 1 - goal] = door.plain_here
    plain[before:, goal] = door.plain_here
    return tags, heard, plain


class _Chain:
    """The states: carried by level on each side, then standing by rate on each side; `is_carried` (S,) bool."""

    def __init__(self, door: Door, parameters: Parameters) -> None:
        self.levels: Array = np.array(list(product(door.levels, repeat=len(SIDES))))
        self.rates: Array = np.array(list(product(door.rates, repeat=len(SIDES))))
        self._going: Array = np.outer(door.level_weights, door.level_weights).ravel()
        self._standing: Array = np.full(len(self.rates), 1 / len(self.rates))
        moving, states = len(self.levels), len(self.levels) + len(self.rates)
        self.is_carried = np.arange(states) < moving
        self._transition: Array = np.zeros((states, states))
        self._transition[:moving, :moving] = _redraw(self._going, door.cell_s / parameters.fade_moving_s)
        standing_s = 1 / parameters.near_rate_redraw_per_s
        self._transition[moving:, moving:] = _redraw(self._standing, door.cell_s / standing_s)

    def first(self, share: float) -> Array:
        """The belief (S,) about a tag of which nothing is known but that such a share is carried."""
        return np.concatenate([share * self._going, (1 - share) * self._standing])

    def steps(self, codes: Counts, timing: Array) -> list[Step]:
        """A step for each cell of the crowd's timing (cells, sides).

        `codes` (tags, cells): by which sides a tag was heard, as 1 (in) and 2 (out) added; they pick the row of the
        step's table, as the count of rounds does in a van.
        """
        made = []
        for cell, crowd in enumerate(timing):
            going = 1 - (1 - crowd[None, :]) ** self.levels
            by_in, by_out = np.concatenate([going, self.rates]).T
            unheard_in, unheard_out = 1 - by_in, 1 - by_out
            table = np.stack([unheard_in * unheard_out, by_in * unheard_out, unheard_in * by_out, by_in * by_out])
            made.append(Step(float(cell), self._transition, table, codes[:, cell]))
        return made


def _redraw(weights: Array, times: float) -> Array:
    """P (n, n) of states drawn anew from `weights` at a rate of once a unit, after so many units."""
    stays = math.exp(-times)
    moved: Array = stays * np.eye(len(weights)) + (1 - stays) * weights[None, :]
    return moved
