"""Events as EPCIS 2.0: formats.md section 6, GS1's own JSON schema by two validators, GS1's JSON-LD context."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import jsonschema
import jsonschema_rs
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyld import jsonld

from agent import epcis
from agent.epc import decode_tag
from agent.epcis import Confident, Place
from agent.eventhash import event_hash
from agent.units import parse_utc

VAN = "urn:epc:id:giai:9521141.70007"
LAMP = "urn:epc:id:grai:9521141.00012.101"
TRUNK = "urn:epc:id:grai:9521141.00014.7"
RAW = "urn:epc:raw:96.xE280116060000207AABBCCDD"
BADGE = "urn:epc:id:gsrnp:9521141.1234567890"
AT = parse_utc("2026-03-02T07:01:12.000Z")
WHEN = {"event_time_s": AT, "not_before_s": AT - 40, "not_after_s": AT + 12.5}

Check = Callable[[dict[str, Any]], None]


@pytest.fixture(scope="session")
def valid(standards: Path) -> Check:
    """Raises unless an event fits GS1's schema, formats asserted, in the eyes of two validators."""
    schema = json.loads((standards / "epcis" / "EPCIS-JSON-Schema.json").read_text(encoding="utf-8"))
    first = jsonschema.Draft7Validator(schema, format_checker=jsonschema.Draft7Validator.FORMAT_CHECKER)
    second = jsonschema_rs.Draft7Validator(schema, validate_formats=True)

    def check(event: dict[str, Any]) -> None:
        first.validate(event)
        second.validate(event)

    return check


def _all_kinds() -> dict[str, dict[str, Any]]:
    """One event of each kind, and at each kind of place."""
    site = epcis.place_at_site("urn:epc:id:sgln:9521141.12345.0", "Europe/Oslo", AT)
    named = epcis.place_at_site("urn:roadtally:site:yard-a", None, AT)
    street = epcis.place_at_position(-0.0000001, -4.2, 12.04)
    badges = [Confident(BADGE, 0.99)]
    children = [Confident(TRUNK, 0.98765), Confident(LAMP, 1.0)]
    loaded = epcis.loaded(vehicle_epc=VAN, children=children, **WHEN, badges=badges, place=site)
    return {
        "loaded": loaded,
        "unloaded": epcis.unloaded(vehicle_epc=VAN, children=[Confident(RAW, 0.9)], **WHEN, place=street, revision=2),
        "departed": epcis.departed(vehicle_epc=VAN, aboard=children, **WHEN, badges=badges, place=named),
        "departed empty": epcis.departed(vehicle_epc=VAN, aboard=[], **WHEN, place=site),
        "arrived": epcis.arrived(vehicle_epc=VAN, **WHEN, badges=badges, place=street),
        "arrived nowhere known": epcis.arrived(vehicle_epc=VAN, **WHEN, place=Place()),
        "voided": epcis.voided(loaded, declared_at=AT + 600, reason="did_not_occur"),
        "corrected": epcis.voided(
            loaded, declared_at=AT + 600, reason="incorrect_data", corrective_ids=[event_hash(loaded)]
        ),
    }


@pytest.mark.parametrize("kind", sorted(_all_kinds()))
def test_fits_the_schema(kind: str, valid: Check) -> None:
    """Every kind of event is valid EPCIS 2.0 with formats asserted, by both validators."""
    valid(_all_kinds()[kind])


def test_the_validators_do_look(valid: Check) -> None:
    """A wrong time, step or URI is caught, so that the checks above can fail."""
    good = _all_kinds()["loaded"]
    for wrong in (
        {**good, "eventTime": "2026-03-02 07:01"},
        {**good, "bizStep": "putting aboard"},
        {**good, "bizLocation": {"id": "the depot"}},
        {**good, "loader": "x"},
    ):
        with pytest.raises((jsonschema.ValidationError, jsonschema_rs.ValidationError)):
            valid(wrong)


