"""How soon after a start the agent reads, and that it looks first."""

from __future__ import annotations

import threading
from pathlib import Path

from agent.clock import SystemClock
from agent.holding import InUse
from agent.llrp.rounds import OFF, PARKED, ReadingPlan
from agent.presence.model import Model
from agent.presence.parameters import Parameters
from agent.records import Fix, Input, Inventory, PortInput, Read, ReaderState
from agent.register import register_of
from agent.store import Store
from agent.vehicle import parse_vehicle
from agent.vehicle_agent import FIRST_ROUND_S, VehicleAgent

VEHICLE = '[vehicle]\nid = "van-07"\nepc = "urn:epc:id:giai:9521141.70007"\n'


PAUSE = '[rf_assessment]\nby = "A. Tester"\ndate = 2026-02-20\npower_dbm = 27.0\npeople_inside = "pause"\n'


def plans_for(folder: Path, *items: Input) -> list[ReadingPlan]:
    """The plans that the agent gives its reader, from its start on and while it takes these inputs."""
    plans: list[ReadingPlan] = []
    vehicle = parse_vehicle(VEHICLE, file="vehicle.toml")
    in_use = InUse(vehicle, Model(Parameters()), (), register_of(()), {}, {}, {})
    stop = threading.Event()
    stop.set()  # run() still deals with all that has come
    with Store.open(folder / "vehicle.db", seal=None) as store:
        agent = VehicleAgent(in_use=in_use, store=store, clock=SystemClock(), program="test", set_plan=plans.append)
        for item in items:
            agent.put(item)
        agent.run(stop)
    return plans


def test_the_first_round_after_a_start_is_short(tmp_path: Path) -> None:
    """Before any round has come the reader is given the same plan with a short round, and nothing else changes that."""
    (plan,) = plans_for(tmp_path, Fix(SystemClock().mono(), {"class": "TPV", "mode": 0}))
    assert plan == ReadingPlan(round_s=FIRST_ROUND_S)
    assert PARKED.round_s / 2 > FIRST_ROUND_S


def test_every_later_round_is_whole(tmp_path: Path) -> None:
    """The first round ends the haste, whether anything was heard in it or not, and for good."""
    now = SystemClock().mono()
    read = Read(now, "3376000000000000000000A1", 1, -60.0)
    for number, reads in enumerate(((), (read,))):
        folder = tmp_path / str(number)
        _, plan = plans_for(folder, Inventory(now, 0.5, (1, 2), reads), Inventory(now + 2.0, 2.0, (1, 2)))
        assert plan == PARKED


def test_the_reader_is_released_once_its_inputs_are_in_the_plan(tmp_path: Path) -> None:
    """With the doors open at each coming up, the plan is off before the release, which counts the times it came up."""
    said: list[object] = []
    vehicle = parse_vehicle(VEHICLE + "[inputs]\ndoors = 1\n" + PAUSE, file="vehicle.toml")
    in_use = InUse(vehicle, Model(Parameters()), (), register_of(()), {}, {}, {})
    stop = threading.Event()
    stop.set()
    now = SystemClock().mono()
    with Store.open(tmp_path / "vehicle.db", seal=None) as store:
        agent = VehicleAgent(
            in_use=in_use, store=store, clock=SystemClock(), program="test", set_plan=said.append, release=said.append
        )
        for item in (
            PortInput(now, 1, on=False), ReaderState(now, "up"), ReaderState(now, "down"),
            PortInput(now, 1, on=True), ReaderState(now, "up"),
        ):  # fmt: skip
            agent.put(item)
        agent.run(stop)
    silent = ReadingPlan(round_s=FIRST_ROUND_S, burst_rounds=OFF.burst_rounds)
    assert said == [silent, ReadingPlan(round_s=FIRST_ROUND_S), 1, silent, 2]
