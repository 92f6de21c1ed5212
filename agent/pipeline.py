"""`step(state, input) -> (state, records)`: the vehicle's whole tally as one function; floor 2.

Each input first lets what is due by its time happen (a manifest after the sweep, a second look at a stop), so that
replaying a recording and living through it give the same records at the same moments. Knows no clock, file or socket.
"""

from __future__ import annotations

from typing import Any

from msgspec.structs import replace

from agent.asleep import hear_motion, hear_port, let_sleep
from agent.axis import OFF_S
from agent.gps import Unusable, parse_tpv
from agent.gpsd_devices import Following
from agent.hearing import watch_ports
from agent.itinerary import (
    Itinerary,
    Leg,
    Stop,
    apply_change,
    close_account,
    forget_before,
    left_site,
    reach,
    settle_place,
)
from agent.motion import (
    Anchor,
    Change,
    Motion,
    confirm_near_fence,
    observe_boot,
    observe_fix,
    observe_input,
    observe_time,
)
from agent.motion import State as Doing
from agent.notices import antenna_notices, device_notice, gap_notice, proof_notice, reader_notice, time_notice
from agent.occasions import (
    FIRST_S,
    SETTLE_S,
    UNTRUSTED_S,
    due_once_trusted,
    evening_s,
    has_ended,
    is_new_day,
    is_trip_over,
    settle_next,
)
from agent.pace import distance_m
from agent.places import NEAR_FENCE_S, choose_place, patience_s, same_place
from agent.planning import remember_driven
from agent.presence.belief import begin, close, forget, hear
from agent.proof import is_own_fixture
from agent.records import Boot, Fix, Input, Inventory, PortInput, ReaderState, Record, Tick
from agent.silence import forget_silences, observe_off, observe_silence
from agent.state import Reading, Setup, State, regimes
from agent.statements import forget as forget_statements
from agent.tally import Tally
from agent.timeline import refusal
from agent.wrong_vehicle import observe_other

# After doors or ignition at home: some ten rounds, before the computer loses power. Judgement.
HOME_SETTLE_S = 20.0
# A parked position is weighed anew this often; the first answer comes at once.
PLACE_S = 20.0


def step(setup: Setup, state: State, item: Input) -> tuple[State, tuple[Record, ...]]:
    """Take one input; the records that it leads to, in the order in which they are to be stated."""
    if isinstance(item, Boot):
        return _boot(setup, state, item)
    if not state.axis.bases:
        state, _ = _boot(setup, state, Boot(item.mono))
    t = state.axis.at(item.mono)
    state, before = _fire_due(setup, state, t)
    state = replace(state, axis=state.axis.advance(t))
    if isinstance(item, Inventory):
        state, after = _inventory(setup, state, t, item)
        return observe_silence(setup, state, t, round_s=item.seconds), before + after
    if isinstance(item, Fix):
        state, after = _fix(setup, state, t, item)
    elif isinstance(item, PortInput):
        state, after = _input(setup, state, t, item)
    elif isinstance(item, ReaderState):
        state, after = _reader(setup, state, t, item)
    else:
        state, after = _time(setup, state, t)
    return observe_silence(setup, state, t), before + after


def finish(setup: Setup, state: State) -> tuple[State, tuple[Record, ...]]:
    """The record ends here (a replay's last line): say what is known by now and will get no better."""
    if state.belief is None:
        return state, ()
    return _tell(setup, state, state.axis.last_s, settle=True, forced=True)


def _boot(setup: Setup, state: State, item: Boot) -> tuple[State, tuple[Record, ...]]:
    timeline = state.timeline
    if state.axis.bases:
        # The boot before was alive until its last line: that bounds what no receiver's time binds.
        timeline = timeline.observe_mono(state.axis.boot_of(state.axis.last_s)[1])
    timeline = timeline.observe_boot(item.mono, item.utc)
    axis = state.axis.observe_boot(timeline.boot, item.mono)
    t = axis.last_s
    if state.belief is None:
        belief = begin(setup.model, at_s=t)
        motion = Motion(since_s=t, score_since_s=t, last_s=t)
        return replace(state, timeline=timeline, axis=axis, belief=belief, motion=motion, begin_s=t), ()
    gap = gap_notice(setup, state)
    belief = close(state.belief, model=setup.model, regimes=regimes(setup, state))
    gap_s = t - 0.5
    motion, changes = observe_boot(state.motion, t)
    state = replace(
        state,
        timeline=timeline,
        axis=axis,
        belief=belief,
        motion=motion,
        gaps_s=(*state.gaps_s, gap_s),
        doors=(*state.doors, (t, None)),
        itinerary=close_account(state.itinerary, gap_s, home=setup.vehicle.home),
        trusted_s=None,
        # Whether antennas and the silencing input are still as they were, the reader tells when it is up.
        reading=Reading(since_s=t, round_s=state.reading.round_s),
        following=Following(),
    )
    state = observe_silence(setup, observe_off(state, t - OFF_S, t), t)
    state, records = _apply(setup, state, t, changes)
    if isinstance(state.itinerary.current, Stop):
        state = replace(state, due_s=t if state.due_s is None else state.due_s)
    return state, (gap, *records)


