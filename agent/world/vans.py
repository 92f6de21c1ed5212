"""Another van of the house, full of registered items: alongside at the depot, or in convoy on the road.

Its tags are heard through its walls and ours; how much those weaken a link is drawn for each van, from nearly nothing
for laminate to what lets little through (the van's body is not taken to shield anything: design.md). Its items are
never ours, so the truth of moves and manifests stays what it was.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from agent.world.account import Day
from agent.world.around import BEFORE_S, Where
from agent.world.bystanders import Crowd, any_item, open_doors
from agent.world.goods import Namer

_WALLS_DB = (0.0, 14.0)
_LOST_M = 14.0
_STANDING_GAP_M = 3.5


class _Load:
    """What rides in another van: tags of a crowd, each with its place across and along the hold."""

    def __init__(self, crowd: Crowd, namer: Namer, rng: np.random.Generator, count: int) -> None:
        self.crowd, self._rng = crowd, rng
        self.tags = [crowd.add(any_item(namer, rng)) for _ in range(count)]
        self.walls = 10 ** (float(rng.uniform(*_WALLS_DB)) / 20)  # as a factor of distance, for 20 dB a decade
        self._across = dict(zip(self.tags, rng.uniform(0.2, 1.6, count).tolist(), strict=True))
        self._along = dict(zip(self.tags, rng.uniform(-1.8, 1.8, count).tolist(), strict=True))

    def apart(self, tag: int, *, beside_m: float, ahead_m: float) -> float:
        """Metres to the tag as the radio has it, for a van so far to the side and ahead."""
        return float(np.hypot(beside_m + self._across[tag], ahead_m + self._along[tag])) * self.walls

    def park(self, at_s: float, tags: Sequence[int], *, spot: int, beside_m: float, ahead_m: float) -> None:
        """The van stands there from then on, with these aboard."""
        for tag in tags:
            metres = self.apart(tag, beside_m=beside_m, ahead_m=ahead_m)
            self.crowd.move(at_s, tag, Where.PARKED, spot=spot, metres=metres)

    def gone(self, at_s: float, tags: Sequence[int]) -> None:
        """These are out of hearing from then on."""
        for tag in tags:
            self.crowd.move(at_s, tag, Where.AWAY)


def at_the_depot(day: Day, rng: np.random.Generator, namer: Namer, mean: float) -> Crowd:
    """While ours is worked on at home another van stands alongside for a time, is loaded or unloaded, and leaves."""
    crowd = Crowd()
    load: _Load | None = None
    stays = [(stop, a, b) for stop, a, b in open_doors(day) if stop.site == day.stops[0].site]
    for number, (stop, opens_s, closes_s) in enumerate(stays):
        begin_s, end_s = max(opens_s - 60, stop.arrived_s), min(closes_s + 60, stop.departed_s)
        load = load if load is not None and rng.random() < 0.7 else _Load(crowd, namer, rng, 1 + int(rng.poisson(mean)))
        beside_m, ahead_m = float(rng.uniform(0.9, 3.0)), float(rng.uniform(-2, 2))
        comes_s = float(rng.uniform(begin_s - 300, begin_s + 0.6 * (end_s - begin_s)))
        first_s = max(comes_s, begin_s)
        leaves_s = first_s + float(rng.gamma(4.0, 330.0)) + 120
        if number == 0 and comes_s < begin_s:
            comes_s = BEFORE_S
        split = int(rng.integers(0, len(load.tags) + 1))
        rides, waits = load.tags[:split], load.tags[split:]
        load.park(comes_s, rides, spot=stop.spot, beside_m=beside_m, ahead_m=ahead_m)
        is_loaded = number == 0 or rng.random() < 0.5
        for tag in waits:  # onto it, from where it stood on the dock; or off it
            handled_s = float(rng.uniform(first_s + 30, leaves_s - 30))
            metres = 1.5 + float(rng.gamma(2.0, 2.0))
            docked_s, parked_s = (comes_s, handled_s) if is_loaded else (handled_s, comes_s)
            crowd.move(docked_s, tag, Where.OUTSIDE, spot=stop.spot, metres=metres)
            load.park(parked_s, [tag], spot=stop.spot, beside_m=beside_m, ahead_m=ahead_m)
        load.gone(leaves_s, rides)
        load.gone(leaves_s if is_loaded else leaves_s + 1800, waits)
    return crowd


def convoy(day: Day, rng: np.random.Generator, namer: Namer, mean: float) -> Crowd:
    """Another van leaves with ours, keeps ahead or beside for parts of one to three legs, and stops where ours does."""
    crowd = Crowd()
    load = _Load(crowd, namer, rng, 1 + int(rng.poisson(mean)))
    first = int(rng.integers(0, len(day.stops) - 1))
    last = min(first + int(rng.integers(1, 4)), len(day.stops) - 1)
    aboard = list(load.tags)
    start = day.stops[first]
    comes_s = max(start.arrived_s, start.departed_s - float(rng.uniform(120, 900)))
    load.park(comes_s, aboard, spot=start.spot, beside_m=float(rng.uniform(1.0, 4.0)), ahead_m=float(rng.uniform(0, 7)))
    for before, after in pairwise(day.stops[first : last + 1]):
        _drive(day, rng, load, aboard, begin_s=before.departed_s, end_s=after.arrived_s)
        beside_m, ahead_m = float(rng.uniform(1.0, 6.0)), float(rng.uniform(-6, 8))
        load.park(after.arrived_s + 3, aboard, spot=after.spot, beside_m=beside_m, ahead_m=ahead_m)
        busy_s = min(after.departed_s, after.arrived_s + 3600.0)
        if after is day.stops[last] or busy_s - after.arrived_s < 200:
            continue
        staying = [tag for tag in aboard if rng.random() < 0.3]  # delivered there, by way of the dock
        for tag in staying:
            off_s = float(rng.uniform(after.arrived_s + 60, busy_s - 60))
            crowd.move(off_s, tag, Where.OUTSIDE, spot=after.spot, metres=1.0 + float(rng.gamma(2.0, 1.8)))
            if rng.random() < 0.7:
                crowd.move(off_s + float(rng.gamma(2.0, 60.0)), tag, Where.AWAY)
        aboard = [tag for tag in aboard if tag not in staying]
    end = day.stops[last]
    load.gone(min(end.arrived_s + float(rng.gamma(3.0, 400.0)) + 60, end.departed_s + 600), aboard)
    return crowd


def _drive(
    day: Day, rng: np.random.Generator, load: _Load, aboard: Sequence[int], *, begin_s: float, end_s: float
) -> None:
    """One leg: ahead by a second and a half's way, closer at lights, at times abreast, at times out of sight."""
    at_s, near = begin_s, True
    while at_s < end_s - 5:
        lasts_s = float(rng.uniform(6, 40))
        speed = float(day.speed_mps[int(at_s) : int(min(at_s + lasts_s, end_s))].mean())
        draw = rng.random()
        if draw < 0.15:  # abreast, on two lanes or creeping side by side
            beside_m, ahead_m = float(rng.uniform(1.0, 2.5)), float(rng.uniform(-3, 3))
        elif draw < 0.4:
            beside_m, ahead_m = 0.0, 2 * _LOST_M
        else:
            beside_m, ahead_m = 0.0, 2.0 + _STANDING_GAP_M + speed * float(rng.uniform(0.8, 2.0))
        is_near = float(np.hypot(beside_m, ahead_m)) < _LOST_M
        if is_near:
            for tag in aboard:
                metres = load.apart(tag, beside_m=beside_m, ahead_m=ahead_m)
                load.crowd.move(at_s, tag, Where.BESIDE, metres=metres)
        elif near:
            load.gone(at_s, aboard)
        near = is_near
        at_s += lasts_s
