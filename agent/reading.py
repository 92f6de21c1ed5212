"""Which reading plan fits what the van does now: near-continuous while parked, a sweep after a departure, then bursts.

The sweep is worth more than any cleverness (design.md, "Reader"). Where the assessment says so the reader pauses while
people may be inside: while the doors are open, and while the van stands and nobody knows whether they are (no input
wired, or not told yet). It is off at and near a site where radio must be off, and while the wired input says so
(`agent.silence`). What is not read is *not read*, never unloaded.
"""

from __future__ import annotations

from agent.itinerary import Leg
from agent.llrp.interlock import Interlock
from agent.llrp.rounds import MOVING, OFF, PARKED, SWEEP, ReadingPlan
from agent.motion import State as Doing
from agent.silence import ordered_silence
from agent.state import Setup, State
from agent.vehicle import Vehicle

SWEEP_S = 120.0


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
    if ordered_silence(setup, state, now_s=now_s) is not None:
        return OFF
    current = state.itinerary.current
    if isinstance(current, Leg) and state.motion.state is Doing.MOVING:
        return SWEEP if now_s - current.from_s < SWEEP_S else MOVING
    return PARKED
