"""Runs the reader over the told week and writes what the vehicle's computer received, line by line."""

from __future__ import annotations

import heapq
import json
import math
from bisect import bisect_right
from collections.abc import Iterator
from typing import Any

import numpy as np

from agent.units import format_utc
from tests.bench.steelbox import power, sky
from tests.bench.steelbox.gen2 import Inventory
from tests.bench.steelbox.goods import Goods
from tests.bench.steelbox.habits import Habits
from tests.bench.steelbox.radio import ABOARD, Box
from tests.bench.steelbox.story import DAY_S, Story

DOORS, IGNITION = 1, 2
SWEEP_S, BURST_EVERY_S = 120.0, 20.0
Line = tuple[float, str]  # when it reached the computer, UTC seconds, and the JSON text without `mono`


class World:
    """The box as time goes by: changes, doors, stirring and drift, each in its turn."""

    def __init__(self, story: Story, goods: Goods, habits: Habits, rng: np.random.Generator) -> None:
        self.box = Box(habits.radio, goods.needs(), rng)
        self.habits, self.story = habits, story
        events: list[tuple[float, int, object]] = [(change.at_s, 0, change) for change in story.changes]
        events += [(at_s, 1, on) for at_s, on in story.doors]
        events += [(at_s, 2, share) for at_s, share in story.stirs]
        self.events = sorted(events, key=lambda event: event[0])
        self.next = 0
        self.drift_s = story.begin_s
        self.parts = [(stop.arrived_s or -math.inf, stop.departed_s or math.inf) for stop in story.stops]
        self.arrivals = [a for a, _ in self.parts]

    def standing_since(self, at_s: float) -> tuple[bool, float]:
        """Whether the van stands, and since when it stands or drives."""
        number = bisect_right(self.arrivals, at_s) - 1
        arrived_s, departed_s = self.parts[number]
        return (True, arrived_s) if at_s < departed_s else (False, departed_s)

    def go_to(self, at_s: float) -> None:
        """Lets everything happen up to then."""
        box = self.box
        while self.next < len(self.events) and self.events[self.next][0] <= at_s:
            _, kind, what = self.events[self.next]
            if kind == 0:
                box.place(what.tags, what.zone, what.at_m, what.depth)  # type: ignore[attr-defined]
            elif kind == 1:
                box.set_doors(is_open=bool(what))
            else:
                box.stir(float(what))  # type: ignore[arg-type]
            self.next += 1
        stands, _ = self.standing_since(at_s)
        lasts_s = self.habits.radio.drift_parked_s if stands else self.habits.radio.drift_moving_s
        share = 1 - math.exp(-2 * max(at_s - self.drift_s, 0.0) / lasts_s)
        if share > 0.01:
            box.stir(share)
            self.drift_s = at_s
        box.set_full(min(math.sqrt(float((box.zone == ABOARD).sum()) / 220.0), 1.0))
        box.set_losses((at_s - self.story.begin_s) / DAY_S)


def record(story: Story, goods: Goods, habits: Habits) -> tuple[Iterator[str], list[dict[str, float | str]]]:
    """The recording's lines, and when each boot's clock counted 0."""
    rng = np.random.default_rng([habits.seed, 5])
    spans = power.spans(habits, story.ignition, story.stops, story.now_s, rng)
    tpvs = sky.fixes(story, habits, [(a + 20, b) for a, b in spans], rng)
    zeros: list[dict[str, float | str]] = [{"mono_zero": format_utc(a)} for a, _ in spans]
    return _lines(story, goods, habits, spans=spans, tpvs=tpvs, rng=rng), zeros


def _lines(
    story: Story,
    goods: Goods,
    habits: Habits,
    *,
    spans: list[tuple[float, float]],
    tpvs: list[tuple[float, dict[str, Any]]],
    rng: np.random.Generator,
) -> Iterator[str]:
    world = World(story, goods, habits, rng)
    inventory = Inventory(habits.radio, len(goods.uri), rng)
    fix_times = [at_s for at_s, _ in tpvs]
    for begin_s, end_s in spans:
        ready_s = begin_s + float(rng.uniform(10, 22))
        wrong = {"right": begin_s, "1970": 0.0, "years-off": begin_s - 7.3e7}[habits.clock]
        boot = json.dumps({"kind": "boot", "utc": format_utc(wrong + ready_s - begin_s)})
        yield _stamped(ready_s, begin_s, boot)
        reader_s = ready_s + float(rng.uniform(2, 12))
        told = [(reader_s, '{"kind":"reader","state":"up"}'), *_inputs(story, habits, reader_s, end_s)]
        told += [
            (
                max(reader_s + 1, story.begin_s + day * DAY_S),
                f'{{"kind":"reader","state":"antenna_lost","antenna":{antenna}}}',
            )
            for antenna, day, loss_db, says in habits.radio.faults
            if says and loss_db > 50 and story.begin_s + day * DAY_S < end_s
        ]
        told += [
            (at_s, '{"kind":"fix","tpv":' + json.dumps(tpv, separators=(",", ":")) + "}")
            for at_s, tpv in tpvs[bisect_right(fix_times, ready_s) : bisect_right(fix_times, end_s)]
        ]
        told.sort(key=lambda line: line[0])
        heard = _rounds(world, inventory, goods, habits, begin_s=reader_s + 1.0, end_s=end_s, rng=rng)
        for at_s, text in heapq.merge(told, heard, key=lambda line: line[0]):
            if at_s < end_s:
                yield _stamped(at_s, begin_s, text)


