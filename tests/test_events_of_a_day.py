"""Every event of whole replayed days, voided and restated ones too, against GS1's schema by two validators."""

from __future__ import annotations

import json
from argparse import ArgumentParser
from pathlib import Path

import jsonschema
import jsonschema_rs
import numpy as np
import pytest

from agent.replay import add_arguments, run
from agent.world import Profile, day_files, make_day

REGION = Path(__file__).resolve().parents[1] / "geofences" / "region.geojson"


def events_of(folder: Path, sites: Path, out: Path) -> list[dict[str, object]]:
    """Replay a folder's recording; its events."""
    parser = ArgumentParser()
    add_arguments(parser)
    register = folder / "register.csv"
    options = {"--config": folder / "vehicle.toml", "--sites": sites, "--register": register, "--out": out}
    given = [str(folder / "recording.jsonl"), *(str(part) for pair in options.items() for part in pair)]
    assert run(parser.parse_args(given)) == 0
    return [json.loads(line) for line in (out / "events.jsonl").read_text().splitlines()]


def check(events: list[dict[str, object]], standards: Path) -> None:
    """No event may break the schema (GS1, EPCIS 2.0), formats asserted, in the eyes of either validator."""
    schema = json.loads((standards / "epcis" / "EPCIS-JSON-Schema.json").read_text())
    first = jsonschema.Draft7Validator(schema, format_checker=jsonschema.Draft7Validator.FORMAT_CHECKER)
    second = jsonschema_rs.Draft7Validator(schema, validate_formats=True)
    assert events
    for event in events:
        first.validate(event)
        second.validate(event)


def test_every_event_of_the_short_day(short_day: Path, standards: Path, tmp_path: Path) -> None:
    """The example's day gives events that two independent validators accept."""
    check(events_of(short_day, short_day / "geofences", tmp_path), standards)


def test_every_event_of_a_simulated_day(standards: Path, tmp_path: Path) -> None:
    """A simulated day gives events that two independent validators accept, declared errors among them."""
    small = Profile(items=(8, 9), stops=(2, 3), long_stop=False)
    day = make_day(3, sites=json.loads(REGION.read_text()), profile=small)
    for name, content in day_files(day, np.random.default_rng(3)).items():
        text = content if isinstance(content, str) else "".join(content)
        (tmp_path / name).write_text(text)
    events = events_of(tmp_path, tmp_path / "sites.geojson", tmp_path / "out")
    check(events, standards)
    if not any("errorDeclaration" in event for event in events):
        pytest.fail("the day was to hold corrections; choose another seed")
