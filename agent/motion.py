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

from agent.pace import CLIP, SPAN_S, UNSEEN_MPS, Sighting, distance_m, is_leap, measure_pace, speed_evidence, turned_s
from agent.records import GpsFix

STOP_S = 90.0  # a halt of this length is a stop wherever it is (formats.md, section 7)
THRESHOLD = 6.0  # evidence needed to call a change, in nats; at one fix a second three to four clear ones
# A move counts only when the van has got this far from where it stood, or is plainly driving. Judgement: GPS drift of
# a parked van stays within it nearly always; the next bay is no nearer.
LEFT_M = 12.0
DRIVING_MPS = 3.0
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
# After a reboot this near where it was last seen, it stood; and a record that opens with this many fixes on the spot
# opens with a stop. Judgement.
REBOOTED_M = 12.0
FIRST_FIXES = 3
ANCHOR_FIXES = 120  # at so many the running mean of a parked position forgets
# Found again this far (and four sigma) from where it stood when power or sky went, by this many standing fixes: it
# moved while nobody watched. Judgement: a receiver's first fixes are its worst.
CARRIED_M = 40.0
CARRIED_FIXES = 8
UNWATCHED_S = 60.0
# For this long after a leap of the positions a told speed is the receiver's filter, taking it for motion. Judgement.
LEAPT_S = 8.0
# Standing that far off with no drive seen, it got there all the same after this long; sooner if a drive was told, for
# positions that jump come back, mostly. Judgement.
STRAYED_S = 120.0
DROVE_S = 20.0
# With ignition off or doors open nobody drives: it takes so much more evidence, or this long a stay (a ferry).
PARKED_FACTOR = 3.0
PARKED_STRAYED_S = 900.0
# A van without sky that is first seen driving stood this near, or this long's drive away. Judgement: a yard's way.
FIRST_SEEN_SIGMA_M = 60.0
FIRST_SEEN_S = 12.0
FIRST_SEEN_MPS = 10.0  # where the receiver tells no speed
UNSEEN_LEG_S = 12.0  # what a leg that nobody saw took at least. Judgement


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


def _become(motion: Motion, how: str, at_s: float, now_s: float) -> tuple[Motion, Change]:
    state = TRANSITIONS[(motion.state, how)]
    anchor = None if state is State.MOVING else motion.anchor
    changed = replace(
        motion, state=state, since_s=at_s, score=0.0, score_since_s=now_s, anchor=anchor, blind_s=None, elsewhere=None,
        away_s=None, away_mps=0.0,
    )  # fmt: skip
    return changed, Change(state, at_s, now_s)


def _anchored(anchor: Anchor | None, fix: GpsFix) -> Anchor:
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


def _error_m(motion: Motion, fix: GpsFix) -> float:
    """Standard deviation of each axis: what the receiver states, or what was seen while standing if that is more."""
    return fix.sigma_m if motion.anchor is None else max(fix.sigma_m, math.sqrt(motion.anchor.scatter_m2 / 2))


def _is_parked(motion: Motion) -> bool:
    return motion.ignition is False or motion.doors is True


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
        motion, change = _become(replace(motion, anchor=_anchored(None, fix)), "halt", since, t_s)
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
    if last is None or motion.state not in {State.MOVING, State.HALTED}:
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
    motion, change = _become(replace(motion, anchor=_anchored(None, last)), "confirm", begin, t_s)
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
            return _unwatched(motion, t_s, fix, away_m=away, evidence=evidence)
        if far and motion.blind_s is None and motion.score < THRESHOLD:
            return _strayed(motion, t_s, fix, evidence=evidence)
        motion = _back(motion, fix, evidence=evidence) if not far else motion
    left_m, enough = LEFT_M, THRESHOLD
    if fix.speed_mps is None:
        left_m = max(LEFT_M, 3 * _error_m(motion, fix))
    elif motion.state is State.HALTED:
        left_m, enough = CREPT_M, CREPT_SCORE
    enough *= PARKED_FACTOR if _is_parked(motion) else 1.0
    driving = motion.speed_mps >= DRIVING_MPS or away > left_m or motion.state is State.UNKNOWN
    if motion.score >= enough and driving:
        motion, change = _become(motion, "move", motion.score_since_s, t_s)
        return motion, (change,)
    motion = replace(motion, anchor=_stood_at(motion, fix, evidence=evidence))
    if motion.state is State.UNKNOWN and motion.anchor is not None and motion.anchor.fixes >= FIRST_FIXES:
        motion, change = _become(motion, "halt", motion.since_s, t_s)
        return motion, (change,)
    return motion, ()


def _unwatched(
    motion: Motion, t_s: float, fix: GpsFix, *, away_m: float, evidence: float
) -> tuple[Motion, tuple[Change, ...]]:
    """Found far from where it stood after power or sky was gone: standing there by now, or driving."""
    if evidence > 0:
        motion = replace(motion, elsewhere=_anchored(motion.elsewhere, fix))
        if motion.elsewhere is not None and motion.elsewhere.fixes >= CARRIED_FIXES:
            return _carried(motion, motion.elsewhere, t_s)
        return motion, ()
    motion, change = _become(motion, "move", _left_at(motion, motion.score_since_s, away_m), t_s)
    return motion, (change,)


