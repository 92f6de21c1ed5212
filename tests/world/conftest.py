"""Some days of the demo's region, made once."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from agent.world import Day, make_day

SEEDS = range(6)


@pytest.fixture(scope="session")
def region() -> dict[str, Any]:
    """The demo's sites."""
    path = Path(__file__).resolve().parents[2] / "geofences" / "region.geojson"
    return json.loads(path.read_text(encoding="utf-8"))


@pytest.fixture(scope="session")
def days(region: dict[str, Any]) -> tuple[Day, ...]:
    """Six days."""
    return tuple(make_day(seed, sites=region) for seed in SEEDS)
