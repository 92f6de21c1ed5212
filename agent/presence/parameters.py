"""Every figure of the presence model in one place, with what it means and where it comes from.

"Judgement" means ours, before any check was run on what it decides.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from msgspec import Struct
from msgspec.structs import asdict, replace


class Parameters(Struct, frozen=True):
    """Every figure of the model. Rates are per round, hazards per second, weights sum to 1."""

    # A tag aboard is heard with probability logistic((margin + fade) / slope) in a round: its margin over the reader's
    # threshold belongs to the tag where it lies and stays; the fade wanders. Margins span read rates from under 0.01 to
    # nearly 1 (design.md, Presence); how common each is, is judgement.
    margins_db: tuple[float, ...] = (-11.0, -7.0, -3.0, 0.0, 3.0, 7.0, 14.0)
    margin_weights: tuple[float, ...] = (0.035, 0.045, 0.08, 0.13, 0.20, 0.27, 0.24)
    slope_db: float = 1.5
    # Silences at a real dock door run about twice as long as independent reads would give (standards/dock_reads:
    # silences times mean rate, median 14 against 6): fades of this depth, with these shares of time, from one to the
    # next in about this long; sooner on the road, where everything shakes. Depths and times are judgement.
    fades_db: tuple[float, ...] = (-14.0, -6.0, 0.0, 4.0)
    fade_weights: tuple[float, ...] = (0.10, 0.22, 0.43, 0.25)
    fade_moving_s: float = 40.0
    fade_standing_s: float = 80.0
    # At hand: just set down beside the open doors or about to go in, heard about as well as inside, not for long.
    at_hand_rates: tuple[float, ...] = (0.02, 0.25, 0.6, 0.92)
    at_hand_weights: tuple[float, ...] = (0.25, 0.25, 0.25, 0.25)
    at_hand_lasts_s: float = 120.0
    at_hand_redraw_per_s: float = 1 / 60
    # Standing about: stock and strangers within earshot, for as long as the van stands and longer.
    near_rates: tuple[float, ...] = (0.004, 0.05, 0.3, 0.8)
    near_weights: tuple[float, ...] = (0.35, 0.30, 0.20, 0.15)
    beside_rate: float = 0.25
    # A read of a tag that is nowhere near: a wrong EPC that passed its CRC, or a far reflection. Judgement.
    ghost_rate: float = 2e-5
    # Rates are redrawn when cargo shifts (moving) or is handled (standing with the doors open). Judgement.
    redraw_moving_per_s: float = 1 / 6000
    redraw_standing_per_s: float = 1 / 3000
    # What gets on and off at a stop. Judgement: one item in three gets off in a quarter of an hour of open doors.
    unload_open_per_s: float = 1 / 2000
    unload_closed_per_s: float = 1 / 200_000
    # For a while after coming home from a trip a van is emptied, this much faster than it is at a drop. Judgement.
    homecoming_factor: float = 12.0
    unload_unknown_per_s: float = 1 / 4000
    # What is brought to the doors of an open van goes in, two times in three. Judgement.
    going_in_share: float = 0.7
    # What has just been set down is put back at times. Judgement.
    put_back_share: float = 0.08
    # How much likelier than an unloading it is that something standing near, or away unheard, is brought. Judgement.
    load_near_factor: float = 2.0
    load_away_factor: float = 0.35
    # What is set down at the doors is mostly taken in at once, and at times left standing there. Judgement.
    straight_off_share: float = 0.35
    stays_near_share: float = 0.4
    # What was left at one site turns up at another on the same trip only by some other van: this share of what never
    # was met. At home and at places seen before, where others come and go, it is forgotten in half a day. Judgement.
    left_returns: float = 0.0001
    forgotten_per_s: float = 1 / 43_200
    near_leaves_per_s: float = 1 / 1200
    near_comes_per_s: float = 1 / 4000
    # Where the van has been before, what it left there mostly still stands about: heard again this soon. Judgement.
    found_again_per_s: float = 1 / 120
    near_rate_redraw_per_s: float = 1 / 240
    # What is left behind is out of hearing within seconds of moving off. Judgement.
    left_behind_per_s: float = 1 / 5
    moving_change_per_s: float = 1e-8
    beside_comes_per_s: float = 1e-5
    beside_leaves_per_s: float = 1 / 100
    # A gap counts as this long a stop with the doors not known, whatever its true length. Judgement.
    gap_counts_as_s: float = 900.0
    # What a tag is before anything was ever heard: most of a register is somewhere else.
    first_aboard: float = 0.005
    first_near: float = 0.20
    # Signal strength: a tag's own level aboard is learned while the van moves; outside it reads weaker. Path loss to a
    # place beside the door is some 8 dB more than inside; judgement. Tempered, for strengths of one tag hang together.
    level_dbm: float = -56.0
    level_sigma_db: float = 6.0
    rssi_sigma_db: float = 4.0
    near_loss_db: float = 8.0
    at_hand_loss_db: float = 3.0
    near_sigma_db: float = 7.0
    rssi_temper: float = 0.25


def parse_parameters(given: Mapping[str, float]) -> Parameters:
    """The parameters with those of a vehicle file's `[presence]`; ValueError for an unknown or impossible one."""
    single = {name for name, value in asdict(Parameters()).items() if isinstance(value, float)}
    for name, value in given.items():
        if name not in single:
            raise ValueError(f"{name} is no parameter; there are {', '.join(sorted(single))}")
        if not math.isfinite(value) or (value <= 0 and name != "level_dbm"):
            raise ValueError(f"{name} = {value} must be a number above 0")
        if value >= 1 and not name.endswith(("_s", "_db", "_dbm", "_factor", "_temper")):
            raise ValueError(f"{name} = {value} must be below 1")
    p = replace(Parameters(), **given)
    if p.first_aboard + p.first_near >= 1:
        raise ValueError(f"first_aboard + first_near = {p.first_aboard + p.first_near:g} must be below 1")
    return p
