"""MQTT topics and payloads: what the formats page says, both ways, and nothing malformed or oversized gets in."""

from __future__ import annotations

import json
import zlib
from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent import messages
from agent.errors import MessageError
from agent.messages import Ack, OutboxRow

VEHICLE = "van-07"


def row(seq: int, body: dict[str, Any] | None = None) -> OutboxRow:
    """An outbox row with a small body."""
    return OutboxRow(seq, "event", json.dumps(body or {"n": seq}).encode())


def zipped(value: Any) -> bytes:
    """A payload as an independent program would pack it."""
    return zlib.compress(json.dumps(value).encode())


def batch(**changes: Any) -> dict[str, Any]:
    """A log batch as formats.md section 8 shows it."""
    whole: dict[str, Any] = {
        "v": 1,
        "vehicle": VEHICLE,
        "epoch": 1,
        "records": [{"seq": 1, "kind": "event", "body": {}}],
    }
    whole.update(changes)
    return whole


def test_topics_are_those_of_the_formats_page() -> None:
    """roadtally/1/VEHICLE/LEAF, both ways, for every leaf."""
    for leaf in ("status", "aboard", "log", "position", "ack", "sites", "register", "plan", "settings"):
        assert messages.topic(VEHICLE, leaf) == f"roadtally/1/van-07/{leaf}"
        assert messages.parse_topic(f"roadtally/1/van-07/{leaf}") == (VEHICLE, leaf)


@pytest.mark.parametrize(
    "text",
    ["", "roadtally/1/van-07", "roadtally/2/van-07/log", "roadtally/1/Van 7/log", "roadtally/1/van-07/log/x",
     "roadtally/1/+/log", "roadtally/1/van-07/logs", "roadtally/1//log", "roadtally/1/van-07\n/log"],
)  # fmt: skip
def test_any_other_topic_is_refused(text: str) -> None:
    """A topic that is not of this form is nobody's."""
    with pytest.raises(MessageError):
        messages.parse_topic(text)


@pytest.mark.parametrize(("vehicle", "leaf"), [("+", "log"), ("van-07", "logs"), ("", "ack"), ("a/b", "ack")])
def test_no_topic_is_made_that_could_reach_another_vehicle(vehicle: str, leaf: Any) -> None:
    """A wildcard or a slash in a vehicle id never becomes a topic."""
    with pytest.raises(ValueError, match="no topic"):
        messages.topic(vehicle, leaf)


def test_a_log_batch_reads_as_plain_zlib_and_json() -> None:
    """What is packed, the standard library alone unpacks to the page's object."""
    rows = [row(4), OutboxRow(5, "notice", '{"text": "Küche"}'.encode())]
    unpacked = json.loads(zlib.decompress(messages.encode_log(vehicle=VEHICLE, epoch=2, records=rows)))
    assert unpacked == {
        "v": 1,
        "vehicle": VEHICLE,
        "epoch": 2,
        "records": [
            {"seq": 4, "kind": "event", "body": {"n": 4}},
            {"seq": 5, "kind": "notice", "body": {"text": "Küche"}},
        ],
    }


def test_a_signed_batch_carries_its_chain() -> None:
    """`prev` and `sig` stand beside each body, the key in the frame, and come back; without them no name stands."""
    digest, sig, key = "sha-256:" + "a" * 64, "c2ln" * 22, "ed25519:" + "A" * 44
    rows = [OutboxRow(1, "event", b"{}", "", sig), OutboxRow(2, "event", b"{}", digest, sig)]
    payload = messages.encode_log(vehicle=VEHICLE, epoch=1, records=rows, key=key)
    told = json.loads(zlib.decompress(payload))
    assert told["key"] == key
    assert told["records"] == [
        {"seq": 1, "kind": "event", "body": {}, "prev": "", "sig": sig},
        {"seq": 2, "kind": "event", "body": {}, "prev": digest, "sig": sig},
    ]
    back = messages.decode_log(payload, vehicle=VEHICLE)
    assert (back.key, [(each.prev, each.sig) for each in back.records]) == (key, [("", sig), (digest, sig)])
    bare = json.loads(zlib.decompress(messages.encode_log(vehicle=VEHICLE, epoch=1, records=[row(1)])))
    assert (set(bare), set(bare["records"][0])) == ({"v", "vehicle", "epoch", "records"}, {"seq", "kind", "body"})


def test_what_stands_around_the_bodies_is_counted() -> None:
    """Fifty records just below 4 MiB together with their signatures never unpack to more."""
    sig, digest = "s" * 88, "sha-256:" + "a" * 64
    size = messages.MAX_UNPACKED_BYTES // 50
    for less in (0, 100, 200, 250, 300, 350, 400):
        body = b'"' + b"x" * (size - less) + b'"'
        rows = [OutboxRow(2**53 - n, "manifest", body, digest, sig) for n in range(50)]
        payload, taken = messages.pack_log(vehicle="v" * 40, epoch=2**53, rows=rows, key="ed25519:" + "A" * 44)
        assert taken >= 49 or less < 300
        assert len(messages.decode_log(payload).records) == taken


