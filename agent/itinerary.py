"""Stops, the legs between them, and the trips they make. Knows when the van stood and where; nothing of tags.

Segments alternate: a stop, a leg, a stop … A trip is from a home site back to it (without a home, a local day); it
opens with the first departure and is closed by the arrival at home. A stay at home that outlasts a break in the
record is one stop in space but two accounts: what got off before the break belongs to the trip that ended, what got
on after it to the next. Times are on the tally's axis (`t_s`).
"""

from __future__ import annotations

from msgspec import Struct
from msgspec.structs import replace

from agent.motion import Change, State

# What the van did is no leg when it never got this far from where it stood, or took less time (formats.md 7: "a leg
# may be as short as 10 s"). Judgement: a shunt on the spot.
LEG_REACH_M = 25.0
LEG_S = 10.0


class Place(Struct, frozen=True):
    """Where a stop was: the site (or none), how probable, and the position. `others` are near sites with theirs."""

    site: str | None = None
    p: float = 0.0
    lat: float | None = None
    lon: float | None = None
    sigma_m: float = 0.0
    others: tuple[tuple[str, float], ...] = ()


NOWHERE = Place()


class Stop(Struct, frozen=True, tag="stop"):
    """The van stands from `from_s` to `to_s` (None: still). `closed_s`: breaks at which an account was closed."""

    number: int
    from_s: float
    to_s: float | None = None
    place: Place = NOWHERE
    closed_s: tuple[float, ...] = ()


class Leg(Struct, frozen=True, tag="leg"):
    """From a departure to the next arrival (None: on the way). `trip` counts from 1, `index` within the trip."""

    number: int
    from_s: float
    to_s: float | None = None
    trip: int = 0
    index: int = 0
    reach_m: float = 0.0


Segment = Stop | Leg


class Itinerary(Struct, frozen=True):
    """The segments still remembered, oldest first, and the counters that name them."""

    segments: tuple[Segment, ...] = ()
    stops: int = 0
    legs: int = 0
    trip: int = 0
    trip_open: bool = False
    leg_index: int = 0
    retired: tuple[Leg, ...] = ()  # legs that proved to be none, for whoever published them

    @property
    def current(self) -> Segment | None:
        """What the van is doing now."""
        return self.segments[-1] if self.segments else None


def apply_change(
    itinerary: Itinerary, change: Change, *, home: str | None, begin_s: float, is_new_day: bool = False
) -> Itinerary:
    """Open and close segments as the van's state changes; `begin_s` is where the record begins.

    `is_new_day`: the local day is another than that of the trip's first departure, which without a home opens a trip.
    """
    current = itinerary.current
    if change.state is State.STOPPED:
        if isinstance(current, Stop):
            return itinerary
        if isinstance(current, Leg):
            return _arrive(itinerary, current, max(change.at_s, current.from_s), home=home)
        return _open_stop(itinerary, begin_s)
    if change.state is State.MOVING:
        if isinstance(current, Leg):
            return itinerary
        at = begin_s if current is None else max(change.at_s, current.from_s)
        return _depart(itinerary, current, at, home=home, is_new_day=is_new_day)
    return itinerary


def _open_stop(itinerary: Itinerary, from_s: float) -> Itinerary:
    stop = Stop(number=itinerary.stops + 1, from_s=from_s)
    return replace(itinerary, segments=(*itinerary.segments, stop), stops=stop.number)


def _arrive(itinerary: Itinerary, leg: Leg, at_s: float, *, home: str | None) -> Itinerary:
    before = itinerary.segments[-2] if len(itinerary.segments) > 1 else None
    none = at_s - leg.from_s < LEG_S or leg.reach_m < LEG_REACH_M
    if isinstance(before, Stop) and none:
        again = replace(before, to_s=None)
        opened_trip = leg.index == 1
        return replace(
            itinerary,
            segments=(*itinerary.segments[:-2], again),
            retired=(*itinerary.retired, leg),
            leg_index=leg.index - 1,
            # Only the record's first trip was not preceded by one, whose account the break to come must still close.
            trip_open=itinerary.trip_open and not (opened_trip and leg.trip == 1 and before.place.site == home),
        )
    closed = replace(leg, to_s=at_s)
    return _open_stop(replace(itinerary, segments=(*itinerary.segments[:-1], closed)), at_s)


def _depart(
    itinerary: Itinerary, stop: Stop | None, at_s: float, *, home: str | None, is_new_day: bool
) -> Itinerary:
    segments = itinerary.segments
    if stop is not None:
        segments = (*segments[:-1], replace(stop, to_s=at_s))
    ended = is_new_day if home is None else stop is not None and stop.place.site == home
    fresh = not itinerary.trip_open or (ended and itinerary.leg_index > 0)
    trip = itinerary.trip + 1 if fresh else itinerary.trip
    index = 1 if fresh else itinerary.leg_index + 1
    leg = Leg(number=itinerary.legs + 1, from_s=at_s, trip=trip, index=index)
    return replace(
        itinerary, segments=(*segments, leg), legs=leg.number, trip=trip, trip_open=True, leg_index=index
    )


def left_site(itinerary: Itinerary) -> str | None:
    """The site that the present leg began at, as far as is known."""
    before = itinerary.segments[-2] if len(itinerary.segments) > 1 else None
    return before.place.site if isinstance(before, Stop) else None


def reach(itinerary: Itinerary, metres: float) -> Itinerary:
    """The van is `metres` from where this leg began; only the farthest counts."""
    leg = itinerary.current
    if not isinstance(leg, Leg) or metres <= leg.reach_m:
        return itinerary
    return replace(itinerary, segments=(*itinerary.segments[:-1], replace(leg, reach_m=metres)))


def settle_place(itinerary: Itinerary, place: Place) -> Itinerary:
    """Where the present stop is, as well as is known by now."""
    stop = itinerary.current
    if not isinstance(stop, Stop) or stop.place == place:
        return itinerary
    return replace(itinerary, segments=(*itinerary.segments[:-1], replace(stop, place=place)))


def close_account(itinerary: Itinerary, at_s: float, *, home: str | None) -> Itinerary:
    """A break in the record: at home after a trip it closes the trip's account, once."""
    stop = itinerary.current
    if not isinstance(stop, Stop) or stop.closed_s or home is None or stop.place.site != home:
        return itinerary
    if not itinerary.trip_open:
        return itinerary
    return replace(itinerary, segments=(*itinerary.segments[:-1], replace(stop, closed_s=(at_s,))))


def forget_before(itinerary: Itinerary, from_s: float) -> Itinerary:
    """Drop segments that ended before `from_s`; the present one always stays."""
    kept = tuple(s for s in itinerary.segments if s.to_s is None or s.to_s >= from_s)
    return replace(itinerary, segments=kept, retired=())
