"""Rounds gathered into slots of some ten seconds, and slots laid out as the steps of the chain.

A slot says how many rounds ended in it and in how many of them each tag was heard, on whatever antenna. Ten seconds is
finer than anything decided from it and spares four of five steps. Times are on the tally's own axis (`t_s`), which
runs on over reboots; who keeps it is the pipeline's affair.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from agent.presence.cases import ALONE, Company, Jump
from agent.presence.chain import Counts, Step
from agent.presence.contexts import Context, on_visit, visit_of
from agent.presence.model import Array, Model

Others = tuple[tuple[NDArray[np.int32], Array], ...]

SLOT_S = 10.0
SLOT_ROUNDS = 12


class Slot(Struct, frozen=True, eq=False):
    """`rounds` rounds between `from_s` and `to_s`; tag number `tags[i]` was heard in `heard[i]` of them.

    `rssi_dbm[i]` is its mean strength over those, on the antenna that heard it best.
    """

    from_s: float
    to_s: float
    rounds: int
    tags: NDArray[np.int32]
    heard: Counts
    rssi_dbm: NDArray[np.float32]

    @property
    def middle_s(self) -> float:
        """The moment the slot stands for."""
        return (self.from_s + self.to_s) / 2


class Heard(Struct, frozen=True, eq=False):
    """One round: when it ended, how long it took, and each tag number heard with its strongest RSSI."""

    to_s: float
    seconds: float
    rssi_dbm: dict[int, float]


def close_slot(rounds: Sequence[Heard]) -> Slot:
    """The slot of some rounds, in order."""
    counts: dict[int, int] = {}
    strength: dict[int, float] = {}
    for item in rounds:
        for tag, rssi in item.rssi_dbm.items():
            counts[tag] = counts.get(tag, 0) + 1
            strength[tag] = strength.get(tag, 0.0) + rssi
    return Slot(
        from_s=rounds[0].to_s - rounds[0].seconds,
        to_s=rounds[-1].to_s,
        rounds=len(rounds),
        tags=np.fromiter(counts.keys(), dtype=np.int32, count=len(counts)),
        heard=np.fromiter(counts.values(), dtype=np.int16, count=len(counts)),
        rssi_dbm=np.fromiter(
            (total / counts[tag] for tag, total in strength.items()), dtype=np.float32, count=len(strength)
        ),
    )


@dataclass(frozen=True, slots=True)
class Regimes:
    """What the van was doing, piece by piece: `contexts[i]` from `from_s[i]` on; `gaps_s` are breaks in the record.

    `deaf` are moments at which an antenna was lost or came back, with the share of what was aboard that is from then on
    out of reach of those that are left.
    """

    from_s: tuple[float, ...]
    contexts: tuple[Context, ...]
    gaps_s: tuple[float, ...] = ()
    deaf: tuple[tuple[float, float], ...] = ()

    def context(self, at_s: float) -> Context:
        """What the van was doing at a moment."""
        return self.contexts[max(0, bisect_right(self.from_s, at_s) - 1)]

    def calm(self) -> Regimes:
        """The same with the doors closed at every stop, and no breaks: how what is kept together moves by itself."""
        closed = Context.DOORS_CLOSED
        return Regimes(
            self.from_s,
            tuple(c if c is Context.MOVING else on_visit(closed, visit_of(c)) for c in self.contexts),
            deaf=self.deaf,
        )

    def transition(self, model: Model, begin_s: float, end_s: float) -> Array:
        """The product of the pieces between two moments (S, S)."""
        gap = bisect_right(self.gaps_s, end_s) - bisect_right(self.gaps_s, begin_s)
        i = max(0, bisect_right(self.from_s, begin_s) - 1)
        last = max(i, bisect_left(self.from_s, end_s) - 1)
        past = bisect_right(self.deaf, begin_s, key=_moment)
        changes = self.deaf[past : bisect_right(self.deaf, end_s, key=_moment)]
        if i == last and not gap and not changes:
            return model.transition(self.contexts[i], end_s - begin_s)
        total: Array | None = None
        at = begin_s
        while i <= last:
            until = end_s if i == last else self.from_s[i + 1]
            piece = model.transition(self.contexts[i], until - at)
            total = piece if total is None else total @ piece
            at = until
            i += 1
        assert total is not None  # noqa: S101 - the loop ran at least once: i <= last
        for _ in range(gap):
            total = total @ model.transition(on_visit(Context.GAP, visit_of(self.contexts[last])), 0.0)
        before = self.deaf[past - 1][1] if past else 0.0
        for _, share in changes:
            total = total @ model.antenna_changed(max(share - before, 0.0))
            before = share
        return total


def _moment(change: tuple[float, float]) -> float:
    return change[0]


class Levels(Struct, frozen=True, eq=False):
    """Each tag's mean strength while the van moved: `total_db` (tags,) over `slots` (tags,) slots."""

    total_db: Array
    slots: Array

    def add(self, slot: Slot) -> Levels:
        """One more slot heard while moving."""
        if not len(slot.tags):
            return self
        total, count = self.total_db.copy(), self.slots.copy()
        total[slot.tags] += slot.rssi_dbm
        count[slot.tags] += 1.0
        return Levels(total, count)

    def mean_db(self) -> Array:
        """The mean level of each tag; anything where it was never heard."""
        return self.total_db / np.maximum(self.slots, 1.0)


