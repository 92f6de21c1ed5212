"""The evidence for one tag over a stretch of time: what was heard, what the van did, what was believed and decided.

Pure data, all times UTC seconds; `hindsight` makes it from a recording or a store, `evidence_words` says it, `picture`
and `blocks` draw it. Holds facts that were observed or decided and none of its own making.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from typing import Literal

from msgspec import Struct

NO_ROUNDS = "no rounds"  # why nothing was read, where nothing else says why
Point = tuple[float, float]  # (UTC seconds, P(aboard))


class Span(Struct, frozen=True):
    """From one moment to another; `why` is a short word on it where one is due."""

    from_s: float
    to_s: float
    why: str = ""


class Passage(Struct, frozen=True):
    """A stop or a leg of the van. `site` is a stop's site id (None: no site), `name` what people call it.

    `p` is how probable that site is and `others` are the near ones with theirs; `manifest` names a leg's.
    """

    kind: Literal["stop", "leg"]
    from_s: float
    to_s: float
    site: str | None = None
    name: str = ""
    p: float = 0.0
    others: tuple[tuple[str, float], ...] = ()
    manifest: str | None = None
    ends: bool = True  # False: still so where the record ends


class Hearing(Struct, frozen=True):
    """`rounds` inventory rounds that ended at `at_s` or around it; the tag was heard in `heard` of them."""

    at_s: float
    rounds: int
    heard: int


class Strength(Struct, frozen=True):
    """The tag's reads on one antenna within the minute that begins at `at_s`; None where only the strongest is kept."""

    at_s: float
    antenna: int
    reads: int
    strongest_dbm: float
    mean_dbm: float | None = None
    weakest_dbm: float | None = None


class Decision(Struct, frozen=True):
    """A custody event that names the tag; `said_s` is when it was stated, `taken_back_s` when it was taken back."""

    event_id: str
    kind: Literal["loaded", "unloaded"]
    at_s: float
    not_before_s: float
    not_after_s: float
    p: float
    place: str
    site: str | None = None
    revision: int = 1
    said_s: float | None = None
    taken_back_s: float | None = None
    reason: str = ""

    @property
    def stands(self) -> bool:
        """It was not taken back."""
        return self.taken_back_s is None


class Line(Struct, frozen=True):
    """What one revision of a leg's manifest says of the tag; `p` is None where it is not on it."""

    manifest: str
    revision: int
    issued_s: float
    departed_s: float
    p: float | None
    certain: bool
    loaded_site: str | None = None
    loaded_s: float | None = None
    withdrawn: bool = False


class Evidence(Struct, frozen=True):
    """Everything known about one tag. `from_s` to `to_s` is the stretch asked about; more may be there around it.

    `missing` says in sentences what is not known and why.
    `live` is P(aboard) as it was believed at the time, `now` as it is believed looking back on all of it; `doors` are
    spans of open rear doors (`doors_known`: an input says so), `unread` spans in which nothing could be heard.
    """

    vehicle: str
    epc: str
    kind: str
    name: str
    zone: str
    from_s: float
    to_s: float
    passages: tuple[Passage, ...] = ()
    doors: tuple[Span, ...] = ()
    doors_known: bool = False
    unread: tuple[Span, ...] = ()
    hearing: tuple[Hearing, ...] = ()
    strength: tuple[Strength, ...] = ()
    live: tuple[Point, ...] = ()
    now: tuple[Point, ...] = ()
    decisions: tuple[Decision, ...] = ()
    lines: tuple[Line, ...] = ()
    missing: tuple[str, ...] = ()

    @property
    def legs(self) -> tuple[Passage, ...]:
        """The legs, oldest first."""
        return tuple(passage for passage in self.passages if passage.kind == "leg")


def heard_between(hearing: Sequence[Hearing], from_s: float, to_s: float) -> tuple[int, int]:
    """(rounds in which the tag was heard, all rounds) after `from_s` and up to `to_s`."""
    first = bisect_right(hearing, from_s, key=lambda one: one.at_s)
    last = bisect_right(hearing, to_s, key=lambda one: one.at_s)
    inside = hearing[first:last]
    return sum(one.heard for one in inside), sum(one.rounds for one in inside)


