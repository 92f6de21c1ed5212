"""The ledger: what a set of custody records says, whichever order and however often they came."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.errors import MessageError
from agent.ledger import (
    UNKNOWN,
    CustodyEvent,
    SeqRanges,
    fold_item,
    fold_items,
    latest_manifests,
    parse_event,
    parse_manifest,
    standing,
)
from agent.units import format_utc

TRUNK = "urn:epc:id:grai:9521141.00014.7"
HEAD = "urn:epc:id:grai:9521141.00012.101"


def event(
    seq: int,
    step: str,
    at_s: float,
    *epcs: str,
    vehicle: str = "van-07",
    place: str | None = "urn:roadtally:site:depot",
    not_before_s: float | None = None,
    void: bool = False,
    event_id: str | None = None,
) -> CustodyEvent:
    """One custody event; the same step, time and items have the same id."""
    action = {"loading": "ADD", "unloading": "DELETE", "departing": "OBSERVE"}[step]
    return CustodyEvent(
        vehicle=vehicle,
        epoch=1,
        seq=seq,
        event_id=event_id or f"{vehicle}:{step}:{at_s}:{epcs}",
        time_s=at_s,
        action=action,  # type: ignore[arg-type]
        biz_step=step,  # type: ignore[arg-type]
        epcs=epcs,
        confidence=tuple(0.9 for _ in epcs),
        place=place,
        not_before_s=not_before_s,
        void=void,
    )


def test_loaded_then_unloaded() -> None:
    """An item is aboard from its loading, and at the site from its unloading."""
    loaded = event(1, "loading", 100.0, TRUNK, HEAD)
    unloaded = event(2, "unloading", 200.0, TRUNK, place="urn:roadtally:site:quay")
    states = fold_items([loaded, unloaded])
    assert (states[HEAD].aboard, states[HEAD].since_s, states[HEAD].p) == ("van-07", 100.0, 0.9)
    assert (states[TRUNK].aboard, states[TRUNK].place, states[TRUNK].since_s) == (
        None,
        "urn:roadtally:site:quay",
        200.0,
    )


def test_unloading_taken_back_puts_the_item_aboard_again() -> None:
    """An error declaration, before or after its event, refolds the item as if the event had not been stated."""
    loaded, unloaded = event(1, "loading", 100.0, TRUNK), event(2, "unloading", 200.0, TRUNK)
    taken_back = event(3, "unloading", 200.0, TRUNK, void=True)
    assert taken_back.event_id == unloaded.event_id
    for records in ([loaded, unloaded, taken_back], [taken_back, unloaded, loaded]):
        assert fold_item(TRUNK, records).aboard == "van-07"
        assert standing(records) == (loaded,)


def test_a_vehicle_takes_back_only_its_own() -> None:
    """A declaration from another vehicle changes nothing."""
    loaded = event(1, "loading", 100.0, TRUNK, event_id="ni:1")
    foreign = event(9, "loading", 100.0, TRUNK, vehicle="van-03", void=True, event_id="ni:1")
    assert fold_item(TRUNK, [foreign, loaded]).aboard == "van-07"


def test_already_aboard_when_first_tallied() -> None:
    """A departure that lists an item never loaded puts it aboard, with a start that is only an upper bound."""
    state = fold_item(TRUNK, [event(1, "departing", 100.0, TRUNK), event(2, "departing", 300.0, TRUNK)])
    assert (state.aboard, state.since_s, state.since_exact) == ("van-07", 100.0, False)


def test_departure_does_not_move_the_loading() -> None:
    """A departure that confirms an item aboard leaves since when as it was."""
    state = fold_item(TRUNK, [event(1, "loading", 100.0, TRUNK), event(2, "departing", 300.0, TRUNK)])
    assert (state.since_s, state.since_exact) == (100.0, True)


def test_handed_from_van_to_van() -> None:
    """An unloading dated just after another van's loading, whose interval reaches before it, leaves the item there."""
    records = [
        event(1, "loading", 100.0, TRUNK),
        event(1, "loading", 200.0, TRUNK, vehicle="van-03"),
        event(2, "unloading", 205.0, TRUNK, not_before_s=180.0),
    ]
    assert fold_item(TRUNK, records).aboard == "van-03"
    later = [*records[:2], event(2, "unloading", 900.0, TRUNK, not_before_s=880.0)]
    assert fold_item(TRUNK, later).aboard is None


