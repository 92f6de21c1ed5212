"""Boot clock ↔ UTC, bound late; floor 1.

Everything is stamped (boot, monotonic) alone. This module says which UTC moment such a stamp is, once a receiver's
time is trusted; for a boot that never saw a trusted fix it gives an interval from its neighbours, never a guess. Frozen
state in, new state out; knows nothing of sites or reads.

Rules
- A fix counts only when its time moved since the fix before (a silent receiver repeats its last one).
- A time below `floor_utc_s`, or more than ten years above it, is refused. The floor is a constant in the source,
  raised by hand, never the build's or today's date. A time that would fit when moved by 1024 weeks is a roll-over.
- A fix arrives after the moment that it tells, by an unknown delay, so (fix time - boot clock) is never above the true
  offset: the largest of a window of fixes is the best of them.
- The offset is trusted after ten agreeing fixes (all within `agree_s` of each other). A disagreeing fix takes one
  of the ten away, so that two alternating dates are never trusted, and one bad fix in many does no harm.
- A trusted offset holds for the whole boot, before and after: the boot clock never jumps. Small changes (crystal
  drift, a leap second) are followed when a window's best differs by more than `follow_s`, by a line from the last
  moment known to the window's end, so that the order of moments never changes. One that differs by more than `agree_s`
  is followed, for the whole boot, only after 600 agreeing fixes of its own, with a notice.
- A last known time (from earlier boots) only warns: one bad receiver would poison it. 600 agreeing fixes over two
  boots that contradict it replace it, with a notice.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Literal

from msgspec import Struct
from msgspec.structs import replace

from agent.records import GpsFix
from agent.units import format_utc

FLOOR_UTC_S = datetime(2024, 1, 1, tzinfo=UTC).timestamp()  # raised by hand, at a release
CEILING_ABOVE_FLOOR_S = 10 * 365.25 * 86_400.0
ROLL_OVER_S = 1024 * 7 * 86_400.0  # the GPS week number has ten bits: IS-GPS-200
_BOOTS_AGAINST = 2

Code = Literal[
    "time-trusted",
    "time-refused",
    "time-disagrees",
    "time-rebound",
    "time-before-last-known",
    "last-known-time-replaced",
]


class TimeRules(Struct, frozen=True):
    """What it takes to trust a time. A scaled clock stretches delays: a demo at N times real time raises `agree_s`."""

    floor_utc_s: float = FLOOR_UTC_S
    trust_fixes: int = 10
    agree_s: float = 2.0  # a fix a second, delivered within the next: common practice, no source
    rebind_fixes: int = 600
    window_s: float = 600.0
    follow_s: float = 0.5  # far below what anything here is dated to, so stamps hold still
    keep_boots: int = 200

    @property
    def ceiling_utc_s(self) -> float:
        """The first moment that is too late to be true."""
        return self.floor_utc_s + CEILING_ABOVE_FLOOR_S


RULES = TimeRules()


class TimeEvent(Struct, frozen=True, omit_defaults=True):
    """Something to tell about time. `text` is one plain sentence; `utc_s` the moment by the newly trusted time."""

    code: Code
    boot: int
    mono: float
    text: str
    utc_s: float | None = None
    shift_s: float | None = None


class Candidate(Struct, frozen=True):
    """Offsets (fix time - boot clock) that agree: their least and largest, and how many more agreed than disagreed."""

    low_s: float
    high_s: float
    votes: int


class Knot(Struct, frozen=True):
    """At `mono` of its boot the offset (UTC - boot clock) was `offset_s`; between knots it runs on a line."""

    mono: float
    offset_s: float


class BootSpan(Struct, frozen=True):
    """What is known of one boot's clock: first and last moment heard, and its offset if a time was trusted."""

    boot: int
    first_mono: float
    last_mono: float
    knots: tuple[Knot, ...] = ()
    wall: str | None = None  # what the computer's own clock said at the start; for telling only

    @property
    def trusted(self) -> bool:
        """True when moments of this boot have a UTC time."""
        return bool(self.knots)

    def utc_of(self, mono: float) -> float | None:
        """Seconds since 1970 of that moment, or None while no time is trusted."""
        knots = self.knots
        if not knots:
            return None
        if len(knots) == 1 or mono >= knots[-1].mono:
            return mono + knots[-1].offset_s
        if mono <= knots[0].mono:
            return mono + knots[0].offset_s
        index = bisect_right(knots, mono, key=lambda knot: knot.mono)
        before, after = knots[index - 1], knots[index]
        share = (mono - before.mono) / (after.mono - before.mono)
        return mono + before.offset_s + share * (after.offset_s - before.offset_s)


