"""Which reading plan fits what the van does now: near-continuous while parked, a sweep after a departure, then bursts.

What the plans are is `agent.readingplan`'s and the vehicle file's.

The sweep is worth more than any cleverness (design.md, "Reader"). Where the assessment says so the reader pauses while
people may be inside: while the doors are open, and while the van stands and nobody knows whether they are (no input
wired, or not told yet). It is off at and near a site where radio must be off, and while the wired input says so
(`agent.silence`). What is not read is *not read*, never unloaded.
"""

from __future__ import annotations

from agent.itinerary import Leg, Stop
from agent.llrp.interlock import Interlock
from agent.llrp.rounds import ReadingPlan
from agent.motion import State as Doing
from agent.readingplan import PlanName
from agent.silence import ordered_silence
from agent.state import Setup, State
from agent.vehicle import Vehicle


def interlock_of(vehicle: Vehicle) -> Interlock:
    """What silences this vehicle's reader before any plan can: doors where they pause it, the wired input, no word yet.

    An unknown door is left to the plan, which knows whether the van moves; the wired input has to be told off.
    """
    wired, assessed = vehicle.inputs, vehicle.rf_assessment
    pauses = assessed is not None and assessed.people_inside == "pause"
    return Interlock(
        waits=True,
        silent_while_on=(wired.doors,) if pauses and wired.doors is not None else (),
        silent_unless_off=() if wired.radio_off is None else (wired.radio_off,),
    )


def choose_plan(setup: Setup, state: State, *, now_s: float) -> ReadingPlan:
    """The plan for this moment (tally's axis)."""
    return setup.vehicle.reading.plan(name_plan(setup, state, now_s=now_s))


def name_plan(setup: Setup, state: State, *, now_s: float) -> PlanName:
    """Which of the plans it is."""
    if ordered_silence(setup, state, now_s=now_s) is not None:
        return "off"
    if state.battery.is_asleep:
        return "asleep"
    current = state.itinerary.current
    if isinstance(current, Leg) and state.motion.state is Doing.MOVING:
        return "sweep" if now_s - current.from_s < setup.vehicle.reading.sweep_s else "moving"
    return "parked_quiet" if isinstance(current, Stop) and _is_quiet(setup, state, current, now_s) else "parked"


def _is_quiet(setup: Setup, state: State, stop: Stop, now_s: float) -> bool:
    """Whether nothing was handled for long: no door stands open, and neither doors nor ignition changed."""
    latest_s = max(stop.from_s, state.motion.input_s)
    return state.motion.doors is not True and now_s - latest_s >= 60.0 * setup.vehicle.reading.quiet_after_min
