"""A lamp or buzzer beside the doors: what is known while the van stands, as a rhythm; floor 2.

    steady      certain, and what is aboard is what the plan says
    slow blink  not sure yet, or not read
    fast blink  sure, and something is short or over
    dark        the van moves, sleeps, or holds no plan to compare with

It is told by rhythm alone, so that it needs no colour and can be a buzzer. Nothing is shown while the van moves or has
merely halted in traffic. It says what would be short or over *if the van left now*, and reads the state without
changing it: nothing here comes back into the tally, and a replay knows nothing of it.

A lamp is no leave to drive, and a dark one no fault: load security and the route are the driver's own.
"""

from __future__ import annotations

from enum import Enum

from agent.itinerary import Stop
from agent.llrp.outputs import DARK, ON, Rhythm
from agent.motion import State as Doing
from agent.planning import compare_if_left_now
from agent.snapshot import SHOWN, aboard
from agent.state import Setup, State

# Unless a round ended this lately, nothing is sure. Judgement: three bursts of a quiet stay.
FRESH_S = 90.0


class Signal(Enum):
    """What is shown."""

    STEADY = ON
    # Half a flash and two flashes a second: told apart at a glance, and both under the three that WCAG 2.x allows.
    SLOW = Rhythm(1.0, 1.0)
    FAST = Rhythm(0.25, 0.25)
    DARK = DARK


def is_standing(state: State) -> bool:
    """Whether anything may be shown at all."""
    return isinstance(state.itinerary.current, Stop) and state.motion.state is Doing.STOPPED


def choose_signal(setup: Setup, state: State, *, now_s: float) -> Signal:
    """What the lamp shows at `now_s` (tally's axis)."""
    if not is_standing(state) or state.battery.is_asleep or setup.plan_version is None:
        return Signal.DARK
    if state.belief is None or now_s - _last_round_s(state) > FRESH_S or not state.timeline.trusted:
        return Signal.SLOW
    shown = aboard(setup, state, now_s=now_s)
    if not shown.certain or shown.not_read is not None:
        return Signal.SLOW
    listings = [setup.register.by_epc[item.epc] for item in shown.items if item.p >= SHOWN]
    said = compare_if_left_now(setup, state, aboard=listings, now_s=now_s)
    if said is None:
        return Signal.DARK
    return Signal.FAST if said.short or said.over else Signal.STEADY


def _last_round_s(state: State) -> float:
    belief = state.belief
    if belief is None or not (belief.open or belief.slots):
        return float("-inf")
    return belief.open[-1].to_s if belief.open else belief.slots[-1].to_s
