"""Which stretch of time is shown: the day in question without its idle ends, or what lies around a moment."""

from __future__ import annotations

from datetime import date

import pytest

from agent.evidence import Decision, Evidence, Passage, Strength
from agent.subject import AROUND_S, EDGE_S, MARGIN_S, days_of, stretch_of
from agent.units import parse_utc

NIGHT_LEG = (parse_utc("2026-03-03T23:30:00Z"), parse_utc("2026-03-04T00:20:00Z"))
MORNING_LEG = (parse_utc("2026-03-04T09:00:00Z"), parse_utc("2026-03-04T09:30:00Z"))
MIDNIGHT = parse_utc("2026-03-04T00:00:00Z")
BEGIN, END = parse_utc("2026-03-03T12:00:00Z"), parse_utc("2026-03-05T12:00:00Z")


def two_days(*, heard: bool = True) -> Evidence:
    """A drive over midnight, a night's stay, a drive in the morning; loaded in the morning at an unsure time."""
    (a, b), (c, d) = NIGHT_LEG, MORNING_LEG
    passages = (
        Passage("stop", BEGIN, a, "hall", "Hall"),
        Passage("leg", a, b),
        Passage("stop", b, c, "depot", "Depot"),
        Passage("leg", c, d),
        Passage("stop", d, END, "studio", "Studio"),
    )
    loaded = Decision("x", "loaded", c - 300, b + 60, c, 0.8, "Depot", "depot")
    strength = (Strength(c - 240, 1, 4, -60.0),) if heard else ()
    decisions = (loaded,) if heard else ()
    return Evidence("van-07", "urn:epc:id:giai:9521141.9", "item", "rack", "UTC", BEGIN, END, passages,
                    strength=strength, decisions=decisions)  # fmt: skip


def test_the_day_of_the_latest_decision_without_its_idle_ends() -> None:
    """From the drive that reaches into it to shortly after the last one; a decision's wide interval moves nothing."""
    assert stretch_of(two_days(), None, file="r") == (NIGHT_LEG[0], MORNING_LEG[1] + MARGIN_S, None)


def test_a_drive_over_midnight_stays_whole_on_both_days() -> None:
    """The evening before is asked for: it ends with the drive, past midnight."""
    assert stretch_of(two_days(), "2026-03-03", file="r") == (NIGHT_LEG[0] - MARGIN_S, NIGHT_LEG[1], None)


def test_a_day_on_which_nothing_happened_is_shown_whole() -> None:
    """As much of it as is recorded."""
    assert stretch_of(two_days(), "2026-03-05", file="r") == (parse_utc("2026-03-05T00:00:00Z"), END, None)


def test_a_moment_within_a_drive_shows_the_stops_beside_it() -> None:
    """As far as they go, but no more than an hour and a half of either."""
    low, high, at_s = stretch_of(two_days(), "2026-03-04T00:10:00Z", file="r")
    assert at_s == MIDNIGHT + 600
    assert (low, high) == (at_s - AROUND_S, at_s + AROUND_S)


def test_around_a_short_stop_its_drives_are_seen_whole() -> None:
    """Both neighbours, and a little of where the van came from."""
    one = two_days()
    short = Passage("stop", MORNING_LEG[1], MORNING_LEG[1] + 60, "hall", "Hall")
    after = Passage("leg", short.to_s, short.to_s + 600)
    low, high, _ = stretch_of(
        Evidence(one.vehicle, one.epc, one.kind, one.name, "UTC", BEGIN, END, (*one.passages[:4], short, after)),
        "2026-03-04T09:30:30Z",
        file="r",
    )
    assert (low, high) == (MORNING_LEG[0] - EDGE_S, after.to_s + EDGE_S)


@pytest.mark.parametrize("heard", [pytest.param(True, id="decided"), pytest.param(False, id="never")])
def test_a_local_time_is_of_the_day_in_question(heard: bool) -> None:  # noqa: FBT001 - a parameter of the test
    """Of the latest decision's day; without any, of the last day on which the van drove."""
    assert stretch_of(two_days(heard=heard), "09:10", file="r")[2] == MORNING_LEG[0] + 600


def test_the_days_are_those_on_which_something_happened() -> None:
    """A drive's beginning, a decision or a read; not a day of mere standing."""
    assert days_of(two_days()) == (date(2026, 3, 3), date(2026, 3, 4))
