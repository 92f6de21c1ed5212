"""The tally's own axis of time: seconds that run on over reboots, and which boot and monotonic moment each one is.

Everything inside is ordered by `t_s` and by nothing else. How long the computer was off is not known until time is
trusted, so a reboot adds one nominal second; UTC comes from the timeline, late.
"""

from __future__ import annotations

from bisect import bisect_right
from contextlib import suppress

from msgspec import Struct
from msgspec.structs import replace

from agent.timeline import Timeline
from agent.units import parse_utc

OFF_S = 1.0


class Moment(Struct, frozen=True):
    """A moment in UTC: the best estimate and what bounds it; `trusted` where a receiver's time binds it."""

    utc_s: float
    not_before_s: float
    not_after_s: float
    trusted: bool


class Axis(Struct, frozen=True):
    """`bases[i]` is (boot number, t_s at its first moment, that moment's mono)."""

    bases: tuple[tuple[int, float, float], ...] = ()
    last_s: float = 0.0

    def observe_boot(self, boot: int, mono: float) -> Axis:
        """A new boot's clock begins."""
        base = self.last_s + OFF_S if self.bases else 0.0
        return Axis((*self.bases, (boot, base, mono)), base)

    def at(self, mono: float) -> float:
        """`t_s` of a moment of the running boot; never before what already happened."""
        _, base, first = self.bases[-1]
        return max(self.last_s, base + mono - first)

    def advance(self, t_s: float) -> Axis:
        """The axis has reached `t_s`."""
        return replace(self, last_s=t_s) if t_s > self.last_s else self

    def boot_of(self, t_s: float) -> tuple[int, float]:
        """The boot and the monotonic moment of `t_s`."""
        i = max(0, bisect_right(self.bases, t_s, key=lambda base: base[1]) - 1)
        boot, base, first = self.bases[i]
        return boot, first + t_s - base

    def moment(self, timeline: Timeline, t_s: float) -> Moment:
        """`t_s` in UTC, as well as is known by now; where nothing is known, what the computer's wall clock says."""
        boot, mono = self.boot_of(t_s)
        utc_s = timeline.utc_of(boot, mono)
        if utc_s is not None:
            return Moment(utc_s, utc_s, utc_s, trusted=True)
        low, high = timeline.bounds_of(boot, mono)
        if low is not None and high is not None:
            return Moment((low + high) / 2, low, high, trusted=False)
        if low is not None:
            return Moment(low, low, low + 86_400.0, trusted=False)
        if high is not None:
            return Moment(high, high - 86_400.0, high, trusted=False)
        guess = 0.0
        for span in timeline.boots:
            if span.boot == boot and span.wall:
                with suppress(ValueError):  # a clock that says nonsense says nothing
                    guess = parse_utc(span.wall) + mono - span.first_mono
        return Moment(guess, guess, guess, trusted=False)

    def forget_before(self, t_s: float) -> Axis:
        """Drop boots that ended before `t_s`."""
        kept = max(0, bisect_right(self.bases, t_s, key=lambda base: base[1]) - 1)
        return replace(self, bases=self.bases[kept:])
