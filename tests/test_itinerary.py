"""Stops, legs and trips from changes made by hand."""

from __future__ import annotations

from agent.itinerary import (
    NOWHERE,
    Itinerary,
    Leg,
    Place,
    Stop,
    apply_change,
    close_account,
    forget_before,
    reach,
    settle_place,
)
from agent.motion import Change, State

HOME = "depot"


def standing(itinerary: Itinerary, at_s: float, *, site: str | None, home: str | None = HOME) -> Itinerary:
    """The van comes to stand at a site."""
    itinerary = apply_change(itinerary, Change(State.STOPPED, at_s, at_s + 5), home=home, begin_s=0.0)
    return settle_place(itinerary, Place(site=site, p=0.9, lat=48.0, lon=-31.0, sigma_m=3.0))


def leaving(itinerary: Itinerary, at_s: float, *, reach_m: float = 500.0, home: str | None = HOME) -> Itinerary:
    """The van leaves and gets so far."""
    return reach(apply_change(itinerary, Change(State.MOVING, at_s, at_s + 5), home=home, begin_s=0.0), reach_m)


def round_trip(*sites: str | None) -> Itinerary:
    """From home at 100 s on, ten minutes' driving and ten minutes at each."""
    itinerary = standing(Itinerary(), 0.0, site=HOME)
    at = 100.0
    for site in sites:
        itinerary = standing(leaving(itinerary, at), at + 600, site=site)
        at += 1200
    return itinerary


def legs(itinerary: Itinerary) -> list[tuple[int, int]]:
    """(trip, index) of each leg."""
    return [(leg.trip, leg.index) for leg in itinerary.segments if isinstance(leg, Leg)]


def test_a_trip_runs_from_home_to_home() -> None:
    """Out, on and home again is one trip of three legs; the next departure from home opens another."""
    itinerary = round_trip("hall", "studio", HOME, "hall", HOME)
    assert legs(itinerary) == [(1, 1), (1, 2), (1, 3), (2, 1), (2, 2)]


def test_segments_alternate_and_meet() -> None:
    """A stop, a leg, a stop: each begins where the one before ended."""
    itinerary = round_trip("hall", HOME)
    kinds = [type(segment) for segment in itinerary.segments]
    assert kinds == [Stop, Leg, Stop, Leg, Stop]
    ends = [segment.to_s for segment in itinerary.segments[:-1]]
    assert ends == [segment.from_s for segment in itinerary.segments[1:]]
    assert [segment.number for segment in itinerary.segments] == [1, 1, 2, 2, 3]


def test_midnight_changes_nothing() -> None:
    """Days of seconds on the way are still the same trip: trips know no calendar."""
    itinerary = standing(leaving(standing(Itinerary(), 0.0, site=HOME), 80_000.0), 90_000.0, site="hall")
    itinerary = standing(leaving(itinerary, 170_000.0), 180_000.0, site=HOME)
    assert legs(itinerary) == [(1, 1), (1, 2)]


def test_a_record_may_open_on_the_road() -> None:
    """Without a stop before it, the first leg begins with the record and opens a trip."""
    itinerary = leaving(Itinerary(), 50.0)
    leg = itinerary.current
    assert isinstance(leg, Leg)
    assert (leg.from_s, leg.trip, leg.index) == (0.0, 1, 1)
    assert legs(standing(itinerary, 60.0, site="hall")) == [(1, 1)]


def test_a_shunt_on_the_spot_is_no_leg_and_gives_its_number_back() -> None:
    """Twenty metres back and forth: the stop goes on, and the next leg takes the number."""
    itinerary = standing(leaving(round_trip("hall"), 1000.0, reach_m=20.0), 1050.0, site="hall")
    assert legs(itinerary) == [(1, 1)]
    assert [leg.index for leg in itinerary.retired] == [2]
    stop = itinerary.current
    assert isinstance(stop, Stop)
    assert (stop.number, stop.from_s, stop.to_s) == (2, 700.0, None)
    assert legs(standing(leaving(itinerary, 1100.0), 1700.0, site=HOME)) == [(1, 1), (1, 2)]
    assert itinerary.legs == 2


