"""A simulated day as a record: the truth, beside what instruments may see of it.

Seconds count from the day's start; the first computer starts at 0. Several days on end are one such record.
"""

from __future__ import annotations

import bisect
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from agent.world.around import Change
from agent.world.faults import Faults
from agent.world.goods import Tagged
from agent.world.gpsnoise import Track
from agent.world.power import Current, Span
from agent.world.schedule import Stop

_SILENT_WITHIN_M = 90.0


@dataclass(frozen=True, slots=True)
class Dead:
    """An antenna that hears nothing in this time; `is_said`: the reader notices."""

    antenna: int
    from_s: float
    to_s: float
    is_said: bool


@dataclass(frozen=True, slots=True, eq=False)
class Day:
    """The day, or days on end, and all that may be asked of it. `truth` holds what truth.json does.

    `nights` are the times between two days, when nobody is at the van.
    """

    seed: int
    vehicle: str
    vehicle_toml: str
    register_csv: str
    plan_csv: str
    sites_geojson: Mapping[str, Any]
    start_utc_s: float
    duration_s: float
    boots: tuple[Span, ...]
    boot_mono_s: float
    inputs: tuple[tuple[float, int, bool], ...]
    stops: tuple[Stop, ...]
    radio_off: frozenset[str]
    tags: tuple[Tagged, ...]
    changes: tuple[Change, ...]
    truth: dict[str, Any]
    narrative: tuple[tuple[float, str], ...]
    dead_zones: tuple[Span, ...]
    jams: tuple[Span, ...]
    xy: NDArray[np.float64]
    speed_mps: NDArray[np.float64]
    track: Track
    current: Current
    nights: tuple[Span, ...]
    faults: Faults
    dead: tuple[Dead, ...]
    _spot_near: NDArray[np.int16]
    _spot_away: NDArray[np.float64]

    def coverage(self, t_s: float) -> bool:
        """Whether the mobile network reaches the van."""
        return not any(begin <= t_s < end for begin, end in self.dead_zones)

    def fix_at(self, t_s: float) -> dict[str, Any] | None:
        """The TPV of this whole second, None while the receiver has no power."""
        return self.track.tpv(int(t_s))

    def moving(self, t_s: float) -> bool:
        """Whether the wheels turn."""
        return bool(self.speed_mps[min(max(int(t_s), 0), len(self.speed_mps) - 1)] > 0)

    def at_stop(self, t_s: float) -> bool:
        """Whether the van stands at a true stop (not at a light)."""
        number = bisect.bisect_right(self.stops, t_s, key=lambda stop: stop.arrived_s) - 1
        return number >= 0 and t_s < self.stops[number].departed_s

    def radio_off_at(self, t_s: float) -> bool:
        """Whether the van is at a site where the reader must not transmit, or within earshot of its dock."""
        spot, away_m = self.spot_near(t_s)
        return away_m < _SILENT_WITHIN_M and any(s.spot == spot and s.site in self.radio_off for s in self.stops)

    def is_dead(self, antenna: int, t_s: float) -> bool:
        """Whether nothing can be heard on this antenna."""
        return any(dead.antenna == antenna and dead.from_s <= t_s < dead.to_s for dead in self.dead)

    def lost(self, t_s: float) -> tuple[int, ...]:
        """The antennas that the reader says it has lost."""
        return tuple(dead.antenna for dead in self.dead if dead.is_said and dead.from_s <= t_s < dead.to_s)

    def asleep(self, t_s: float) -> bool:
        """Whether it is night: nobody is at the van, and the reader looks only now and then."""
        return any(begin <= t_s < end for begin, end in self.nights)

    def doors_open(self, t_s: float) -> bool:
        """Whether the rear doors stand open."""
        return self.current.doors(t_s)

    def spot_near(self, t_s: float) -> tuple[int, float]:
        """The nearest of the last and the next stop's spots, and metres to it."""
        second = min(max(int(t_s), 0), len(self.xy) - 1)
        return int(self._spot_near[second]), float(self._spot_away[second])

    def wall_clock_s(self, boot: int) -> float:
        """What this boot's wall clock says: there is no battery, so 1970 or, after an orderly end, the time of that."""
        if self.faults.clock_1970:
            chance = self.faults.generator("clock-1970", self.seed).random(boot + 1)[boot]
            if chance < self.faults.clock_1970:
                return self.boot_mono_s
        if boot == 0 or self.boots[boot - 1] in self.current.cut_after:
            return self.boot_mono_s
        return self.start_utc_s + self.boots[boot - 1][1]
