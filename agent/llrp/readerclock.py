"""What a reader's own stamps are worth: only to tell what is clearly older than the round it came in. Pure.

A reader's clock may say 1970, and may jump. So its stamps never date a read. They are laid against this connection's
own events, each of which says what the reader's clock said when it arrived here. What an event takes on its way makes
stamps look younger, never older. A stamp counts as old only where the reader's clock went steadily from before the
round to its end, and by every event of that time the stamp lies clearly before the round. Anything else is no reason
not to believe a read. A clock that leaps and leaps back within one round is not noticed, unless an event tells.
"""

from __future__ import annotations

from msgspec import Struct

from agent.llrp.params import Uptime, UTCTimestamp

CLEARLY_S = 1.0
"""Judgement: by so much a stamp must lie before the round to be old; there are clocks that tell whole seconds only."""
JUMP_S = 1.0
"""Judgement: events that differ by more than this say that the clock jumped, or that one of them was held back."""


class Stamps(Struct, frozen=True):
    """What one report itself says of when its tag was heard, in microseconds of the reader's clock."""

    is_uptime: bool
    first_us: int | None
    last_us: int | None

    @property
    def is_fine(self) -> bool:
        """Whether a part of a second is told: then no two hearings in different rounds have the same stamps."""
        return any((us or 0) % 1_000_000 for us in (self.first_us, self.last_us))

    @property
    def latest_us(self) -> int:
        """When the tag was heard last, as far as it is told."""
        return max(self.first_us or 0, self.last_us or 0)


class ReaderClock:
    """One connection's events, as pairs of our time and the reader's. See the module."""

    def __init__(self) -> None:
        self._is_uptime = False
        self._lag_s: float | None = None  # of the latest event: our time of its arrival - its stamp
        self._least_s: float | None = None  # of the round's events, and of the latest one before it
        self._most_s: float | None = None
        self._heard_at = self._heard_from = 0.0  # the latest event, and the latest before the round

    def begin_round(self) -> None:
        """Only the latest event and those to come bear on the round that starts."""
        self._least_s = self._most_s = self._lag_s
        self._heard_from = self._heard_at

    def hear(self, stamp: UTCTimestamp | Uptime, now: float) -> None:
        """An event arrived."""
        is_uptime = isinstance(stamp, Uptime)
        if is_uptime is not self._is_uptime:
            self._is_uptime = is_uptime
            self._least_s = self._most_s = None
        self._heard_at = now
        self._lag_s = now - stamp.microseconds / 1e6
        if self._least_s is not None and self._most_s is not None:
            self._least_s, self._most_s = min(self._least_s, self._lag_s), max(self._most_s, self._lag_s)

    @property
    def is_steady(self) -> bool:
        """Whether the clock has gone, and without a jump, from before the round until the latest event."""
        if self._least_s is None or self._most_s is None:
            return False
        # A clock that stands still falls behind by as much as has passed.
        return self._most_s - self._least_s <= min(JUMP_S, (self._heard_at - self._heard_from) / 2)

    def looks_old(self, stamps: Stamps | None, started_at: float) -> bool:
        """Whether it was clearly heard before `started_at`, if the clock has not jumped; once False, never True."""
        if stamps is None or self._most_s is None or stamps.is_uptime is not self._is_uptime:
            return False
        return stamps.latest_us / 1e6 + self._most_s < started_at - CLEARLY_S
