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

from msgspec.structs import replace

from agent.motion_elsewhere import CARRIED_M, UNWATCHED_S, back, strayed, unwatched
from agent.motion_records import (
    DRIVING_MPS,
    FIRST_FIXES,
    TRANSITIONS,
    Anchor,
    Change,
    Motion,
    State,
    anchored,
    become,
    is_parked,
)
from agent.pace import CLIP, SPAN_S, Sighting, distance_m, is_leap, measure_pace, speed_evidence, turned_s
from agent.records import GpsFix

__all__ = [
    "STOP_S",
    "TRANSITIONS",
    "Anchor",
    "Change",
    "Motion",
    "State",
    "confirm_near_fence",
    "observe_boot",
    "observe_fix",
    "observe_input",
    "observe_time",
]

STOP_S = 90.0  # a halt of this length is a stop wherever it is (formats.md, section 7)
THRESHOLD = 6.0  # evidence needed to call a change, in nats; at one fix a second three to four clear ones
# A move counts only when the van has got this far from where it stood, or is plainly driving. Judgement: GPS drift of
# a parked van stays within it nearly always; the next bay is no nearer.
LEFT_M = 12.0
# One that merely halted is under way again sooner, if the receiver measures speed: jams creep. Judgement.
CREPT_M = 4.0
CREPT_SCORE = 3.5
SPARSE_S = 2.0  # fixes further apart leave the moment of a departure open between them. Judgement
# Without a usable fix for this long, a van last seen slow is taken to stand where the sky was lost.
SKY_LOST_S = 120.0
SLOW_MPS = 9.0
STOOD_MPS = 1.0  # an average below this over a hole in the fixes means that the van stood in it
# Two fixes further apart than this tell nothing of how long the computer was off: one of the dates is wrong. Judgement.
LONGEST_OFF_S = 40 * 86_400.0
REBOOTED_M = 12.0  # after a reboot this near where it was last seen, it stood. Judgement
# For this long after a leap of the positions a told speed is the receiver's filter, taking it for motion. Judgement.
LEAPT_S = 8.0
PARKED_FACTOR = 3.0  # with ignition off or doors open nobody drives: it takes so much more evidence. Judgement
# A van without sky that is first seen driving stood this near, or this long's drive away. Judgement: a yard's way.
FIRST_SEEN_SIGMA_M = 60.0
FIRST_SEEN_S = 12.0
FIRST_SEEN_MPS = 10.0  # where the receiver tells no speed


def _error_m(motion: Motion, fix: GpsFix) -> float:
    """Standard deviation of each axis: what the receiver states, or what was seen while standing if that is more."""
    return fix.sigma_m if motion.anchor is None else max(fix.sigma_m, math.sqrt(motion.anchor.scatter_m2 / 2))


def _seen_last(motion: Motion) -> tuple[Sighting, ...]:
    return () if motion.last is None else (Sighting(motion.last_s, motion.last.lat, motion.last.lon),)


def observe_fix(motion: Motion, t_s: float, fix: GpsFix) -> tuple[Motion, tuple[Change, ...]]:
    """Take one usable fix; the changes found, oldest first."""
    last, elapsed = motion.last, t_s - motion.last_s
    if last is not None and fix.utc_s == last.utc_s:
        return observe_time(motion, t_s)  # the receiver repeats itself: its time did not move
    moved = distance_m(last.lat, last.lon, fix.lat, fix.lon) if last is not None else 0.0
    trail, pace = measure_pace(motion.trail or _seen_last(motion), t_s, fix, error_m=_error_m(motion, fix))
    motion = replace(motion, trail=trail)
    motion, changes = _through_hole(motion, t_s, fix, moved_m=moved)
    standing = motion.state is not State.MOVING
    evidence = speed_evidence(pace.mps, noise_mps=pace.noise_mps) * pace.weight
    if motion.ignition is False and pace.mps < DRIVING_MPS:
        evidence = CLIP
    if last is not None and is_leap(moved, elapsed, error_m=last.sigma_m + fix.sigma_m):
        motion = replace(motion, leapt_s=t_s)
    if standing and motion.leapt_s is not None and t_s - motion.leapt_s < LEAPT_S:
        fix, evidence = replace(fix, speed_mps=None), 0.0
    score = max(0.0, motion.score + (-evidence if standing else evidence))
    since = motion.score_since_s
    if motion.score == 0.0:
        since = max(motion.since_s, _begun_s(motion, t_s, span_s=pace.span_s))
    motion = replace(motion, last=fix, last_s=t_s, score=score, score_since_s=since, speed_mps=pace.mps)
    if standing:
        motion, found = _not_moving(motion, t_s, fix, elapsed_s=elapsed, evidence=evidence)
        changes += found
    elif score >= THRESHOLD:
        motion, change = become(replace(motion, anchor=anchored(None, fix)), "halt", since, t_s)
        changes += (change,)
    motion, later = _confirm(motion, t_s)
    return motion, changes + later


