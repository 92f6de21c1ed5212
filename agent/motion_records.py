"""What is remembered of the van's motion between two fixes, its states, and where it stands; floor 1.

What a fix changes in it is `agent.motion`'s, which draws the table.
"""

from __future__ import annotations

from enum import Enum

from msgspec import Struct
from msgspec.structs import replace

from agent.pace import Sighting, distance_m
from agent.records import GpsFix

DRIVING_MPS = 3.0  # a van that goes so fast is plainly driving. Judgement
FIRST_FIXES = 3  # so many fixes on the spot are a place where it stands. Judgement
ANCHOR_FIXES = 120  # at so many the running mean of a parked position forgets


class State(Enum):
    """What the van is doing."""

    UNKNOWN = "unknown"
    MOVING = "moving"
    HALTED = "halted"
    STOPPED = "stopped"


TRANSITIONS = {
    (State.UNKNOWN, "halt"): State.STOPPED,
    (State.UNKNOWN, "move"): State.MOVING,
    (State.MOVING, "halt"): State.HALTED,
    (State.HALTED, "move"): State.MOVING,
    (State.HALTED, "confirm"): State.STOPPED,
    (State.MOVING, "confirm"): State.STOPPED,
    (State.STOPPED, "move"): State.MOVING,
}


class Change(Struct, frozen=True):
    """The van's state became `state` at `at_s`, as found at `found_s`."""

    state: State
    at_s: float
    found_s: float


class Anchor(Struct, frozen=True):
    """Where the van stands: the mean of the fixes there, and the error of each axis."""

    lat: float
    lon: float
    sigma_m: float
    fixes: int
    scatter_m2: float = 0.0  # mean squared distance of the fixes from their mean, both axes


class Motion(Struct, frozen=True):
    """All that is remembered between two fixes."""

    state: State = State.UNKNOWN
    since_s: float = 0.0
    score: float = 0.0
    score_since_s: float = 0.0
    anchor: Anchor | None = None
    last: GpsFix | None = None
    last_s: float = 0.0
    ignition: bool | None = None
    doors: bool | None = None
    blind_s: float | None = None  # when the van was last unwatched: a reboot, or fixes that stayed away
    elsewhere: Anchor | None = None  # where it stands now, if not where it stood then
    speed_mps: float = 0.0
    input_s: float = 0.0  # when ignition or doors last changed: it stood then
    trail: tuple[Sighting, ...] = ()  # the latest fixes without a speed
    away_s: float | None = None  # since when it is seen far from where it stood, in a way that was no drive
    leapt_s: float | None = None  # when the positions last leapt
    away_mps: float = 0.0  # the fastest that the receiver told since it last was seen standing there


def become(motion: Motion, how: str, at_s: float, now_s: float) -> tuple[Motion, Change]:
    """Go to the next state, as of `at_s`, found at `now_s`; KeyError where the table has no such way."""
    state = TRANSITIONS[(motion.state, how)]
    anchor = None if state is State.MOVING else motion.anchor
    changed = replace(
        motion,
        state=state,
        since_s=at_s,
        score=0.0,
        score_since_s=now_s,
        anchor=anchor,
        blind_s=None,
        elsewhere=None,
        away_s=None,
        away_mps=0.0,
    )
    return changed, Change(state, at_s, now_s)


def anchored(anchor: Anchor | None, fix: GpsFix) -> Anchor:
    """The anchor with one more fix; its first where there was none."""
    if anchor is None:
        return Anchor(fix.lat, fix.lon, fix.sigma_m, 1)
    n = min(anchor.fixes + 1, ANCHOR_FIXES)
    off_m = distance_m(anchor.lat, anchor.lon, fix.lat, fix.lon)
    # Errors of successive fixes hang together (0.7 at 3 s: design.md), so the mean is hardly better than one fix.
    return Anchor(
        anchor.lat + (fix.lat - anchor.lat) / n,
        anchor.lon + (fix.lon - anchor.lon) / n,
        anchor.sigma_m + (fix.sigma_m - anchor.sigma_m) / n,
        n,
        anchor.scatter_m2 + (off_m**2 - anchor.scatter_m2) / n,
    )


def is_parked(motion: Motion) -> bool:
    """Whether nobody drives: ignition off or doors open."""
    return motion.ignition is False or motion.doors is True