def _back(motion: Motion, fix: GpsFix, *, evidence: float) -> Motion:
    """A fix near where it stood: it was there all along, wherever the fixes before said it was."""
    if motion.away_s is not None:
        motion = replace(motion, away_s=None, elsewhere=None)
    fastest = 0.0 if evidence > 0 else max(motion.away_mps, fix.speed_mps or 0.0)
    if fastest != motion.away_mps:
        motion = replace(motion, away_mps=fastest)
    if motion.blind_s is not None and evidence > 0:
        motion = replace(motion, elsewhere=None, blind_s=None if motion.score == 0.0 else motion.blind_s)
    return motion


def _strayed(motion: Motion, t_s: float, fix: GpsFix, *, evidence: float) -> tuple[Motion, tuple[Change, ...]]:
    """Far from where it stood, and no drive was found: a leg too short to show, or positions that jump."""
    began = motion.away_s if motion.away_s is not None else t_s
    where = _anchored(motion.elsewhere, fix) if evidence > 0 else None
    fastest = max(motion.away_mps, fix.speed_mps or 0.0)
    motion = replace(motion, away_s=began, away_mps=fastest, elsewhere=where)
    enough_s = PARKED_STRAYED_S if _is_parked(motion) else DROVE_S if fastest >= DRIVING_MPS else STRAYED_S
    if where is None or where.fixes < FIRST_FIXES or t_s - began < enough_s:
        return motion, ()
    left_s = max(motion.since_s, began - UNSEEN_LEG_S / 2)
    motion, gone = _become(motion, "move", left_s, t_s)
    came_s = min(t_s, left_s + UNSEEN_LEG_S)
    motion, back = _become(replace(motion, anchor=where), "confirm", came_s, t_s)
    return motion, (gone, back)


def _stood_at(motion: Motion, fix: GpsFix, *, evidence: float) -> Anchor | None:
    """Where the van stands by one more fix; roughly by the first, where it had no sky until it drove."""
    if evidence > 0 and motion.score < THRESHOLD / 2:
        is_rough = motion.anchor is not None and motion.anchor.sigma_m > max(FIRST_SEEN_SIGMA_M, fix.sigma_m)
        return _anchored(None if is_rough else motion.anchor, fix)
    if motion.anchor is None and motion.state is State.STOPPED:
        driven_m = FIRST_SEEN_S * (FIRST_SEEN_MPS if fix.speed_mps is None else fix.speed_mps)
        return Anchor(fix.lat, fix.lon, max(fix.sigma_m, FIRST_SEEN_SIGMA_M, driven_m), 1)
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
    if motion.state is State.HALTED and (t_s - motion.since_s >= STOP_S or _is_parked(motion)):
        motion, change = _become(motion, "confirm", motion.since_s, t_s)
        return motion, (change,)
    return motion, ()


def observe_time(motion: Motion, t_s: float) -> tuple[Motion, tuple[Change, ...]]:
    """Take the passing of time without a usable fix."""
    silent = t_s - motion.last_s
    if motion.state is State.UNKNOWN and motion.last is None and t_s - motion.since_s >= STOP_S:
        # Under a roof: a computer is switched on where a van stands.
        motion, change = _become(motion, "halt", motion.since_s, t_s)
        return motion, (change,)
    stands = _is_parked(motion) or (silent > SKY_LOST_S and motion.speed_mps < SLOW_MPS)
    if motion.state is State.MOVING and motion.last is not None and silent > STOP_S and stands:
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
    if stands and motion.state is State.UNKNOWN:  # perhaps for want of sky; but nobody opens the doors while it drives
        motion, change = _become(motion, "halt", motion.since_s, t_s)
        return motion, (change,)
    slow = motion.speed_mps < DRIVING_MPS or t_s - motion.last_s > STOP_S / 3
    if stands and motion.state is State.MOVING and motion.last is not None and slow:
        where, at_s = _stands_unseen(motion, motion.last, t_s)
        motion, change = _become(replace(motion, anchor=where), "confirm", max(motion.since_s, at_s), t_s)
        return motion, (change,)
    return _confirm(motion, t_s)


def _stands_unseen(motion: Motion, last: GpsFix, t_s: float) -> tuple[Anchor, float]:
    """Where and since when a van stands by its ignition or doors, of which there was no fix for a while."""
    if motion.speed_mps < SLOW_MPS:
        return _anchored(None, last), min(motion.last_s + 1.0, t_s)  # where the sky was lost, as above
    driven_m = motion.speed_mps * (t_s - motion.last_s)  # it drove on, and nobody saw how far
    return Anchor(last.lat, last.lon, max(last.sigma_m, driven_m), 1), t_s


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