def test_loaded_word_for_word() -> None:
    """A loading stands exactly as formats.md section 6 says, times and probabilities rounded, children sorted."""
    assert _all_kinds()["loaded"] == {
        "@context": [
            "https://ref.gs1.org/standards/epcis/2.0.0/epcis-context.jsonld",
            {"rt": "https://roadtally.example/ns/1/"},
        ],
        "type": "AggregationEvent",
        "eventID": event_hash(_all_kinds()["loaded"]),
        "eventTime": "2026-03-02T07:01:12.000Z",
        "eventTimeZoneOffset": "+01:00",
        "parentID": VAN,
        "childEPCs": [LAMP, TRUNK],
        "action": "ADD",
        "bizStep": "loading",
        "disposition": "in_progress",
        "bizLocation": {"id": "urn:epc:id:sgln:9521141.12345.0"},
        "rt:not_before": "2026-03-02T07:00:32.000Z",
        "rt:not_after": "2026-03-02T07:01:24.500Z",
        "rt:confidence": [{"rt:epc": LAMP, "rt:p": 1.0}, {"rt:epc": TRUNK, "rt:p": 0.9877}],
        "rt:badges": [{"rt:epc": BADGE, "rt:p": 0.99}],
    }


@pytest.mark.parametrize(
    ("kind", "shape"),
    [
        ("loaded", ("AggregationEvent", "ADD", "loading", "in_progress")),
        ("unloaded", ("AggregationEvent", "DELETE", "unloading", "in_progress")),
        ("departed", ("AggregationEvent", "OBSERVE", "departing", "in_transit")),
        ("departed empty", ("ObjectEvent", "OBSERVE", "departing", "in_transit")),
        ("arrived", ("ObjectEvent", "OBSERVE", "arriving", None)),
    ],
)
def test_table_of_formats(kind: str, shape: tuple[str | None, ...]) -> None:
    """Type, action, step and disposition are those of the table; an event of the vehicle alone lists the vehicle."""
    event = _all_kinds()[kind]
    assert tuple(event.get(key) for key in ("type", "action", "bizStep", "disposition")) == shape
    if event["type"] == "ObjectEvent":
        assert event["epcList"] == [VAN]
    else:
        assert event["parentID"] == VAN


def test_a_place_that_is_no_site() -> None:
    """Off the sites there is a geo: read point with its uncertainty (RFC 5870) and no business location."""
    event = _all_kinds()["unloaded"]
    assert event["readPoint"] == {"id": "geo:0.000000,-4.200000;u=12.0"}
    assert "bizLocation" not in event
    assert event["eventTimeZoneOffset"] == "+00:00"
    assert event["rt:revision"] == 2


@pytest.mark.parametrize(
    ("zone", "time", "offset"),
    [
        ("Europe/Oslo", "2026-03-02T07:00:00Z", "+01:00"),
        ("Europe/Oslo", "2026-07-02T07:00:00Z", "+02:00"),
        ("America/St_Johns", "2026-01-02T07:00:00Z", "-03:30"),
        ("Asia/Kathmandu", "2026-01-02T07:00:00Z", "+05:45"),
        ("Pacific/Kiritimati", "2026-01-02T07:00:00Z", "+14:00"),
        (None, "2026-07-02T07:00:00Z", "+00:00"),
    ],
)
def test_offset_of_the_site(zone: str | None, time: str, offset: str) -> None:
    """The offset is that of the site's zone at that time (IANA time zone database)."""
    assert epcis.timezone_offset(zone, parse_utc(time)) == offset


def test_voided_repeats_everything() -> None:
    """An event taken back keeps every field and its id, which is still its hash; a second time is refused."""
    loaded, voided = _all_kinds()["loaded"], _all_kinds()["corrected"]
    assert {key: voided[key] for key in loaded} == loaded
    assert event_hash(voided) == voided["eventID"] == loaded["eventID"]
    assert voided["errorDeclaration"] == {
        "declarationTime": "2026-03-02T07:11:12.000Z",
        "reason": "incorrect_data",
        "correctiveEventIDs": [loaded["eventID"]],
    }
    with pytest.raises(ValueError, match="already"):
        epcis.voided(voided, declared_at=AT, reason="did_not_occur")