def test_a_shunt_at_home_opens_no_trip() -> None:
    """Moved in the yard before the day's first departure: the trip begins with the real one, at its first leg."""
    itinerary = standing(leaving(standing(Itinerary(), 0.0, site=HOME), 50.0, reach_m=15.0), 80.0, site=HOME)
    assert not itinerary.trip_open
    itinerary = standing(leaving(itinerary, 100.0), 700.0, site="hall")
    assert [index for _, index in legs(itinerary)] == [1]


def test_eleven_seconds_to_the_next_bay_are_a_leg_and_nine_are_not() -> None:
    """A leg may be as short as 10 s (formats.md, section 7)."""
    start = round_trip("hall")
    assert len(legs(standing(leaving(start, 1000.0, reach_m=30.0), 1011.0, site="hall"))) == 2
    assert len(legs(standing(leaving(start, 1000.0, reach_m=30.0), 1009.0, site="hall"))) == 1


def test_only_the_farthest_counts_as_reach() -> None:
    """Out and back over 500 m is a leg, though it ends where it began; at a stop nothing is reached."""
    itinerary = reach(leaving(round_trip("hall"), 1000.0), 3.0)
    leg = itinerary.current
    assert isinstance(leg, Leg)
    assert leg.reach_m == 500.0
    assert reach(round_trip("hall"), 400.0) == round_trip("hall")


def test_what_changes_nothing_leaves_the_itinerary_as_it_is() -> None:
    """Stopped while stopped, moving while moving, halted at any time: the very same itinerary."""
    stopped, moving = round_trip("hall"), leaving(round_trip("hall"), 1000.0)
    assert apply_change(stopped, Change(State.STOPPED, 900.0, 900.0), home=HOME, begin_s=0.0) is stopped
    assert apply_change(moving, Change(State.MOVING, 1001.0, 1001.0), home=HOME, begin_s=0.0) is moving
    assert apply_change(moving, Change(State.HALTED, 1001.0, 1001.0), home=HOME, begin_s=0.0) is moving
    assert settle_place(moving, NOWHERE) is moving


def test_a_change_is_never_dated_before_what_it_ends() -> None:
    """A departure dated back to before the arrival happens at the arrival."""
    itinerary = leaving(round_trip("hall"), 650.0)
    leg = itinerary.current
    assert isinstance(leg, Leg)
    assert leg.from_s == 700.0


def test_accounts_are_closed_at_a_break_at_home_after_a_trip_only() -> None:
    """At home after the day a power gap closes the account, once; elsewhere and before a trip it does not."""
    home = round_trip("hall", HOME)
    closed = close_account(home, 2000.0, home=HOME)
    stop = closed.current
    assert isinstance(stop, Stop)
    assert stop.closed_s == (2000.0,)
    assert close_account(closed, 2500.0, home=HOME) == closed
    away = round_trip("hall")
    assert close_account(away, 900.0, home=HOME) == away
    moving = leaving(away, 1000.0)
    assert close_account(moving, 1100.0, home=HOME) == moving
    fresh = standing(Itinerary(), 0.0, site=HOME)
    assert close_account(fresh, 50.0, home=HOME) == fresh
    nowhere = round_trip(None)
    assert close_account(nowhere, 900.0, home=None) == nowhere


def test_forgetting_drops_what_ended_before_and_keeps_the_present() -> None:
    """What ended at the very moment stays, for its place; retired legs are let go."""
    itinerary = round_trip("hall", HOME)
    kept = forget_before(itinerary, 1300.0)
    assert [type(segment) for segment in kept.segments] == [Stop, Leg, Stop]
    assert kept.segments[0].to_s == 1300.0
    assert forget_before(itinerary, 1e9).segments == itinerary.segments[-1:]
    assert (kept.stops, kept.legs, kept.trip) == (3, 2, 1)
