"""What the tally knows, whole: one frozen value that the pipeline turns into the next.

`Setup` is what it was told (vehicle, sites, register, plan, model); `State` is what it found out. Both are values: a
checkpoint is the state written down, and the same inputs from the same state give the same records.
"""

from __future__ import annotations

import operator
from collections.abc import Mapping
from typing import Literal

from msgspec import Struct, field

from agent.antenna_loss import Antennas
from agent.antennas import Health
from agent.axis import Axis
from agent.battery import Guard
from agent.gpsd_devices import Following
from agent.itinerary import Itinerary, Leg, Segment, Stop
from agent.motion import Anchor, Motion
from agent.presence.belief import Belief
from agent.presence.contexts import Context, Visit, on_visit
from agent.presence.model import Model
from agent.presence.slots import Regimes
from agent.proof import Proof
from agent.records import PlanRow
from agent.register import Register
from agent.sites import Site, SiteIndex
from agent.statements import Ledger
from agent.timeline import Timeline
from agent.units import format_utc
from agent.vehicle import Vehicle

# How long after coming home a van is being emptied. Judgement.
HOMECOMING_S = 2700.0
_OF_DOORS = {True: Context.DOORS_OPEN, False: Context.DOORS_CLOSED, None: Context.DOORS_UNKNOWN}
# A dictionary by two numbers is asked faster than the arithmetic behind it.
_AT = {(doors, visit): on_visit(doors, visit) for doors in _OF_DOORS.values() for visit in Visit}


class Setup(Struct, frozen=True, eq=False):
    """What the vehicle holds: fixed while a state lives, but for new versions of sites, register and plan."""

    vehicle: Vehicle
    sites: SiteIndex
    site_of: Mapping[str, Site]
    register: Register
    model: Model
    plans: Mapping[int, tuple[PlanRow, ...]] = {}  # by version: every one held lately
    plan_version: int | None = None  # the one in use; None without a plan


class Reading(Struct, frozen=True):
    """Is the reader heard? `since_s` dates the present answer; `lost` are antennas known to be off."""

    up: bool = False
    since_s: float = 0.0
    lost: tuple[int, ...] = ()
    round_s: float | None = None  # when the last round ended
    radio_off: bool | None = None  # the wired input that silences; None while not told


Why = Literal[
    "computer off", "not assessed", "reader down", "radio off input", "radio off site", "doors", "asleep", "deaf",
    "antenna lost", "antenna silent", "wrong vehicle",
]  # fmt: skip


class Silence(Struct, frozen=True):
    """Something was not read from `since_s` to `until_s` (None: still), and why; `by` is the site or the other van."""

    why: Why
    since_s: float
    antenna: int | None = None
    until_s: float | None = None
    by: str | None = None


class Other(Struct, frozen=True):
    """Tags fixed in other vehicles: in how many of a leg's first rounds on the move, and of as many more, each was.

    `home` is the vehicle whose tag is heard inside since `since_s`; None where none is.
    """

    leg: int = 0
    rounds: int = 0
    first: Mapping[str, int] = {}
    then: Mapping[str, int] = {}
    home: str | None = None
    tag: str | None = None
    since_s: float = 0.0


class Driven(Struct, frozen=True):
    """A leg as the plan sees it: from where, on which local day, to where, by which version of the plan."""

    leg: int
    date: str
    from_site: str | None
    to_site: str | None
    ends_trip: bool
    plan_version: int | None


class State(Struct, frozen=True, eq=False):
    """What was found out so far. Times ending in `_s` are on the tally's axis."""

    timeline: Timeline = field(default_factory=Timeline)
    axis: Axis = field(default_factory=Axis)
    motion: Motion = field(default_factory=Motion)
    itinerary: Itinerary = field(default_factory=Itinerary)
    belief: Belief | None = None
    ledger: Ledger = field(default_factory=Ledger)
    reading: Reading = field(default_factory=Reading)
    proof: Proof = field(default_factory=Proof)
    antennas: Antennas = field(default_factory=Antennas)
    silences: tuple[Silence, ...] = ()
    other: Other = field(default_factory=Other)
    battery: Guard = field(default_factory=Guard)
    health: Health = field(default_factory=Health)
    trips: Mapping[int, str] = {}  # trip number → name: the date, then `.2`
    doors: tuple[tuple[float, bool | None], ...] = ()  # changes of the rear doors; None: not known
    gaps_s: tuple[float, ...] = ()
    begin_s: float = 0.0  # where the whole record begins
    due_s: float | None = None  # when to state what is known, at the latest
    settle_s: float | None = None  # when to look again at a stop
    place_s: float = 0.0  # when to look again where the van stands
    left: Anchor | None = None  # where the present leg began
    plan_of: Mapping[int, int] = {}  # leg → version of the plan held at its departure
    filled: Mapping[int, Mapping[str, PlanRow]] = {}  # leg → item → its row
    driven: tuple[Driven, ...] = ()  # legs that are forgotten but for the plan, oldest first
    visited: tuple[str, ...] = ()  # sites of the stops that are forgotten
    trusted_s: float | None = None  # when time was first trusted in this boot
    following: Following = Following()  # which of gpsd's receivers gives the positions


