"""Is the van standing or moving? From speed, displacement, ignition and doors; knows no sites.

    TRANSITIONS (drawn from the table below)
        unknown --halt--> stopped        the van's first known state; nothing was seen of how it got here
        unknown --move--> moving
        moving  --halt--> halted         perhaps a stop, perhaps a red light
        halted  --move--> moving         it was none
        halted  --confirm--> stopped     near a fence, 90 s, ignition off, power cut or doors open (formats.md 7)
        moving  --confirm--> stopped     the sky was lost at a dock, or the power cut while nothing was seen
        stopped --move--> moving         departed

Both changes are found by a cumulative sum of log-likelihood ratios of speed (E. S. Page, "Continuous inspection
schemes", Biometrika 41, 1954): it names the moment at which the change began, so departures and arrivals are dated
back to the first moving or standing sample. Times are on the tally's axis (`t_s`).
"""

from __future__ import annotations

import math
from enum import Enum

from msgspec import Struct
from msgspec.structs import replace

from agent.records import GpsFix

# A halt of this length is a stop wherever it is (formats.md, section 7).
STOP_S = 90.0
# Evidence needed to call a change, in nats; at one fix a second three to four clear ones.
THRESHOLD = 6.0
# No single fix may say more than this: receivers lie with confidence.
CLIP = 2.0
# A move counts only when the van has got this far from where it stood, or is plainly driving. Judgement: GPS drift of
# a parked van stays within it nearly always; the next bay is no nearer.
LEFT_M = 12.0
DRIVING_MPS = 3.0
# Without a usable fix for this long, a van last seen slow is taken to stand where the sky was lost.
SKY_LOST_S = 120.0
SLOW_MPS = 9.0
# An average below this over a hole in the fixes means that the van stood in it.
STOOD_MPS = 1.0
# Fixes closer together than this give no speed by their distance. Judgement.
SHORTEST_S = 0.5
# A record that opens with this many fixes on the spot opens with a stop. Judgement.
FIRST_FIXES = 3
# The running mean of a parked position forgets at this many fixes.
ANCHOR_FIXES = 120
# Found again this far (and four sigma) from where it stood when power or sky went, by this many standing fixes: it
# moved while nobody watched. Judgement: a receiver's first fixes are its worst.
CARRIED_M = 40.0
CARRIED_FIXES = 8
UNWATCHED_S = 60.0
# A van that stood without sky and is first seen driving stood about this near. Judgement: a yard's way.
FIRST_SEEN_SIGMA_M = 60.0
# What a van does unseen: a way of some length at a yard's speed. Judgement.
UNSEEN_MPS = 6.0
UNSEEN_LEG_S = 12.0


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


def distance_m(lat_a: float, lon_a: float, lat_b: float, lon_b: float) -> float:
    """Metres between two near points, on a sphere of WGS 84's mean radius; a part in 300 wrong at most."""
    dy = (lat_b - lat_a) * 111_195.0
    dx = (lon_b - lon_a) * 111_195.0 * math.cos(math.radians((lat_a + lat_b) / 2))
    return math.hypot(dx, dy)


def speed_evidence(speed_mps: float) -> float:
    """Log P(speed | standing) / P(speed | moving), clipped.

    Standing: half-normal with sigma 0.4 m/s, one in ten exponential with mean 1 m/s (multipath). Moving: flat 0-20 m/s.
    Judgement; a receiver's Doppler speed is good to some 0.1 m/s under open sky and far worse beside walls.
    """
    standing = 0.9 * 1.995 * math.exp(-0.5 * (speed_mps / 0.4) ** 2) + 0.1 * math.exp(-speed_mps)
    return max(-CLIP, min(CLIP, math.log(max(standing, 1e-6) / 0.05)))


def _become(motion: Motion, how: str, at_s: float, now_s: float) -> tuple[Motion, Change]:
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
    )
    return changed, Change(state, at_s, now_s)


def _anchored(anchor: Anchor | None, fix: GpsFix) -> Anchor:
    if anchor is None:
        return Anchor(fix.lat, fix.lon, fix.sigma_m, 1)
    n = min(anchor.fixes + 1, ANCHOR_FIXES)
    # Errors of successive fixes hang together (0.7 at 3 s: design.md), so the mean is hardly better than one fix.
    return Anchor(
        anchor.lat + (fix.lat - anchor.lat) / n,
        anchor.lon + (fix.lon - anchor.lon) / n,
        anchor.sigma_m + (fix.sigma_m - anchor.sigma_m) / n,
        n,
    )