class Timeline(Struct, frozen=True):
    """All boots' clocks. `now` is the boot that runs; what it takes to judge its fixes stands beside it."""

    rules: TimeRules = RULES
    earlier: tuple[BootSpan, ...] = ()
    now: BootSpan | None = None
    last_fix_utc_s: float | None = None
    candidate: Candidate | None = None  # before trust: the offset to be; after: a rival that disagrees
    window_from_mono: float = 0.0
    window_best_s: float | None = None  # the largest offset since then
    told: tuple[str, ...] = ()  # codes told in this boot: each is told once
    last_known_utc_s: float | None = None  # the latest trusted moment of all boots, persisted; only warns
    against_last_known_fixes: int = 0
    against_last_known_boots: int = 0

    @property
    def boots(self) -> tuple[BootSpan, ...]:
        """Every boot known, oldest first."""
        return self.earlier if self.now is None else (*self.earlier, self.now)

    @property
    def boot(self) -> int:
        """The number of the boot that runs; 0 before the first."""
        return 0 if self.now is None else self.now.boot

    @property
    def trusted(self) -> bool:
        """True when the running boot's moments have a UTC time."""
        return self.now is not None and self.now.trusted

    def is_fresh(self, fix: GpsFix) -> bool:
        """True when the fix's time moved since the fix before."""
        return fix.utc_s != self.last_fix_utc_s

    def observe_boot(self, mono: float, utc: str | None = None, *, boot: int | None = None) -> Timeline:
        """The computer started: a new clock begins at `mono`. `boot` numbers it where somebody else counts.

        `utc` is the computer's wall clock, kept as it is and never believed.
        """
        number = self.boot + 1 if boot is None else boot
        known = self.last_known_utc_s
        if self.now is not None and self.against_last_known_fixes == 0:
            known = _latest(known, self.now.utc_of(self.now.last_mono))
        return Timeline(
            rules=self.rules,
            earlier=self.boots[-self.rules.keep_boots :],
            now=BootSpan(boot=number, first_mono=mono, last_mono=mono, wall=utc),
            last_known_utc_s=known,
            against_last_known_fixes=self.against_last_known_fixes,
            against_last_known_boots=self.against_last_known_boots,
        )

    def observe_mono(self, mono: float) -> Timeline:
        """The running boot was still alive at `mono`. Call it now and then; it bounds what came before and after."""
        span = self._span(mono)
        if span is self.now:
            return self
        return replace(self, now=span)

    def observe_fix(self, fix: GpsFix) -> tuple[Timeline, tuple[TimeEvent, ...]]:
        """Judge one fix's time; gives the new state and what there is to tell."""
        span = self._span(fix.mono)
        if fix.utc_s == self.last_fix_utc_s:
            return (self if span is self.now else replace(self, now=span)), ()
        why = refusal(fix.utc_s, rules=self.rules)
        if why is not None:
            after = replace(self, now=span, last_fix_utc_s=fix.utc_s)
            if why in self.told:
                return after, ()
            event = TimeEvent(code="time-refused", boot=span.boot, mono=fix.mono, text=f"The receiver says {why}.")
            return replace(after, told=(*self.told, why)), (event,)
        if span.knots:
            return self._follow(span, fix)
        return self._try_to_trust(span, fix)

    def utc_of(self, boot: int, mono: float) -> float | None:
        """Seconds since 1970 of a moment, or None where no time is trusted for its boot."""
        span = self._find(boot)
        return None if span is None else span.utc_of(mono)

    def bounds_of(self, boot: int, mono: float) -> tuple[float | None, float | None]:
        """The interval that holds a moment: (not before, not after), each None where nothing bounds it.

        A moment with a trusted time gives that time twice. Otherwise it is after the last trusted moment of an earlier
        boot, by at least what its own and the boots between ran, and before a later boot's first likewise.
        """
        spans = self.boots
        index = next((i for i, span in enumerate(spans) if span.boot == boot), None)
        if index is None:
            return None, None
        own = spans[index]
        utc_s = own.utc_of(mono)
        if utc_s is not None:
            return utc_s, utc_s
        not_before = not_after = None
        ran_s = max(mono - own.first_mono, 0.0)
        for span in reversed(spans[:index]):
            end_s = span.utc_of(span.last_mono)
            if end_s is not None:
                not_before = end_s + ran_s
                break
            ran_s += span.last_mono - span.first_mono
        runs_on_s = max(own.last_mono - mono, 0.0)
        for span in spans[index + 1 :]:
            start_s = span.utc_of(span.first_mono)
            if start_s is not None:
                not_after = start_s - runs_on_s
                break
            runs_on_s += span.last_mono - span.first_mono
        if not_before is not None and not_after is not None and not_before > not_after:
            # One neighbour's receiver was wrong and nobody can say which.
            return None, None
        return not_before, not_after

    def _find(self, boot: int) -> BootSpan | None:
        if self.now is not None and self.now.boot == boot:
            return self.now
        return next((span for span in self.earlier if span.boot == boot), None)

    def _span(self, mono: float) -> BootSpan:
        """The running boot, alive until `mono`; a recording that opens without a `boot` line gets boot 1."""
        now = self.now
        if now is None:
            return BootSpan(boot=1, first_mono=mono, last_mono=mono)
        if mono <= now.last_mono:
            return now
        return BootSpan(boot=now.boot, first_mono=now.first_mono, last_mono=mono, knots=now.knots, wall=now.wall)

    def _try_to_trust(self, span: BootSpan, fix: GpsFix) -> tuple[Timeline, tuple[TimeEvent, ...]]:
        candidate = _vote(self.candidate, fix.utc_s - fix.mono, agree_s=self.rules.agree_s)
        after = replace(self, now=span, last_fix_utc_s=fix.utc_s, candidate=candidate)
        if candidate.votes < self.rules.trust_fixes:
            return after, ()
        bound, utc_s = _bind(after, span, candidate.high_s, mono=fix.mono)
        text = f"Time is trusted after {self.rules.trust_fixes} agreeing fixes: it is {format_utc(utc_s)}."
        trusted = TimeEvent(code="time-trusted", boot=span.boot, mono=fix.mono, text=text, utc_s=utc_s)
        known = self.last_known_utc_s
        if known is None or utc_s >= known - self.rules.agree_s:
            return replace(bound, against_last_known_fixes=0, against_last_known_boots=0), (trusted,)
        text = f"The receiver says {format_utc(utc_s)}, but it was {format_utc(known)} before; one of the two is wrong."
        warning = TimeEvent(
            code="time-before-last-known", boot=span.boot, mono=fix.mono, text=text, utc_s=utc_s, shift_s=utc_s - known
        )
        bound = replace(
            bound,
            against_last_known_fixes=self.against_last_known_fixes + self.rules.trust_fixes,
            against_last_known_boots=self.against_last_known_boots + 1,
        )
        return bound, (trusted, warning)

    def _follow(self, span: BootSpan, fix: GpsFix) -> tuple[Timeline, tuple[TimeEvent, ...]]:
        offset_s = fix.utc_s - fix.mono
        newest = span.knots[-1]
        if abs(offset_s - newest.offset_s) > self.rules.agree_s:
            return self._doubt(span, fix)
        started, best_s = self.window_from_mono, self.window_best_s
        if best_s is None or offset_s > best_s:
            best_s = offset_s
        if fix.mono - started >= self.rules.window_s:
            if abs(best_s - newest.offset_s) > self.rules.follow_s:
                span = replace(span, knots=(*span.knots, Knot(mono=fix.mono, offset_s=best_s)))
            started, best_s = fix.mono, None
        elif len(span.knots) == 1 and started == newest.mono and offset_s > newest.offset_s + self.rules.follow_s:
            # Still in the first window: the fixes that were trusted all came late; drift is too slow to be the reason.
            span = replace(span, knots=(Knot(mono=newest.mono, offset_s=offset_s),))
        rival = self.candidate
        if rival is not None:
            rival = replace(rival, votes=rival.votes - 1) if rival.votes > 1 else None
        after = Timeline(
            rules=self.rules,
            earlier=self.earlier,
            now=span,
            last_fix_utc_s=fix.utc_s,
            candidate=rival,
            window_from_mono=started,
            window_best_s=best_s,
            told=self.told,
            last_known_utc_s=self.last_known_utc_s,
            against_last_known_fixes=self.against_last_known_fixes,
            against_last_known_boots=self.against_last_known_boots,
        )
        if self.against_last_known_fixes:
            return _count_against_last_known(after, fix.mono)
        return after, ()

    def _doubt(self, span: BootSpan, fix: GpsFix) -> tuple[Timeline, tuple[TimeEvent, ...]]:
        rival = _vote(self.candidate, fix.utc_s - fix.mono, agree_s=self.rules.agree_s)
        after = replace(self, now=span, last_fix_utc_s=fix.utc_s, candidate=rival)
        shift_s = rival.high_s - span.knots[-1].offset_s
        if rival.votes >= self.rules.rebind_fixes:
            bound, utc_s = _bind(after, span, rival.high_s, mono=fix.mono)
            text = f"Time moved by {shift_s:+.1f} s after {rival.votes} agreeing fixes: it is {format_utc(utc_s)}."
            event = TimeEvent(
                code="time-rebound", boot=span.boot, mono=fix.mono, text=text, utc_s=utc_s, shift_s=shift_s
            )
            told = tuple(code for code in self.told if code != "time-disagrees")
            return replace(bound, told=told), (event,)
        if rival.votes < self.rules.trust_fixes or "time-disagrees" in self.told:
            return after, ()
        text = f"The receiver's time is {shift_s:+.1f} s from the trusted one; it is not followed yet."
        event = TimeEvent(code="time-disagrees", boot=span.boot, mono=fix.mono, text=text, shift_s=shift_s)
        return replace(after, told=(*self.told, "time-disagrees")), (event,)


