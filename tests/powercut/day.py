"""The days that the bench lives through: what the van's computer receives, boot by boot, and the files it works with.

`tiny` is the hand-made day of twenty minutes with the power off once, `brief` its first eight, for CI; `short` (2 h)
and `long` (8 h, 105 tags) are the simulated world's.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from msgspec.structs import replace

from agent.recording import Lines, encode_line, lines_of
from agent.records import Boot, Input, PortInput
from agent.setup import read_in_use
from agent.units import format_utc, parse_utc
from agent.vehicle_agent import InUse
from agent.world import Profile, day_files, make_day
from tests import tinyday

ROOT = Path(__file__).resolve().parents[2]
WORLD = {
    "short": (3, Profile(items=(8, 9), stops=(2, 3), long_stop=False)),
    "long": (21, Profile(items=(40, 41), stops=(13, 14))),
}
# When the power goes and comes back in the hand-made day, and when that ends: parked at the hall; under way.
HAND_MADE = {"tiny": (690.0, 750.0, tinyday.DURATION_S), "brief": (400.0, 430.0, 500)}
DAYS = (*HAND_MADE, *WORLD)


def write_day(name: str, folder: Path) -> None:
    """The day's recording with vehicle file, sites and register."""
    if name in HAND_MADE:
        tinyday.write_files(folder)
        lines = (encode_line(line) for item in _by_hand(*HAND_MADE[name]) for line in lines_of(item))
        (folder / "recording.jsonl").write_bytes(b"\n".join(lines))
        (folder / "sites.geojson").write_text(tinyday.sites())
        _reserve_little(folder)
        return
    seed, profile = WORLD[name]
    sites = json.loads((ROOT / "geofences" / "region.geojson").read_text(encoding="utf-8"))
    day = make_day(seed, sites=sites, profile=profile)
    for file, content in day_files(day, np.random.default_rng(seed)).items():
        with (folder / file).open("w", encoding="utf-8") as out:
            out.writelines([content] if isinstance(content, str) else content)
    _reserve_little(folder)


def _reserve_little(folder: Path) -> None:
    """A megabyte: each image of a disk has it."""
    file = folder / "vehicle.toml"
    assert "[store]" not in file.read_text()
    file.write_text(file.read_text() + "\n[store]\nreserve_mb = 1\n")


def _by_hand(off_s: float, on_s: float, until_s: float) -> Iterator[Input]:
    """The hand-made day in two boots."""
    back = 0.0
    for item in tinyday.inputs(until_s):
        second = item.mono - tinyday.BOOT_MONO_S
        if off_s <= second < on_s:
            continue
        if second >= on_s and not back:
            back = on_s
            yield Boot(tinyday.BOOT_MONO_S, format_utc(tinyday.BOOT_MONO_S))
            yield from (PortInput(tinyday.BOOT_MONO_S + 1.0, port, on=False) for port in (1, 2))
        yield replace(item, mono=round(item.mono - back + 2.0, 3)) if back else item


def boots(folder: Path) -> tuple[tuple[Input, ...], ...]:
    """What each boot of the day receives, its `Boot` first."""
    found: list[list[Input]] = []
    with (folder / "recording.jsonl").open("rb") as lines:
        for item in Lines().inputs(lines):
            if isinstance(item, Boot):
                found.append([])
            found[-1].append(item)
    return tuple(map(tuple, found))


def in_use(folder: Path) -> InUse:
    """What the agent works with."""
    return read_in_use(
        config=folder / "vehicle.toml", sites=folder / "sites.geojson", register=folder / "register.csv", plan=None
    )[1]


def later(boot: Sequence[Input], *, from_mono: float) -> tuple[Input, ...]:
    """What a boot receives that begins `from_mono` of this one: no more of what was before, the ports' state anew."""
    first = boot[0]
    assert isinstance(first, Boot)
    ports: dict[int, bool] = {}
    came: list[Input] = []
    for item in boot[1:]:
        if item.mono < from_mono:
            if isinstance(item, PortInput):
                ports[item.port] = item.on
            continue
        came.append(replace(item, mono=round(item.mono - from_mono + first.mono + 2.0, 3)))
    at = first.mono + 1.0
    again: list[Any] = [item for item in boot[1:] if type(item).__name__ == "ReaderState"][:1]
    start: list[Input] = [replace(item, mono=at) for item in again]
    start += [PortInput(at, port, on=on) for port, on in sorted(ports.items())]
    wall = None if first.utc is None else format_utc(parse_utc(first.utc))
    return (Boot(first.mono, wall), *start, *came)
