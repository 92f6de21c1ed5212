"""What the dispatch side makes of payloads: the frame may fail, a record in it never takes the others with it."""

from __future__ import annotations

import json
import zlib
from typing import Any

import pytest

from agent.dispatch.wire import acks_of, decode_batch
from agent.errors import MessageError
from agent.ledger import SeqRanges
from agent.messages import decode_acks, encode_acks
from tests.dispatch.scenario import full_day, pack

FRAME = {"v": 1, "vehicle": "van-07", "epoch": 1, "records": [{"seq": 1, "kind": "notice", "body": {}}]}


def packed(frame: object) -> bytes:
    """A frame as a payload."""
    return zlib.compress(json.dumps(frame).encode())


def test_a_day_comes_back() -> None:
    """What was packed is read, with each body's text as it was written."""
    batch = full_day().batches()[0]
    read = decode_batch(pack(batch), vehicle="van-07")
    assert [(each.seq, each.kind, each.value) for each in read.records] == [
        (each.seq, each.kind, each.body) for each in batch.records
    ]
    assert read.records[0].text == batch.records[0].document


@pytest.mark.parametrize("text", ['{"n": 123456789012345678901234567890}', "1e400", "null", '"x"'])
def test_a_record_of_nonsense_keeps_its_seq(text: str) -> None:
    """A body that makes no sense is read as written, so that it can be kept and acknowledged."""
    payload = b'{"v":1,"vehicle":"van-07","epoch":1,"records":[{"seq":9,"kind":7,"body":%s}]}' % text.encode()
    record = decode_batch(zlib.compress(payload), vehicle="van-07").records[0]
    assert (record.seq, record.kind, record.document) == (9, "", text)


def test_a_record_without_a_seq_takes_no_other_with_it() -> None:
    """It is set apart as it came, with the reason; the rest of its batch is read."""
    records = [{"seq": 1, "kind": "notice", "body": {}}, {"seq": 0, "body": "lost"}, {"seq": 3, "kind": "notice"}]
    read = decode_batch(packed(FRAME | {"records": records}), vehicle="van-07")
    assert [each.seq for each in read.records] == [1, 3]
    assert [(b"lost" in octets, "seq from 1" in why) for octets, why in read.broken] == [(True, True)]


def test_octets_that_no_text_holds_are_kept() -> None:
    """A body that is no UTF-8 is kept as its octets; its text only shows them."""
    payload = b'{"v":1,"vehicle":"van-07","epoch":1,"records":[{"seq":1,"kind":"notice","body":{}},'
    payload += b'{"seq":2,"kind":"notice","body":"\xff\xfe"}]}'
    first, second = decode_batch(zlib.compress(payload), vehicle="van-07").records
    assert (first.value, second.value, second.octets) == ({}, None, b'"\xff\xfe"')
    assert second.document == '"\\xff\\xfe"'


@pytest.mark.parametrize(
    "seal", [{"prev": 7, "sig": 8}, {"prev": "sha-256:x", "sig": "\0"}, {"prev": "a" * 5000, "sig": "a" * 5000}, {}]
)
def test_a_seal_of_no_form_is_none(seal: dict[str, Any]) -> None:
    """A record whose seal has not the form it must have is read as an unsigned one; so is a key."""
    records = [{"seq": 1, "kind": "notice", "body": {}} | seal]
    read = decode_batch(packed(FRAME | {"records": records, "key": seal.get("sig")}), vehicle="van-07")
    assert (read.records[0].prev, read.records[0].sig, read.key) == (None, None, None)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"v": 2}, "has v 1"),
        ({"vehicle": "van-03"}, "its own vehicle"),
        ({"epoch": 0}, "an epoch from 1"),
        ({"epoch": "1"}, "JSON object"),
        ({"records": []}, "1 to 50"),
        ({"records": FRAME["records"] * 51}, "1 to 50"),  # type: ignore[operator]
        ({"records": [{"seq": 0}]}, "seq from 1"),
        ({"records": [{"kind": "event"}]}, "seq from 1"),
        ({"records": [7]}, "seq from 1"),
    ],
)
def test_a_broken_frame_is_refused(change: dict[str, Any], says: str) -> None:
    """Where no seq can be told, the whole message is refused with the reason."""
    with pytest.raises(MessageError, match=says):
        decode_batch(packed(FRAME | change), vehicle="van-07")


def test_no_bomb_is_unpacked() -> None:
    """No more than 4 MiB are unpacked, no more than 256 KiB looked at; noise is refused."""
    for payload, says in (
        (zlib.compress(b" " * (5 << 20)), "unpacks into"),
        (bytes(300 * 1024), "packs into"),
        (b"\x00", "cut off"),
        (b"\x78\x9c\xff\xff", "zlib"),
        (
            zlib.compress(b'{"v":1,"vehicle":"van-07","epoch":1,"records":' + b"[" * 3000 + b"]" * 3000 + b"}"),
            "recursion",
        ),
        (zlib.compress(b"\xff{"), "JSON"),
    ):
        with pytest.raises(MessageError, match=says):
            decode_batch(payload, vehicle="van-07")


def test_acks_say_what_is_committed() -> None:
    """Each epoch is acknowledged by itself, with what lies beyond a gap beside it."""
    committed = {1: SeqRanges(((1, 7),)), 2: SeqRanges(((1, 2), (5, 6))), 3: SeqRanges(((4, 4),))}
    told = {ack.epoch: ack for ack in decode_acks(encode_acks(acks_of(committed, {})))}
    assert {epoch: (ack.seq, ack.also) for epoch, ack in told.items()} == {
        1: (7, ()),
        2: (2, ((5, 6),)),
        3: (0, ((4, 4),)),
    }
