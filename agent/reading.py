"""Which reading plan fits what the van does now: near-continuous while parked, a sweep after a departure, then bursts.

The sweep is worth more than any cleverness (design.md, "Reader"). Where the assessment says so the reader pauses while
people may be inside: while the doors are open, and while the van stands and nobody knows whether they are (no input
wired, or not told yet). It is off at a site where radio must be off. What is not read is *not read*, never unloaded.
"""

from __future__ import annotations

from agent.itinerary import Leg, Stop
from agent.llrp.interlock import Interlock
from agent.llrp.rounds import MOVING, OFF, PARKED, SWEEP, ReadingPlan
from agent.motion import State as Doing
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
    current = state.itinerary.current
    site = setup.site_of.get(current.place.site or "") if isinstance(current, Stop) else None
    if site is not None and site.radio_off:
        return OFF
    is_moving = isinstance(current, Leg) and state.motion.state is Doing.MOVING
    assessed = setup.vehicle.rf_assessment
    if assessed is not None and assessed.people_inside == "pause":
        doors = state.motion.doors
        if doors is True or (doors is None and not is_moving):
            return OFF
    if isinstance(current, Leg) and is_moving:
        return SWEEP if now_s - current.from_s < SWEEP_S else MOVING
    return PARKED
