"""The story's sentences: in order of time, what is late worded as late, and nothing told twice."""

from __future__ import annotations

from typing import Any

from agent.demo_words import Narrator, Sentence, clock
from agent.units import format_utc, parse_utc

DEPOT, HALL = "urn:roadtally:site:depot", "urn:roadtally:site:hall"
SITES = dict.fromkeys(("depot", DEPOT), "Halyard hire depot") | dict.fromkeys(("hall", HALL), "Gull Lane Theatre")
NAMES = {f"epc:{n}": f"par lamp {n}" for n in range(1, 6)} | {"epc:9": "dimmer rack 9"}


def utc(text: str) -> str:
    """A moment of that morning; local time on the Azores is an hour earlier in winter."""
    return f"2026-03-04T{text}:00.000Z"


def moved(step: str, site: str, time: str, *epcs: str, void: bool = False) -> tuple[str, dict[str, Any]]:
    """A loading or unloading event."""
    at = {"bizStep": step, "eventTime": utc(time), "bizLocation": {"id": site}}
    return "event", at | {"childEPCs": list(epcs)} | ({"errorDeclaration": {}} if void else {})


def departed(site: str, time: str, items: int, *, revision: int = 1, **more: Any) -> tuple[str, dict[str, Any]]:
    """A manifest."""
    left = {"site": site, "time": utc(time)}
    return "manifest", {"revision": revision, "certain": False, "departed": left, "items": [{}] * items} | more


def arrived(site: str, time: str) -> tuple[str, dict[str, Any]]:
    """An arrival."""
    return "event", {"bizStep": "arriving", "eventTime": utc(time), "bizLocation": {"id": site}}


def narrator() -> Narrator:
    """One that knows the names."""
    return Narrator(sites=SITES, names=NAMES)


def told(sentences: list[Sentence]) -> list[str]:
    """Clock and text, without a clock where it only became known."""
    return [f"{clock(s.utc_s)} {s.mark} {s.text}" if s.utc_s is not None else s.text for s in sentences]


def test_a_batch_is_told_in_order_of_time() -> None:
    """Whatever the order of the records, arrivals, handling and departures come as they happened."""
    batch = [
        departed("hall", "09:00", 1),
        moved("unloading", HALL, "08:50", "epc:1", "epc:2"),
        arrived(HALL, "08:40"),
        moved("loading", HALL, "08:55", "epc:9"),
    ]
    assert told(narrator().tell(batch)) == [
        "07:40 ■ arrived at Gull Lane Theatre",
        "07:50 - unloaded at Gull Lane Theatre: par lamp 1, par lamp 2",
        "07:55 + loaded at Gull Lane Theatre: dimmer rack 9",
        "08:00 ► departed from Gull Lane Theatre with 1 item (not yet sure)",
    ]


def test_what_comes_after_the_departure_was_told_is_later_knowledge() -> None:
    """A loading before the last departure or arrival told carries its own time in its words, after the fresh lines."""
    story = narrator()
    story.tell([departed("depot", "08:00", 2)])
    late = story.tell([moved("loading", DEPOT, "07:16", "epc:1"), arrived(HALL, "08:40")])
    assert told(late) == [
        "07:40 ■ arrived at Gull Lane Theatre",
        "(now known) par lamp 1 was loaded at Halyard hire depot at 06:16",
    ]


def test_an_event_stated_anew_alike_is_not_told() -> None:
    """Taken back and stated again for the same item and place, at a better time: no news."""
    story = narrator()
    story.tell([moved("loading", DEPOT, "07:16", "epc:1"), departed("depot", "08:00", 1)])
    again = [moved("loading", DEPOT, "07:16", "epc:1", void=True), moved("loading", DEPOT, "07:18", "epc:1")]
    assert story.tell(again) == []
    assert story.corrections == 1


def test_what_proved_wrong_is_told_as_such() -> None:
    """An event that is taken back and not replaced: it was not."""
    story = narrator()
    story.tell([moved("loading", DEPOT, "07:16", "epc:1", "epc:2"), departed("depot", "08:00", 2)])
    batch = [
        moved("loading", DEPOT, "07:16", "epc:1", "epc:2", void=True),
        moved("loading", DEPOT, "07:16", "epc:2"),
        departed("depot", "08:00", 1, revision=3, withdrawn=True),
    ]
    assert told(story.tell(batch)) == [
        "(now known) the departure from Halyard hire depot at 07:00 was none",
        "(now known) par lamp 1 was not loaded at Halyard hire depot at 06:16",
    ]


def test_many_items_are_summed_up() -> None:
    """More than three are counted by kind; those handled within minutes of each other are told together."""
    batch = [moved("loading", DEPOT, f"07:{15 + n}", f"epc:{n}") for n in range(1, 6)]
    batch.append(moved("loading", DEPOT, "07:59", "epc:9"))
    assert told(narrator().tell(batch)) == [
        "06:20 + loaded at Halyard hire depot: 5 items (5 par lamp)",
        "06:59 + loaded at Halyard hire depot: dimmer rack 9",
    ]


def test_what_the_plan_says_and_revisions() -> None:
    """Short and over are counted on the first revision; later revisions of the same leg are not departures."""
    story = narrator()
    first = departed("depot", "08:00", 3, short=[{}, {}], over=[{}])
    (line,) = told(story.tell([first]))
    assert line.endswith("with 3 items (not yet sure); short: 2; over: 1")
    assert story.tell([departed("depot", "08:00", 4, revision=2)]) == []


def test_a_place_that_is_no_site_is_called_so() -> None:
    """Without a location, and for a departure without a site."""
    nowhere = {"bizStep": "arriving", "eventTime": utc("08:40")}
    lines = told(narrator().tell([("event", nowhere), departed("", "08:50", 0)]))
    assert all("a place that is no site" in line for line in lines)
    assert len(lines) == 2


def test_the_clock_is_the_regions() -> None:
    """The Azores are an hour behind UTC in winter and at UTC in summer (IANA time zone database)."""
    assert clock(parse_utc("2026-01-15T12:00:00.000Z")) == "11:00"
    assert clock(parse_utc("2026-07-15T12:00:00.000Z")) == "12:00"
    assert format_utc(parse_utc("2026-07-15T12:00:00.000Z")) == "2026-07-15T12:00:00.000Z"