def _inventory(setup: Setup, state: State, t: float, item: Inventory) -> tuple[State, tuple[Record, ...]]:
    belief = state.belief
    assert belief is not None  # noqa: S101 - _boot made it
    reads: dict[str, float] = {}
    for read in item.reads:
        if read.rssi > reads.get(read.epc, -999.0):
            reads[read.epc] = read.rssi
    fixture = any(is_own_fixture(setup.register, setup.vehicle.id, tag) for tag in reads)
    proof = state.proof.take(t, fixture=fixture, anything=bool(reads))
    told: tuple[Record, ...] = () if proof.deaf == state.proof.deaf else (proof_notice(setup, state, proof, t),)
    antennas = state.antennas
    state = replace(state, proof=proof, reading=replace(state.reading, round_s=t), antennas=antennas.take(t, item))
    told += antenna_notices(setup, state, antennas)
    if proof.deaf:
        return state, told
    state, faded = watch_ports(setup, state, t, item)
    belief = hear(belief, reads, to_s=t, seconds=item.seconds, model=setup.model, regimes=regimes(setup, state))
    state, wrong = observe_other(setup, replace(state, belief=belief), reads, t)
    return state, told + wrong + faded


def _fix(setup: Setup, state: State, t: float, item: Fix) -> tuple[State, tuple[Record, ...]]:
    fix = parse_tpv(item.tpv, item.mono, eph_sigmas=setup.vehicle.gps.eph_sigmas)
    if isinstance(fix, Unusable):
        return _time(setup, state, t)
    was = state.following
    plausible = refusal(fix.utc_s, rules=state.timeline.rules) is None
    following = was.take(fix, plausible=plausible)
    state = replace(state, following=following)
    if following.device != fix.device:
        return _time(setup, state, t)
    changed = () if was.device in (None, fix.device) else (device_notice(setup, state, t, was.device, fix.device),)
    timeline, told = state.timeline.observe_fix(fix)
    trusted = state.trusted_s
    if trusted is None and timeline.trusted:
        trusted = t
        state = replace(state, timeline=timeline)
        state = replace(state, due_s=due_once_trusted(state, t))
    motion, changes = observe_fix(state.motion, t, fix)
    state = replace(state, timeline=timeline, motion=motion, trusted_s=trusted)
    notices = (*changed, *(time_notice(setup, event) for event in told))
    state, records = _apply(setup, state, t, changes)
    current = state.itinerary.current
    if isinstance(current, Leg):
        if state.left is not None:
            metres = distance_m(state.left.lat, state.left.lon, fix.lat, fix.lon)
            state = replace(state, itinerary=reach(state.itinerary, metres))
        halted_s = t - state.motion.since_s if state.motion.state is Doing.HALTED else 0.0
        anchor = state.motion.anchor
        if halted_s >= NEAR_FENCE_S and t >= state.place_s and anchor is not None:
            patience = patience_s(setup.sites, anchor, left=left_site(state.itinerary))
            wait = patience - halted_s if patience is not None else 0.0
            state = replace(state, place_s=t + (wait if wait > 0.0 else PLACE_S))
            if patience is not None and wait <= 0.0:
                motion, changes = confirm_near_fence(state.motion, t)
                state, more = _apply(setup, replace(state, motion=motion), t, changes)
                records += more
    elif isinstance(current, Stop) and t >= state.place_s:
        state = _look_around(setup, replace(state, place_s=t + PLACE_S))
    return state, notices + records