def trusted_utc(state: State, t_s: float) -> str | None:
    """A moment of the tally's axis as UTC in words, null while no time is trusted."""
    moment = state.axis.moment(state.timeline, t_s)
    return format_utc(moment.utc_s) if moment.trusted else None


class _Latest:
    """The regimes that were asked for last, and of what they were made: mostly, and at every round, the same again."""

    def __init__(self) -> None:
        self.answer: tuple[tuple[object, ...], tuple[Segment, ...], Regimes] | None = None


_latest = _Latest()


def regimes(setup: Setup, state: State) -> Regimes:
    """What the van was doing, for the presence model: moving on legs, at stops by the doors and by been here before."""
    segments = state.itinerary.segments
    parts = (setup, state.begin_s, state.doors, state.gaps_s, state.antennas.losses, state.visited)
    latest = _latest.answer
    if latest is not None and all(map(operator.is_, latest[0], parts)) and _are_alike(latest[1], segments):
        return latest[2]
    found = _regimes(setup, state)
    _latest.answer = (parts, segments, found)
    return found


def _are_alike(before: tuple[Segment, ...], now: tuple[Segment, ...]) -> bool:
    """Whether these are the very same; of the leg that the van is on only its begin counts, not how far it led."""
    if before is now:
        return True
    if len(before) != len(now) or not all(map(operator.is_, before[:-1], now[:-1])):
        return False
    one, other = before[-1], now[-1]
    return isinstance(one, Leg) and isinstance(other, Leg) and one.from_s == other.from_s


def _regimes(setup: Setup, state: State) -> Regimes:
    doors_wired, home = setup.vehicle.inputs.doors is not None, setup.vehicle.home
    unknown, of_doors = Context.DOORS_UNKNOWN, _OF_DOORS
    pieces: list[tuple[float, Context]] = []
    visited = {home, *state.visited}
    driven = False
    for segment in state.itinerary.segments:
        if not isinstance(segment, Stop):
            pieces.append((segment.from_s, Context.MOVING))
            driven = True
            continue
        end = segment.to_s if segment.to_s is not None else float("inf")
        site = segment.place.site
        visit = Visit.AGAIN if site is not None and site in visited else Visit.FIRST
        visited.add(site)
        came_home = driven and site is not None and site == home
        emptied_s = min([segment.from_s + HOMECOMING_S, *segment.closed_s]) if came_home else segment.from_s
        opened: bool | None = None
        changes: list[tuple[float, bool | None]] = []
        if doors_wired:
            for at, is_open in state.doors:
                if at <= segment.from_s:
                    opened = is_open
                elif at < end:
                    changes.append((at, is_open))
        at_doors = [(segment.from_s, of_doors[opened] if doors_wired else unknown)]
        at_doors += [(at, of_doors[is_open]) for at, is_open in changes]
        if segment.from_s < emptied_s < end:
            at_doors.append((emptied_s, [doors for at, doors in at_doors if at <= emptied_s][-1]))
            at_doors.sort(key=lambda piece: piece[0])
        pieces += [(at, _AT[doors, Visit.HOMECOMING if at < emptied_s else visit]) for at, doors in at_doors]
    deaf = state.antennas.deaf(setup.model.parameters.antenna_alone_share)
    if not pieces:
        return Regimes((state.begin_s,), (unknown,), state.gaps_s, deaf)
    return Regimes(tuple(at for at, _ in pieces), tuple(context for _, context in pieces), state.gaps_s, deaf)
