"""Lets the faults that are switched on befall a finished day. With none it gives the day back as it is.

Faults of cargo (cases, second trips) and of power are no matter of this module: they come before, in `day`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from agent.world import bystanders, papers, skyfaults, vans
from agent.world.account import Day, Dead
from agent.world.bystanders import Crowd
from agent.world.faults import number_of
from agent.world.goods import Namer
from agent.world.places import read_places

_HARD_DB = (22.0, 27.0)

CROWDS: dict[str, Callable[[Day, np.random.Generator, Namer, float], Crowd]] = {
    "stock": bystanders.stock,
    "foreign-vans": vans.at_the_depot,
    "convoy": vans.convoy,
    "passers-by": bystanders.passers_by,
    "garment-tags": bystanders.garments,
}


def beset(day: Day) -> Day:
    """The day with its faults; every one sees the day as it was before any of them, but for what it must build on."""
    faults, names = day.faults, day.faults.names
    if not names:
        return day
    plain = day
    if "hard-tags" in names:
        day = _hard_tags(day, faults.generator("hard-tags", day.seed), faults.hard_tags)
    if "staging" in names:
        crowd, changes = bystanders.staging(
            plain, faults.generator("staging", day.seed), _namer(plain, "staging"), faults.staging
        )
        day = _with(replace(day, changes=changes), crowd)
    for name, befall in CROWDS.items():
        if name in names:
            rng = faults.generator(name, day.seed)
            day = _with(day, befall(plain, rng, _namer(plain, name), faults.strength(name)))
    if day.tags != plain.tags:
        shuffled = np.random.default_rng([day.seed, 0])
        home = str(day.stops[0].site)
        register = papers.register_csv(shuffled, day.tags, vehicle=day.vehicle, home=home)
        day = replace(day, register_csv=register)
    return _receiver(replace(day, dead=_dead(day)))


def _namer(day: Day, name: str) -> Namer:
    number = number_of(name)
    return Namer(np.random.default_rng([day.seed, number, 1]), above=100_000 + 10_000 * number)


def _with(day: Day, crowd: Crowd) -> Day:
    """The day with further tags and their changes of place."""
    first = len(day.tags)
    added = [replace(change, tag=change.tag + first) for change in crowd.changes]
    changes = sorted([*day.changes, *added], key=lambda change: change.at_s)
    return replace(day, tags=(*day.tags, *crowd.tags), changes=tuple(changes))


def _hard_tags(day: Day, rng: np.random.Generator, share: float) -> Day:
    """Some of the items' tags are so weak, or so badly placed, that they answer in less than a round in a hundred."""
    hard = rng.random(len(day.tags)) < share
    loss = rng.uniform(*_HARD_DB, len(day.tags))
    tags = [
        replace(tag, loss_db=float(loss[i])) if hard[i] and tag.kind == "item" else tag
        for i, tag in enumerate(day.tags)
    ]
    return replace(day, tags=tuple(tags))


def _dead(day: Day) -> tuple[Dead, ...]:
    """Which antenna dies when, whether the reader says so, and whether somebody plugs it in again."""
    ways = [name for name in day.faults.names if name in {"dead-antenna", "dead-antenna-silent"}]
    if len(ways) > 1:
        ways = [ways[int(np.random.default_rng([day.seed, 0xA]).integers(len(ways)))]]
    dead = []
    for way in ways:
        rng = day.faults.generator(way, day.seed)
        if rng.random() >= day.faults.strength(way):
            continue
        antenna = 1 + int(rng.integers(2))
        from_s = float(rng.uniform(-0.1, 0.7) * day.duration_s)
        to_s = from_s + float(rng.uniform(0.1, 0.5)) * day.duration_s if rng.random() < 0.3 else np.inf
        dead.append(Dead(antenna, from_s, to_s, is_said=way == "dead-antenna"))
    return tuple(dead)


def _receiver(day: Day) -> Day:
    """What the receiver's faults make of the track, one after the other."""
    faults, names = day.faults, day.faults.names
    plane, _ = read_places(day.sites_geojson, home=str(day.stops[0].site))
    if "canyon" in names:
        day = replace(day, track=skyfaults.canyon(day, faults.generator("canyon", day.seed), plane, faults.canyon))
    if "gps-jumps" in names:
        day = replace(day, track=skyfaults.jumps(day, faults.generator("gps-jumps", day.seed), plane, faults.gps_jumps))
    if "tunnel" in names:
        day = replace(day, track=skyfaults.tunnel(day, faults.generator("tunnel", day.seed), faults.tunnel))
    if "roll-over" in names:
        rng = faults.generator("roll-over", day.seed)
        if rng.random() < faults.roll_over:
            day = replace(day, track=skyfaults.roll_over(day, rng))
    return day
