"""How the board says figures."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from agent.dispatch import words
from agent.units import parse_utc


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(-3, "0 s"), (12.9, "12 s"), (119, "119 s"), (120, "2 min"), (3599, "59 min"), (11_400, "3 h 10 min")],
)
def test_ages(seconds: float, text: str) -> None:
    """An age is said in the largest unit that still tells, and is never negative."""
    assert words.age(seconds) == text


def test_days() -> None:
    """From a day on, days are counted."""
    assert [words.age(days * 86400.0) for days in (1, 2)] == ["1 day", "2 days"]


@pytest.mark.parametrize(
    ("p", "text"),
    [
        (1.0, "over 99.9 %"),
        (0.99999, "over 99.9 %"),
        (0.9994, "99.9 %"),
        (0.9899, "98 %"),
        (0.57, "57 %"),
        (0.0, "under 1 %"),
    ],
)
def test_figures_never_round_up(p: float, text: str) -> None:
    """Nothing is said to be 100 %, nor more than it is."""
    assert words.figure(p) == text


def test_words_fall_with_the_figure() -> None:
    """Every word stands for one range, and less likely is never said in a stronger word."""
    said = list(dict.fromkeys(words.confidence(n / 1000) for n in range(1000, -1, -1)))
    assert said[0] == "as good as certain"
    assert said[-1] == "unlikely"
    assert len(said) == 6
    assert words.confidence(None) == "not said"
    assert words.figure(None) == ""


def test_moments() -> None:
    """A moment of another local day carries its date; the zone decides which day it is."""
    at_s, now_s = parse_utc("2026-03-01T23:30:00.000Z"), parse_utc("2026-03-02T00:10:00.000Z")
    assert words.clock_time(at_s, now_s=now_s, zone=ZoneInfo("UTC")) == "Sun 1 Mar 2026, 23:30"
    assert words.clock_time(at_s, now_s=now_s, zone=ZoneInfo("Atlantic/Azores")) == "22:30"


def test_zones() -> None:
    """A zone without letters is said as its distance from UTC (IANA's Atlantic/Azores and Europe/Berlin, in winter)."""
    told = [
        words.zone_name(datetime(2026, 1, 5, tzinfo=ZoneInfo(zone))) for zone in ("Atlantic/Azores", "Europe/Berlin")
    ]
    assert told == ["UTC-01", "CET"]


def test_void_reasons() -> None:
    """CBV 2.0's error reasons, did_not_occur and incorrect_data, are said in words; others as written."""
    assert words.void_reason("incorrect_data") == "it was wrong"
    assert words.void_reason("did_not_occur") == "it did not happen"
    assert words.void_reason("dropped") == "dropped"
    assert words.void_reason(None) == "no reason given"
