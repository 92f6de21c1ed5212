"""What rides and where it gets on and off: the day's handlings, stop by stop, and the plan they depart from.

A stop is known here by its number alone: 0 is the morning at home, the last one the evening. What people do wrong is
part of it: left behind, put back, unloaded at the wrong site, brought home again, loaded though nobody planned it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from agent.world.goods import CASES, CONTENTS, GOODS, Good, Namer, Tagged

Act = Literal["load", "unload", "off", "on"]
Unit = tuple[list[int], int, int]  # what goes together, the stop it gets on at, the stop it is meant for


@dataclass(frozen=True, slots=True)
class Handling:
    """One thing carried on or off at a stop; `off` and `on` are a taking out and putting back that change nothing."""

    act: Act
    thing: int
    unit: int


@dataclass(frozen=True, slots=True)
class Wish:
    """One line of the plan: this thing (or so many of this type) from one stop's site to another's."""

    thing: int | None
    load: int
    unload: int
    type: str = ""
    quantity: int = 1


@dataclass(slots=True)
class Cargo:
    """Every registered item of the day. `start` says where a thing is before the day: a stop's number, or -1 aboard."""

    things: list[Tagged] = field(default_factory=list)
    start: list[int] = field(default_factory=list)
    handlings: list[list[Handling]] = field(default_factory=list)
    wishes: list[Wish] = field(default_factory=list)
    idle: set[int] = field(default_factory=set)
    notes: list[str] = field(default_factory=list)

    def add(self, thing: Tagged, *, start: int) -> int:
        """Enters a thing; returns its number."""
        self.things.append(thing)
        self.start.append(start)
        return len(self.things) - 1


@dataclass(frozen=True, slots=True)
class Slips:
    """How much people do wrong in a day; each a count or a share."""

    left_behind: int = 1
    put_back: int = 1
    wrong_site: int = 1
    brought_home: int = 1
    unplanned: int = 1
    aboard_before: float = 0.25
    taken_out: float = 0.12
    idle_stock: tuple[int, int] = (5, 14)


def _unit(namer: Namer, rng: np.random.Generator, cargo: Cargo, *, start: int) -> list[int]:
    """One thing, or a case with what lies in it, entered; their numbers, the case first."""
    if rng.random() < 0.12:
        good = CASES[int(rng.integers(len(CASES)))]
        case = namer.item(good)
        numbers = [cargo.add(case, start=start)]
        inside = CONTENTS[good.name]
        numbers += [cargo.add(namer.item(inside, case=case.epc), start=start) for _ in range(int(rng.integers(2, 6)))]
        return numbers
    good = GOODS[int(rng.integers(len(GOODS)))]
    return [cargo.add(namer.item(good), start=start)]


def stow(
    namer: Namer,
    rng: np.random.Generator,
    *,
    stops: Sequence[str | None],
    items: int,
    slips: Slips,
) -> Cargo:
    """The day's cargo for these stops (site ids, None at a place that is no site); `items` of it ride at some time."""
    cargo = Cargo(handlings=[[] for _ in stops])
    customers = [i for i in range(1, len(stops) - 1) if stops[i] is not None and stops[i] != stops[0]]
    before = rng.random() < slips.aboard_before
    units: list[Unit] = []
    while len(cargo.things) < items:
        load, unload = _way(rng, stops, customers, before=before)
        units.append((_unit(namer, rng, cargo, start=load), load, unload))
    _carry(cargo, rng, units, stops=stops, customers=customers, slips=slips)
    _taken_out(cargo, rng, units, customers, share=slips.taken_out)
    _put_back(cargo, rng, units, customers, count=slips.put_back)
    for _ in range(slips.left_behind):
        thing = cargo.add(namer.item(GOODS[int(rng.integers(len(GOODS)))]), start=0)
        cargo.wishes.append(Wish(thing, 0, int(rng.choice(customers))))
        cargo.idle.add(thing)
        cargo.notes.append(f"{cargo.things[thing].name} is left behind on the dock")
    standing = [0] * int(rng.integers(*slips.idle_stock))
    standing += [i for i in customers for _ in range(int(rng.poisson(1.0)))]
    for stop in standing:
        cargo.idle.add(cargo.add(namer.item(GOODS[int(rng.integers(len(GOODS)))]), start=stop))
    _by_type(cargo, rng, GOODS)
    return cargo


def _way(
    rng: np.random.Generator, stops: Sequence[str | None], customers: Sequence[int], *, before: bool
) -> tuple[int, int]:
    """Which stop something gets on at (-1: before the day) and off at: delivered, collected, out and back."""
    last = len(stops) - 1
    draw = rng.random()
    if draw < 0.66:
        return 0, int(rng.choice(customers))
    if draw < 0.88 and len(customers) > 1:
        load = int(rng.choice(customers[:-1]))
        later = [i for i in customers if i > load and stops[i] != stops[load]]
        return load, last if rng.random() < 0.75 or not later else int(rng.choice(later))
    if draw < 0.97 or not before:
        return 0, last
    return -1, int(rng.choice([*customers, last]))


