"""Facts become records once and change only by declaration."""

from __future__ import annotations

from typing import Any

import pytest
from msgspec.structs import replace

from agent.epcis import Confident, Place
from agent.records import Record
from agent.statements import (
    Draft,
    Key,
    Ledger,
    forget,
    same_fact,
    same_manifest,
    state_events,
    state_manifest,
    withdraw_manifest,
)
from agent.units import format_utc

VAN = "urn:epc:id:giai:9521141.70007"
ITEM = "urn:epc:id:grai:9521141.12345.5678"
OTHER = "urn:epc:id:grai:9521141.12345.5679"
UTC_S = 1_772_600_400.0
HALL = Place(location_uri="urn:roadtally:site:hall")


def loading(at_s: float = 0.0, *, site: str = "hall", epc: str = ITEM, half_s: float = 60.0) -> Draft:
    """An item loaded at stop 1, `half_s` seconds of interval on each side."""
    utc_s = UTC_S + at_s
    return Draft(
        key=("load", 1, 0, "AB"),
        kind="loaded",
        at_s=utc_s,
        not_before_s=utc_s - half_s,
        not_after_s=utc_s + half_s,
        place=Place(location_uri=f"urn:roadtally:site:{site}"),
        children=(Confident(epc, 0.98),),
    )


def stated(
    ledger: Ledger, *drafts: Draft, withdraw: tuple[Key, ...] = (), at_s: float = 900.0
) -> tuple[Ledger, list[dict[str, Any]]]:
    """The ledger after stating, and the events that it took."""
    ledger, records = state_events(ledger, drafts, withdraw=withdraw, vehicle_epc=VAN, issued_s=UTC_S + at_s)
    assert all(record.kind == "event" for record in records)
    return ledger, [record.body for record in records]


def test_a_fact_is_stated_once() -> None:
    """Stated again as it is, it takes no record."""
    ledger, events = stated(Ledger(), loading())
    assert [(e["action"], e["childEPCs"]) for e in events] == [("ADD", [ITEM])]
    assert "rt:revision" not in events[0]
    assert stated(ledger, loading()) == (ledger, [])


@pytest.mark.parametrize("late_s", [29.0, -29.0, 59.0, -59.0])
def test_a_better_time_within_half_a_minute_or_the_interval_keeps_the_event(late_s: float) -> None:
    """The interval said that it might be then: nothing new is said."""
    ledger, _ = stated(Ledger(), loading())
    assert stated(ledger, loading(late_s))[1] == []


def test_a_departures_time_has_no_interval_to_move_in() -> None:
    """Departures and arrivals are dated to seconds: a minute's change is another statement, half a minute is none."""
    draft = replace(loading(half_s=300.0), kind="departed", key=("departed", 1))
    assert same_fact(draft, replace(draft, at_s=draft.at_s + 29.0))
    assert not same_fact(draft, replace(draft, at_s=draft.at_s + 61.0))


@pytest.mark.parametrize("changed", [loading(61.0), loading(site="studio"), loading(epc=OTHER)])
def test_a_changed_fact_is_voided_and_its_successor_named(changed: Draft) -> None:
    """The old event is repeated whole with its declaration, which names the event that stands in its place."""
    ledger, (first,) = stated(Ledger(), loading())
    _, (void, new) = stated(ledger, changed)
    assert {key: value for key, value in void.items() if key != "errorDeclaration"} == first
    assert void["errorDeclaration"] == {
        "declarationTime": format_utc(UTC_S + 900.0),
        "reason": "incorrect_data",
        "correctiveEventIDs": [new["eventID"]],
    }
    assert new["rt:revision"] == 2
    assert new["eventID"] != first["eventID"]


def test_a_position_learned_later_is_said() -> None:
    """A place that had neither site nor position has one now: that matters."""
    draft = replace(loading(), place=Place())
    assert not same_fact(draft, replace(draft, place=Place(geo=(48.0, -31.0, 9.0))))
    assert same_fact(replace(draft, place=Place(geo=(48.0, -31.0, 9.0))), draft)