def _begun_s(motion: Motion, t_s: float, *, span_s: float) -> float:
    """When that began which the pace at `t_s` is the first to say."""
    standing = motion.state is not State.MOVING
    if span_s > 0.0:
        return turned_s(motion.trail, standing=standing, before_mps=motion.speed_mps)
    elapsed = t_s - motion.last_s if motion.last is not None else 0.0
    # A speed tells of its own moment: the van may have left at any time since the fix before, if that is long ago.
    return t_s - (min(elapsed, SPAN_S) / 2 if standing and elapsed > SPARSE_S else 0.0)


def _through_hole(motion: Motion, t_s: float, fix: GpsFix, *, moved_m: float) -> tuple[Motion, tuple[Change, ...]]:
    """The first fix after a long while without one, or after a reboot: did the van stand through it?"""
    last, elapsed = motion.last, t_s - motion.last_s
    if last is None or not (motion.state is State.MOVING or motion.state is State.HALTED):
        return motion, ()
    rebooted = motion.blind_s is not None
    if rebooted and 0.0 < fix.utc_s - last.utc_s < LONGEST_OFF_S:
        elapsed = max(elapsed, fix.utc_s - last.utc_s)  # the tally's axis doesn't know how long the power was off
    motion = replace(motion, blind_s=None)
    if elapsed < STOP_S and not (rebooted and moved_m < REBOOTED_M):
        return motion, ()
    if moved_m / max(elapsed, STOP_S) >= STOOD_MPS:
        return replace(motion, score=0.0, score_since_s=t_s), ()
    # The van stood while nothing was seen, if only because it could not have crept along for so long.
    begin = motion.since_s if motion.state is State.HALTED else motion.last_s
    motion, change = become(replace(motion, anchor=anchored(None, last)), "confirm", begin, t_s)
    return motion, (change,)


def _not_moving(
    motion: Motion, t_s: float, fix: GpsFix, *, elapsed_s: float, evidence: float
) -> tuple[Motion, tuple[Change, ...]]:
    """A fix of a van that stands, as far as is known: does it go on standing there?"""
    anchor = motion.anchor
    away = distance_m(anchor.lat, anchor.lon, fix.lat, fix.lon) if anchor is not None else 0.0
    if motion.state is State.STOPPED:
        if elapsed_s > UNWATCHED_S and motion.blind_s is None:
            motion = replace(motion, blind_s=motion.last_s - elapsed_s + 1.0)
        far = away > CARRIED_M + 4 * max(fix.sigma_m, anchor.sigma_m if anchor is not None else 0.0)
        if far and motion.blind_s is not None and (evidence > 0 or motion.score >= THRESHOLD):
            return unwatched(motion, t_s, fix, away_m=away, evidence=evidence)
        if far and motion.blind_s is None and motion.score < THRESHOLD:
            return strayed(motion, t_s, fix, evidence=evidence)
        motion = back(motion, fix, evidence=evidence) if not far else motion
    left_m, enough = LEFT_M, THRESHOLD
    if fix.speed_mps is None:
        left_m = max(LEFT_M, 3 * _error_m(motion, fix))
    elif motion.state is State.HALTED:
        left_m, enough = CREPT_M, CREPT_SCORE
    enough *= PARKED_FACTOR if is_parked(motion) else 1.0
    driving = motion.speed_mps >= DRIVING_MPS or away > left_m or motion.state is State.UNKNOWN
    if motion.score >= enough and driving:
        motion, change = become(motion, "move", motion.score_since_s, t_s)
        return motion, (change,)
    motion = replace(motion, anchor=_stood_at(motion, fix, evidence=evidence))
    if motion.state is State.UNKNOWN and motion.anchor is not None and motion.anchor.fixes >= FIRST_FIXES:
        motion, change = become(motion, "halt", motion.since_s, t_s)
        return motion, (change,)
    return motion, ()


