"""Things that travel in one case: what most of a case is seen to do is what the rest of it most likely does.

A roll-cage shadows its own contents, so a member is often silent for as long as it rides. Where the members that are
heard plainly say which way the case went over an account, the others are taken along: their own moves are as unlikely
there as with the doors closed, and at the moment the case itself got on or off they go with it, but for a share that
was taken out (`Parameters.apart_share`). Where the case is not plain nothing is assumed.

Source: ours; that the contents of a cage shadow one another is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

Rows = NDArray[np.int32]

# A member's vote counts when it is this sure, and a case is plain when this share of the votes agree. Judgement.
SURE = 0.9
AGREED = 0.7
QUANTILES = (0.1, 0.3, 0.5, 0.7, 0.9)


class Case(Struct, frozen=True, eq=False):
    """One case as columns of a belief: `own` is the case's own tag (-1: none known), `rows` it and its members."""

    own: int
    rows: Rows


class Stretch(Struct, frozen=True):
    """A part of a stop: what differs between the rows `before` and `after` of an assessment was moved in it.

    `begins`: nothing is known of the time before it.
    """

    from_s: float
    to_s: float
    before: int
    after: int
    begins: bool = False


class Jump(Struct, frozen=True, eq=False):
    """At `at_s` the tags of `rows` go with their case, on or off, if it went just then: `share` of what is left to go.

    When a case went is not known to the second: its jumps stand where its own tags' times do.
    """

    at_s: float
    rows: Rows
    on: bool
    share: float = 1.0


class Calm(Struct, frozen=True, eq=False):
    """From `from_s` to `to_s` the tags of `rows` hardly move by themselves."""

    from_s: float
    to_s: float
    rows: Rows


class Company(Struct, frozen=True, eq=False):
    """What is assumed of tags for their cases' sake; jumps in the order of time."""

    jumps: tuple[Jump, ...] = ()
    calm: tuple[Calm, ...] = ()

    def calm_rows(self, at_s: float) -> Rows | None:
        """The rows that hardly move at a moment, if any."""
        for calm in self.calm:
            if calm.from_s <= at_s < calm.to_s:
                return calm.rows
        return None


ALONE = Company()


def changed_by(series: NDArray[np.float64]) -> NDArray[np.float64]:
    """P(changed by now) from P(changed) at each step, made to rise.

    It is at least what it once was and at most what it later is: the mean of the two.
    """
    mean: NDArray[np.float64] = (np.maximum.accumulate(series) + np.minimum.accumulate(series[::-1])[::-1]) / 2
    return mean


def follow(
    cases: Sequence[Case], stretches: Sequence[Stretch], *, at_s: NDArray[np.float64],
    aboard: NDArray[np.float32], heard: NDArray[np.bool_],
) -> Company:
    """What the cases' own ways say of their tags; `aboard` (steps, tags) is P(aboard) of each tag by itself.

    `heard` (tags,) says which were ever heard: the silence of one that was not says nothing.
    """
    jumps: list[Jump] = []
    calm: list[Calm] = []
    for stretch in stretches:
        quiet: list[Rows] = []
        for case in cases:
            was = None if stretch.begins else _is_aboard(case, aboard[stretch.before], heard)
            now = _is_aboard(case, aboard[stretch.after], heard)
            if now is None or (was is None and not (stretch.begins and now)):
                continue
            quiet.append(case.rows)
            if was != now:
                voters = case.rows[heard[case.rows]]
                moments_s = _moments(voters, stretch, at_s, aboard, on=now)
                jumps += [
                    Jump(moment_s, case.rows, now, 1 / (len(moments_s) - i)) for i, moment_s in enumerate(moments_s)
                ]
        if quiet:
            calm.append(Calm(stretch.from_s, stretch.to_s, np.concatenate(quiet)))
    return Company(tuple(sorted(jumps, key=lambda jump: jump.at_s)), tuple(calm))


def _is_aboard(case: Case, p: NDArray[np.float32], heard: NDArray[np.bool_]) -> bool | None:
    """Where the case is, by the votes of what is sure of itself; None where that is not plain."""
    voters = case.rows[heard[case.rows]]
    yes, no = voters[p[voters] >= SURE], voters[p[voters] <= 1 - SURE]
    votes = len(yes) + len(no)
    # One member alone may have been taken out; the case's own tag has not.
    if votes < 2 and case.own not in yes and case.own not in no:  # noqa: PLR2004
        return None
    if len(yes) >= AGREED * votes:
        return True
    return False if len(no) >= AGREED * votes else None


def _moments(
    voters: Rows, stretch: Stretch, at_s: NDArray[np.float64], aboard: NDArray[np.float32], *, on: bool
) -> list[float]:
    """When the case's sure tags changed over: the moments by which a tenth, three tenths ... of them had."""
    lo, hi = (int(np.searchsorted(at_s, t)) for t in (stretch.from_s, stretch.to_s))
    if hi <= lo:
        return [stretch.from_s]
    after = aboard[stretch.after][voters]
    voters = voters[after >= SURE] if on else voters[after <= 1 - SURE]
    mean = aboard[lo:hi, voters].mean(axis=1)
    changed = mean if on else 1 - mean
    where = np.searchsorted(changed_by(changed), QUANTILES)
    return [float(min(max(at_s[min(lo + i, hi - 1)], stretch.from_s), stretch.to_s)) for i in where.tolist()]