def test_a_voided_id_never_comes_back() -> None:
    """Stated, taken back, stated again, taken back, stated again: three ids, revisions 2 and 3."""
    ledger, ids, revisions = Ledger(), [], []
    for _ in range(3):
        ledger, (said,) = stated(ledger, loading())
        ids.append(said["eventID"])
        revisions.append(said.get("rt:revision"))
        ledger, (void,) = stated(ledger, withdraw=(("load", 1, 0, "AB"),))
        assert void["eventID"] == said["eventID"]
        assert void["errorDeclaration"]["reason"] == "did_not_occur"
        assert ledger.events == {}
    assert len(set(ids)) == 3
    assert revisions == [None, 2, 3]


def test_there_and_back_again_is_a_third_statement() -> None:
    """Hall, studio, hall: the third event says what the first said, under another id."""
    ledger, (first,) = stated(Ledger(), loading())
    ledger, (_, second) = stated(ledger, loading(site="studio"))
    _, (_, third) = stated(ledger, loading())
    assert (first["bizLocation"], third["rt:revision"]) == (third["bizLocation"], 3)
    assert len({first["eventID"], second["eventID"], third["eventID"]}) == 3


def test_a_fact_named_for_withdrawal_and_drafted_stands() -> None:
    """Only what is no longer drafted is taken back; what never stood cannot be."""
    ledger, _ = stated(Ledger(), loading())
    assert stated(ledger, loading(), withdraw=(("load", 1, 0, "AB"), ("load", 9, 0, "AB")))[1] == []


def test_a_voided_id_stays_voided_after_forgetting() -> None:
    """The trip is over and most is forgotten: a fact of the stop that is kept still knows how often it was stated."""
    key: Key = ("load", 1, 0, "AB")
    ledger, (first,) = stated(Ledger(), loading())
    ledger, _ = stated(ledger, withdraw=(key,))
    ledger = forget(ledger, keep_events=[], keep_times=[key], keep_legs=[])
    _, (again,) = stated(ledger, loading())
    assert again["eventID"] != first["eventID"]
    assert again["rt:revision"] == 2


def test_forgetting_keeps_what_is_named() -> None:
    """Named events and manifests stay with their counts, the rest goes."""
    ledger, _ = stated(Ledger(), loading(), replace(loading(), key=("load", 2, 0, "AB"), at_s=UTC_S + 5.0))
    ledger, _ = state_manifest(ledger, 1, manifest(), issued_s=UTC_S)
    ledger, _ = state_manifest(ledger, 2, manifest(), issued_s=UTC_S)
    kept = forget(ledger, keep_events=[("load", 2, 0, "AB")], keep_times=[], keep_legs=[2, 7])
    assert list(kept.events) == list(kept.times) == [("load", 2, 0, "AB")]
    assert list(kept.manifests) == [2]


def manifest(**changed: Any) -> dict[str, Any]:
    """A manifest as the tally makes it, before it has a number."""
    return {
        "manifest": "van-07/2026-03-04/1",
        "vehicle": "van-07",
        "trip": "van-07/2026-03-04",
        "badges": [{"epc": "urn:epc:id:gsrnp:9521141.1234567890", "name": "Ada", "confidence": 0.99}],
        "departed": {"site": "depot", "time": format_utc(UTC_S), "position": None},
        "arrived": None,
        "certain": True,
        "items": [{"epc": ITEM, "tag": "AB", "name": "case", "confidence": 0.97, "loaded": None}],
        "unlisted": [{"tag": "CD", "confidence": 0.9}],
    } | changed


def issued(ledger: Ledger, body: dict[str, Any], at_s: float) -> tuple[Ledger, list[dict[str, Any]]]:
    """The ledger, and the revisions that it took."""
    ledger, records = state_manifest(ledger, 1, body, issued_s=UTC_S + at_s)
    return ledger, [record.body for record in records]


