"""The event hash against the published vectors of the CBV 2.0 reference algorithm, and against that algorithm itself.

Vectors: github RalphTro/epcis-event-hash-generator (MIT). The expected value is the `.hashes` file throughout; where
the published `.prehashes` text does not hash to that value (some are cut or stale), only the hash is compared.
"""

from __future__ import annotations

import copy
import hashlib
import json
import re
import warnings
from pathlib import Path
from typing import Any

import pytest
from epcis_event_hash_generator import hash_generator, json_to_py
from hypothesis import given, settings
from hypothesis import strategies as st

from agent.epc import decode_tag
from agent.epcis import CONTEXT_URI, EXTENSION_NAMESPACE
from agent.eventhash import digital_link, event_hash, pre_hash

# What we emit, plus business transactions, which many vectors carry beside the fields of interest.
OURS = {
    "type", "eventID", "eventTime", "recordTime", "eventTimeZoneOffset", "errorDeclaration", "rdfs:comment",
    "parentID", "epcList", "childEPCs", "action", "bizStep", "disposition", "readPoint", "bizLocation",
    "bizTransactionList",
}  # fmt: skip

# Events of the vectors that are left out, by file and place in it, and why.
LEFT_OUT = {
    ("ReferenceEventHashAlgorithm2", 0): "sensor data",
    ("ReferenceEventHashAlgorithm3", 0): "sourceList and destinationList",
    ("CertificationInfoAndSensorReportWithCRS", 0): "sensor data",
    ("TimeStampRoundOff", 0): "Digital Link URIs at another host",
    ("TimeStampRoundOff", 1): "Digital Link URIs at another host",
    ("TimeStampRoundOff", 2): "sensor data",
    ("epcisDocHavingEventWithIgnoreFields", 0): "the document says itself which fields to ignore",
    ("epcisDocWithAllGS1Keys", 0): "quantities, and schemes that no tag of ours carries",
    ("epcisDocWithSensorComponent", 0): "sensor data",
    ("epcisDocWithSensorDataObjectEvent", 0): "sensor data",
    ("epcisDocWithShippingAndTransportingEvent", 0): "sourceList and destinationList",
    ("epcisDocWithVariousEventTypes", 0): "sourceList and destinationList",
    ("epcisDocWithVariousEventTypes", 1): "sourceList and destinationList",
    ("epcisDocWithVariousEventTypes", 3): "quantities, instance master data",
    ("epcisDocWithVariousEventTypes", 5): "quantities",
    ("epcisDocWithVariousEventTypes", 9): "quantities",
    ("epcisDocWithVariousEventTypes", 10): "TransformationEvent",
    ("epcisDocWithVariousEventTypes", 11): "TransformationEvent",
    ("epcisDocWithVariousEventTypes", 12): "TransformationEvent",
    ("epcisDocWithXMLstartTagAndErrorDeclaration", 0): "TransformationEvent",
    ("epcisEventWithCURIEs", 0): "Digital Link URIs at another host",
    ("epcisQueryDocHavingEventWithIgnoreFields", 0): "the document says itself which fields to ignore",
    ("epclist_normalisation", 0): "schemes that no tag of ours carries, and Digital Link URIs at another host",
    ("persistentDisposition", 0): "persistentDisposition",
    ("persistentDisposition", 1): "persistentDisposition",
}


def _vectors(standards: Path) -> list[tuple[str, int, dict[str, Any], str]]:
    """File, place, bare event and expected hash of every published JSON-LD event."""
    found = []
    for file in sorted((standards / "epcis" / "hash_vectors").glob("*.jsonld")):
        document = json.loads(file.read_text(encoding="utf-8"))
        body = document["epcisBody"]
        body = body.get("queryResults", {}).get("resultsBody", body)
        events = body.get("eventList") or [body["event"]]
        hashes = file.with_suffix(".hashes").read_text(encoding="utf-8").split()
        assert len(events) == len(hashes)
        for place, (event, expected) in enumerate(zip(events, hashes, strict=True)):
            found.append((file.stem, place, {"@context": document["@context"], **event}, expected))
    return found


def _reference(event: dict[str, Any]) -> tuple[str, str]:
    """Pre-hash text and hash of one bare event by the reference algorithm."""
    event = copy.deepcopy(event)
    document = {
        "@context": event.pop("@context"),
        "type": "EPCISDocument",
        "schemaVersion": "2.0",
        "creationDate": "2026-03-02T07:00:00.000Z",
        "epcisBody": {"eventList": [event]},
    }
    with warnings.catch_warnings():  # the package opens its data files by a function that Python 3.11 deprecates
        warnings.simplefilter("ignore", DeprecationWarning)
        parsed = json_to_py.event_list_from_epcis_document_json(document)
    texts = hash_generator.derive_prehashes_from_events(parsed)
    return texts[0], hash_generator.calculate_hashes_from_pre_hashes(texts)[0]