def test_an_ack_says_which_record_it_holds() -> None:
    """`hash` goes both ways, only a digest is one, and joining two acks keeps that of the higher run."""
    low, high = "sha-256:" + "1" * 64, "sha-256:" + "2" * 64
    assert messages.decode_acks(messages.encode_acks([Ack(1, 3, (), low)])) == (Ack(1, 3, (), low),)
    assert json.loads(messages.encode_acks([Ack(1, 3, (), low)]))["acks"][0]["hash"] == low
    for wrong in (b'"sha-256:12"', b'"x"', b"7"):
        with pytest.raises(MessageError):
            messages.decode_acks(b'{"acks": [{"epoch": 1, "seq": 4, "hash": %s}]}' % wrong)
    assert messages.merge_acks(Ack(1, 3, (), low), Ack(1, 5, (), high)) == Ack(1, 5, (), high)
    assert messages.merge_acks(Ack(1, 3, (), low), Ack(1, 2, ((4, 6),), high)) == Ack(1, 6)


def test_a_batch_that_another_program_made_is_read() -> None:
    """Keys that are not known are passed over; the body comes out as its document."""
    made = messages.decode_log(zipped(batch(extra=1)), vehicle=VEHICLE)
    assert (made.vehicle, made.epoch, made.records[0].seq, made.records[0].kind) == (VEHICLE, 1, 1, "event")
    assert messages.body_of(made.records[0]) == {}


MALFORMED: dict[str, bytes] = {
    "no zlib": b"{}",
    "empty": b"",
    "raw deflate": zlib.compress(b"{}")[2:-4],
    "no JSON": zlib.compress(b"{"),
    "NaN": zlib.compress(b'{"v":NaN}'),
    "bytes after": zipped(batch()) + b"x",
    "wrong check sum": zipped(batch())[:-1] + b"\x00",
    "another version": zipped(batch(v=2)),
    "no vehicle": zipped({key: value for key, value in batch().items() if key != "vehicle"}),
    "bad vehicle": zipped(batch(vehicle="VAN 7")),
    "another vehicle": zipped(batch(vehicle="van-08")),
    "epoch 0": zipped(batch(epoch=0)),
    "seq 0": zipped(batch(records=[{"seq": 0, "kind": "event", "body": {}}])),
    "seq as text": zipped(batch(records=[{"seq": "1", "kind": "event", "body": {}}])),
    "unknown kind": zipped(batch(records=[{"seq": 1, "kind": "read", "body": {}}])),
    "no body": zipped(batch(records=[{"seq": 1, "kind": "event"}])),
    "no records": zipped(batch(records=[])),
    "a seq twice": zipped(batch(records=[{"seq": 1, "kind": "event", "body": {}}] * 2)),
    "51 records": zipped(batch(records=[{"seq": n, "kind": "event", "body": {}} for n in range(1, 52)])),
    "too large packed": bytes(messages.MAX_PACKED_BYTES + 1),
    "nested": zlib.compress(b'{"v":1,"x":' + b"[" * 100_000 + b"]" * 100_000 + b"}"),
    "invalid UTF-8": zlib.compress(b'{"v":1,"vehicle":"\xff"}'),
}


@pytest.mark.parametrize("case", MALFORMED)
def test_a_malformed_batch_is_a_message_error(case: str) -> None:
    """Whatever is wrong with it, it is the peer's error and nothing else is raised."""
    with pytest.raises(MessageError):
        messages.decode_log(MALFORMED[case], vehicle=VEHICLE)


def test_a_batch_cut_at_any_byte_is_refused() -> None:
    """No prefix of a batch passes for one."""
    payload = messages.encode_log(vehicle=VEHICLE, epoch=1, records=[row(1), row(2)])
    for length in range(len(payload)):
        with pytest.raises(MessageError):
            messages.decode_log(payload[:length])


@given(st.binary(max_size=200))
def test_random_bytes_raise_nothing_else(noise: bytes) -> None:
    """Noise, packed or not, is a MessageError in every decoder."""
    for payload in (noise, zlib.compress(noise)):
        with pytest.raises(MessageError):
            messages.decode_log(payload)
    for decode in (messages.decode_acks, lambda payload: messages.decode_downlink(payload, leaf="plan")):
        with pytest.raises(MessageError):
            decode(noise)
    assert messages.version_of(noise) is None


def test_a_decompression_bomb_is_never_unpacked() -> None:
    """200 MB of blanks pack into the allowed size; they are refused after 4 MiB of them."""
    packer = zlib.compressobj(9)
    blanks = b" " * (1 << 20)
    bomb = bytearray()
    while len(bomb) < messages.MAX_PACKED_BYTES - 50_000:
        bomb += packer.compress(blanks)
    bomb += packer.flush()
    assert len(bomb) <= messages.MAX_PACKED_BYTES
    with pytest.raises(MessageError, match="unpacks to more than"):
        messages.decode_log(bytes(bomb))


