"""Fixes made by hand: a van that stands, drives north at a speed, or is not seen, one fix a second."""

from __future__ import annotations

from collections.abc import Sequence

from agent.motion import Change, Motion, State, observe_fix
from agent.records import GpsFix

UTC_S = 1_772_600_400.0  # 2026-03-04T05:00:00Z
LAT, LON = 48.31, -31.27
METRES_PER_DEGREE = 111_195.0  # of latitude, on a sphere of the mean radius 6,371.0 km


def fix(t_s: float, north_m: float = 0.0, *, speed_mps: float | None = 0.0, sigma_m: float = 3.0) -> GpsFix:
    """A fix `north_m` metres north of where it all begins."""
    return GpsFix(t_s, UTC_S + t_s, LAT + north_m / METRES_PER_DEGREE, LON, sigma_m, 3, speed_mps)


class Drive:
    """Feeds a motion second by second and notes its changes."""

    def __init__(self, motion: Motion | None = None) -> None:
        self.motion = motion or Motion()
        self.t_s = 0.0
        self.north_m = 0.0
        self.changes: list[Change] = []

    def take(self, answer: tuple[Motion, Sequence[Change]]) -> Drive:
        """Keep what a call gave."""
        self.motion, found = answer
        self.changes += found
        return self

    def drive(self, seconds: int, *, speed_mps: float, told: bool = True) -> Drive:
        """Go on at a speed (0: stand); `told` False leaves the speed out of the fixes."""
        for _ in range(seconds):
            self.t_s += 1.0
            self.north_m += speed_mps
            self.take(
                observe_fix(self.motion, self.t_s, fix(self.t_s, self.north_m, speed_mps=speed_mps if told else None))
            )
        return self

    def stand(self, seconds: int) -> Drive:
        """Stand still."""
        return self.drive(seconds, speed_mps=0.0)

    def skip(self, seconds: float, *, metres: float = 0.0) -> Drive:
        """No fixes for a while."""
        self.t_s += seconds
        self.north_m += metres
        return self

    def forget_changes(self) -> Drive:
        """Only what comes from here on is asked for."""
        self.changes = []
        return self

    @property
    def states(self) -> list[State]:
        """What it became, in order."""
        return [change.state for change in self.changes]


def at_rest() -> Drive:
    """A van that has stood for a minute."""
    return Drive().stand(60).forget_changes()


def under_way(speed_mps: float = 12.0) -> Drive:
    """A van that has driven for a minute after a stop."""
    return at_rest().drive(60, speed_mps=speed_mps).forget_changes()
