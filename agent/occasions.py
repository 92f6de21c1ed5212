"""When is something to be stated, and does a trip end here? Questions to the state; nothing is changed.

The pipeline asks them at each input; what is then said is the tally's affair.
"""

from __future__ import annotations

from agent.itinerary import Leg, Stop
from agent.state import Setup, State
from agent.statements import SAME_TIME_S
from agent.units import format_utc, parse_utc

# The first manifest: after the sweep of 120 s and a round or two more (formats.md 7 allows three minutes).
FIRST_S = 150.0
# Without a trusted time the first manifest waits, but no longer than this (formats.md 7: four minutes).
UNTRUSTED_S = 230.0
# How often a stop is looked at again for what has surely got off. Judgement.
SETTLE_S = 600.0
# A long stay is looked at ever more seldom: each look reads the whole of it again. Judgement: a quarter more each time.
SETTLE_SHARE = 0.25
# A stay at home of this length is a night, whether or not the computer ran through it; its evening is over by then, and
# what gets on later belongs to the next trip. Judgement.
NIGHT_S = 14_400.0
EVENING_S = 7200.0


def due_once_trusted(state: State, t: float) -> float | None:
    """When to state what is known, now that time is trusted: a leg that began before the power went is dated by UTC."""
    due = state.due_s
    if is_due(state, t):
        due = t + 1.0 if due is None else min(due, t + 1.0)
    leg = state.itinerary.current
    if not isinstance(leg, Leg) or leg.number in state.ledger.manifests:
        return due
    left, now = (state.axis.moment(state.timeline, at) for at in (leg.from_s, t))
    if not (left.trusted and now.trusted):
        return due
    swept = t + max(1.0, FIRST_S - (now.utc_s - left.utc_s))
    return swept if due is None else min(due, swept)


def evening_s(state: State, t: float) -> float | None:
    """Where a night at home parts the evening from the morning; None while the stay is none."""
    stop = state.itinerary.current
    if not isinstance(stop, Stop) or t - stop.from_s < NIGHT_S:
        return None
    return stop.from_s + EVENING_S


def settle_next(state: State, t: float) -> float:
    """When to look again at the present stop."""
    stop = state.itinerary.current
    stood_s = t - stop.from_s if isinstance(stop, Stop) else 0.0
    return t + max(SETTLE_S, SETTLE_SHARE * stood_s)


def is_due(state: State, t: float) -> bool:
    """Now that time is trusted: has a first manifest waited for that, or was one dated by the computer's own clock?"""
    for leg in state.itinerary.segments:
        if not isinstance(leg, Leg):
            continue
        told = state.ledger.manifests.get(leg.number)
        if told is None and (leg.to_s is not None or t >= leg.from_s + FIRST_S):
            return True
        left_s = state.axis.moment(state.timeline, leg.from_s).utc_s
        if told is not None and abs(parse_utc(told["departed"]["time"]) - left_s) > SAME_TIME_S:
            return True
    return False


def is_new_day(state: State, t: float) -> bool:
    """Is it another day than the trip's? Days are UTC's, as they are in the names of trips without a home."""
    moment = state.axis.moment(state.timeline, t)
    name = state.trips.get(state.itinerary.trip)
    return moment.trusted and name is not None and not name.startswith(format_utc(moment.utc_s)[: len("2026-03-02")])


def is_trip_over(setup: Setup, state: State) -> bool:
    """The van stands at home after a trip."""
    stop = state.itinerary.current
    return (
        isinstance(stop, Stop)
        and setup.vehicle.home is not None
        and stop.place.site == setup.vehicle.home
        and state.itinerary.trip_open
    )


def has_ended(setup: Setup, state: State, last: Leg) -> bool:
    """The trip is over: the van is home; without a home, the first leg of another day is."""
    stop = state.itinerary.current
    if not isinstance(stop, Stop):
        return False
    if setup.vehicle.home is None:
        return last.index == 1 and last.trip > 1
    return stop.place.site == setup.vehicle.home
