"""The agent tells its reader to be silent without being told anything new, and its status says what is not read."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from agent.clock import SystemClock
from agent.holding import InUse
from agent.llrp.rounds import OFF, ReadingPlan
from agent.records import ReaderState, Tick
from agent.store import Store
from agent.units import parse_utc
from agent.vehicle_agent import VehicleAgent
from tests.days import UTC_S, Scene, setup_of
from tests.test_pipeline import loaded_at_depot

SETUP = setup_of(radio_off=["hall"])


class Van:
    """An agent that takes scenes, and the plans that it gave."""

    def __init__(self, store: Store) -> None:
        self.plans: list[ReadingPlan] = []
        in_use = InUse(SETUP.vehicle, SETUP.model, SETUP.sites.sites, SETUP.register, {}, {}, {})
        self.agent = VehicleAgent(
            in_use=in_use, store=store, clock=SystemClock(), program="test", set_plan=self.plans.append
        )

    def live(self, scene: Scene) -> Van:
        """Take all of it."""
        for one in scene.inputs:
            self.agent._take(one)
        return self

    def reader(self, mono: float) -> Any:
        """What the status says of the reader."""
        return self.agent._status(mono).reader


@pytest.fixture
def van(tmp_path: Path) -> Iterator[Van]:
    """A van with an empty store."""
    with Store.open(tmp_path / "vehicle.db", seal=None) as store:
        yield Van(store)


def test_time_alone_silences_a_moving_van_whose_receiver_fell_silent(van: Van) -> None:
    """Some 300 m before a site without radio it reads; without a fix or a round, half a minute later it does not."""
    scene = loaded_at_depot().stay(165, speed_mps=10.0)
    assert van.live(scene).plans[-1] != OFF
    van.agent._take(Tick(scene.mono + 30.0))
    assert van.plans[-1] == OFF


def test_status_says_what_is_not_read_since_when_and_that_the_fixture_is_heard(van: Van) -> None:
    """With an antenna lost only a part is not read; with the reader down nothing is, since then."""
    scene = Scene().hear("fixture", rate=1.0).stay(100)
    scene.inputs.append(ReaderState(scene.mono, "antenna_lost", 2))
    reader = van.live(scene).reader(scene.mono + 12.0)
    assert (reader.state, reader.not_read_since, reader.antennas_lost) == ("up", None, (2,))
    assert [(each.why, each.whole) for each in reader.not_read] == [("antenna 2 is lost", False)]
    assert reader.fixture_heard_s == pytest.approx(12.0, abs=0.2)
    assert parse_utc(reader.fixture_heard) == pytest.approx(UTC_S + 100.0, abs=1.0)
    van.agent._take(ReaderState(scene.mono + 20.0, "down"))
    reader = van.reader(scene.mono + 30.0)
    assert [(each.why, each.whole) for each in reader.not_read] == [
        ("the reader is down", True),
        ("antenna 2 is lost", False),
    ]
    assert parse_utc(reader.not_read_since) == pytest.approx(UTC_S + 120.0, abs=1.0)