def observe_fix(motion: Motion, t_s: float, fix: GpsFix) -> tuple[Motion, tuple[Change, ...]]:
    """Take one usable fix; the changes found, oldest first."""
    last, elapsed = motion.last, t_s - motion.last_s
    if last is not None and fix.utc_s == last.utc_s:
        return observe_time(motion, t_s)  # the receiver repeats itself: its time did not move
    moved = distance_m(last.lat, last.lon, fix.lat, fix.lon) if last is not None else 0.0
    speed = fix.speed_mps
    if speed is None:
        speed = moved / elapsed if last is not None and SHORTEST_S <= elapsed <= STOP_S else 0.0
    motion, changes = _through_hole(motion, t_s, moved_m=moved)
    standing = motion.state is not State.MOVING
    evidence = CLIP if motion.ignition is False and speed < DRIVING_MPS else speed_evidence(speed)
    score = max(0.0, motion.score + (-evidence if standing else evidence))
    since = t_s if motion.score == 0.0 else motion.score_since_s
    motion = replace(motion, last=fix, last_s=t_s, score=score, score_since_s=since, speed_mps=speed)
    if standing:
        motion, found = _not_moving(motion, t_s, fix, elapsed_s=elapsed, evidence=evidence)
    elif score >= THRESHOLD:
        motion, change = _become(replace(motion, anchor=_anchored(None, fix)), "halt", since, t_s)
        found = (change,)
    else:
        found = ()
    motion, later = _confirm(motion, t_s)
    return motion, (*changes, *found, *later)


def _through_hole(motion: Motion, t_s: float, *, moved_m: float) -> tuple[Motion, tuple[Change, ...]]:
    """The first fix after a long while without one: did the van stand through it?"""
    last, elapsed = motion.last, t_s - motion.last_s
    if last is None or elapsed < STOP_S or motion.state not in {State.MOVING, State.HALTED}:
        return motion, ()
    if moved_m / elapsed >= STOOD_MPS:
        return replace(motion, score=0.0, score_since_s=t_s), ()
    # The van stood while nothing was seen, if only because it could not have crept along for so long.
    begin = motion.since_s if motion.state is State.HALTED else motion.last_s
    motion, change = _become(replace(motion, anchor=_anchored(None, last)), "confirm", begin, t_s)
    return motion, (change,)


def _not_moving(
    motion: Motion, t_s: float, fix: GpsFix, *, elapsed_s: float, evidence: float
) -> tuple[Motion, tuple[Change, ...]]:
    """A fix of a van that stands, as far as is known: does it go on standing there?"""
    anchor = motion.anchor
    away = distance_m(anchor.lat, anchor.lon, fix.lat, fix.lon) if anchor is not None else 0.0
    if elapsed_s > UNWATCHED_S and motion.blind_s is None and motion.state is State.STOPPED:
        motion = replace(motion, blind_s=motion.last_s - elapsed_s + 1.0)
    if motion.blind_s is not None and motion.state is State.STOPPED:
        far = away > CARRIED_M + 4 * max(fix.sigma_m, anchor.sigma_m if anchor is not None else 0.0)
        if far and evidence > 0:
            motion = replace(motion, elsewhere=_anchored(motion.elsewhere, fix))
            if motion.elsewhere is not None and motion.elsewhere.fixes >= CARRIED_FIXES:
                return _carried(motion, motion.elsewhere, t_s)
            return motion, ()
        if far and motion.score >= THRESHOLD:
            motion, change = _become(motion, "move", _left_at(motion, motion.score_since_s, away), t_s)
            return motion, (change,)
        if not far and evidence > 0:
            motion = replace(motion, elsewhere=None, blind_s=None if motion.score == 0.0 else motion.blind_s)
    driving = motion.speed_mps >= DRIVING_MPS or away > LEFT_M or motion.state is State.UNKNOWN
    if motion.score >= THRESHOLD and driving:
        motion, change = _become(motion, "move", motion.score_since_s, t_s)
        return motion, (change,)
    motion = replace(motion, anchor=_stood_at(motion, fix, evidence=evidence))
    if motion.state is State.UNKNOWN and motion.anchor is not None and motion.anchor.fixes >= FIRST_FIXES:
        motion, change = _become(motion, "halt", motion.since_s, t_s)
        return motion, (change,)
    return motion, ()