def test_nothing_known() -> None:
    """An item that no standing event names is unknown."""
    assert fold_item(HEAD, [event(1, "loading", 100.0, TRUNK)]) == UNKNOWN


@st.composite
def histories(draw: st.DrawFn) -> tuple[list[CustodyEvent], list[CustodyEvent]]:
    """Records of three vans, some taken back, and the same in another order with some of them doubled."""
    records: list[CustodyEvent] = []
    for seq in range(1, draw(st.integers(1, 14)) + 1):
        vehicle = draw(st.sampled_from(["van-03", "van-07", "van-11"]))
        step = draw(st.sampled_from(["loading", "unloading", "departing"]))
        at_s = float(draw(st.integers(0, 6)))
        epcs = tuple(draw(st.lists(st.sampled_from([TRUNK, HEAD]), min_size=1, max_size=2, unique=True)))
        made = event(seq, step, at_s, *epcs, vehicle=vehicle, not_before_s=at_s - 2)
        records.append(made)
        if draw(st.booleans()):
            records.append(event(seq + 100, step, at_s, *epcs, vehicle=vehicle, not_before_s=at_s - 2, void=True))
    doubled = [*records, *draw(st.lists(st.sampled_from(records), max_size=6))]
    return records, draw(st.permutations(doubled))


@given(histories())
def test_order_and_repetition_change_nothing(both: tuple[list[CustodyEvent], list[CustodyEvent]]) -> None:
    """Any permutation and duplication of the records gives the same state, item by item and for all at once."""
    records, shuffled = both
    states = fold_items(records)
    assert fold_items(shuffled) == states
    for epc in (TRUNK, HEAD):
        assert fold_item(epc, shuffled) == states.get(epc, UNKNOWN)


@given(st.lists(st.integers(1, 60)))
def test_ranges_hold_what_was_added(seqs: list[int]) -> None:
    """Ranges, gaps, `up_to` and `also` say together exactly which seqs came, in any order."""
    cursor = SeqRanges()
    for seq in seqs:
        cursor = cursor.add(seq)
    have = set(seqs)
    assert cursor == SeqRanges().add_all(reversed(seqs))
    assert {n for low, high in cursor.ranges for n in range(low, high + 1)} == have
    missing = {n for low, high in cursor.gaps for n in range(low, high + 1)}
    assert missing == set(range(1, max(have, default=0) + 1)) - have
    acknowledged = set(range(1, cursor.up_to + 1)) | {n for a, b in cursor.also for n in range(a, b + 1)}
    assert acknowledged == have
    assert cursor.up_to + 1 not in have
    assert cursor.count == len(have)


def test_seq_below_one() -> None:
    """A seq below 1 names no record."""
    with pytest.raises(ValueError, match="counts from 1"):
        SeqRanges().add(0)


def manifest(revision: int, *, seq: int, **more: Any) -> dict[str, Any]:
    """A manifest's document, as short as may be."""
    departed = {"site": "depot", "time": format_utc(0.0), "position": None}
    return {
        "manifest": "van-07/2026-03-02/1",
        "revision": revision,
        "departed": departed,
        "items": [],
        "seq": seq,
        **more,
    }


def test_highest_revision_stands() -> None:
    """Whatever the order, the highest revision stands, and a withdrawn leg drops out."""
    first, second, last = (
        parse_manifest(manifest(n, seq=n, **more), vehicle="van-07", epoch=1, seq=n)
        for n, more in ((1, {}), (2, {}), (3, {"withdrawn": True}))
    )
    name = ("van-07", "van-07/2026-03-02/1")
    assert latest_manifests([second, first])[name] is second
    assert latest_manifests([last, second, first]) == {}


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"manifest": "van-03/2026-03-02/1"}, "is called van-07/"),
        ({"revision": 0}, "counts from 1"),
        ({"departed": {}}, "departed.time"),
        ({"items": None}, "items must be a list"),
    ],
)
def test_manifest_that_cannot_be_placed(change: dict[str, Any], says: str) -> None:
    """A manifest that cannot be told apart is refused with the reason."""
    with pytest.raises(MessageError, match=says):
        parse_manifest(manifest(1, seq=1) | change, vehicle="van-07", epoch=1, seq=1)


