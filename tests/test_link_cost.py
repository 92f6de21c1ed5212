"""A short day as its agent shows it, at a real broker: nothing goes out twice, and positions follow movement."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from contextlib import ExitStack
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from msgspec import to_builtins

from agent import broker
from agent.bodies import Position, Status
from agent.geo import distance_m
from agent.pipeline import finish, step
from agent.recording import Lines
from agent.replay import read_lines
from agent.setup import read_setup
from agent.snapshot import gps_status, reader_status
from agent.state import State
from agent.vehicle_shown import Dues, Showing, Shown
from agent.world import Profile
from tests.bench.bench_replay import record
from tests.delivery import VEHICLE, Depot, Van, turn_until

pytestmark = [
    pytest.mark.integration,
    pytest.mark.skipif(broker.mosquitto_program() is None, reason="mosquitto is not installed"),
]
DAY = (3, Profile(items=(4, 5), stops=(2, 3), long_stop=False, power_cut=False))


def is_worth_it(before: tuple[float, Position], after: tuple[float, Position]) -> bool:
    """Where nothing changed but the place, a van that moves on waits a minute, one that hardly does 150 s."""
    (before_s, was), (after_s, here) = before, after
    if (was.site, was.leg, not was.speed_mps) != (here.site, here.leg, not here.speed_mps):
        return True
    moved_m = distance_m(was.lat, was.lon, here.lat, here.lon)
    return after_s - before_s >= (60.0 if moved_m >= 50.0 else 150.0)


def test_in_good_coverage_nothing_is_sent_twice(tmp_path: Path) -> None:
    """Every record is seen once at the broker and every body as often as shown; a position a minute, 150 s standing."""
    record(tmp_path, *DAY)
    files = {"config": "vehicle.toml", "sites": "sites.geojson", "register": "register.csv", "plan": "plan.csv"}
    setup = read_setup(**{key: tmp_path / file for key, file in files.items()})
    shown: Counter[str] = Counter()
    positions: list[tuple[float, Position]] = []
    now_s = 0.0
    with ExitStack() as stack:
        running = stack.enter_context(broker.start_mosquitto(port=broker.free_port()))
        depot = Depot(running.port)
        stack.callback(depot.close)
        turn_until(lambda: depot.subscribed > 0, [depot])
        van = Van(tmp_path / "store.db", port=running.port)
        stack.callback(van.close)
        turn_until(lambda: van.publisher.is_connected, [van, depot])

        def through(leaf: str, show: Callable[[Any], None]) -> Callable[[Any], None]:
            def at_once(body: Any) -> None:
                shown[leaf] += 1
                show(body)
                if leaf == "position":
                    positions.append((now_s, body))
                told = to_builtins(body)["at" if leaf != "status" else "vehicle"]
                turn_until(
                    lambda: bool(depot.retained.get(leaf)) and len(depot.retained[leaf]) >= shown[leaf], [van, depot]
                )
                assert depot.retained[leaf][-1]["at" if leaf != "status" else "vehicle"] == told

            return at_once

        publisher = van.publisher
        showing = Showing(
            Shown(
                status=through("status", publisher.set_status),
                aboard=through("aboard", publisher.set_aboard),
                position=through("position", publisher.set_position),
                notify=publisher.notify,
                raise_if_failed=publisher.raise_if_failed,
            ),
            Dues(),
        )
        state = State()

        def keep(records: Any, mono: float) -> None:
            if records:
                van.store.append(records, boot=van.boot, mono=mono)
                publisher.notify()

        def status(now: float) -> Status:
            return Status(
                vehicle=VEHICLE, state="online", boot=1, program="test",
                reader=reader_status(state, now), gps=gps_status(state, now, None), backlog=0,
            )  # fmt: skip

        for item in Lines().inputs(read_lines(tmp_path / "recording.jsonl")):
            now_s = item.mono
            state, records = step(setup, state, item)
            keep(records, item.mono)
            if state.axis.bases:
                showing.show(
                    setup, state, item.mono, now_s=max(state.axis.at(item.mono), state.axis.last_s), status=status
                )
        keep(finish(setup, state)[1], item.mono)
        turn_until(lambda: van.store.backlog() == 0, [van, depot])
        made = van.store.last_seq
    assert depot.times == Counter({(1, seq): 1 for seq in range(1, made + 1)})
    assert {leaf: len(bodies) for leaf, bodies in depot.retained.items() if leaf != "status"} == {
        leaf: count for leaf, count in shown.items() if leaf != "status"
    }
    assert len(depot.retained["status"]) <= shown["status"] + 1
    assert len(positions) > 10
    assert [pair for pair in pairwise(positions) if not is_worth_it(*pair)] == []