def test_a_batch_of_exactly_four_mebibytes_passes() -> None:
    """The bound itself is allowed; one byte more is not."""
    frame = json.dumps(batch(records=[{"seq": 1, "kind": "notice", "body": {"text": ""}}])).encode()
    room = messages.MAX_UNPACKED_BYTES - len(frame)
    whole = frame.replace(b'"text": ""', b'"text": "' + b"a" * room + b'"')
    assert len(messages.decode_log(zlib.compress(whole)).records) == 1
    with pytest.raises(MessageError, match="unpacks to more than"):
        messages.decode_log(zlib.compress(whole + b" "))


def test_packing_takes_what_the_bounds_allow() -> None:
    """Fifty records at most, fewer when they are large, and one that can never be sent is named."""
    assert messages.pack_log(vehicle=VEHICLE, epoch=1, rows=[row(n) for n in range(1, 80)])[1] == 50
    noise = [f"{(n * 2654435761) % 2**32:08x}" for n in range(20_000)]  # packs badly: about 90 KB of each body
    large = [row(n, {"n": n, "noise": noise[n * 97 :]}) for n in range(1, 13)]
    rest, seen = large, []
    while rest:
        payload, taken = messages.pack_log(vehicle=VEHICLE, epoch=1, rows=rest)
        assert len(payload) <= messages.MAX_PACKED_BYTES
        seen += [record.seq for record in messages.decode_log(payload).records]
        rest = rest[taken:]
    assert seen == list(range(1, 13))
    with pytest.raises(MessageError, match=r"record 9 \(notice"):
        messages.pack_log(vehicle=VEHICLE, epoch=1, rows=[OutboxRow(9, "notice", b'"' + b"x" * 5_000_000 + b'"')])


def test_an_ack_covers_its_run_and_its_ranges() -> None:
    """All up to seq, and the ranges with both ends; nothing between."""
    ack = messages.decode_acks(b'{"acks": [{"epoch": 1, "seq": 4, "also": [[6, 7], [9, 9]], "x": 1}]}')[0]
    assert [seq for seq in range(1, 12) if ack.covers(seq)] == [1, 2, 3, 4, 6, 7, 9]
    assert ack.highest == 9
    assert messages.decode_acks(messages.encode_acks([ack, Ack(2, 0)])) == (ack, Ack(2, 0))
    assert json.loads(messages.encode_acks([Ack(1, 3)])) == {"acks": [{"epoch": 1, "seq": 3, "also": []}]}


@pytest.mark.parametrize(
    "payload",
    [b"", b"[]", b"{}", b'{"acks": [{"epoch": 0, "seq": 1}]}', b'{"acks": [{"epoch": 1, "seq": -1}]}',
     b'{"acks": [{"epoch": 1, "seq": 1, "also": [[3, 2]]}]}', b'{"acks": [{"epoch": 1, "seq": 1, "also": [[1]]}]}',
     b'{"acks": [{"epoch": 1, "seq": 1e300}]}', b'{"acks": [{"epoch": 1}]}', b"[" * 100_000],
)  # fmt: skip
def test_a_malformed_ack_is_refused(payload: bytes) -> None:
    """A wrong ack could trim what was never accepted, so nothing doubtful passes."""
    with pytest.raises(MessageError):
        messages.decode_acks(payload)


def test_a_downlink_is_held_against_its_digest() -> None:
    """Content in another order or another layout is the same content; one changed value is not."""
    payload = messages.encode_downlink(version=3, content={"b": 1, "a": [2.0, "ü"]})
    down = messages.decode_downlink(payload, leaf="settings")
    assert (down.leaf, down.version, down.content) == ("settings", 3, {"a": [2.0, "ü"], "b": 1})
    again = json.dumps({"content": {"a": [2, "ü"], "b": 1.0}, "digest": down.digest, "version": 3}, indent=1)
    assert messages.decode_downlink(again.encode(), leaf="settings").digest == down.digest
    with pytest.raises(MessageError, match="settings version 3: its content has sha-256:"):
        messages.decode_downlink(payload.replace(b'"b":1', b'"b":2'), leaf="settings")
    assert messages.version_of(payload.replace(b'"b":1', b'"b":2')) == 3


@pytest.mark.parametrize(
    "payload",
    [b"", b"{}", b'{"version": 0, "digest": "sha-256:00", "content": 1}', b'{"version": 1, "content": 1}',
     msgspec.json.encode({"version": 1, "digest": "sha-256:" + "0" * 64}), bytes(messages.MAX_DOWNLINK_BYTES + 1)],
)  # fmt: skip
def test_a_malformed_downlink_is_refused(payload: bytes) -> None:
    """Neither half a downlink nor one too large to be true is taken."""
    with pytest.raises(MessageError):
        messages.decode_downlink(payload, leaf="plan")