def test_published_hashes(standards: Path) -> None:
    """Every published event that has only fields of ours gets its published hash."""
    checked = []
    for name, place, event, expected in _vectors(standards):
        if (name, place) not in LEFT_OUT:
            assert event_hash(event) == expected, f"{name}, event {place}: {pre_hash(event)}"
            checked.append((name, place))
    assert ("ReferenceEventHashAlgorithm", 0) in checked
    assert len(checked) == 18


def test_what_is_left_out_is_refused_or_named(standards: Path) -> None:
    """No event that is left out gets a wrong hash in silence: it is refused, or only the document makes it differ."""
    for name, place, event, expected in _vectors(standards):
        if "ignore" in LEFT_OUT.get((name, place), ""):
            assert event_hash(event) != expected
        elif (name, place) in LEFT_OUT:
            with pytest.raises((ValueError, KeyError)):
                event_hash(event)


def test_published_pre_hash_texts(standards: Path) -> None:
    """The published canonical text is ours, to the letter, wherever that text is whole."""
    whole = 0
    for name, place, event, expected in _vectors(standards):
        file = standards / "epcis" / "hash_vectors" / f"{name}.prehashes"
        if (name, place) in LEFT_OUT or not file.exists():
            continue
        texts = [line for line in file.read_text(encoding="utf-8").split("\n") if line.startswith("eventType=")]
        digests = {f"ni:///sha-256;{hashlib.sha256(text.encode()).hexdigest()}?ver=CBV2.0": text for text in texts}
        if expected in digests:
            assert pre_hash(event) == digests[expected]
            whole += 1
    assert whole >= 5


def test_vectors_reduced_to_our_fields_agree_with_the_reference(standards: Path) -> None:
    """Published events, with the fields that we never emit taken out, hash as the reference algorithm says."""
    compared = 0
    for name, place, event, _ in _vectors(standards):
        if event["type"] not in {"ObjectEvent", "AggregationEvent"}:
            continue
        moved = json.loads(re.sub(r"https://(id\.gs1\.de|id\.example\.com)/", "https://id.gs1.org/", json.dumps(event)))
        reduced = {key: value for key, value in moved.items() if key in OURS | {"@context"} or ":" in key}
        reduced["epcList"] = [epc for epc in reduced.get("epcList", ()) if _is_ours(epc)]
        if "gdti" in json.dumps(reduced.get("bizTransactionList", ())):
            del reduced["bizTransactionList"]
        reduced = {key: value for key, value in reduced.items() if value}
        assert (pre_hash(reduced), event_hash(reduced)) == _reference(reduced), f"{name}, event {place}"
        compared += 1
    assert compared >= 30


def _is_ours(epc: str) -> bool:
    try:
        return digital_link(epc) != epc or re.match(r"https://id\.gs1\.org/\d", epc) is not None
    except ValueError:
        return False


def _event(**fields: Any) -> dict[str, Any]:
    return {
        "@context": [CONTEXT_URI, {"rt": EXTENSION_NAMESPACE}],
        "type": "AggregationEvent",
        "eventTime": "2026-03-02T07:01:12.000Z",
        "eventTimeZoneOffset": "+01:00",
        "parentID": "urn:epc:id:giai:9521141.70007",
        "childEPCs": ["urn:epc:id:grai:9521141.00012.101"],
        "action": "ADD",
        "bizStep": "loading",
        "disposition": "in_progress",
        **fields,
    }


def test_what_is_said_about_an_event_changes_nothing() -> None:
    """The hash is blind to `eventID`, `recordTime`, comments and an error declaration, and to the order of lists."""
    plain = _event(childEPCs=["urn:epc:id:giai:9521141.1", "urn:epc:id:giai:9521141.2"])
    told = {
        **plain,
        "childEPCs": ["urn:epc:id:giai:9521141.2", "urn:epc:id:giai:9521141.1"],
        "eventID": "urn:uuid:00000000-0000-0000-0000-000000000000",
        "recordTime": "2026-03-02T08:00:00.000Z",
        "rdfs:comment": "seen from the gate",
        "errorDeclaration": {"declarationTime": "2026-03-02T09:00:00.000Z", "reason": "did_not_occur"},
    }
    assert event_hash(told) == event_hash(plain) == _reference(plain)[1]
    assert event_hash(_event()) != event_hash(plain)