def test_a_manifest_is_revised_only_when_a_line_changes() -> None:
    """Issued as revision 1, not again while nothing changes, then as revision 2."""
    ledger, (first,) = issued(Ledger(), manifest(), 150.0)
    assert (first["revision"], first["issued"]) == (1, format_utc(UTC_S + 150.0))
    ledger, none = issued(ledger, manifest(), 300.0)
    assert none == []
    _, (second,) = issued(ledger, manifest(items=[]), 450.0)
    assert (second["manifest"], second["revision"], second["items"]) == (first["manifest"], 2, [])


ITEM_LINE = manifest()["items"][0]
LOADED = {"site": "depot", "time": format_utc(UTC_S - 500.0), "not_before": "", "not_after": ""}


@pytest.mark.parametrize(
    ("changed", "same"),
    [
        ({"plan_version": 4, "short": [{"epc": OTHER, "name": "x"}]}, True),
        ({"items": [ITEM_LINE | {"confidence": 0.93}]}, True),
        ({"items": [ITEM_LINE | {"confidence": 0.91}]}, False),
        ({"items": [ITEM_LINE | {"loaded": LOADED}]}, False),
        ({"items": [ITEM_LINE, ITEM_LINE | {"epc": OTHER}]}, False),
        ({"certain": False}, False),
        ({"badges": []}, False),
        ({"unlisted": []}, False),
        ({"unlisted": [{"tag": "CE", "confidence": 0.9}]}, False),
        ({"arrived": {"site": "hall", "time": format_utc(UTC_S + 900.0)}}, False),
        ({"departed": {"site": "depot", "time": format_utc(UTC_S + 1.5), "position": None}}, True),
        ({"departed": {"site": "depot", "time": format_utc(UTC_S + 3.0), "position": None}}, False),
        ({"departed": {"site": "hall", "time": format_utc(UTC_S), "position": None}}, False),
    ],
)
def test_what_counts_as_a_changed_line(changed: dict[str, Any], *, same: bool) -> None:
    """Sets, sites, times, `certain` and a confidence moved by more than 0.05; never what a plan adds."""
    assert same_manifest(manifest(), manifest(**changed)) is same


def test_an_items_loading_and_an_arrival_may_move_by_half_a_minute() -> None:
    """A better estimate by seconds is no revision, by a minute it is."""
    for key in ("loaded", "arrived"):

        def body(late_s: float, key: str = key) -> dict[str, Any]:
            moment = {"site": "depot", "time": format_utc(UTC_S + late_s), "not_before": "", "not_after": ""}
            return manifest(items=[ITEM_LINE | {"loaded": moment}]) if key == "loaded" else manifest(arrived=moment)

        assert same_manifest(body(0.0), body(29.0))
        assert not same_manifest(body(0.0), body(31.0))


def test_a_departure_does_not_move_about_by_a_second() -> None:
    """Another line changed: the revision keeps the departure's time as it was, and `issued` never goes back."""
    ledger, (first,) = issued(Ledger(), manifest(), 150.0)
    moved = {"site": "depot", "time": format_utc(UTC_S + 1.2), "position": None}
    _, (second,) = issued(ledger, manifest(items=[], departed=moved), 100.0)
    assert second["departed"]["time"] == first["departed"]["time"]
    assert second["issued"] == first["issued"]


def test_a_leg_that_was_none_is_withdrawn_once() -> None:
    """Its last revision repeats it with `withdrawn`; what was never issued needs none."""
    ledger, (first,) = issued(Ledger(), manifest(), 150.0)
    ledger, (record,) = withdraw_manifest(ledger, 1, issued_s=UTC_S + 400.0)
    assert record == Record("manifest", first | {"revision": 2, "issued": format_utc(UTC_S + 400.0), "withdrawn": True})
    assert withdraw_manifest(ledger, 1, issued_s=UTC_S + 500.0) == (ledger, ())
    assert withdraw_manifest(Ledger(), 1, issued_s=UTC_S) == (Ledger(), ())