def _input(setup: Setup, state: State, t: float, item: PortInput) -> tuple[State, tuple[Record, ...]]:
    wiring = setup.vehicle.inputs
    state, woken = hear_port(setup, state, t, port=item.port, on=item.on)
    if item.port == wiring.doors:
        motion, changes = observe_input(state.motion, t, doors=item.on)
        state = replace(state, motion=motion, doors=(*state.doors, (t, item.on)))
    elif item.port == wiring.ignition:
        motion, changes = observe_input(state.motion, t, ignition=item.on)
        state = replace(state, motion=motion)
    elif item.port == wiring.radio_off:
        return replace(state, reading=replace(state.reading, radio_off=item.on)), ()
    else:
        return state, woken
    state, records = _apply(setup, state, t, changes)
    closing = not item.on and isinstance(state.itinerary.current, Stop)
    if closing:
        # Doors shut or ignition off: what was going to be handled has been; look once the evidence is in. At home the
        # trip is over and power may go at any moment: there it is sooner.
        soon = t + (HOME_SETTLE_S if is_trip_over(setup, state) else FIRST_S)
        state = replace(state, settle_s=soon if state.settle_s is None else min(state.settle_s, soon))
    return state, woken + records


def _reader(setup: Setup, state: State, t: float, item: ReaderState) -> tuple[State, tuple[Record, ...]]:
    reading = state.reading
    lost = set(reading.lost)
    if item.state == "antenna_lost" and item.antenna is not None:
        lost.add(item.antenna)
    elif item.state == "antenna_back" and item.antenna is not None:
        lost.discard(item.antenna)
    antennas = state.antennas
    if item.antenna is not None and item.state in {"antenna_lost", "antenna_back"}:
        antennas = antennas.say(t, item.antenna, lost=item.state == "antenna_lost")
    up = {"up": True, "down": False}.get(item.state, reading.up)
    since = t if up != reading.up else reading.since_s
    state = replace(state, reading=replace(reading, up=up, since_s=since, lost=tuple(sorted(lost))), antennas=antennas)
    return state, (reader_notice(setup, state, t, item),)


def _time(setup: Setup, state: State, t: float) -> tuple[State, tuple[Record, ...]]:
    motion, changes = observe_time(state.motion, t)
    return _apply(setup, replace(state, motion=motion), t, changes)


def _apply(
    setup: Setup, state: State, t: float, changes: tuple[Change, ...]
) -> tuple[State, tuple[Record, ...]]:
    records: tuple[Record, ...] = ()
    for change in changes:
        state, woken = hear_motion(setup, state, t, is_moving=change.state is Doing.MOVING)
        records += woken
        before = state.itinerary
        home = setup.vehicle.home
        anchor = _anchor_of(before)
        here = state.motion.anchor
        if isinstance(before.current, Leg) and state.left is not None and here is not None:
            before = reach(before, distance_m(state.left.lat, state.left.lon, here.lat, here.lon))
        itinerary = apply_change(
            before, change, home=home, begin_s=state.begin_s, is_new_day=is_new_day(state, change.at_s)
        )
        if itinerary is before:
            continue
        state = replace(state, itinerary=itinerary)
        if isinstance(itinerary.current, Leg):
            leg = itinerary.current
            due = leg.from_s + FIRST_S
            if state.due_s is not None and not state.timeline.trusted:
                due = min(due, state.due_s)  # an earlier leg's manifest has waited for time long enough
            state = replace(state, left=anchor, due_s=due, settle_s=None, place_s=0.0)
            if setup.plan_version is not None:
                state = replace(state, plan_of={**state.plan_of, leg.number: setup.plan_version})
            continue
        state = _look_around(setup, replace(state, place_s=t + PLACE_S))
        state = _keep_published_index(state)
        state = replace(state, settle_s=t + SETTLE_S)
        if isinstance(before.current, Leg):
            state, said = _tell(setup, state, t, settle=False)
            records += said
    return state, records


def _keep_published_index(state: State) -> State:
    """A leg that proved to be none gives its number back, unless it was published under it."""
    itinerary = state.itinerary
    published = [leg for leg in itinerary.retired if leg.number in state.ledger.manifests]
    if not published:
        return state
    index = max(itinerary.leg_index, *(leg.index for leg in published))
    return replace(state, itinerary=replace(itinerary, leg_index=index))


def _anchor_of(itinerary: Itinerary) -> Anchor | None:
    stop = itinerary.current
    if not isinstance(stop, Stop) or stop.place.lat is None or stop.place.lon is None:
        return None
    return Anchor(stop.place.lat, stop.place.lon, stop.place.sigma_m, 1)


