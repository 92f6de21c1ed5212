"""What the vehicle's agent shows of itself, where and how often: aboard, position, status; and what is due when."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from agent import worth
from agent.bodies import Aboard, Position, Status
from agent.snapshot import aboard, position
from agent.state import Setup, State

# How often it is looked whether there is something worth showing.
ABOARD_S = 10.0
STATUS_S = 60.0
POSITION_S = 10.0


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
    """Shows the newest of everything as often as that is worth its bytes (`agent.worth`)."""

    def __init__(self, shown: Shown, dues: Dues) -> None:
        self._shown, self._dues = shown, dues
        self._aboard: Aboard | None = None
        self._position: Position | None = None
        self._status: Status | None = None
        self._at: dict[str, float] = {}

    def notify(self) -> None:
        """There are new records."""
        self._shown.notify()

    def show(self, setup: Setup, state: State, now: float, *, now_s: float, status: Callable[[float], Status]) -> None:
        """Show what is worth it at `now` on this boot's clock, which is `now_s` on the tally's axis."""
        self._shown.raise_if_failed()
        if self._dues.is_due("aboard", now, ABOARD_S):
            cargo = aboard(setup, state, now_s=now_s)
            if worth.aboard_is(self._aboard, cargo, waited_s=self._waited_s("aboard", now)):
                self._aboard, self._at["aboard"] = cargo, now
                self._shown.aboard(cargo)
        if self._dues.is_due("position", now, POSITION_S):
            where = position(setup, state)
            if where is not None and worth.position_is(
                self._position, where, waited_s=self._waited_s("position", now)
            ):
                self._position, self._at["position"] = where, now
                self._shown.position(where)
        if self._dues.is_due("status", now, STATUS_S):
            body = status(now)
            is_quiet = now - max(self._at.values(), default=now) >= worth.SIGN_OF_LIFE_S
            if is_quiet or worth.status_is(self._status, body, waited_s=self._waited_s("status", now)):
                self._status, self._at["status"] = body, now
                self._shown.status(body)

    def _waited_s(self, what: str, now: float) -> float:
        return now - self._at.get(what, now)