def test_a_revision_is_another_event() -> None:
    """The same fact stated again after it was taken back gets another id, so the voided one never comes back."""
    common = {
        "vehicle_epc": VAN,
        "children": [Confident(LAMP, 0.9)],
        **WHEN,
        "place": Place("urn:roadtally:site:depot"),
    }
    ids = {epcis.loaded(**common, revision=revision)["eventID"] for revision in (None, 2, 3)}
    assert len(ids) == 3


def test_the_order_of_children_is_no_difference() -> None:
    """The same fact gives the same bytes, in whatever order its items are named."""
    one, other = [Confident(LAMP, 0.9), Confident(TRUNK, 0.8)], [Confident(TRUNK, 0.8), Confident(LAMP, 0.9)]
    place = Place("urn:roadtally:site:depot")
    events = [epcis.loaded(vehicle_epc=VAN, children=children, **WHEN, place=place) for children in (one, other)]
    assert json.dumps(events[0]) == json.dumps(events[1])


def test_refuses_what_would_mislead() -> None:
    """No children, a child twice, and a time outside its own interval are errors of the caller."""
    place = Place("urn:roadtally:site:depot")
    with pytest.raises(ValueError, match="at least one child"):
        epcis.unloaded(vehicle_epc=VAN, children=[], **WHEN, place=place)
    with pytest.raises(ValueError, match="twice"):
        epcis.loaded(vehicle_epc=VAN, children=[Confident(LAMP, 1), Confident(LAMP, 0.5)], **WHEN, place=place)
    with pytest.raises(ValueError, match="outside"):
        epcis.arrived(vehicle_epc=VAN, event_time_s=AT, not_before_s=AT + 1, not_after_s=AT + 2, place=place)


def test_json_ld_keeps_every_field(standards: Path) -> None:
    """Expanded with GS1's context no field is lost: each has an IRI, ours under our namespace."""
    context = json.loads((standards / "epcis" / "epcis-context.jsonld").read_text(encoding="utf-8"))

    def load(url: str, _options: object) -> dict[str, Any]:
        assert url == epcis.CONTEXT_URI
        return {"contentType": "application/ld+json", "contextUrl": None, "documentUrl": url, "document": context}

    for kind, event in _all_kinds().items():
        (expanded,) = jsonld.expand(event, {"documentLoader": load})
        words = {"@context", "eventID", "type"}  # eventID becomes @id, type becomes @type
        assert len(expanded) == len([key for key in event if key not in words]) + 2, kind
        assert expanded["@id"] == event["eventID"]
        assert all(key.startswith(("@", "https://ref.gs1.org/", "https://roadtally.example/ns/1/")) for key in expanded)
        assert expanded["https://ref.gs1.org/epcis/bizStep"] == [
            {"@id": f"https://ref.gs1.org/cbv/BizStep-{event['bizStep']}"}
        ]


@given(
    st.lists(st.binary(min_size=2, max_size=20), min_size=1, max_size=8, unique_by=lambda data: decode_tag(data.hex())),
    st.floats(-90, 90),
    st.floats(-180, 180),
    st.floats(0, 1e6),
)
def test_any_tag_at_any_position_is_valid(
    valid: Check, tags: list[bytes], lat: float, lon: float, error_m: float
) -> None:
    """Whatever is on the tags and wherever the van stands, the event is valid and names itself by its hash."""
    children = [Confident(decode_tag(data.hex()), 0.5) for data in tags]
    place = epcis.place_at_position(lat, lon, error_m)
    event = epcis.loaded(vehicle_epc=VAN, children=children, **WHEN, place=place)
    valid(event)
    assert event["eventID"] == event_hash(json.loads(json.dumps(event)))
