"""The recording of a simulated day: in order, in the form of formats.md, and true to the reading plan."""

from __future__ import annotations

import json
from itertools import pairwise

import numpy as np
import pytest

from agent.records import Boot, Fix, Line, PortInput, Read, ReaderState, Round
from agent.world import Day, day_files, record_day


@pytest.fixture(scope="module")
def lines(days: tuple[Day, ...]) -> list[Line]:
    """One recorded day."""
    return list(record_day(days[0], np.random.default_rng(9)))


def boots_of(lines: list[Line]) -> list[list[Line]]:
    """The lines of each boot, its `boot` first."""
    parts: list[list[Line]] = []
    for line in lines:
        if isinstance(line, Boot):
            parts.append([])
        parts[-1].append(line)
    return parts


def test_one_recording_for_one_generator(days: tuple[Day, ...], lines: list[Line]) -> None:
    """The same generator gives the same lines."""
    assert list(record_day(days[0], np.random.default_rng(9))) == lines
    assert list(record_day(days[0], np.random.default_rng(10))) != lines


def test_time_goes_on_within_a_boot(days: tuple[Day, ...], lines: list[Line]) -> None:
    """`mono` starts small at each boot, never goes back, and ends when the power does."""
    parts = boots_of(lines)
    assert len(parts) == len(days[0].boots) >= 2
    for part, (on_s, off_s) in zip(parts, days[0].boots, strict=True):
        assert part[0].mono < 60
        assert all(a.mono <= b.mono for a, b in pairwise(part))
        assert part[-1].mono <= part[0].mono + off_s - on_s
        assert part[-1].mono > part[0].mono + off_s - on_s - 40


def test_reads_stand_before_their_round(lines: list[Line]) -> None:
    """Every read belongs to the next round, with that round's time and one of its antennas."""
    pending: list[Read] = []
    rounds = 0
    for line in lines:
        if isinstance(line, Read):
            pending.append(line)
        elif isinstance(line, Round):
            rounds += 1
            assert all(read.mono == line.mono and read.antenna in line.antennas for read in pending)
            keys = [(read.epc, read.antenna) for read in pending]
            assert len(keys) == len(set(keys))
            pending = []
        else:
            assert not pending
    assert not pending
    assert rounds > 3000


def test_the_reading_plan_is_kept(days: tuple[Day, ...]) -> None:
    """Parked nearly without pause, 120 s without pause after a departure, then two rounds every 20 s."""
    day = days[0]
    rounds = [at_s for at_s, line in on_day_time(day, 9) if isinstance(line, Round)]
    for before, after in pairwise(day.stops):
        left, arrived = before.departed_s, after.arrived_s
        if day.radio_off & {before.site, after.site} or arrived - left < 400:
            continue
        sweep = [t for t in rounds if left < t <= left + 120]
        assert len(sweep) >= 57
        road = [t for t in rounds if left + 130 < t < arrived - 5]
        assert len(road) == pytest.approx((arrived - left - 135) / 10, abs=3)
    parked = [t for t in rounds if 60 < t < day.stops[0].departed_s]
    assert max(b - a for a, b in pairwise(parked)) < 2.1


def on_day_time(day: Day, seed: int) -> list[tuple[float, Line]]:
    """Every line with its second of the day."""
    placed = []
    for (on_s, _), part in zip(day.boots, boots_of(list(record_day(day, np.random.default_rng(seed)))), strict=True):
        placed += [(line.mono - part[0].mono + on_s, line) for line in part]
    return placed


def test_inputs_tell_the_doors(days: tuple[Day, ...]) -> None:
    """After each boot the reader reports its inputs as they are, then every change while it runs."""
    for day in days[:2]:
        state: dict[int, bool] = {}
        for at_s, line in on_day_time(day, 9):
            if isinstance(line, Boot):
                state = {}
            elif isinstance(line, PortInput):
                state[line.port] = line.on
            elif isinstance(line, Round) and at_s - 2.1 > 0 and day.doors_open(at_s - 0.2) == day.doors_open(at_s):
                assert state[1] == day.doors_open(at_s)


def test_the_reader_is_silent_where_radio_is_off(days: tuple[Day, ...]) -> None:
    """No round at a site that forbids transmitting."""
    region = days[0].sites_geojson
    from agent.world import Profile, make_day  # noqa: PLC0415 - only here

    seen = 0
    for seed in range(2):
        day = make_day(seed, sites=region, profile=Profile(radio_off=1.0, stops=(9, 10)))
        forbidden = [stop for stop in day.stops if stop.site in day.radio_off]
        seen += len(forbidden)
        for at_s, line in on_day_time(day, 1) if forbidden else ():
            if isinstance(line, Round):
                assert not any(stop.arrived_s <= at_s < stop.departed_s for stop in forbidden)
    assert seen


def test_fixes_come_once_a_second(lines: list[Line]) -> None:
    """Fixes are TPVs of gpsd, one a second and none twice, times rising within a boot."""
    for part in boots_of(lines):
        fixes = [line for line in part if isinstance(line, Fix)]
        assert all(fix.tpv["class"] == "TPV" for fix in fixes)
        assert all(0.7 < b.mono - a.mono < 1.3 for a, b in pairwise(fixes))
        times = [fix.tpv["time"] for fix in fixes if "time" in fix.tpv]
        assert times == sorted(set(times))


def test_the_files_of_a_day(days: tuple[Day, ...], lines: list[Line]) -> None:
    """All six files are there; the recording's lines are JSON with `kind` and `mono`."""
    files = day_files(days[0], np.random.default_rng(9))
    assert set(files) == {
        "recording.jsonl",
        "vehicle.toml",
        "register.csv",
        "plan.csv",
        "sites.geojson",
        "truth.json",
    }
    recording = list(files["recording.jsonl"])
    assert len(recording) == len(lines)
    kinds = {"boot": Boot, "fix": Fix, "read": Read, "round": Round, "input": PortInput, "reader": ReaderState}
    for text, line in zip(recording[:2000], lines[:2000], strict=True):
        parsed = json.loads(text)
        assert isinstance(line, kinds[parsed["kind"]])
        assert parsed["mono"] == line.mono
    assert {"moves", "manifests", "stops"} <= set(json.loads(str(files["truth.json"])))