def remembered(kept: Iterable[tuple[int, float, float, float | None]], *, rules: TimeRules = RULES) -> Timeline:
    """All that is left after the state was lost: of each boot, oldest first, its number, first and last moment, offset.

    The latest time of them all is the last known one: it only warns, like one that was never lost.
    """
    spans = tuple(
        BootSpan(boot, first, max(first, last), () if offset_s is None else (Knot(mono=last, offset_s=offset_s),))
        for boot, first, last, offset_s in kept
    )
    known = max((utc_s for span in spans if (utc_s := span.utc_of(span.last_mono)) is not None), default=None)
    if not spans:
        return Timeline(rules=rules)
    return Timeline(rules=rules, earlier=spans[-rules.keep_boots - 1 : -1], now=spans[-1], last_known_utc_s=known)


def refusal(utc_s: float, *, rules: TimeRules = RULES) -> str | None:
    """Why a receiver's time is not believed, fit to stand after "the receiver says"; None if it may be true."""
    if rules.floor_utc_s <= utc_s < rules.ceiling_utc_s:
        return None
    for weeks in (1024, 2048, -1024):
        moved_s = utc_s + weeks / 1024 * ROLL_OVER_S
        if rules.floor_utc_s <= moved_s < rules.ceiling_utc_s:
            return f"a time {abs(weeks)} weeks off: its week number rolled over"
    return "a time before the floor" if utc_s < rules.floor_utc_s else "a time more than ten years above the floor"