def _stamped(at_s: float, zero_s: float, text: str) -> str:
    return f'{text[:-1]},"mono":{at_s - zero_s:.3f}}}\n'


def _inputs(story: Story, habits: Habits, reader_s: float, end_s: float) -> list[Line]:
    lines: list[Line] = []
    for port, wired, changes in (
        (DOORS, habits.doors_wired, story.doors),
        (IGNITION, habits.ignition_wired, story.ignition),
    ):
        if wired:
            was = next((on for at_s, on in reversed(changes) if at_s <= reader_s), False)
            lines.append((reader_s + 0.1, _input(port, on=was)))
            lines += [(at_s, _input(port, on=on)) for at_s, on in changes if reader_s + 0.1 < at_s < end_s]
    return lines


def _input(port: int, *, on: bool) -> str:
    return f'{{"kind":"input","port":{port},"on":{"true" if on else "false"}}}'


def _rounds(
    world: World,
    inventory: Inventory,
    goods: Goods,
    habits: Habits,
    *,
    begin_s: float,
    end_s: float,
    rng: np.random.Generator,
) -> Iterator[Line]:
    """Reads and rounds in order, at the times at which their reports arrive."""
    radio, box = habits.radio, world.box
    at_s, arrived_s, waiting, late_until_s = begin_s, begin_s, [], -math.inf
    last_said, rounds_waiting = begin_s, 0
    while at_s < end_s - inventory.round_s:
        wait_s, is_silent = _plan(world, habits, inventory, at_s)
        if is_silent:
            at_s += wait_s
            continue
        world.go_to(at_s)
        done_s = at_s + inventory.round_s
        incident = box.incident_dbm()
        rssi = box.rssi_dbm(incident)
        tags = box.active
        for antenna, found, strengths, counts in inventory.round(tags, incident, rssi, box.needs_dbm[tags], at_s=at_s):
            steps = np.round((strengths + rng.normal(0, 0.7, len(found))) / radio.rssi_step_db) * radio.rssi_step_db
            waiting += [
                f'{{"kind":"read","epc":"{goods.hex[tag]}","antenna":{antenna},"rssi":{step:.1f},"count":{count}}}'
                for tag, step, count in zip(found.tolist(), steps.tolist(), counts.tolist(), strict=True)
            ]
            if radio.ghosts and rng.random() < radio.ghosts / 1000 * len(found):
                wrong = bytes(rng.integers(0, 256, 12, dtype=np.uint8)).hex().upper()
                waiting.append(f'{{"kind":"read","epc":"{wrong}","antenna":{antenna},"rssi":-70.0,"count":1}}')
        lost = {a for a, day, loss_db, says in radio.faults if says and loss_db > 50}
        antennas = [
            a for a in range(1, radio.antennas + 1)
            if a not in lost or (at_s - world.story.begin_s) / DAY_S < next(f[1] for f in radio.faults if f[0] == a)
        ]  # fmt: skip
        waiting.append(f'{{"kind":"round","seconds":{inventory.round_s:.1f},"antennas":{antennas}}}')
        rounds_waiting += 1
        if rng.random() < radio.stall_per_h / 3600 * (done_s - last_said):
            late_until_s = done_s + float(rng.uniform(5, 30))
        last_said = done_s
        if rounds_waiting >= radio.reports_of and done_s >= late_until_s:
            arrived_s = max(arrived_s, done_s + 0.02)
            yield from ((arrived_s, text) for text in waiting)
            waiting, rounds_waiting = [], 0
        at_s = max(at_s + wait_s, done_s + 0.03)


def _plan(world: World, habits: Habits, inventory: Inventory, at_s: float) -> tuple[float, bool]:
    """Seconds from this round's beginning to the next one's, and whether the reader must be silent now."""
    stands, since_s = world.standing_since(at_s)
    gone_s = at_s - since_s
    if not stands:
        if gone_s < SWEEP_S + 8:
            return inventory.round_s + 0.05, False
        return BURST_EVERY_S, False
    place = world.story.stops[bisect_right(world.arrivals, at_s) - 1].place
    doors = next((on for t, on in reversed(world.story.doors[: _doors_by(world, at_s)])), False)
    if place.radio_off or (habits.pause_when_open and doors):
        return 2.0, True
    quiet_s = at_s - _last_door(world, at_s)
    if quiet_s > 2400 and gone_s > 2400 and not doors:
        return (300.0 if quiet_s > 7200 else 30.0), False
    return max(habits.size.parked_s, inventory.round_s + 0.05), False


def _doors_by(world: World, at_s: float) -> int:
    return bisect_right(world.story.doors, (at_s, True))


def _last_door(world: World, at_s: float) -> float:
    number = _doors_by(world, at_s)
    return world.story.doors[number - 1][0] if number else world.story.begin_s
