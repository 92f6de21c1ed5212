"""What the vehicle's agent shows of itself, where and how often: aboard, position, status; and what is due when."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from agent.bodies import Position, Status
from agent.snapshot import aboard, position
from agent.state import Setup, State

ABOARD_S = 10.0
STATUS_S = 60.0
POSITION_S = 10.0
POSITION_PARKED_S = 120.0


class Shown:
    """Where the agent shows itself: the publisher, or nothing when there is no broker."""

    def __init__(
        self,
        *,
        status: Callable[[Status], None],
        aboard: Callable[[Any], None],
        position: Callable[[Any], None],
        notify: Callable[[], None],
        raise_if_failed: Callable[[], None],
    ) -> None:
        self.raise_if_failed = raise_if_failed
        self.status, self.aboard, self.position, self.notify = status, aboard, position, notify


class Dues:
    """When each thing that is done again and again is next due, on this boot's clock; what was never done is due."""

    def __init__(self) -> None:
        self._next: dict[str, float] = {}

    def is_due(self, what: str, now: float, every_s: float) -> bool:
        """Whether it is; then it is next due in `every_s`."""
        if now < self._next.get(what, 0.0):
            return False
        self._next[what] = now + every_s
        return True

    def done(self, what: str, until: float) -> None:
        """It was done, and is not due before `until`."""
        self._next[what] = until

    def soon(self, what: str) -> None:
        """It is due now."""
        self._next.pop(what, None)


class Showing:
    """Shows the newest of everything when it is due; a position only where it differs from the last one shown."""

    def __init__(self, shown: Shown, dues: Dues) -> None:
        self._shown, self._dues = shown, dues
        self._position: Position | None = None

    def notify(self) -> None:
        """There are new records."""
        self._shown.notify()

    def show(self, setup: Setup, state: State, now: float, *, now_s: float, status: Callable[[float], Status]) -> None:
        """Show what is due at `now` on this boot's clock, which is `now_s` on the tally's axis."""
        self._shown.raise_if_failed()
        if self._dues.is_due("aboard", now, ABOARD_S):
            self._shown.aboard(aboard(setup, state, now_s=now_s))
        parked = not state.motion.speed_mps or state.itinerary.current is None
        if self._dues.is_due("position", now, POSITION_PARKED_S if parked else POSITION_S):
            where = position(setup, state)
            if where is not None and where != self._position:
                self._position = where
                self._shown.position(where)
        if self._dues.is_due("status", now, STATUS_S):
            self._shown.status(status(now))
