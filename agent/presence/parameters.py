"""Every figure of the presence model in one place, with what it means and where it comes from.

What is not called judgement was fitted, all at once, by the log loss of first and final manifests against the truth of
simulated recordings: 15 of the project's own world (seeds 201-214 for a day but those whose dates rolled over, 231-234
for two; without faults where three, or for two days two, divides the seed), 10 of it with another radio (301-308 for a
day, 331 and 332 for two: a read rate for each tag, fades that are on or off) and 26 of `tests/bench/steelbox` (401-420
for a day; 440, 442, 443, 445, 446 and 448 for three; case members left out). Things in the register that were never
heard counted too, or a week's silence would look like cargo. The start was our judgement, and what the recordings said
little of stayed near it. None of them is used in any check. "Judgement" means ours, before any check was run.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from msgspec import Struct
from msgspec.structs import asdict, replace


class Parameters(Struct, frozen=True):
    """Every figure of the model. Rates are per round, hazards per second, weights sum to 1."""

    # A tag aboard is heard with probability logistic((margin + fade) / slope) in a round: its margin over the reader's
    # threshold belongs to the tag where it lies and stays; the fade wanders. Margins span read rates from almost never
    # to nearly always (design.md, Presence).
    margins_db: tuple[float, ...] = (-20.0, -11.0, -6.9, -1.1, 0.6, 2.5, 6.8, 13.9)
    margin_weights: tuple[float, ...] = (0.001, 0.008, 0.012, 0.021, 0.08, 0.22, 0.338, 0.32)
    slope_db: float = 1.3
    # Silences at a real dock door run about twice as long as independent reads would give (standards/dock_reads:
    # silences times mean rate, median 14 against 6): fades of this depth, with these shares of time, from one to the
    # next in about this long; sooner on the road, where everything shakes.
    fades_db: tuple[float, ...] = (-14.2, -6.6, -0.7, 6.3)
    fade_weights: tuple[float, ...] = (0.06, 0.149, 0.741, 0.05)
    fade_moving_s: float = 32.0
    fade_standing_s: float = 80.0
    # At hand: just set down beside the open doors or about to go in, for not long.
    at_hand_rates: tuple[float, ...] = (0.019, 0.23, 0.5, 0.8)
    at_hand_weights: tuple[float, ...] = (0.323, 0.364, 0.209, 0.104)
    at_hand_lasts_s: float = 140.0
    at_hand_redraw_per_s: float = 0.012
    # Standing about: stock and strangers within earshot, for as long as the van stands and longer.
    near_rates: tuple[float, ...] = (0.0011, 0.019, 0.14, 0.78)
    near_weights: tuple[float, ...] = (0.758, 0.13, 0.075, 0.037)
    beside_rate: float = 0.65
    # A read of a tag that is nowhere near: a wrong EPC that passed its CRC, or a far reflection.
    ghost_rate: float = 1.7e-06
    # Rates are redrawn when cargo shifts (moving) or is handled (standing with the doors open).
    redraw_moving_per_s: float = 5.7e-05
    redraw_standing_per_s: float = 0.00014
    # What gets on and off at a stop: about one item in three gets off in a quarter of an hour of open doors.
    unload_open_per_s: float = 0.00044
    unload_closed_per_s: float = 6.2e-05
    # For a while after coming home from a trip a van is emptied, this much faster than it is at a drop.
    homecoming_factor: float = 6.5
    unload_unknown_per_s: float = 0.00033
    # What is brought to the doors of an open van goes in, about three times in four.
    going_in_share: float = 0.72
    # What has just been set down is put back at times.
    put_back_share: float = 0.056
    # How much likelier than an unloading it is that something standing near, or away unheard, is brought.
    load_near_factor: float = 1.2
    load_away_factor: float = 0.11
    # What is set down at the doors is mostly taken in at once, and at times left standing there.
    straight_off_share: float = 0.18
    stays_near_share: float = 0.44
    # What was left at one site turns up at another on the same trip only by some other van: this share of what never
    # was met. At home and at places seen before, where others come and go, it is forgotten in some hours.
    left_returns: float = 9.3e-05
    forgotten_per_s: float = 7.7e-05
    near_leaves_per_s: float = 0.00077
    near_comes_per_s: float = 0.00019
    # Where the van has been before, what it left there mostly still stands about: heard again this soon.
    found_again_per_s: float = 0.00068
    near_rate_redraw_per_s: float = 0.0014
    # What is left behind is out of hearing within seconds of moving off.
    left_behind_per_s: float = 0.44
    # Nothing gets on or off a van that moves; not quite never, so that no evidence is impossible. Judgement.
    moving_change_per_s: float = 1e-9
    beside_comes_per_s: float = 2.5e-06
    beside_leaves_per_s: float = 0.012
    # A gap counts as this long a stop with the doors not known, whatever its true length.
    gap_counts_as_s: float = 370.0
    # What a tag is before anything was ever heard: most of a register is somewhere else.
    first_aboard: float = 0.0061
    first_near: float = 0.22
    # Signal strength: a tag's own level aboard is learned while the van moves; outside it reads weaker. Tempered, for
    # strengths of one tag hang together. The spreads of a tag's level and of its reads are judgement.
    level_dbm: float = -56.0
    level_sigma_db: float = 6.0
    rssi_sigma_db: float = 4.0
    near_loss_db: float = 8.4
    at_hand_loss_db: float = 7.1
    near_sigma_db: float = 2.7
    rssi_temper: float = 0.49
    # What one of so many antennas alone hears: this share of an equal part of what is aboard. Judgement.
    antenna_alone_share: float = 0.5
    # Of what belongs in a case that gets on or off, this share is elsewhere at the time: taken out, or left out.
    # Judgement.
    apart_share: float = 0.03
    # Of what rides in a case, this share is shadowed so that it is hardly heard: likelier than being gone. Judgement.
    shadowed_share: float = 0.12


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
