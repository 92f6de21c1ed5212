"""A recording of a day, as the vehicle's computer would have received it; and all the files of a recorded day."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import msgspec
import numpy as np

from agent.records import Boot, Fix, Line, PortInput, Read, ReaderState, Round
from agent.units import format_utc
from agent.world.account import Day
from agent.world.radio import Radio

_ANTENNAS = (1, 2)


@dataclass(frozen=True, slots=True)
class ReadingPlan:
    """When the reader reads: without pause while parked, a sweep after each departure, then bursts on the road.

    At night it looks only now and then, which spares the battery.
    """

    round_s: float = 2.0
    parked_pause_s: float = 0.02
    sweep_s: float = 120.0
    burst_rounds: int = 2
    burst_every_s: float = 20.0
    night_pause_s: float = 60.0
    power_dbm: float = 27.0


def record_day(day: Day, rng: np.random.Generator, *, plan: ReadingPlan | None = None) -> Iterator[Line]:
    """Every line of the recording, in the order received; `mono` starts again at each boot."""
    plan = plan or ReadingPlan()
    radio = Radio(day, rng)
    for number, (on_s, off_s) in enumerate(day.boots):
        yield Boot(mono=day.boot_mono_s, utc=format_utc(day.wall_clock_s(number)))
        yield from _boot(day, radio, rng, plan, on_s=on_s, off_s=off_s)


def _boot(
    day: Day, radio: Radio, rng: np.random.Generator, plan: ReadingPlan, *, on_s: float, off_s: float
) -> Iterator[Line]:
    """One boot's lines after the boot itself."""
    lag = day.boot_mono_s - on_s
    up_s = on_s + float(rng.uniform(6, 12))
    quiet = _quiet(day, rng, on_s, off_s, up_s)
    pending = next(quiet, None)
    started_s = up_s + 0.1
    while True:
        ended_s = started_s + plan.round_s + float(rng.uniform(0.0, 0.03))
        while pending is not None and pending[0] < min(ended_s, off_s):
            yield _shift(pending[1], lag)
            pending = next(quiet, None)
        if ended_s >= off_s:
            return
        mono = round(ended_s + lag, 3)
        if day.radio_off_at(started_s) or day.radio_off_at(ended_s):
            started_s = ended_s + plan.round_s
            continue
        lost = {*day.lost(started_s), *day.lost(ended_s)}
        antennas = tuple(antenna for antenna in _ANTENNAS if antenna not in lost)
        for read in radio.inventory(
            started_s=started_s, seconds=plan.round_s, antennas=antennas, power_dbm=plan.power_dbm
        ):
            yield Read(mono=mono, epc=read.tag, antenna=read.antenna, rssi=read.rssi_dbm, count=read.count)
        yield Round(mono=mono, seconds=plan.round_s, antennas=antennas)
        started_s = _next_start(day, plan, ended_s, up_s)


def _next_start(day: Day, plan: ReadingPlan, ended_s: float, up_s: float) -> float:
    """When the next round begins after one that ended at `ended_s`."""
    soon = ended_s + plan.parked_pause_s
    if day.asleep(soon):
        return soon + plan.night_pause_s
    if day.at_stop(soon):
        return soon
    left_s = max((stop.departed_s for stop in day.stops if stop.departed_s <= soon), default=up_s)
    if soon - max(left_s, up_s) < plan.sweep_s:
        return soon
    phase = (soon - left_s) % plan.burst_every_s
    if phase < plan.burst_rounds * (plan.round_s + plan.parked_pause_s) - plan.round_s / 2:
        return soon
    arrives_s = min((stop.arrived_s for stop in day.stops if stop.arrived_s > soon), default=day.duration_s)
    return min(soon + plan.burst_every_s - phase, arrives_s + 3.0)


def _quiet(day: Day, rng: np.random.Generator, on_s: float, off_s: float, up_s: float) -> Iterator[tuple[float, Line]]:
    """What comes beside the rounds, in order of arrival, with day seconds in place of `mono`."""
    came: list[tuple[float, Line]] = [(up_s, ReaderState(mono=up_s, state="up"))]
    state: dict[int, bool] = {1: False, 2: False}
    for at_s, port, on in day.inputs:
        if at_s <= up_s:
            state[port] = on
        elif at_s < off_s:
            came.append((at_s + 0.05, PortInput(mono=at_s + 0.05, port=port, on=on)))
    came += [(up_s + 0.02, PortInput(mono=up_s + 0.02, port=port, on=on)) for port, on in sorted(state.items())]
    came += _antennas(day, up_s, off_s)
    late = rng.uniform(0.08, 0.3, int(off_s - on_s) + 1).tolist()
    for i, second in enumerate(range(int(on_s) + 4, int(off_s))):
        tpv = day.fix_at(second)
        if tpv is not None:
            came.append((second + late[i], Fix(mono=second + late[i], tpv=tpv)))
    yield from sorted(came, key=lambda pair: pair[0])


def _antennas(day: Day, up_s: float, off_s: float) -> Iterator[tuple[float, Line]]:
    """What the reader says of its antennas: at its start which are lost, then every change."""
    for dead in day.dead:
        lost_s, back_s = max(dead.from_s + 0.4, up_s + 0.01), dead.to_s + 0.4
        if dead.is_said and lost_s < min(back_s, off_s):
            yield lost_s, ReaderState(mono=lost_s, state="antenna_lost", antenna=dead.antenna)
            if back_s < off_s:
                yield back_s, ReaderState(mono=back_s, state="antenna_back", antenna=dead.antenna)


def _shift(line: Line, lag: float) -> Line:
    """The line with its time on this boot's monotonic clock."""
    return msgspec.structs.replace(line, mono=round(line.mono + lag, 3))


def truth_json(day: Day) -> dict[str, Any]:
    """What truly happened: `moves`, `manifests` and `stops`."""
    return day.truth


def day_files(day: Day, rng: np.random.Generator) -> dict[str, str | Iterator[str]]:
    """The files of a recorded day by name; the recording comes a line at a time, each with its line end."""
    encode = msgspec.json.Encoder().encode
    return {
        "recording.jsonl": (encode(line).decode() + "\n" for line in record_day(day, rng)),
        "vehicle.toml": day.vehicle_toml,
        "register.csv": day.register_csv,
        "plan.csv": day.plan_csv,
        "sites.geojson": json.dumps(day.sites_geojson, indent=1) + "\n",
        "truth.json": json.dumps(truth_json(day), indent=1) + "\n",
    }
