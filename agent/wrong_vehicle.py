"""Is a tag that is fixed in another vehicle heard inside this one? Then this is the wrong vehicle, or its tag is.

Only while the van moves, for what stands beside it falls behind then; only of a tag heard as steadily as a fixture is
from a leg's begin on, for nothing gets in on the way, and for two minutes, for who leaves with the van turns off; and
only where the presence model takes it for aboard. Notices are told once each way.
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
# A leg's first rounds on the move and as many after them decide. Judgement: the two minutes of the sweep.
HALF_ROUNDS = 30


def observe_other(setup: Setup, state: State, reads: Collection[str], t_s: float) -> tuple[State, tuple[Record, ...]]:
    """One more round was heard, with these tags in it; what is to be told of another vehicle's tags."""
    leg = state.itinerary.current
    if not isinstance(leg, Leg) or state.motion.state is not Doing.MOVING:
        return state, ()
    other = state.other
    if other.leg != leg.number:
        other = Other(leg=leg.number, home=other.home, tag=other.tag, since_s=other.since_s)
    if other.rounds < 2 * HALF_ROUNDS:
        other = _counted(setup, other, reads)
        found = _steady(setup, state, other) if other.tag is None else None
        if found is not None:
            home = fixed_elsewhere(setup.register, setup.vehicle.id, found)
            other = replace(other, home=home, tag=found, since_s=t_s)
    if other.tag is not None and _p_aboard(setup, state, other.tag) < OUTSIDE_P:
        other = replace(other, home=None, tag=None)
    told = () if other.home == state.other.home else (wrong_vehicle_notice(setup, state, other, t_s),)
    return replace(state, other=other), told


def _counted(setup: Setup, other: Other, reads: Collection[str]) -> Other:
    """One round more, with the tags fixed elsewhere that were heard in it."""
    is_first = other.rounds < HALF_ROUNDS
    half = dict(other.first if is_first else other.then)
    for tag in reads:
        if fixed_elsewhere(setup.register, setup.vehicle.id, tag) is not None:
            half[tag] = half.get(tag, 0) + 1
    rounds = other.rounds + 1
    return replace(other, rounds=rounds, first=half) if is_first else replace(other, rounds=rounds, then=half)


def _steady(setup: Setup, state: State, other: Other) -> str | None:
    """The tag that was heard inside through both halves, once they are over."""
    if other.rounds < 2 * HALF_ROUNDS:
        return None
    least = {tag: min(count, other.then.get(tag, 0)) for tag, count in other.first.items()}
    inside = [
        (-count, tag)
        for tag, count in least.items()
        if count >= PLAIN_RATE * HALF_ROUNDS and _p_aboard(setup, state, tag) >= INSIDE_P
    ]
    return min(inside)[1] if inside else None


def _p_aboard(setup: Setup, state: State, tag: str) -> float:
    """P(aboard) of a tag by the live belief."""
    belief = state.belief
    number = belief.numbers.get(tag) if belief is not None else None
    if belief is None or number is None or number >= len(belief.forward):
        return 0.0
    return float(belief.forward[number, setup.model.is_aboard].sum())
