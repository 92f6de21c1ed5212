"""Who got on and who got off: from smoothed P(aboard) at the legs to net moves at the stops between them.

A *mark* is a moment at which the set aboard is asked for: the record's begin, each leg, each break that closes an
account. What differs between two marks was loaded or unloaded at the stop between them; what was taken out and put
back differs in nothing and is no move. Knows tags and stops, nothing of names, UTC or events.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Literal

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from agent.axis import Moment
from agent.itinerary import Itinerary, Leg, Stop
from agent.presence.belief import Assessment
from agent.presence.cases import changed_by
from agent.presence.model import Array

# Aboard is what is likelier aboard than not.
ABOARD = 0.5
# While the van still stands, an unloading is stated only when this sure, and this long ago.
GONE = 0.03
GONE_FOR_S = 150.0
# At a break between two trips: what gets off gets off before it and what gets on gets on after it, unless the tally is
# this sure of the contrary. Judgement: the evening is for emptying a van, the morning for filling it.
CONTRARY = 0.97
# What stands about when the tool first runs was aboard only if it travels along, or if this sure. Judgement.
AT_FIRST = 0.9
# The four that follow were set by how often intervals held on simulated days of both worlds that no check uses.
# A slot is ten seconds, an arrival or departure is dated to a few: nothing is timed closer than this.
SLACK_S = 30.0
# What stands at the open doors is heard as well as what is inside: it may have got off this much sooner than it seems,
# or on this much later.
AT_DOORS_S = 90.0
# The chain's own 99 in 100 stand for 95: reads hang together more than it knows.
TAIL = 0.005
# One move in so many is timed by something else than what it seems, and was any time at that stop.
ASTRAY = 0.007


class Mark(Struct, frozen=True):
    """A moment at which P(aboard) is wanted."""

    kind: Literal["start", "leg", "close", "now"]
    at_s: float
    leg: int = 0


class Account(Struct, frozen=True):
    """A stop, or the part of it up to or after a break: the moves between marks number `before` and `before + 1`."""

    stop: int
    part: int
    from_s: float
    to_s: float
    before: int
    open: bool = False


class Move(Struct, frozen=True):
    """One tag got on or off. `p` is the probability that it did, here and on balance.

    Times are UTC seconds; the interval holds the true time, 95 in 100. `at_t_s` is `at_s` on the tally's axis.
    """

    kind: Literal["load", "unload"]
    tag: str
    stop: int
    part: int
    at_t_s: float
    at_s: float
    not_before_s: float
    not_after_s: float
    p: float

    @property
    def key(self) -> tuple[str, int, int, str]:
        """Names the fact, whatever time it is given."""
        return (self.kind, self.stop, self.part, self.tag)


def lay_marks(
    itinerary: Itinerary, *, from_s: float, begin_s: float, now_s: float, settle: bool
) -> tuple[list[Mark], list[Account]]:
    """The marks of the segments from `from_s` on, and the accounts between them.

    `begin_s` is where the whole record begins: a window that reaches it has a mark there, for what was aboard when
    the tool first ran. With `settle`, what has got off at the present stop is asked for too.
    """
    marks: list[Mark] = []
    accounts: list[Account] = []
    for segment in itinerary.segments:
        if segment.to_s is not None and segment.to_s <= from_s:
            continue
        end = now_s if segment.to_s is None else segment.to_s
        if isinstance(segment, Leg):
            at = end if segment.to_s is None else (segment.from_s + end) / 2
            marks.append(Mark("leg", at, segment.number))
            continue
        if not marks:
            if from_s > begin_s:
                continue
            marks.append(Mark("start", begin_s))
        accounts.extend(_accounts(segment, marks, end_s=end))
        if segment.to_s is None:
            if settle:
                marks.append(Mark("now", now_s))
            else:
                accounts.pop()
    return marks, accounts


def _accounts(stop: Stop, marks: list[Mark], *, end_s: float) -> list[Account]:
    accounts = []
    begin = stop.from_s
    for part, closed in enumerate(stop.closed_s):
        accounts.append(Account(stop.number, part, begin, closed, len(marks) - 1))
        marks.append(Mark("close", closed))
        begin = closed
    accounts.append(
        Account(stop.number, len(stop.closed_s), begin, end_s, len(marks) - 1, open=stop.to_s is None)
    )
    return accounts


def find_moves(
    assessment: Assessment,
    marks: Sequence[Mark],
    accounts: Sequence[Account],
    tags: Sequence[str],
    *,
    moment: Callable[[float], Moment],
    final: bool = False,
) -> list[Move]:
    """The net moves of every account, in the order of accounts, then of tags.

    `moment` gives UTC for a time on the tally's axis. `final`: the record ends here, so what has likelier got off than
    not is said to have.
    """
    at_marks = assessment.aboard[list(assessment.marks)].astype(np.float64)  # (marks, tags)
    aboard = decide(at_marks, marks)
    moves: list[Move] = []
    for account in accounts:
        now = marks[account.before + 1].kind == "now"
        before, after = at_marks[account.before], at_marks[account.before + 1]
        on, off = aboard[account.before], aboard[account.before + 1]
        if now:
            # Only what has surely got off; nothing is called loaded before it moves along.
            off = on & ~(after < (ABOARD if final else GONE))
        changed = [int(number) for number in np.flatnonzero(on != off) if number]
        span = _Span(assessment, account, moment) if changed else None
        for number in changed:
            assert span is not None  # noqa: S101 - made wherever something changed
            loaded = not on[number]
            at_t, at, low, high = span.when(number, loaded=loaded)
            if now and not final and account.to_s - at_t < GONE_FOR_S:
                continue
            p = (1 - before[number]) * after[number] if loaded else before[number] * (1 - after[number])
            kind: Literal["load", "unload"] = "load" if loaded else "unload"
            moves.append(Move(kind, tags[number], account.stop, account.part, at_t, at, low, high, float(p)))
    return moves


def decide(at_marks: Array, marks: Sequence[Mark]) -> NDArray[np.bool_]:
    """What is taken to be aboard at each mark (marks, tags), from P(aboard) there.

    Between two stays at home nobody sees what travels along, so the break between them is read by its neighbours: what
    is aboard on neither leg beside it was not loaded there; what is on the one before only got off before the break,
    and what is on the one after only got on after it, unless that is plainly not so.
    """
    aboard: NDArray[np.bool_] = at_marks >= ABOARD
    for j, mark in enumerate(marks):
        if mark.kind == "start" and j + 1 < len(marks):
            aboard[j] &= (at_marks[j + 1] >= ABOARD) | (at_marks[j] >= AT_FIRST)
        if mark.kind != "close":
            continue
        before = aboard[j - 1] if j else np.zeros(at_marks.shape[1], dtype=bool)
        drives_on = j + 1 < len(marks) and marks[j + 1].kind == "leg"
        after = at_marks[j + 1] >= ABOARD if drives_on else np.zeros_like(before)
        sure = at_marks[j] >= CONTRARY
        aboard[j] = np.where(before & after, aboard[j], sure & (before | after))
    return aboard


class _Span:
    """The steps of one account, in UTC: between two of them across a power gap the time is spread over the gap."""

    def __init__(self, assessment: Assessment, account: Account, moment: Callable[[float], Moment]) -> None:
        lo = max(0, int(np.searchsorted(assessment.at_s, account.from_s)) - 1)
        hi = min(len(assessment.at_s), int(np.searchsorted(assessment.at_s, account.to_s)) + 1)
        self.times = np.clip(assessment.at_s[lo:hi], account.from_s, account.to_s)
        self.aboard = assessment.aboard[lo:hi]
        moments = [moment(float(at)) for at in self.times]
        self.best = np.array([m.utc_s for m in moments])
        self.low = np.array([m.not_before_s for m in moments])
        self.high = np.array([m.not_after_s for m in moments])

    def when(self, number: int, *, loaded: bool) -> tuple[float, float, float, float]:
        """Median (on the axis, then UTC) and 95 % interval of the change, from how P(aboard) goes over the stop."""
        series = self.aboard[:, number].astype(np.float64)
        if not loaded:
            series = 1.0 - series
        rising = changed_by(series)
        span = rising[-1] - rising[0]
        share = (rising - rising[0]) / span if span > 1e-6 else np.linspace(0.0, 1.0, len(rising))  # noqa: PLR2004
        share = share + np.linspace(0.0, 1e-9, len(share))  # np.interp wants it strictly rising
        at_t = float(np.interp(0.5, share, self.times))
        at = float(np.interp(0.5, share, self.best))
        length_s = max(float(self.times[-1] - self.times[0]), 1e-9)
        share = (1 - ASTRAY) * share + ASTRAY * (self.times - self.times[0]) / length_s
        sooner, later = (0.0, AT_DOORS_S) if loaded else (AT_DOORS_S, 0.0)
        low = max(float(self.low[0]), float(np.interp(TAIL, share, self.low)) - SLACK_S - sooner)
        high = min(float(self.high[-1]), float(np.interp(1 - TAIL, share, self.high)) + SLACK_S + later)
        return at_t, at, min(low, at), max(high, at)