def _stood_at(motion: Motion, fix: GpsFix, *, evidence: float) -> Anchor | None:
    """Where the van stands by one more fix; roughly by the first, where it had no sky until it drove."""
    if evidence > 0 and motion.score < THRESHOLD / 2:
        is_rough = motion.anchor is not None and motion.anchor.sigma_m > max(FIRST_SEEN_SIGMA_M, fix.sigma_m)
        return anchored(None if is_rough else motion.anchor, fix)
    if motion.anchor is None and motion.state is State.STOPPED:
        driven_m = FIRST_SEEN_S * (FIRST_SEEN_MPS if fix.speed_mps is None else fix.speed_mps)
        return Anchor(fix.lat, fix.lon, max(fix.sigma_m, FIRST_SEEN_SIGMA_M, driven_m), 1)
    return motion.anchor


def _confirm(motion: Motion, t_s: float) -> tuple[Motion, tuple[Change, ...]]:
    if motion.state is State.HALTED and (t_s - motion.since_s >= STOP_S or is_parked(motion)):
        motion, change = become(motion, "confirm", motion.since_s, t_s)
        return motion, (change,)
    return motion, ()


def observe_time(motion: Motion, t_s: float) -> tuple[Motion, tuple[Change, ...]]:
    """Take the passing of time without a usable fix."""
    silent = t_s - motion.last_s
    if motion.state is State.UNKNOWN and motion.last is None and t_s - motion.since_s >= STOP_S:
        # Under a roof: a computer is switched on where a van stands.
        motion, change = become(motion, "halt", motion.since_s, t_s)
        return motion, (change,)
    stands = is_parked(motion) or (silent > SKY_LOST_S and motion.speed_mps < SLOW_MPS)
    if motion.state is State.MOVING and motion.last is not None and silent > STOP_S and stands:
        stood = replace(motion, anchor=anchored(None, motion.last))
        motion, change = become(stood, "confirm", motion.last_s, t_s)
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
    if stands and motion.state is State.UNKNOWN:  # perhaps for want of sky; but nobody opens the doors while it drives
        motion, change = become(motion, "halt", motion.since_s, t_s)
        return motion, (change,)
    slow = motion.speed_mps < DRIVING_MPS or t_s - motion.last_s > STOP_S / 3
    if stands and motion.state is State.MOVING and motion.last is not None and slow:
        where, at_s = _stands_unseen(motion, motion.last, t_s)
        motion, change = become(replace(motion, anchor=where), "confirm", max(motion.since_s, at_s), t_s)
        return motion, (change,)
    return _confirm(motion, t_s)


def _stands_unseen(motion: Motion, last: GpsFix, t_s: float) -> tuple[Anchor, float]:
    """Where and since when a van stands by its ignition or doors, of which there was no fix for a while."""
    if motion.speed_mps < SLOW_MPS:
        return anchored(None, last), min(motion.last_s + 1.0, t_s)  # where the sky was lost, as above
    driven_m = motion.speed_mps * (t_s - motion.last_s)  # it drove on, and nobody saw how far
    return Anchor(last.lat, last.lon, max(last.sigma_m, driven_m), 1), t_s


def confirm_near_fence(motion: Motion, t_s: float) -> tuple[Motion, tuple[Change, ...]]:
    """The halt is in or near a fence: that makes it a stop."""
    if motion.state is not State.HALTED:
        return motion, ()
    motion, change = become(motion, "confirm", motion.since_s, t_s)
    return motion, (change,)


def observe_boot(motion: Motion, t_s: float) -> tuple[Motion, tuple[Change, ...]]:
    """The computer started again: ignition and doors are not known; a halt in which power was cut is a stop."""
    motion = replace(motion, ignition=None, doors=None, score=0.0, score_since_s=t_s, blind_s=t_s, speed_mps=0.0)
    if motion.state is State.HALTED:
        motion, change = become(motion, "confirm", motion.since_s, t_s)
        return replace(motion, blind_s=t_s), (change,)
    return motion, ()
