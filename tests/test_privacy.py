"""Working hours, over midnight, over the week's end and over the clocks' change."""

from __future__ import annotations

import pytest

from agent.privacy import is_working
from agent.units import parse_utc
from agent.vehicle import Day, Privacy, WorkingHours

WEEK: tuple[Day, ...] = ("mon", "tue", "wed", "thu", "fri")


def hours(from_min: int, to_min: int, *days: Day, timezone: str = "Etc/UTC") -> Privacy:
    """Working hours in minutes of the local day."""
    return Privacy(working_hours=WorkingHours(days or WEEK, from_min, to_min, timezone))


def test_without_hours_nothing_is_withheld() -> None:
    """No section, no withholding (formats.md has none by default)."""
    assert is_working(Privacy(), 0.0)


# 2026-03-02 is a Monday.
@pytest.mark.parametrize(
    ("utc", "working"),
    [
        ("2026-03-02T05:59:59.999Z", False),
        ("2026-03-02T06:00:00.000Z", True),
        ("2026-03-02T17:59:59.999Z", True),
        ("2026-03-02T18:00:00.000Z", False),
        ("2026-03-01T12:00:00.000Z", False),
        ("2026-03-07T12:00:00.000Z", False),
    ],
)
def test_the_day_begins_and_ends_to_the_minute(utc: str, *, working: bool) -> None:
    """Six to six on weekdays: the first minute is work, the last is not, Saturday and Sunday are not."""
    assert is_working(hours(360, 1080), parse_utc(utc)) is working


@pytest.mark.parametrize(
    ("utc", "working"),
    [
        ("2026-03-06T21:59:00.000Z", False),
        ("2026-03-06T22:00:00.000Z", True),
        ("2026-03-07T03:59:00.000Z", True),
        ("2026-03-07T04:00:00.000Z", False),
        ("2026-03-07T22:00:00.000Z", False),
        ("2026-03-02T03:00:00.000Z", False),
    ],
)
def test_a_night_belongs_to_the_day_on_which_it_began(utc: str, *, working: bool) -> None:
    """Ten at night to four on weekdays: Friday's night ends on Saturday; Monday's small hours are Sunday's night."""
    assert is_working(hours(1320, 240), parse_utc(utc)) is working


def test_hours_are_local_and_follow_the_clocks_change() -> None:
    """Six in the Azores is 07:00 UTC in winter and 06:00 UTC in summer (IANA: UTC-1, from 29 March 2026 UTC+0)."""
    azores = hours(360, 1080, timezone="Atlantic/Azores")
    assert not is_working(azores, parse_utc("2026-03-02T06:30:00.000Z"))
    assert is_working(azores, parse_utc("2026-03-30T06:30:00.000Z"))