LOADED = {
    "type": "AggregationEvent",
    "eventID": "ni:///sha-256;00?ver=CBV2.0",
    "eventTime": "2026-03-02T07:01:12.000Z",
    "action": "ADD",
    "bizStep": "loading",
    "parentID": "urn:epc:id:giai:9521141.70007",
    "childEPCs": [TRUNK, HEAD],
    "bizLocation": {"id": "urn:epc:id:sgln:9521141.00001.0"},
    "rt:not_before": "2026-03-02T07:01:00.000Z",
    "rt:not_after": "2026-03-02T07:01:20.000Z",
    "rt:confidence": [{"rt:epc": HEAD, "rt:p": 0.97}, {"rt:epc": TRUNK, "rt:p": 1}],
}


def test_event_is_read() -> None:
    """Children keep their confidence, whichever order it is listed in."""
    read = parse_event(LOADED, vehicle="van-07", epoch=1, seq=4)
    assert dict(zip(read.epcs, read.confidence, strict=True)) == {TRUNK: 1.0, HEAD: 0.97}
    assert read.place == "urn:epc:id:sgln:9521141.00001.0"
    assert read.not_after_s is not None
    assert read.not_after_s - read.time_s == 8.0
    declared = {"declarationTime": "2026-03-02T08:00:00.000Z", "reason": "incorrect_data"}
    void = parse_event(LOADED | {"errorDeclaration": declared}, vehicle="van-07", epoch=1, seq=5)
    assert (void.void, void.reason, void.event_id) == (True, "incorrect_data", read.event_id)


@pytest.mark.parametrize("p", [10**400, -(10**400), 1.5, -0.1, True, "0.9"])
def test_a_confidence_that_is_no_probability_is_not_told(p: object) -> None:
    """Only what lies from 0 to 1 is one; a number that no float holds is none either, and the event stands."""
    epc = LOADED["childEPCs"][0]
    read = parse_event(LOADED | {"rt:confidence": [{"rt:epc": epc, "rt:p": p}]}, vehicle="van-07", epoch=1, seq=4)
    assert read.confidence[read.epcs.index(epc)] is None


def test_declaration_example_of_the_standard(standards: Any) -> None:
    """GS1's own example of an error declaration (EPCIS 2.0 artefacts) has the fields that are read here."""
    import json  # noqa: PLC0415 - only here

    text = (
        standards / "epcis/examples/WithErrorDeclaration__Example_9.6.1-ObjectEvent-with-error-declaration.jsonld"
    ).read_text()
    body = json.loads(text)["epcisBody"]["eventList"][0]
    declaration = body["errorDeclaration"]
    read = parse_event(LOADED | {"errorDeclaration": declaration}, vehicle="van-07", epoch=1, seq=1)
    assert read.void
    assert read.reason == declaration["reason"]


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"eventID": None}, "eventID"),
        ({"eventTime": "yesterday"}, "eventTime must be a time"),
        ({"eventTime": None}, "needs eventTime"),
        ({"action": "DELETE"}, "none of loaded"),
        ({"childEPCs": []}, "childEPCs"),
        ({"childEPCs": [7]}, "list of EPC"),
        ({"type": "TransformationEvent"}, "neither"),
        ({"errorDeclaration": "oops"}, "errorDeclaration"),
        ({"eventID": "e" * 301}, "eventID has 300 characters at most"),
        ({"childEPCs": ["urn:epc:raw:96.x" + "0" * 300]}, "an EPC has 300 characters at most"),
        ({"bizLocation": {"id": "p" * 301}}, "the place has 300 characters at most"),
    ],
)
def test_event_that_cannot_be_folded(change: dict[str, Any], says: str) -> None:
    """An event that cannot be folded is refused with the reason."""
    with pytest.raises(MessageError, match=says):
        parse_event(LOADED | change, vehicle="van-07", epoch=1, seq=1)
