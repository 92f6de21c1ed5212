"""The battery guard in the pipeline: what moves it, and the notices that it leads to; floor 2.

Replayed and lived through it falls asleep at the same moment, for only inputs and their times move it. It touches
nothing of what is believed: time asleep is time without rounds.
"""

from __future__ import annotations

from msgspec.structs import replace

from agent.battery import Guard, Rules
from agent.notices import asleep_notice, awake_notice
from agent.records import Record
from agent.state import Setup, State


def rules_of(setup: Setup) -> Rules:
    """The guard's times for this vehicle."""
    reading = setup.vehicle.reading
    asleep_s = None if reading.asleep_after_h is None else 3600.0 * reading.asleep_after_h
    return Rules(asleep_s=asleep_s, awake_s=60.0 * reading.awake_min)


def let_sleep(setup: Setup, state: State, t_s: float) -> tuple[State, tuple[Record, ...]]:
    """Fall asleep if that was due by `t_s`; it counts from when it was due."""
    return _moved(setup, state, state.battery.let_time_pass(t_s, rules_of(setup)), t_s)


def hear_port(setup: Setup, state: State, t_s: float, *, port: int, on: bool) -> tuple[State, tuple[Record, ...]]:
    """An input changed: ignition and doors wake, the voltage may lead to sleep."""
    wiring, guard = setup.vehicle.inputs, state.battery
    if port == wiring.doors:
        guard = guard.told_doors(t_s, is_open=on)
    elif port == wiring.ignition:
        guard = guard.told_ignition(t_s, on=on)
    elif port == wiring.low_voltage:
        guard = guard.told_voltage(t_s, is_low=on)
    return _moved(setup, state, guard, t_s)


def hear_motion(setup: Setup, state: State, t_s: float, *, is_moving: bool) -> tuple[State, tuple[Record, ...]]:
    """The van was found driving, which wakes, or standing."""
    return _moved(setup, state, state.battery.told_motion(t_s, is_moving=is_moving), t_s)


def _moved(setup: Setup, state: State, guard: Guard, t_s: float) -> tuple[State, tuple[Record, ...]]:
    if guard is state.battery:
        return state, ()  # mostly, and asked at every input
    before, state = state, replace(state, battery=guard)
    if guard.is_asleep == before.battery.is_asleep:
        return state, ()
    if guard.is_asleep:
        return state, (asleep_notice(setup, state),)
    return state, (awake_notice(setup, before, t_s),)