def lay_out(
    model: Model,
    regimes: Regimes,
    slots: Sequence[Slot],
    *,
    begin_s: float,
    marks_s: Sequence[float],
    levels: Levels,
    company: Company = ALONE,
) -> tuple[list[Step], list[int]]:
    """The chain's steps from `begin_s` on: every slot, and a step without hearing at each of `marks_s` (sorted).

    Returns the steps and, for each mark, the index of its step. `levels` hold as many tags as the beliefs; `company`
    says which tags go with their case.
    """
    tags = len(levels.slots)
    weighed = _weighed(model, slots, levels)
    first = 0
    steps: list[Step] = []
    where: list[int] = []
    at = begin_s
    calm = regimes.calm() if company.calm else regimes
    # At the same moment a case gets on or off before the mark is taken.
    jumps = [(jump.at_s, 0, jump) for jump in company.jumps if jump.at_s >= begin_s]
    pending: deque[tuple[float, int, Jump | None]] = deque(
        sorted([*jumps, *((mark_s, 1, None) for mark_s in marks_s)], key=lambda each: each[:2])
    )

    def move(to_s: float) -> tuple[Array, Others]:
        rows = company.calm_rows((at + to_s) / 2)
        others = () if rows is None else ((rows, calm.transition(model, at, to_s)),)
        return regimes.transition(model, at, to_s), others

    def pass_by(until_s: float) -> None:
        """The marks and jumps up to a moment."""
        nonlocal at
        while pending and pending[0][0] <= until_s:
            moment_s, _, jump = pending.popleft()
            moment_s = max(moment_s, at)
            transition, others = move(moment_s)
            steps.append(Step(moment_s, transition, others=others))
            at = moment_s
            if jump is None:
                where.append(len(steps) - 1)
            else:
                goes = model.with_case(on=jump.on, share=jump.share)
                steps.append(Step(moment_s, model.stays, others=((jump.rows, goes),)))

    for slot in slots:
        middle = max(slot.middle_s, at)
        pass_by(middle)
        heard = np.zeros(tags, dtype=np.int16)
        heard[slot.tags] = slot.heard
        factors = None
        if len(slot.tags) and regimes.context(middle) is not Context.MOVING:
            factors = weighed[first : first + len(slot.tags), model.kind_of_state]
        first += len(slot.tags)
        transition, others = move(middle)
        steps.append(
            Step(
                middle,
                transition,
                model.likelihood(slot.rounds),
                heard,
                slot.tags if factors is not None else None,
                factors,
                others,
            )
        )
        at = middle
    pass_by(float("inf"))
    return steps, where


def _weighed(model: Model, slots: Sequence[Slot], levels: Levels) -> Array:
    """Strength factors (heard tags of all slots in a row, kinds of state): one call for all is what makes it cheap."""
    if not any(len(slot.tags) for slot in slots):
        return np.empty((0, 1))
    numbers = np.concatenate([slot.tags for slot in slots])
    rssi_dbm = np.concatenate([slot.rssi_dbm for slot in slots]).astype(np.float64)
    return model.strength(rssi_dbm, levels.mean_db()[numbers], levels.slots[numbers])
