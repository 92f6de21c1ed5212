"""What is believed of every tag heard so far: forward live, backward when asked. Immutable; each call gives a new one.

Column 0 is no tag: it is the belief about a tag that was never heard, from which a newly heard tag starts, silent up
to now. Checkpoints are forward beliefs at past moments, from which a window can be smoothed again with better
knowledge of what the van was doing then.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Mapping, Sequence

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from agent.presence.cases import ALONE, Company
from agent.presence.chain import Weights, filter_step, smooth_and_keep
from agent.presence.contexts import Context
from agent.presence.model import Array, Model
from agent.presence.slots import SLOT_ROUNDS, SLOT_S, Heard, Levels, Regimes, Slot, close_slot, lay_out


class Checkpoint(Struct, frozen=True, eq=False):
    """The forward belief (tags then known, S) at `at_s`, slots up to then taken in."""

    at_s: float
    belief: Array


class Belief(Struct, frozen=True, eq=False):
    """`tags[i]` is the hex of column i; `forward` (tags, S) holds at `at_s`; `slots` are what was heard, in order."""

    tags: tuple[str, ...]
    numbers: Mapping[str, int]
    forward: Array
    at_s: float
    levels: Levels
    slots: tuple[Slot, ...] = ()
    open: tuple[Heard, ...] = ()
    checkpoints: tuple[Checkpoint, ...] = ()
    heard_s: tuple[float, ...] = (-1.0,)
    era: int = 0  # counts how often old slots were dropped and tags numbered anew


class Assessment(Struct, frozen=True, eq=False):
    """P(aboard | everything up to `to_s`): `aboard` (steps, tags) at `at_s` (steps,), `marks` index its rows."""

    at_s: NDArray[np.float64]
    aboard: Weights
    marks: tuple[int, ...]
    rounds: NDArray[np.int32]


def begin(model: Model, *, at_s: float) -> Belief:
    """Nothing heard yet."""
    first = _kept(model.first[None, :])
    return Belief(("",), {}, first, at_s, Levels(np.zeros(1), np.zeros(1)), checkpoints=(Checkpoint(at_s, first),))


def _kept(array: Array) -> Array:
    """Rounded to what a checkpoint holds, so that a restart goes on from the very same numbers."""
    return array.astype(np.float32).astype(np.float64)


def _wide(belief: Array, tags: int) -> Array:
    missing = tags - belief.shape[0]
    return np.vstack([belief, np.repeat(belief[:1], missing, axis=0)]) if missing > 0 else belief


def admit(belief: Belief, tags: Iterable[str]) -> Belief:
    """The belief with a column for each of these tags; a new one is believed to be what was never heard is."""
    fresh = [tag for tag in tags if tag not in belief.numbers]
    if not fresh:
        return belief
    known = (*belief.tags, *fresh)
    return replace(
        belief,
        tags=known,
        numbers={**belief.numbers, **{tag: len(belief.tags) + i for i, tag in enumerate(fresh)}},
        forward=_wide(belief.forward, len(known)),
        levels=Levels(
            np.concatenate([belief.levels.total_db, np.zeros(len(fresh))]),
            np.concatenate([belief.levels.slots, np.zeros(len(fresh))]),
        ),
        heard_s=(*belief.heard_s, *([-1.0] * len(fresh))),
    )


def hear(
    belief: Belief, reads: Mapping[str, float], *, to_s: float, seconds: float, model: Model, regimes: Regimes
) -> Belief:
    """Take one round: the strongest RSSI (dBm) of each tag heard in it. Closes the open slot when it is full."""
    belief = admit(belief, reads)
    numbers = belief.numbers
    item = Heard(to_s, seconds, {numbers[tag]: rssi for tag, rssi in reads.items()})
    waiting = belief.open
    if waiting and (
        to_s - (waiting[0].to_s - waiting[0].seconds) > SLOT_S + seconds or len(waiting) >= SLOT_ROUNDS
    ):
        belief = close(belief, model=model, regimes=regimes)
    return replace(belief, open=(*belief.open, item))


def close(belief: Belief, *, model: Model, regimes: Regimes) -> Belief:
    """Close the open slot, if there is one, and move the forward belief on."""
    if not belief.open:
        return belief
    slot = close_slot(belief.open)
    steps, _ = lay_out(model, regimes, (slot,), begin_s=belief.at_s, marks_s=(), levels=belief.levels)
    moving = regimes.context(slot.middle_s) is Context.MOVING
    last = list(belief.heard_s)
    for item in belief.open:
        for number in item.rssi_dbm:
            last[number] = item.to_s
    return replace(
        belief,
        forward=_kept(filter_step(belief.forward, steps[0])),
        at_s=steps[0].at_s,
        levels=belief.levels.add(slot) if moving else belief.levels,
        slots=(*belief.slots, slot),
        open=(),
        heard_s=tuple(last),
    )


def assess(
    belief: Belief,
    *,
    model: Model,
    regimes: Regimes,
    from_s: float,
    to_s: float,
    marks_s: Sequence[float],
    keep_s: Sequence[float] = (),
    also_s: Sequence[float] = (),
    company: Company = ALONE,
) -> tuple[Belief, Assessment]:
    """Smooth from the last checkpoint at or before `from_s` up to `to_s`, and put the live belief right.

    `marks_s` (sorted) are moments at which P(aboard) is wanted; at `keep_s` (sorted) a checkpoint is left for later;
    `also_s` are further moments at which a step shall stand; `company` says which tags go with their case.
    """
    belief = close(belief, model=model, regimes=regimes)
    before = [c for c in belief.checkpoints if c.at_s <= from_s]
    start = max(before, key=lambda c: c.at_s, default=belief.checkpoints[0])
    tags = len(belief.tags)
    first = _wide(start.belief, tags)
    begin_at = bisect_left(belief.slots, start.at_s, key=lambda slot: slot.middle_s)
    slots = belief.slots[begin_at:]
    end = max(to_s, slots[-1].middle_s if slots else to_s)
    stops = sorted({*keep_s, *marks_s, *(at for at in also_s if start.at_s < at < end), end})
    steps, where = lay_out(
        model, regimes, slots, begin_s=start.at_s, marks_s=stops, levels=belief.levels, company=company
    )
    index = dict(zip(stops, where, strict=True))
    wanted = [moment for moment in keep_s if moment > start.at_s]
    last = len(steps) - 1
    aboard, kept = smooth_and_keep(
        first, steps, column=model.is_aboard, keep={last, *(index[moment] for moment in wanted)}
    )
    checkpoints = [c for c in belief.checkpoints if c.at_s <= start.at_s]
    checkpoints += [Checkpoint(moment, _kept(kept[index[moment]])) for moment in wanted]
    forward = _kept(kept[last])
    belief = replace(belief, forward=forward, at_s=end, checkpoints=tuple(checkpoints))
    return belief, Assessment(
        np.array([step.at_s for step in steps]),
        aboard,
        tuple(index[moment] for moment in marks_s),
        np.array([0 if step.likelihood is None else step.likelihood.shape[0] - 1 for step in steps], dtype=np.int32),
    )


def forget(belief: Belief, *, before_s: float, keep: Sequence[str], model: Model) -> Belief:
    """Drop slots and checkpoints before a moment at which a checkpoint stands, and tags that nobody needs any more.

    Tags in `keep` stay; so does every tag that may be aboard or near, or was heard since.
    """
    start = max((c for c in belief.checkpoints if c.at_s <= before_s), key=lambda c: c.at_s, default=None)
    if start is None:
        return belief
    slots = tuple(s for s in belief.slots if s.middle_s >= start.at_s)
    needed = {number for slot in slots for number in slot.tags.tolist()}
    needed |= {n for item in belief.open for n in item.rssi_dbm}
    here = belief.forward[:, model.is_aboard].sum(axis=1) + belief.forward[:, model.is_near].sum(axis=1)
    silent = float(here[0])
    wanted = set(keep)
    order = [0] + [
        n
        for n in range(1, len(belief.tags))
        if n in needed or belief.tags[n] in wanted or here[n] > max(2 * silent, 0.02)
    ]
    rows = np.array(order)
    new = {old: i for i, old in enumerate(order)}
    tags = tuple(belief.tags[n] for n in order)

    def fewer(array: Array) -> Array:
        kept: Array = _wide(array, len(belief.tags))[rows]
        return kept

    return Belief(
        tags=tags,
        numbers={tag: i for i, tag in enumerate(tags) if i},
        forward=fewer(belief.forward),
        at_s=belief.at_s,
        levels=Levels(belief.levels.total_db[rows], belief.levels.slots[rows]),
        slots=tuple(replace(s, tags=np.array([new[n] for n in s.tags.tolist()], dtype=np.int32)) for s in slots),
        open=tuple(replace(h, rssi_dbm={new[n]: r for n, r in h.rssi_dbm.items()}) for h in belief.open),
        checkpoints=tuple(Checkpoint(c.at_s, fewer(c.belief)) for c in belief.checkpoints if c.at_s >= start.at_s),
        heard_s=tuple(belief.heard_s[n] for n in order),
        era=belief.era + 1,
    )