def test_the_same_moment_is_the_same_hash() -> None:
    """A time counts as the moment that it names, whatever zone it is written in."""
    assert event_hash(_event(eventTime="2026-03-02T08:01:12+01:00")) == event_hash(_event())


def test_the_vocabulary_in_any_notation() -> None:
    """A step is the same as a bare word, as a CURIE, as the older URN and as the full web URI."""
    for step in ("cbv:BizStep-loading", "urn:epcglobal:cbv:bizstep:loading", "https://ref.gs1.org/cbv/BizStep-loading"):
        assert event_hash(_event(bizStep=step)) == event_hash(_event())
    old = _event(bizStep="urn:epcglobal:cbv:bizstep:loading", disposition="urn:epcglobal:cbv:disp:in_progress")
    assert event_hash(old) == _reference(old)[1]


@pytest.mark.parametrize(
    ("fields", "says"),
    [
        ({"sensorElementList": []}, "'sensorElementList' is neither"),
        ({"xx:mark": 1}, "'xx:mark' is neither"),
        ({"rt:flag": True}, "has no canonical form"),
        ({"rt:flag": None}, "has no canonical form"),
        ({"rt:huge": "1e999999999"}, "too large or too small"),
        ({"childEPCs": ["urn:epc:id:gdti:9521141.12345.5678"]}, "no Digital Link form"),
        ({"childEPCs": ["urn:epc:id:grai:9521141.1234.5678"]}, "have 11 digits, not 12"),
        ({"childEPCs": ["https://example.com/8003/095211411234545678"]}, "must be at https://id.gs1.org/"),
    ],
)
def test_refuses_what_it_cannot_hash(fields: dict[str, Any], says: str) -> None:
    """What the algorithm is not applied to here is refused, never left out in silence."""
    with pytest.raises(ValueError) as caught:  # noqa: PT011 -- the text is compared below
        event_hash(_event(**fields))
    assert says in str(caught.value)


EPCS = st.one_of(
    st.builds("urn:epc:id:grai:9521141.{:05d}.{}".format, st.integers(0, 99_999), st.integers(0, 2**38 - 1)),
    st.builds("urn:epc:id:giai:952114.{}".format, st.integers(0, 2**62 - 1)),
    st.builds("urn:epc:id:gsrnp:9521141.{:010d}".format, st.integers(0, 10**10 - 1)),
    st.builds("urn:epc:id:sgtin:95211411.{:05d}.{}".format, st.integers(0, 99_999), st.integers(0, 2**38 - 1)),
    st.builds("urn:epc:id:sscc:952114112.{:08d}".format, st.integers(0, 10**8 - 1)),
    st.builds("urn:epc:id:sgln:9521141.{:05d}.{}".format, st.integers(0, 99_999), st.integers(0, 9)),
    # At least a word long and under a header that is no GS1 EPC.
    st.binary(min_size=1, max_size=20).map(lambda data: decode_tag("E2" + data.hex())),
)
PROBABILITIES = st.integers(1, 10_000).map(lambda n: n / 10_000)


@given(
    st.lists(st.tuples(EPCS, PROBABILITIES), min_size=1, max_size=6, unique_by=lambda pair: pair[0]),
    st.lists(st.tuples(EPCS, PROBABILITIES), max_size=3, unique_by=lambda pair: pair[0]),
    st.one_of(EPCS, st.just("urn:roadtally:site:depot"), st.just("geo:50.123456,-4.200000;u=12.0")),
    st.one_of(st.none(), st.integers(1, 30)),
)
@settings(max_examples=25, deadline=None)
def test_agrees_with_the_reference_algorithm(
    children: list[tuple[str, float]], badges: list[tuple[str, float]], place: str, revision: int | None
) -> None:
    """Events with nested extension lists, persons, raw tags and any kind of place hash as the reference says."""
    fields: dict[str, Any] = {
        "childEPCs": [epc for epc, _ in children],
        "bizLocation": {"id": place},
        "rt:confidence": [{"rt:epc": epc, "rt:p": p} for epc, p in children],
        "rt:badges": [{"rt:epc": epc, "rt:p": p} for epc, p in badges],
        "rt:not_before": "2026-03-02T07:00:00.000Z",
    }
    if revision is not None:
        fields["rt:revision"] = revision
    event = _event(**fields)
    assert (pre_hash(event), event_hash(event)) == _reference(event)
