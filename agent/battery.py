"""The battery guard: when a parked van's reader falls asleep, and what wakes it; floor 1.

Asleep, the reader does not transmit, but its connection stays, so that its inputs are still heard. It falls asleep a
number of hours after the ignition went off, if nothing was handled meanwhile, or once the input that says *low voltage*
has been on for a minute. The ignition wakes it, and driving does where that input fails; so does a rear door that
opens or shuts, for `awake_s`. With the ignition on it never sleeps, whatever the voltage: the engine charges, and every
start is a dip.

What is not read meanwhile is *not read*: the guard changes nothing of what is believed to be aboard. Without an
ignition input no hours are counted, for then nobody knows that the van is parked for the night.
Times are on the tally's axis (`t_s`). Knows no sites, tags or plans.
"""

from __future__ import annotations

import math
from typing import Literal

from msgspec import Struct
from msgspec.structs import replace

Cause = Literal["hours", "voltage"]

# A starter motor, a lift gate or a cold lamp pulls the voltage down for seconds. Judgement.
LOW_S = 60.0


class Rules(Struct, frozen=True):
    """`asleep_s` None: never by the hours alone."""

    asleep_s: float | None
    awake_s: float


class Guard(Struct, frozen=True):
    """All that is remembered. A moment of None: not so, or never."""

    ignition: bool | None = None  # as last told
    doors: bool | None = None
    off_s: float | None = None  # since when the ignition is off
    low_s: float | None = None  # since when the voltage is low
    handled_s: float | None = None  # when a door last opened or shut
    moved_s: float | None = None  # when the van was last found driving
    is_moving: bool = False
    asleep_since_s: float | None = None
    cause: Cause | None = None  # why it is asleep

    @property
    def is_asleep(self) -> bool:
        """True while nothing is read to spare the battery."""
        return self.asleep_since_s is not None

    def due(self, rules: Rules) -> tuple[float, Cause] | None:
        """When it falls asleep if nothing happens before, and why; None while it sleeps, or never."""
        if self.is_asleep or self.ignition is True or self.is_moving:
            return None
        woken_s = -math.inf if self.handled_s is None else self.handled_s + rules.awake_s
        found: list[tuple[float, Cause]] = []
        if self.off_s is not None and rules.asleep_s is not None:
            parked_s = max(self.off_s, -math.inf if self.moved_s is None else self.moved_s)
            found.append((max(parked_s + rules.asleep_s, woken_s), "hours"))
        if self.low_s is not None:
            found.append((max(self.low_s + LOW_S, woken_s), "voltage"))
        return min(found, default=None)

    def let_time_pass(self, t_s: float, rules: Rules) -> Guard:
        """Asleep from the moment on at which that was due, if it has come."""
        due = self.due(rules)
        if due is None or t_s < due[0]:
            return self
        return replace(self, asleep_since_s=due[0], cause=due[1])

    def told_ignition(self, t_s: float, *, on: bool) -> Guard:
        """The ignition's level; told again, as after a restart, it changes nothing."""
        if on is self.ignition:
            return self
        known = replace(self, ignition=on, off_s=None if on else t_s)
        return _awake(known) if on else known

    def told_doors(self, t_s: float, *, is_open: bool) -> Guard:
        """The doors' level; the first that is ever told moves no door."""
        if is_open is self.doors:
            return self
        known = replace(self, doors=is_open)
        return known if self.doors is None and not is_open else _awake(replace(known, handled_s=t_s))

    def told_voltage(self, t_s: float, *, is_low: bool) -> Guard:
        """Whether the voltage is low. A battery that recovers without load wakes nobody: it would not last."""
        if not is_low:
            return replace(self, low_s=None)
        return self if self.low_s is not None else replace(self, low_s=t_s)

    def told_motion(self, t_s: float, *, is_moving: bool) -> Guard:
        """The van was found driving or standing."""
        if not is_moving:
            return replace(self, is_moving=False, moved_s=t_s if self.is_moving else self.moved_s)
        return _awake(replace(self, is_moving=True, moved_s=t_s))


def _awake(guard: Guard) -> Guard:
    return replace(guard, asleep_since_s=None, cause=None)
