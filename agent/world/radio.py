"""The radio link between a reader's two antennas in the hold and every tag of the day, round by round.

A link has a margin in dB over what its tag needs to answer, and a tag answers in a dwell where

    margin = power - 27 + base(place, antenna) - loss(tag) + shadow + slow fade - deep fade + ripple  >  0.

- `base`: distance and walls, by where the tag is.
- `shadow`: log-normal, a value per tag and antenna, standing as long as nothing is moved, drawn anew for a tag that is
  moved and in part for what stands next to it (Gudmundson, Electronics Letters 27(23), 1991, gives the log-normal
  form and that it goes with place, not with time).
- `slow fade`: an Ornstein-Uhlenbeck process per tag and antenna, tens of seconds, half as long on the road.
- `deep fade`: a two-state burst per tag (Gilbert, Bell System Technical Journal 39, 1960).
- `ripple`: small-scale, drawn anew for every dwell.

Of the day's faults this is where fades are longer, an antenna is dead, reads are ghosts, and what lies in one case
shadows itself.

The figures are chosen so that reads look like the open dock-door log's (tests/world/test_radio.py), and by common
practice otherwise. Session S0 forgets when the carrier drops between dwells; S1 keeps a tag silent 0.5 to 5 s after a
read (EPC Gen2, persistence of inventoried flags).
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from agent.world.account import Day
from agent.world.around import HOLD_M, Where
from agent.world.cases import Packing
from agent.world.ghosts import Ghosts, TagRead

Floats = NDArray[np.float64]

_ANTENNA_M = (0.6, HOLD_M - 0.6)
_NOMINAL_DBM = 27.0
_ABOARD_DB = 6.5
_SHADOW_DB = 4.5
_SLOW_DB = 5.5
_FADE_PARKED_S = 30.0
_FADE_ROAD_S = 15.0
_RIPPLE_DB = 1.1
_DEEP_DB = 16.0
_DEEP_EVERY_S = 140.0
_DEEP_LASTS_S = 25.0
_CROWD_DB = 0.02  # each thing more in the hold shadows the others a little
_CAPACITY_PER_S = 140.0
_SPOIL = 0.03  # replies lost whatever the margin
_EARSHOT_M = 60.0
_WALL_DB = 9.0  # of closed doors: plywood and laminate, not steel
_REPEAT_DB = 5.0
_FAR_DB = -60.0  # no link at all


class Radio:
    """The links of one day. Holds the fades' state: calls come in order of time, with gaps as they like."""

    def __init__(
        self,
        day: Day,
        rng: np.random.Generator,
        *,
        session: Literal["S0", "S1"] = "S0",
        persistence_s: tuple[float, float] = (0.5, 5.0),
    ) -> None:
        self._day, self._rng, self._session = day, rng, session
        count = len(day.tags)
        self._tags = [tag.tag for tag in day.tags]
        self._loss = np.array([tag.loss_db for tag in day.tags])[:, None]
        self._steady = np.array([tag.kind == "fixture" for tag in day.tags])
        self._where = np.zeros(count, dtype=np.int8)
        self._spot = np.full(count, -1, dtype=np.int32)
        self._metres = np.zeros(count)
        self._offset = rng.normal(0, 2.5, (count, 1))
        self._shadow = rng.normal(0, _SHADOW_DB, (count, 2))
        self._slow = rng.normal(0, _SLOW_DB, (count, 2))
        faults = day.faults
        burst = faults.bursty_fades or 1.0
        self._deep_lasts_s, self._deep_every_s = _DEEP_LASTS_S * burst, _DEEP_EVERY_S / burst
        self._deep = rng.random(count) < self._deep_lasts_s / (self._deep_lasts_s + self._deep_every_s)
        self._keep_s = rng.uniform(*persistence_s, count)
        self._quiet_until = np.full(count, -np.inf)
        self._next = 0
        self._now_s: float | None = None
        self._standing: Floats = np.zeros((count, 2))
        self._standing_for: tuple[int, int, bool] | None = None
        self._packing = Packing(day.tags, faults.generator("cases", day.seed + 1)) if faults.cases else None
        self._ghosts = Ghosts(day) if faults.ghost_reads else None

    def inventory(
        self, *, started_s: float, seconds: float, antennas: tuple[int, ...], power_dbm: float
    ) -> list[TagRead]:
        """The reads of one round that began `started_s` into the day, its time shared out among `antennas` (1, 2)."""
        self._advance(started_s)
        standing = self._base(started_s)
        margin = standing + self._slow + (power_dbm - _NOMINAL_DBM) - (_DEEP_DB * self._deep)[:, None]
        dwell_s = seconds / max(len(antennas), 1)
        heard: list[TagRead] = []
        # Nothing is plugged into the others, or what is there is broken.
        live = [a for a in antennas if a in {1, 2} and not self._day.is_dead(a, started_s)]
        for i, antenna in enumerate(antennas):
            if antenna in live:
                heard += self._dwell(margin[:, antenna - 1], antenna, started_s + i * dwell_s, dwell_s)
        if self._ghosts is not None:
            heard += self._ghosts.reads(heard, far=standing.max(axis=1) < _FAR_DB, antennas=live)
        return heard

    def _dwell(self, margin: Floats, antenna: int, began_s: float, dwell_s: float) -> list[TagRead]:
        """One antenna's turn."""
        rng = self._rng
        audible = np.flatnonzero(margin > -4 * _RIPPLE_DB)
        level = margin[audible] + rng.normal(0, _RIPPLE_DB, len(audible))
        answers = level > 0
        if self._session == "S1":
            answers &= self._quiet_until[audible] <= began_s
        crowd = int(answers.sum())
        if crowd == 0:
            return []
        success = min(1.0, _CAPACITY_PER_S * dwell_s / crowd) * (1 - _SPOIL)
        answers &= rng.random(len(audible)) < success
        who, level = audible[answers], level[answers]
        count = np.ones(len(who), dtype=np.int64)
        if self._session == "S0":
            count += rng.poisson(np.clip(level / _REPEAT_DB, 0, 2) * min(1.0, 40 * dwell_s / crowd))
        else:
            self._quiet_until[who] = began_s + dwell_s * rng.random(len(who)) + self._keep_s[who]
        rssi = -66.0 + 0.75 * level + self._offset[who, 0] + rng.normal(0, 0.8, len(who))
        rssi = np.round(np.clip(rssi, -84, -25) * 2) / 2
        tags = self._tags
        return [
            TagRead(tags[tag], antenna, dbm, times)
            for tag, dbm, times in zip(who.tolist(), rssi.tolist(), count.tolist(), strict=True)
        ]

    def _advance(self, now_s: float) -> None:
        """Carries places and fades on to `now_s`."""
        rng, day = self._rng, self._day
        changes = day.changes
        while self._next < len(changes) and changes[self._next].at_s <= now_s:
            self._apply(self._next)
            self._next += 1
        if self._now_s is not None and now_s > self._now_s:
            elapsed_s = now_s - self._now_s
            keep = float(np.exp(-elapsed_s / (_FADE_ROAD_S if day.moving(now_s) else _FADE_PARKED_S)))
            self._slow *= keep
            self._slow += rng.normal(0, _SLOW_DB * np.sqrt(1 - keep * keep), self._slow.shape)
            mixing = -np.expm1(-elapsed_s * (1 / self._deep_every_s + 1 / self._deep_lasts_s))
            share = self._deep_lasts_s / (self._deep_lasts_s + self._deep_every_s)
            flip = rng.random(len(self._deep))
            self._deep = np.where(self._deep, flip >= mixing * (1 - share), flip < mixing * share) & ~self._steady
        self._now_s = now_s

    def _apply(self, number: int) -> None:
        """Moves one tag; its shadow is drawn anew, and now and then those of what stands next to it."""
        rng, change = self._rng, self._day.changes[number]
        tag = change.tag
        touched = [tag]
        if Where.ABOARD in {change.where, self._where[tag]} and change.at_s > 0 and self._day.tags[tag].kind == "item":
            at_m = change.metres if change.where == Where.ABOARD else self._metres[tag]
            near = (self._where == Where.ABOARD) & (np.abs(self._metres - at_m) < 0.8) & ~self._steady
            touched += np.flatnonzero(near & (rng.random(len(near)) < 0.25)).tolist()
        self._where[tag], self._spot[tag], self._metres[tag] = change.where, change.spot, change.metres
        drawn = np.array(touched)[~self._steady[touched]]
        self._shadow[drawn] = rng.normal(0, _SHADOW_DB, (len(drawn), 2))
        if self._packing is not None:
            self._packing.moved(tag)
        self._standing_for = None

    def _base(self, now_s: float) -> Floats:
        """Place, walls, surface and shadow: what stands while nothing is moved; (tags, 2) in dB."""
        spot, away_m = self._day.spot_near(now_s)
        doors = self._day.doors_open(now_s)
        key = (spot if away_m < _EARSHOT_M else -1, round(away_m), doors)
        if key == self._standing_for:
            return self._standing
        where, metres = self._where, self._metres
        base = np.full((len(where), 2), -99.0)
        aboard = where == Where.ABOARD
        crowd = _CROWD_DB * int(aboard.sum())
        for i, antenna_m in enumerate(_ANTENNA_M):
            apart = np.hypot(metres[aboard] - antenna_m, 1.2)
            base[aboard, i] = _ABOARD_DB - 14 * np.log10(apart / 1.2) - crowd
        outside = (where == Where.OUTSIDE) & (self._spot == key[0]) & (key[0] >= 0)
        apart = metres[outside] + away_m + 1.0
        wall = 0.0 if doors else _WALL_DB
        base[outside, 1] = 9.0 - 34 * np.log10(apart / 1.2) - wall
        base[outside, 0] = base[outside, 1] - 7.0
        beside = where == Where.BESIDE
        base[beside] = (-1.0 - 20 * np.log10(metres[beside] / 1.2))[:, None]
        base[where == Where.CAB] = (2.0, -6.0)
        parked = (where == Where.PARKED) & (self._spot == key[0]) & (key[0] >= 0)
        base[parked] = (-1.0 - 20 * np.log10((metres[parked] + away_m) / 1.2))[:, None]
        self._standing = base - self._loss + self._shadow
        if self._packing is not None:
            self._standing -= self._packing.loss_db
        self._standing_for = key
        return self._standing