def _bind(timeline: Timeline, span: BootSpan, offset_s: float, *, mono: float) -> tuple[Timeline, float]:
    """The state with this offset for the whole running boot, and the UTC time of `mono` by it."""
    bound = replace(span, knots=(Knot(mono=mono, offset_s=offset_s),))
    return replace(timeline, now=bound, candidate=None, window_from_mono=mono, window_best_s=None), mono + offset_s


def _vote(candidate: Candidate | None, offset_s: float, *, agree_s: float) -> Candidate:
    """The candidate after one more offset: a majority vote, so neither alternation nor a stray fix decides."""
    if candidate is None:
        return Candidate(low_s=offset_s, high_s=offset_s, votes=1)
    low_s, high_s = min(candidate.low_s, offset_s), max(candidate.high_s, offset_s)
    if high_s - low_s <= agree_s:
        return Candidate(low_s=low_s, high_s=high_s, votes=candidate.votes + 1)
    if candidate.votes <= 1:
        return Candidate(low_s=offset_s, high_s=offset_s, votes=1)
    return Candidate(low_s=candidate.low_s, high_s=candidate.high_s, votes=candidate.votes - 1)


def _count_against_last_known(timeline: Timeline, mono: float) -> tuple[Timeline, tuple[TimeEvent, ...]]:
    fixes = timeline.against_last_known_fixes + 1
    if fixes < timeline.rules.rebind_fixes or timeline.against_last_known_boots < _BOOTS_AGAINST:
        return replace(timeline, against_last_known_fixes=fixes), ()
    utc_s = timeline.utc_of(timeline.boot, mono)
    text = f"The last known time is given up after {fixes} agreeing fixes over two boots that contradict it."
    event = TimeEvent(code="last-known-time-replaced", boot=timeline.boot, mono=mono, text=text, utc_s=utc_s)
    after = replace(timeline, last_known_utc_s=utc_s, against_last_known_fixes=0, against_last_known_boots=0)
    return after, (event,)


def _latest(one: float | None, other: float | None) -> float | None:
    known = [utc_s for utc_s in (one, other) if utc_s is not None]
    return max(known, default=None)
