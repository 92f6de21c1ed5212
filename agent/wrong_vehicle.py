"""Is a tag that is fixed in another vehicle heard inside this one? Then this is the wrong vehicle, or its tag is.

Only while the van moves, for what stands beside it falls behind then; and only where the presence model, which knows of
lorries in a jam, takes the tag for aboard, and it is heard as steadily as a fixture is. Notices are told once each way.
"""

from __future__ import annotations

from collections.abc import Collection

from msgspec.structs import replace

from agent.itinerary import Leg
from agent.motion import State as Doing
from agent.notices import wrong_vehicle_notice
from agent.proof import PLAIN_RATE, fixed_elsewhere
from agent.records import Record
from agent.state import Other, Setup, State

# P(aboard) from which it is called inside, and below which it no longer is. Judgement: as for a whole manifest; a half.
INSIDE_P, OUTSIDE_P = 0.97, 0.5
# Rounds on the move before anything is said. Judgement: a minute of back to back rounds, as the sweep has two of.
ENOUGH_ROUNDS = 30


def observe_other(setup: Setup, state: State, reads: Collection[str], t_s: float) -> tuple[State, tuple[Record, ...]]:
    """One more round was heard, with these tags in it; what is to be told of another vehicle's tags."""
    leg = state.itinerary.current
    if not isinstance(leg, Leg) or state.motion.state is not Doing.MOVING:
        return state, ()
    other = state.other
    if other.leg != leg.number:
        other = Other(leg=leg.number, home=other.home, tag=other.tag, since_s=other.since_s)
    heard = dict(other.heard)
    for tag in reads:
        if fixed_elsewhere(setup.register, setup.vehicle.id, tag) is not None:
            heard[tag] = heard.get(tag, 0) + 1
    other = replace(other, rounds=other.rounds + 1, heard=heard)
    if other.tag is not None:
        if _p_aboard(setup, state, other.tag) < OUTSIDE_P:
            other = replace(other, home=None, tag=None)
    elif other.rounds >= ENOUGH_ROUNDS:
        for tag, count in sorted(heard.items(), key=lambda pair: (-pair[1], pair[0])):
            if count >= PLAIN_RATE * other.rounds and _p_aboard(setup, state, tag) >= INSIDE_P:
                home = fixed_elsewhere(setup.register, setup.vehicle.id, tag)
                other = replace(other, home=home, tag=tag, since_s=t_s)
                break
    told = () if other.home == state.other.home else (wrong_vehicle_notice(setup, state, other, t_s),)
    return replace(state, other=other), told


def _p_aboard(setup: Setup, state: State, tag: str) -> float:
    """P(aboard) of a tag by the live belief."""
    belief = state.belief
    number = belief.numbers.get(tag) if belief is not None else None
    if belief is None or number is None or number >= len(belief.forward):
        return 0.0
    return float(belief.forward[number, setup.model.is_aboard].sum())
