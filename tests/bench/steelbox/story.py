"""What truly happened in a week: where the van was, who carried what when, and what follows for moves and manifests."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from agent.units import format_utc
from tests.bench.steelbox.goods import Goods, Unit
from tests.bench.steelbox.habits import Habits
from tests.bench.steelbox.places import Drive, Place, drive
from tests.bench.steelbox.radio import ABOARD, AWAY, BEHIND, LENGTH_M

Array = NDArray[np.float64]
Index = NDArray[np.int64]
MONDAY_S = 1_772_409_600.0  # 2026-03-02T00:00:00Z
DAY_S = 86_400.0


@dataclass(frozen=True, slots=True, eq=False)
class Change:
    """Tags come to be somewhere, as seen from the van."""

    at_s: float
    tags: Index
    zone: int
    at_m: Array
    depth: Array


@dataclass(frozen=True, slots=True)
class Stop:
    """The van stands; the first has no arrival and the last no departure."""

    place: Place
    arrived_s: float | None
    departed_s: float | None


@dataclass(slots=True, eq=False)
class Story:
    """The week as it happened, in lists that grow while it is told; times are UTC seconds."""

    habits: Habits
    goods: Goods
    rng: np.random.Generator
    sites: list[Place]
    laybys: list[Place]
    now_s: float = 0.0
    begin_s: float = 0.0
    place: Place = field(init=False)
    arrived_s: float | None = None
    changes: list[Change] = field(default_factory=list)
    doors: list[tuple[float, bool]] = field(default_factory=list)
    ignition: list[tuple[float, bool]] = field(default_factory=list)
    stirs: list[tuple[float, float]] = field(default_factory=list)
    drives: list[Drive] = field(default_factory=list)
    stops: list[Stop] = field(default_factory=list)
    moves: list[dict[str, Any]] = field(default_factory=list)
    manifests: list[dict[str, Any]] = field(default_factory=list)
    crossed_s: dict[int, float] = field(default_factory=dict)
    came_with: set[int] = field(default_factory=set)
    crew: list[int] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.place = self.sites[0]

    # What is where

    def aboard(self) -> list[Unit]:
        """The units in the van."""
        return [unit for unit in self.goods.units if unit.where == "van"]

    def items_aboard(self) -> set[int]:
        """The registered items in the van."""
        return {tag for unit in self.aboard() for tag in unit.tags if self.goods.is_item(tag)}

    def tags_aboard(self) -> int:
        """How many tags are in the van."""
        return sum(len(unit.tags) for unit in self.aboard())

    def put(self, at_s: float, tags: list[int], zone: int, at_m: Array, *, depth: Array | None = None) -> None:
        """Tags come to be at a place in the van's frame; `at_m` is one point or one for each."""
        points = np.broadcast_to(np.asarray(at_m, dtype=np.float64), (len(tags), 3)).copy()
        depths = np.zeros(len(tags)) if depth is None else depth
        self.changes.append(Change(at_s, np.asarray(tags, dtype=np.int64), zone, points, depths))

    def set_behind(self, at_s: float, unit: Unit, metres: float) -> None:
        """A unit stands so many metres behind the rear doors."""
        middle = np.array([LENGTH_M + metres, self.rng.normal(0, 1.2), 0.7])
        spread = self.rng.normal(0, 0.25, (len(unit.tags), 3)) + middle
        self.put(at_s, unit.tags, BEHIND, spread, depth=self._depth(unit, spread))

    def stow(self, at_s: float, unit: Unit) -> None:
        """A unit gets its place in the box."""
        rng = self.rng
        centre = [rng.uniform(0.5, LENGTH_M - 0.5), rng.uniform(-0.6, 0.6), rng.uniform(0.3, 1.2)]
        spread = rng.normal(0, [0.25, 0.2, 0.35] if unit.caged else 0.03, (len(unit.tags), 3)) + centre
        inside = np.clip(spread, [0.05, -0.85, 0.05], [LENGTH_M - 0.05, 0.85, 1.8])
        self.put(at_s, unit.tags, ABOARD, inside, depth=self._depth(unit, inside))

    def _depth(self, unit: Unit, at_m: Array) -> Array:
        if not unit.caged or len(unit.tags) < 2:
            return np.zeros(len(unit.tags))
        off = np.linalg.norm((at_m - at_m.mean(axis=0)) / [0.4, 0.35, 0.6], axis=1)
        depth: Array = np.clip(1.2 - 0.6 * off, 0.0, 1.0)
        depth[0] = 0.0  # the cage's own tag is on its frame
        return depth

    # What people do

    def carry_in(self, at_s: float, unit: Unit) -> None:
        """A unit goes aboard; it crosses the sill at `at_s`."""
        self.set_behind(at_s - self.rng.uniform(4, 25), unit, self.rng.uniform(0.4, 1.5))
        self.stow(at_s, unit)
        self._crossed(at_s, unit)
        unit.where, unit.near_m = "van", None

    def carry_out(self, at_s: float, unit: Unit, *, where: str, near_m: float | None) -> None:
        """A unit leaves the van, and then stands at the dock or goes indoors."""
        rng = self.rng
        self.set_behind(at_s, unit, rng.uniform(0.3, 1.2))
        later_s = at_s + rng.uniform(8, 28)  # before the van can leave
        if near_m is not None:
            self.set_behind(later_s, unit, near_m)
        else:
            self.put(later_s, unit.tags, AWAY, np.zeros(3))
        self._crossed(at_s, unit)
        unit.where, unit.near_m = where, near_m

    def aside(self, out_s: float, back_s: float, unit: Unit) -> None:
        """A unit is taken out to get at others, and put back: no move."""
        self.set_behind(out_s, unit, self.rng.uniform(0.8, 3.5))
        self.stow(back_s, unit)
        self._crossed(back_s, unit)

    def split(self, unit: Unit) -> Unit:
        """One member of a cage becomes a unit of its own, where the cage is."""
        tag = unit.tags.pop(int(self.rng.integers(1, len(unit.tags))))
        loose = Unit([tag], caged=False, where=unit.where, near_m=unit.near_m, since_day=unit.since_day, to=unit.to)
        self.goods.units.append(loose)
        return loose

    def _crossed(self, at_s: float, unit: Unit) -> None:
        self.stirs.append((at_s, 0.35))
        for tag in unit.tags:
            self.crossed_s[tag] = at_s

    def open_doors(self, begin_s: float, end_s: float) -> None:
        """The rear doors stand open for a while, and people walk through the field."""
        self.doors += [(begin_s, True), (end_s, False)]
        at_s = begin_s
        while (at_s := at_s + float(self.rng.exponential(15.0))) < end_s:
            self.stirs.append((at_s, float(self.rng.uniform(0.05, 0.4))))

    # How the van goes

    def depart(self, to: Place) -> Drive:
        """Leaves now: closes the stop's account, and drives; what stood behind the van falls back."""
        rng, left_s = self.rng, self.now_s
        after = self.items_aboard()
        for kind, tags in (("load", after - self.came_with), ("unload", self.came_with - after)):
            for tag in sorted(tags):
                self._tell(kind, tag)
        items = sorted(self.goods.uri[tag] for tag in after)
        self.manifests.append({"departed": format_utc(left_s), "site": self.place.site, "items": items})
        self.stops.append(Stop(self.place, self.arrived_s, left_s))
        self._leave_behind(left_s)
        leg = drive(self.place.spot, to.spot, begin_s=left_s, rng=rng)
        self.drives.append(leg)
        self.stirs.append((left_s + 2, 0.4))
        self.now_s = self.arrived_s = float(leg.at_s[-1])
        self.manifests[-1]["arrived"] = format_utc(self.now_s)
        self.place, self.came_with = to, after
        self.crossed_s.clear()
        for unit in self.goods.units:
            if unit.where == to.site and unit.near_m is not None:
                self.set_behind(self.now_s - 10, unit, unit.near_m + 8)
                self.set_behind(self.now_s - 2, unit, unit.near_m + float(rng.normal(0, 0.4)))
        return leg

    def _leave_behind(self, left_s: float) -> None:
        for unit in self.goods.units:
            if unit.where == self.place.site and unit.near_m is not None:
                self.set_behind(left_s + 3, unit, unit.near_m + 5)
                self.put(left_s + 8, unit.tags, AWAY, np.zeros(3))

    def end(self) -> None:
        """The recording ends at this stop."""
        after = self.items_aboard()
        for kind, tags in (("load", after - self.came_with), ("unload", self.came_with - after)):
            for tag in sorted(tags):
                self._tell(kind, tag)
        self.stops.append(Stop(self.place, self.arrived_s, None))

    def _tell(self, kind: str, tag: int) -> None:
        at = format_utc(self.crossed_s[tag])
        self.moves.append({"kind": kind, "epc": self.goods.uri[tag], "site": self.place.site, "time": at})

    def truth(self) -> dict[str, Any]:
        """Moves net of each stop, the items aboard on each leg, and the stops."""
        stops = [
            {
                "site": stop.place.site,
                "arrived": None if stop.arrived_s is None else format_utc(stop.arrived_s),
                "departed": None if stop.departed_s is None else format_utc(stop.departed_s),
            }
            for stop in self.stops
        ]
        return {"moves": self.moves, "manifests": self.manifests, "stops": stops}