def _look_around(setup: Setup, state: State) -> State:
    anchor = state.motion.anchor
    stop = state.itinerary.current
    if anchor is None or not isinstance(stop, Stop):
        return state
    place = choose_place(setup.sites, anchor)
    if same_place(stop.place, place):
        return state
    itinerary = settle_place(state.itinerary, place)
    for gap in state.gaps_s:
        if gap >= stop.from_s:  # a stop that was found only after the power was back
            itinerary = close_account(itinerary, gap, home=setup.vehicle.home)
    return replace(state, itinerary=itinerary)


def _fire_due(setup: Setup, state: State, t: float) -> tuple[State, tuple[Record, ...]]:
    state, records = let_sleep(setup, state, t)
    if state.due_s is not None and t >= state.due_s:
        at = max(state.due_s, state.axis.last_s)
        leg = state.itinerary.current
        swept = leg.from_s + FIRST_S if isinstance(leg, Leg) else at
        state, said = _tell(setup, replace(state, due_s=swept if at < swept else None), at, settle=False)
        records += said
    if state.settle_s is not None and t >= state.settle_s:
        at = max(state.settle_s, state.axis.last_s)
        if isinstance(state.itinerary.current, Stop):
            over = is_trip_over(setup, state) and state.motion.doors is not True
            state = replace(state, settle_s=settle_next(state, at))
            evening = evening_s(state, at)
            if evening is not None:
                closed = close_account(state.itinerary, evening, home=setup.vehicle.home)
                state = replace(state, itinerary=closed)
            state, said = _tell(setup, state, at, settle=True, over=over)
            records += said
        else:
            state = replace(state, settle_s=None)
    return state, records


def _tell(
    setup: Setup, state: State, t: float, *, settle: bool, forced: bool = False, over: bool = False
) -> tuple[State, tuple[Record, ...]]:
    """State what is known, unless time is not trusted yet and there is still time to wait for that."""
    legs = [s for s in state.itinerary.segments if isinstance(s, Leg)]
    if not legs and not state.itinerary.retired:
        return state, ()
    if not state.timeline.trusted and not forced:
        unpublished = [leg for leg in legs if leg.number not in state.ledger.manifests]
        last = min((leg.from_s + UNTRUSTED_S for leg in unpublished), default=None)
        if last is None or t < last:
            return replace(state, due_s=last), ()
    state = replace(state, axis=state.axis.advance(t))
    ended = not settle and bool(legs) and has_ended(setup, state, legs[-1])
    state, records = Tally(setup, state, now_s=t).run(settle=settle, whole=ended or forced, final=forced or over)
    state = replace(state, itinerary=replace(state.itinerary, retired=()))
    if ended:
        state = _forget(setup, remember_driven(setup, state), legs[-1])
    return state, records


def _forget(setup: Setup, state: State, last: Leg) -> State:
    """The trip is over and told: keep its last leg, which the evening's unloading hangs on, and drop the rest."""
    assert state.belief is not None  # noqa: S101 - there were legs
    itinerary = forget_before(state.itinerary, last.from_s)  # the stop that it left stays, for its place
    aboard = {key[3] for key in state.ledger.events if key[0] == "load"}
    events = state.ledger.events
    latest: dict[Any, Any] = {}
    for key, stated in events.items():
        if key[0] == "load" and (key[3] not in latest or stated.draft.at_s > events[latest[key[3]]].draft.at_s):
            latest[key[3]] = key
    stops = {s.number for s in itinerary.segments if isinstance(s, Stop)}
    again = [key for key in state.ledger.times if key[1] in (stops if key[0] in {"load", "unload"} else {last.number})]
    keep = [key for key in again if key in events]
    keep += [key for key in latest.values() if key not in keep]
    been = {s.place.site for s in state.itinerary.segments if isinstance(s, Stop) and s.place.site is not None}
    doors = state.doors
    while len(doors) > 1 and doors[1][0] <= last.from_s:
        doors = doors[1:]
    return replace(
        state,
        itinerary=itinerary,
        silences=forget_silences(state, last.from_s),
        begin_s=-1.0,
        visited=tuple(sorted(been.union(state.visited))),
        belief=forget(state.belief, before_s=last.from_s, keep=sorted(map(str, aboard)), model=setup.model),
        ledger=forget_statements(state.ledger, keep_events=keep, keep_times=again, keep_legs=[last.number]),
        doors=doors,
        gaps_s=tuple(gap for gap in state.gaps_s if gap >= last.from_s),
        antennas=state.antennas.forget(last.from_s),
        axis=state.axis.forget_before(last.from_s),
        trips={n: name for n, name in state.trips.items() if n > last.trip - 20},
    )


__all__ = ["Setup", "State", "Tick", "finish", "step"]