def _stood_at(motion: Motion, fix: GpsFix, *, evidence: float) -> Anchor | None:
    """Where the van stands by one more fix; roughly by the first, where it had no sky until it drove."""
    if evidence > 0 and motion.score < THRESHOLD / 2:
        return _anchored(motion.anchor, fix)
    if motion.anchor is None and motion.state is State.STOPPED:
        return Anchor(fix.lat, fix.lon, max(fix.sigma_m, FIRST_SEEN_SIGMA_M), 1)
    return motion.anchor


def _left_at(motion: Motion, seen_s: float, away_m: float) -> float:
    """When a van first seen again at `seen_s`, `away_m` from where it stood, is likely to have left."""
    earliest = max(motion.since_s, motion.blind_s or 0.0, motion.input_s)
    return min(max(earliest, seen_s - max(UNSEEN_LEG_S, away_m / UNSEEN_MPS)), max(motion.since_s, seen_s))


def _carried(motion: Motion, where: Anchor, t_s: float) -> tuple[Motion, tuple[Change, ...]]:
    """It stands somewhere else than it stood: it left when last unwatched and arrived before the first fix there."""
    anchor = motion.anchor
    away = 0.0 if anchor is None else distance_m(anchor.lat, anchor.lon, where.lat, where.lon)
    left_s = _left_at(motion, t_s - CARRIED_FIXES, away)
    came_s = max(left_s + UNSEEN_LEG_S, t_s - CARRIED_FIXES)
    motion, gone = _become(motion, "move", left_s, t_s)
    motion, back = _become(replace(motion, anchor=where), "confirm", came_s, t_s)
    return motion, (gone, back)


def _confirm(motion: Motion, t_s: float) -> tuple[Motion, tuple[Change, ...]]:
    if motion.state is State.HALTED and (
        t_s - motion.since_s >= STOP_S or motion.ignition is False or motion.doors is True
    ):
        motion, change = _become(motion, "confirm", motion.since_s, t_s)
        return motion, (change,)
    return motion, ()


def observe_time(motion: Motion, t_s: float) -> tuple[Motion, tuple[Change, ...]]:
    """Take the passing of time without a usable fix."""
    silent = t_s - motion.last_s
    if motion.state is State.MOVING and motion.last is not None and silent > STOP_S:
        off = motion.ignition is False or motion.doors is True
        if off or (silent > SKY_LOST_S and motion.speed_mps < SLOW_MPS):
            stood = replace(motion, anchor=_anchored(None, motion.last))
            motion, change = _become(stood, "confirm", motion.last_s, t_s)
            return motion, (change,)
    return _confirm(motion, t_s)


def observe_input(
    motion: Motion, t_s: float, *, ignition: bool | None = None, doors: bool | None = None
) -> tuple[Motion, tuple[Change, ...]]:
    """Take a change of the ignition (True = on) or the rear doors (True = open)."""
    if ignition is not None:
        motion = replace(motion, ignition=ignition)
    if doors is not None:
        motion = replace(motion, doors=doors)
    if motion.state is State.STOPPED:
        motion = replace(motion, input_s=t_s)
    stands = ignition is False or doors is True
    if stands and motion.state is State.UNKNOWN:
        # Nothing was seen of it yet, perhaps for want of sky; but nobody opens the doors of a van that drives.
        motion, change = _become(motion, "halt", motion.since_s, t_s)
        return motion, (change,)
    slow = motion.speed_mps < DRIVING_MPS or t_s - motion.last_s > STOP_S / 3
    if stands and motion.state is State.MOVING and motion.last is not None and slow:
        at = max(motion.since_s, min(motion.last_s + 1.0, t_s))
        motion, change = _become(replace(motion, anchor=_anchored(None, motion.last)), "confirm", at, t_s)
        return motion, (change,)
    return _confirm(motion, t_s)


def confirm_near_fence(motion: Motion, t_s: float) -> tuple[Motion, tuple[Change, ...]]:
    """The halt is in or near a fence: that makes it a stop."""
    if motion.state is not State.HALTED:
        return motion, ()
    motion, change = _become(motion, "confirm", motion.since_s, t_s)
    return motion, (change,)


def observe_boot(motion: Motion, t_s: float) -> tuple[Motion, tuple[Change, ...]]:
    """The computer started again: ignition and doors are not known; a halt in which power was cut is a stop."""
    motion = replace(motion, ignition=None, doors=None, score=0.0, score_since_s=t_s, blind_s=t_s, speed_mps=0.0)
    if motion.state is State.HALTED:
        motion, change = _become(motion, "confirm", motion.since_s, t_s)
        return replace(motion, blind_s=t_s), (change,)
    return motion, ()