def heard_within(hearing: Sequence[Hearing], spans: Iterable[Span], *, of: Span) -> tuple[int, int]:
    """The same, in those parts of `spans` that lie within `of`."""
    heard = rounds = 0
    for span in spans:
        begin, end = max(span.from_s, of.from_s), min(span.to_s, of.to_s)
        if begin < end:
            k, n = heard_between(hearing, begin, end)
            heard, rounds = heard + k, rounds + n
    return heard, rounds


def last_heard(hearing: Sequence[Hearing], before_s: float, *, since_s: float = float("-inf")) -> float | None:
    """When the tag was last heard up to `before_s`; None where it was not, after `since_s`."""
    last = bisect_right(hearing, before_s, key=lambda one: one.at_s)
    return next((one.at_s for one in reversed(hearing[:last]) if one.heard and one.at_s > since_s), None)


def first_heard(hearing: Sequence[Hearing], after_s: float, *, until_s: float = float("inf")) -> float | None:
    """When the tag was first heard after `after_s`; None where it was not, up to `until_s`."""
    first = bisect_right(hearing, after_s, key=lambda one: one.at_s)
    return next((one.at_s for one in hearing[first:] if one.heard and one.at_s <= until_s), None)


def believed(points: Sequence[Point], at_s: float) -> float | None:
    """P(aboard) at a moment: the last point up to it; None before the first or without any."""
    number = bisect_right(points, at_s, key=lambda point: point[0])
    return points[number - 1][1] if number else None


def passage_at(passages: Sequence[Passage], at_s: float) -> int | None:
    """The number of the stop or leg that holds a moment; the last one up to it where several touch there."""
    number = bisect_right(passages, at_s, key=lambda passage: passage.from_s) - 1
    return number if number >= 0 and at_s <= passages[number].to_s else None


def stop_of(evidence: Evidence, decision: Decision) -> int | None:
    """The number of the stop at which a decision says it happened."""
    number = passage_at(evidence.passages, decision.at_s)
    if number is not None and evidence.passages[number].kind == "leg":
        # On the edge of a leg: a stop that begins or ends a second later.
        near = [number + 1, number - 1]
        beside = [n for n in near if 0 <= n < len(evidence.passages)]
        return min(beside, key=lambda n: _away_s(evidence.passages[n], decision.at_s), default=None)
    return number


def _away_s(passage: Passage, at_s: float) -> float:
    return max(passage.from_s - at_s, at_s - passage.to_s, 0.0)


def latest_line(evidence: Evidence, manifest: str | None) -> Line | None:
    """The highest revision of a leg's manifest."""
    lines = [line for line in evidence.lines if line.manifest == manifest]
    return max(lines, key=lambda line: line.revision, default=None)


def leg_belief(evidence: Evidence, leg: Passage) -> float | None:
    """P(aboard) on a leg looking back: in its middle, as its manifest takes it; at the record's end if it goes on."""
    mark_s = (leg.from_s + leg.to_s) / 2 if leg.ends else leg.to_s
    number = bisect_right(evidence.now, mark_s, key=lambda point: point[0])
    near = evidence.now[max(0, number - 1) : number + 1]
    if not near or not near[0][0] - 60.0 <= mark_s <= near[-1][0] + 60.0:
        return None
    return min(near, key=lambda point: abs(point[0] - mark_s))[1]


def passages_within(evidence: Evidence) -> list[Passage]:
    """The stops and legs that touch the stretch asked about."""
    return [p for p in evidence.passages if p.to_s >= evidence.from_s and p.from_s <= evidence.to_s]


def decisions_within(evidence: Evidence) -> list[Decision]:
    """The decisions that touch it, those taken back too."""
    return [d for d in evidence.decisions if d.not_after_s >= evidence.from_s and d.not_before_s <= evidence.to_s]


def points_within(points: Sequence[Point], from_s: float, to_s: float) -> tuple[Point, ...]:
    """The part of a series between two moments, with the value that holds at the first and at the last of them."""
    first = max(0, bisect_right(points, from_s, key=lambda point: point[0]) - 1)
    last = bisect_right(points, to_s, key=lambda point: point[0])
    inside = [(max(at, from_s), p) for at, p in points[first:last]]
    if inside and inside[-1][0] < to_s and points[-1][0] >= to_s:
        inside.append((to_s, inside[-1][1]))
    return tuple(inside)