def _carry(
    cargo: Cargo,
    rng: np.random.Generator,
    units: Sequence[Unit],
    *,
    stops: Sequence[str | None],
    customers: Sequence[int],
    slips: Slips,
) -> None:
    """Writes down what was planned for every unit and what people did instead."""
    last = len(stops) - 1
    single = [
        unit for unit, (numbers, load, unload) in enumerate(units) if len(numbers) == 1 and load == 0 and unload < last
    ]
    rng.shuffle(single)
    wrong, rest = set(single[: slips.wrong_site]), single[slips.wrong_site :]
    home, unplanned = set(rest[: slips.brought_home]), set(rest[slips.brought_home :][: slips.unplanned])
    for unit, (numbers, load, unload) in enumerate(units):
        actual = unload
        name = cargo.things[numbers[0]].name
        elsewhere = [i for i in customers if stops[i] != stops[unload]]
        if unit in wrong and elsewhere:
            actual = int(rng.choice(elsewhere))
            cargo.notes.append(f"{name} is unloaded at {stops[actual]} instead of {stops[unload]}")
        elif unit in home:
            actual = last
            cargo.notes.append(f"{name}, meant for {stops[unload]}, comes home again")
        elif unit in unplanned:
            cargo.notes.append(f"{name} is loaded though no plan says so")
        cargo.handlings[actual] += [Handling("unload", number, unit) for number in numbers]
        if load >= 0:
            cargo.handlings[load] += [Handling("load", number, unit) for number in numbers]
            if unit not in unplanned:
                cargo.wishes += [Wish(number, load, unload) for number in numbers]


def _taken_out(
    cargo: Cargo, rng: np.random.Generator, units: Sequence[Unit], customers: Sequence[int], *, share: float
) -> None:
    """Now and then one thing is taken out of its case at an earlier stop and stays there."""
    for numbers, load, unload in units:
        between = [i for i in customers if load < i < unload]
        if len(numbers) < 3 or not between or rng.random() > share:
            continue
        number, stop = numbers[-1], int(rng.choice(between))
        for handling in cargo.handlings[unload]:
            if handling.thing == number:
                cargo.handlings[unload].remove(handling)
                cargo.handlings[stop].append(Handling("unload", number, 100_000 + number))
                cargo.notes.append(f"{cargo.things[number].name} is taken out of its case early")
                break


def _put_back(
    cargo: Cargo,
    rng: np.random.Generator,
    units: Sequence[Unit],
    customers: Sequence[int],
    *,
    count: int,
) -> None:
    """Some single things are taken off at a stop on their way and put back: no move at all."""
    riding = [
        (numbers[0], i)
        for numbers, load, unload in units
        for i in customers
        if len(numbers) == 1
        and load < i < unload
        and not any(h.thing == numbers[0] for stop in range(load + 1, i + 1) for h in cargo.handlings[stop])
    ]
    rng.shuffle(riding)
    for unit, (thing, stop) in enumerate(riding[:count], start=len(units)):
        cargo.handlings[int(stop)] += [Handling("off", int(thing), unit), Handling("on", int(thing), unit)]
        cargo.notes.append(f"{cargo.things[int(thing)].name} is taken off on the way and put back")


def _by_type(cargo: Cargo, rng: np.random.Generator, goods: Sequence[Good]) -> None:
    """Turns some of the plan's lines for like things on the same way into one line of a type with a quantity."""
    for good in goods:
        if rng.random() > 0.3:
            continue
        for way in sorted({(w.load, w.unload) for w in cargo.wishes}):
            alike = [
                w
                for w in cargo.wishes
                if (w.load, w.unload) == way
                and w.thing is not None
                and w.thing not in cargo.idle
                and cargo.things[w.thing].type == good.name
            ]
            if len(alike) > 1:
                cargo.wishes = [w for w in cargo.wishes if w not in alike]
                cargo.wishes.append(Wish(None, *way, type=good.name, quantity=len(alike)))


def handling_times(
    rng: np.random.Generator,
    handlings: Sequence[Handling],
    *,
    opens_s: float,
    closes_s: float,
    late_from_s: float | None,
) -> list[tuple[float, Handling]]:
    """Gives each handling its own time between doors open and closed: units one after another, off before on.

    With `late_from_s` (a long stay) what gets on does so after that time.
    """
    rank = {"unload": 0.0, "off": 0.2, "load": 1.0, "on": 0.8}
    keyed: dict[tuple[int, Act], float] = {}
    for handling in handlings:
        keyed.setdefault((handling.unit, handling.act), rank[handling.act] + float(rng.uniform(0, 0.7)))
    order = sorted(handlings, key=lambda h: (keyed[h.unit, h.act], h.unit))
    timed: list[tuple[float, Handling]] = []
    late = [h for h in order if late_from_s is not None and h.act == "load"]
    early = [h for h in order if h not in late]
    for batch, begin, end in ((early, opens_s, late_from_s or closes_s), (late, late_from_s or opens_s, closes_s)):
        gaps, previous = [], None
        for handling in batch:
            together = handling.unit == previous and handling.act != "on"
            pause = float(rng.uniform(0.7, 1.6)) if together else float(rng.gamma(4.0, 5.0) + 4)
            gaps.append(pause + (float(rng.uniform(30, 180)) if handling.act == "on" else 0.0))
            previous = handling.unit
        total = sum(gaps)
        squeeze = min(1.0, (end - begin - 6) / total) if total else 1.0
        at_s = begin + 3 + float(rng.uniform(0, max(0.0, (end - begin - 6 - total * squeeze) * 0.5)))
        for gap, handling in zip(gaps, batch, strict=True):
            at_s += gap * squeeze
            timed.append((round(at_s, 1), handling))
    return sorted(timed, key=lambda pair: pair[0])


def seconds_needed(handlings: Sequence[Handling]) -> float:
    """How long people take for these handlings, on average."""
    back = sum(h.act == "on" for h in handlings)
    return 24.0 * len({(h.unit, h.act) for h in handlings}) + 1.2 * len(handlings) + 105.0 * back
