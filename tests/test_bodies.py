"""The retained bodies: every key that the board reads is there, and nothing malformed reaches it."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent import bodies
from agent.errors import MessageError

ABOARD: dict[str, Any] = {
    "v": 1,
    "vehicle": "van-07",
    "at": "2026-03-02T07:01:12.000Z",
    "trip": "van-07/2026-03-02",
    "leg": "van-07/2026-03-02/3",
    "state": "moving",
    "site": None,
    "since": "2026-03-02T07:00:00.000Z",
    "certain": True,
    "items": [
        {
            "epc": "urn:epc:id:grai:9521141.12345.5678",
            "tag": "3376451FD40C0E400000162E",
            "name": "Moving head 12",
            "p": 0.998,
            "state": "near",
            "heard_s": 12.0,
            "loaded": {"site": "depot", "time": "2026-03-02T06:40:00.000Z"},
        }
    ],
    "badges": [{"epc": "urn:epc:id:gsrnp:9521141.1234567890", "name": "I. Varga", "p": 0.99}],
    "not_read": {"since": "2026-03-02T07:00:30.000Z", "why": "radio off at this site", "whole": True, "antenna": None},
    "silences": [{"since": "2026-03-02T07:00:30.000Z", "why": "antenna 2 is lost", "whole": False, "antenna": 2}],
}
STATUS: dict[str, Any] = {
    "v": 1,
    "vehicle": "van-07",
    "state": "online",
    "boot": 3,
    "program": "0.1.0",
    "since": None,
    "holding": {
        "sites": {"version": 4},
        "register": {"version": None},
        "plan": {"version": 2},
        "settings": {"version": None},
        "refused": [{"what": "plan", "version": 3, "reasons": ["plan version 3, line 4: no such site"]}],
    },
    "reader": {
        "state": "up",
        "not_read_since": None,
        "antennas_lost": [2],
        "not_read": [{"since": None, "why": "antenna 2 is lost", "whole": False, "antenna": 2}],
        "fixture_heard": "2026-03-02T07:00:18.000Z",
        "fixture_heard_s": 12.0,
    },
    "gps": {"state": "no fix", "last_fix": None, "fault": None},
    "backlog": 12,
    "undelivered": "the broker takes records but no acknowledgement comes from the dispatch side",
    "disk": {"state": "full", "since": None, "waiting": 3, "reads_dropped": 0, "text": "The disk is full."},
}
POSITION: dict[str, Any] = {
    "v": 1,
    "vehicle": "van-07",
    "at": "2026-03-02T07:01:12.000Z",
    "lat": 46.1,
    "lon": 9.2,
    "error_m": 6.0,
    "speed_mps": 12.3,
    "site": "depot",
    "leg": "van-07/2026-03-02/3",
}
DECODERS: list[tuple[Any, dict[str, Any]]] = [
    (bodies.decode_aboard, ABOARD),
    (bodies.decode_status, STATUS),
    (bodies.decode_position, POSITION),
]


@pytest.mark.parametrize(("decode", "body"), DECODERS)
def test_a_body_keeps_every_key_both_ways(decode: Any, body: dict[str, Any]) -> None:
    """Typed and written again, a full body is equal to what came in; an unknown key is passed over."""
    typed = decode(json.dumps(body | {"extra": 1}).encode())
    assert json.loads(bodies.encode_body(typed)) == body
    assert json.loads(bodies.encode_body(body)) == body


def test_what_goes_without_saying_is_left_out() -> None:
    """An item aboard that a manifest has named is its EPC, its probability and its age; a position has no nulls."""
    item = bodies.AboardItem(epc="urn:epc:id:grai:9521141.12345.5678", p=1.0, heard_s=12)
    whole = bodies.Aboard(vehicle="van-07", at=None, items=(item,))
    assert json.loads(bodies.encode_body(whole))["items"] == [{"epc": item.epc, "p": 1.0, "heard_s": 12}]
    assert bodies.decode_aboard(bodies.encode_body(whole)) == whole
    here = bodies.Position(vehicle="van-07", at="2026-03-02T07:01:12.000Z", lat=46.1, lon=9.2)
    assert json.loads(bodies.encode_body(here)) == {
        "v": 1, "vehicle": "van-07", "at": "2026-03-02T07:01:12.000Z", "lat": 46.1, "lon": 9.2
    }  # fmt: skip


@pytest.mark.parametrize(("decode", "body"), DECODERS)
def test_a_malformed_body_is_refused(decode: Any, body: dict[str, Any]) -> None:
    """Another version, no vehicle, no JSON, or far too much of it."""
    without = {key: value for key, value in body.items() if key != "vehicle"}
    for payload in (
        json.dumps(body | {"v": 2}).encode(),
        json.dumps(without).encode(),
        b"",
        b"\xff",
        b"[" * 100_000,
        bytes(bodies.MAX_BODY_BYTES + 1),
    ):
        with pytest.raises(MessageError):
            decode(payload)


@given(st.binary(max_size=100))
def test_noise_is_refused(noise: bytes) -> None:
    """Random bytes are a MessageError, never another."""
    for decode, _ in DECODERS:
        with pytest.raises(MessageError):
            decode(noise)


@pytest.mark.parametrize(("key", "value"), [("lat", 91.0), ("lon", -180.5), ("lat", None)])
def test_a_position_off_the_earth_is_refused(key: str, value: float | None) -> None:
    """Degrees of latitude end at 90, of longitude at 180."""
    with pytest.raises(MessageError):
        bodies.decode_position(json.dumps(POSITION | {key: value}).encode())


def test_the_last_will_reads_as_a_status() -> None:
    """An offline status holds the vehicle and the state; so does the bare form of it."""
    assert bodies.decode_status(bodies.encode_body(bodies.offline("van-07"))).state == "offline"
