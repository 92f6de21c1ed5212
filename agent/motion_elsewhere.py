"""A van that is seen far from where it stood though no drive was found: it left unwatched, or positions jump; floor 1.

`back`: near where it stood again, it was there all along. `unwatched`: power or sky was gone meanwhile, and by now it
stands somewhere else, or drives. `strayed`: it was watched, so it was a leg too short to show, or positions that jump.
"""

from __future__ import annotations

from msgspec.structs import replace

from agent.motion_records import DRIVING_MPS, FIRST_FIXES, Anchor, Change, Motion, anchored, become, is_parked
from agent.pace import UNSEEN_MPS, distance_m
from agent.records import GpsFix

# Found again this far (and four sigma) from where it stood when power or sky went, by this many standing fixes: it
# moved while nobody watched. Judgement: a receiver's first fixes are its worst.
CARRIED_M = 40.0
CARRIED_FIXES = 8
UNWATCHED_S = 60.0
# Standing that far off with no drive seen, it got there all the same after this long; sooner if a drive was told, for
# positions that jump come back, mostly. Judgement.
STRAYED_S = 120.0
DROVE_S = 20.0
PARKED_STRAYED_S = 900.0  # with ignition off or doors open nobody drives: a ferry. Judgement
UNSEEN_LEG_S = 12.0  # what a leg that nobody saw took at least. Judgement


def unwatched(
    motion: Motion, t_s: float, fix: GpsFix, *, away_m: float, evidence: float
) -> tuple[Motion, tuple[Change, ...]]:
    """Found far from where it stood after power or sky was gone: standing there by now, or driving."""
    if evidence > 0:
        motion = replace(motion, elsewhere=anchored(motion.elsewhere, fix))
        if motion.elsewhere is not None and motion.elsewhere.fixes >= CARRIED_FIXES:
            return _carried(motion, motion.elsewhere, t_s)
        return motion, ()
    motion, change = become(motion, "move", _left_at(motion, motion.score_since_s, away_m), t_s)
    return motion, (change,)


def back(motion: Motion, fix: GpsFix, *, evidence: float) -> Motion:
    """A fix near where it stood: it was there all along, wherever the fixes before said it was."""
    if motion.away_s is not None:
        motion = replace(motion, away_s=None, elsewhere=None)
    fastest = 0.0 if evidence > 0 else max(motion.away_mps, fix.speed_mps or 0.0)
    if fastest != motion.away_mps:
        motion = replace(motion, away_mps=fastest)
    if motion.blind_s is not None and evidence > 0:
        motion = replace(motion, elsewhere=None, blind_s=None if motion.score == 0.0 else motion.blind_s)
    return motion


def strayed(motion: Motion, t_s: float, fix: GpsFix, *, evidence: float) -> tuple[Motion, tuple[Change, ...]]:
    """Far from where it stood, and no drive was found: a leg too short to show, or positions that jump."""
    began = motion.away_s if motion.away_s is not None else t_s
    where = anchored(motion.elsewhere, fix) if evidence > 0 else None
    fastest = max(motion.away_mps, fix.speed_mps or 0.0)
    motion = replace(motion, away_s=began, away_mps=fastest, elsewhere=where)
    enough_s = PARKED_STRAYED_S if is_parked(motion) else DROVE_S if fastest >= DRIVING_MPS else STRAYED_S
    if where is None or where.fixes < FIRST_FIXES or t_s - began < enough_s:
        return motion, ()
    left_s = max(motion.since_s, began - UNSEEN_LEG_S / 2)
    motion, gone = become(motion, "move", left_s, t_s)
    came_s = min(t_s, left_s + UNSEEN_LEG_S)
    motion, back = become(replace(motion, anchor=where), "confirm", came_s, t_s)
    return motion, (gone, back)


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
    motion, gone = become(motion, "move", left_s, t_s)
    motion, back = become(replace(motion, anchor=where), "confirm", came_s, t_s)
    return motion, (gone, back)
