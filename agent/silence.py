"""What is not read, since when, until when and why: every silence, the present ones and those of the legs remembered.

    state = observe_silence(setup, state, t_s, round_s=None)   # after each input; a round that was made says its length
    silences(state)                                            # oldest first; `until_s` None while one lasts

A silence of the *whole* reader says that nothing was read; the others, that a part was not or that what is read may be
another van's. What was not read is *not read*, never unloaded. Whether to read is decided in `agent.reading`, which
asks `ordered_silence` here first, so that what is done and what is told are one.

A silence is only as long as no round was made in it: a round that comes all the same (a supervised test, a recording
without the reader's own word) begins it anew. A deaf reader makes its rounds; that is another thing.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from msgspec.structs import replace

from agent.geofences import Site
from agent.itinerary import Leg, Stop
from agent.motion import State as Doing
from agent.state import Setup, Silence, State, Why
from agent.vehicle import transmit_allowed

# Nearer to a site where radio must be off than this, a van on its way is silent already. Judgement: a yard's way.
APPROACH_M = 50.0
# How far it drives until the next fix was looked at and a round under way has ended. Judgement.
LOOK_AHEAD_S = 5.0
# Without a fix it may have driven on at its last speed, for as long as this. Judgement: then it has mostly stood.
UNSEEN_S = 60.0
# Silences kept at most, should a trip never end. Judgement: a few hundred stops.
MOST = 1000
# A silence is told on a manifest when it is longer than this: there are always some seconds of it.
TOLD_S = 60.0

PARTIAL: frozenset[Why] = frozenset({"antenna lost", "antenna silent", "wrong vehicle"})
"""These leave something that is read; all others are of the whole reader."""
_ORDER: tuple[Why, ...] = (
    "computer off", "not assessed", "reader down", "radio off input", "radio off site", "doors", "asleep", "deaf",
    "antenna lost", "antenna silent", "wrong vehicle",
)  # fmt: skip
"""Which one is named first where several hold: the one to act upon."""
_WORDS: dict[Why, str] = {
    "computer off": "the van's computer was off",
    "not assessed": "the reader may not transmit: the vehicle file has no [rf_assessment]",
    "reader down": "the reader is down",
    "radio off input": "radio is switched off by the wired input",
    "radio off site": "radio is off at this site",
    "doors": "paused while the doors are open, or may be",
    "asleep": "the reader is asleep, to spare the battery",
    "deaf": "nothing is heard, not even the tag fixed in the van",
    "antenna lost": "antenna {antenna} is lost",
    "antenna silent": "antenna {antenna} hears nothing any more, though the reader says nothing of it",
    "wrong vehicle": "the tag fixed in {by} is heard inside: what is read may be that van's",
}


def is_whole(silence: Silence) -> bool:
    """Whether nothing at all is read in it."""
    return silence.why not in PARTIAL


def words(silence: Silence) -> str:
    """Why, in a plain sentence part for the board and the manifest."""
    return _WORDS[silence.why].format(antenna=silence.antenna, by=silence.by)


def silences(state: State) -> tuple[Silence, ...]:
    """Every silence that is remembered, oldest first."""
    return tuple(sorted(state.silences, key=lambda each: (each.since_s, _ORDER.index(each.why), each.antenna or 0)))


def present(state: State) -> tuple[Silence, ...]:
    """Those that last, the one to act upon first."""
    lasting = [each for each in state.silences if each.until_s is None]
    return tuple(sorted(lasting, key=lambda each: (_ORDER.index(each.why), each.since_s, each.antenna or 0)))


def is_reading(state: State) -> bool:
    """Whether no silence of the whole reader lasts."""
    return not any(is_whole(each) for each in present(state))


def silent_s(silences: Iterable[Silence], from_s: float, to_s: float) -> float:
    """For how long nothing at all was read between two moments."""
    total, reached = 0.0, from_s
    for each in sorted(filter(is_whole, silences), key=lambda each: each.since_s):
        until_s = to_s if each.until_s is None else min(each.until_s, to_s)
        begin_s = max(each.since_s, reached)
        if until_s > begin_s:
            total, reached = total + until_s - begin_s, until_s
    return total


# --- what orders the reader to be silent ---


def ordered_silence(setup: Setup, state: State, *, now_s: float) -> Silence | None:
    """Why the reader must not transmit now, whatever the plan; None where it may. `since_s` is `now_s` or earlier."""
    if setup.vehicle.inputs.radio_off is not None and state.reading.up and state.reading.radio_off is not False:
        return Silence("radio off input", now_s)
    site = radio_off_site(setup, state, now_s=now_s)
    if site is not None:
        stop = state.itinerary.current
        at_stop = isinstance(stop, Stop) and stop.place.site == site.id
        return Silence("radio off site", stop.from_s if at_stop and stop is not None else now_s, by=site.id)
    assessed = setup.vehicle.rf_assessment
    if assessed is not None and assessed.people_inside == "pause":
        doors, current = state.motion.doors, state.itinerary.current
        is_moving = isinstance(current, Leg) and state.motion.state is Doing.MOVING
        if doors is True or (doors is None and not is_moving):
            return Silence("doors", now_s)
    return None


def radio_off_site(setup: Setup, state: State, *, now_s: float) -> Site | None:
    """The site where radio must be off that the van is at, may be in, or is coming near to.

    At a stop whose site is known only a fence that may hold the van counts; else whatever is within reach of the last
    fix: its error, a margin, and the way that a moving van makes until it is seen again.
    """
    quiet = setup.sites.radio_off
    if quiet is None:
        return None
    current = state.itinerary.current
    stopped_at = current.place.site if isinstance(current, Stop) else None
    if stopped_at in quiet.by_id:
        return quiet.by_id[stopped_at]
    motion = state.motion
    fix = motion.last
    if fix is None:
        return None
    moving = motion.state is Doing.MOVING or motion.state is Doing.HALTED
    unseen_s = min(max(now_s - motion.last_s, 0.0) + LOOK_AHEAD_S, UNSEEN_S) if moving else 0.0
    reach_m = 0.0 if stopped_at is not None else APPROACH_M + motion.speed_mps * unseen_s
    near = quiet.near(fix.lat, fix.lon, fix.sigma_m, reach_m=reach_m)
    return near[0].site if near else None


# --- what is told ---


def _causes(setup: Setup, state: State, t_s: float) -> Iterator[Silence]:
    """What holds at `t_s`, each dated by its own beginning where that is known, else by now."""
    reading = state.reading
    if setup.vehicle.reader.host is not None and not transmit_allowed(setup.vehicle).allowed:
        yield Silence("not assessed", t_s)
    if not reading.up:
        yield Silence("reader down", reading.since_s)
    ordered = ordered_silence(setup, state, now_s=t_s)
    if ordered is not None:
        yield ordered
    if state.battery.asleep_since_s is not None:
        yield Silence("asleep", state.battery.asleep_since_s)
    if state.proof.deaf:
        yield Silence("deaf", state.proof.since_s)
    for antenna in reading.lost:
        yield Silence("antenna lost", t_s, antenna=antenna)
    for loss in state.antennas.unnoticed():
        yield Silence("antenna silent", loss.at_s, antenna=loss.antenna)
    if state.other.home is not None:
        yield Silence("wrong vehicle", state.other.since_s, by=state.other.home)


def observe_silence(setup: Setup, state: State, t_s: float, *, round_s: float | None = None) -> State:
    """Open, go on with and close silences by what holds at `t_s`, where a round of `round_s` may just have ended."""
    holding = tuple(_causes(setup, state, t_s))
    if not holding and all(each.until_s is not None for each in state.silences):
        return state  # mostly, and asked at every input
    causes = {(each.why, each.antenna): each for each in holding}
    lasting = {(each.why, each.antenna): each for each in state.silences if each.until_s is None}
    if causes.keys() == lasting.keys() and (round_s is None or not any(map(_needs_no_round, lasting.values()))):
        return state
    kept = [each for each in state.silences if each.until_s is not None]
    for key, silence in lasting.items():
        if round_s is not None and _needs_no_round(silence):
            kept += _closed(silence, t_s - round_s, least_s=TOLD_S)
        elif key in causes:
            kept.append(replace(silence, by=causes.pop(key).by))
        else:
            kept += _closed(silence, t_s)
    heard_s = state.reading.round_s
    for cause in causes.values():
        anew = heard_s is not None and _needs_no_round(cause) and cause.since_s < heard_s
        kept.append(replace(cause, since_s=heard_s) if anew and heard_s is not None else cause)
    return replace(state, silences=tuple(kept[-MOST:]))


def observe_off(state: State, since_s: float, until_s: float) -> State:
    """The computer was off between these moments, which end what lasted before; what lasts after is found anew."""
    kept = [each for each in state.silences if each.until_s is not None]
    for silence in state.silences:
        if silence.until_s is None:
            kept += _closed(silence, since_s)
    off = Silence("computer off", since_s, until_s=until_s)
    return replace(state, silences=(*kept, off)[-MOST:])


def forget_silences(state: State, before_s: float) -> tuple[Silence, ...]:
    """Those that last or ended after `before_s`."""
    return tuple(each for each in state.silences if each.until_s is None or each.until_s > before_s)


def _needs_no_round(silence: Silence) -> bool:
    """Whether a round that was made shows that this silence was none: a deaf reader makes its rounds all the same."""
    return is_whole(silence) and silence.why != "deaf"


def _closed(silence: Silence, until_s: float, *, least_s: float = 0.0) -> list[Silence]:
    return [replace(silence, until_s=until_s)] if until_s - silence.since_s > least_s else []
