"""Which reading plan fits what the van does now: near-continuous while parked, a sweep after a departure, then bursts.

What the plans are is `agent.readingplan`'s and the vehicle file's.

The sweep is worth more than any cleverness (design.md, "Reader"). Where the assessment says so the reader pauses while
people may be inside: while the doors are open, and while the van stands and nobody knows whether they are (no input
wired, or not told yet). It is off at a site where radio must be off. What is not read is *not read*, never unloaded.
"""

from __future__ import annotations

from agent.itinerary import Leg, Stop
from agent.llrp.rounds import ReadingPlan
from agent.motion import State as Doing
from agent.readingplan import PlanName
from agent.state import Setup, State


def choose_plan(setup: Setup, state: State, *, now_s: float) -> ReadingPlan:
    """The plan for this moment (tally's axis)."""
    return setup.vehicle.reading.plan(name_plan(setup, state, now_s=now_s))


def name_plan(setup: Setup, state: State, *, now_s: float) -> PlanName:
    """Which of the plans it is."""
    current = state.itinerary.current
    site = setup.site_of.get(current.place.site or "") if isinstance(current, Stop) else None
    if site is not None and site.radio_off:
        return "off"
    is_moving = isinstance(current, Leg) and state.motion.state is Doing.MOVING
    assessed = setup.vehicle.rf_assessment
    if assessed is not None and assessed.people_inside == "pause":
        doors = state.motion.doors
        if doors is True or (doors is None and not is_moving):
            return "off"
    if state.battery.is_asleep:
        return "asleep"
    if isinstance(current, Leg) and is_moving:
        return "sweep" if now_s - current.from_s < setup.vehicle.reading.sweep_s else "moving"
    return "parked_quiet" if isinstance(current, Stop) and _is_quiet(setup, state, current, now_s) else "parked"


def _is_quiet(setup: Setup, state: State, stop: Stop, now_s: float) -> bool:
    """Whether nothing was handled for long: no door stands open, and neither doors nor ignition changed."""
    latest_s = max(stop.from_s, state.motion.input_s)
    return state.motion.doors is not True and now_s - latest_s >= 60.0 * setup.vehicle.reading.quiet_after_min
