"""What is worth its bytes: a position a minute, a list where it changed, a status where it says something new."""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterator

import pytest
from msgspec.structs import replace

from agent import worth
from agent.bodies import (
    Aboard,
    AboardItem,
    GpsStatus,
    NotRead,
    Position,
    ReaderStatus,
    Status,
    decode_aboard,
    encode_body,
    pack_body,
)
from agent.errors import MessageError

HERE = Position(vehicle="van-07", at="2026-03-02T07:00:00.000Z", lat=48.0, lon=9.0, speed_mps=12.0, leg="van-07/d/1")
ITEM = AboardItem(epc="urn:epc:id:grai:9521141.00020.1", p=0.99, heard_s=1.0)
LIST = Aboard(vehicle="van-07", at="2026-03-02T07:00:00.000Z", state="stopped", site="depot", items=(ITEM,))
ONLINE = Status(
    vehicle="van-07",
    state="online",
    boot=1,
    reader=ReaderStatus("up", fixture_heard_s=1.0),
    gps=GpsStatus("ok"),
    backlog=0,
)


def drive(speed_mps: float, seconds: int) -> Iterator[Position]:
    """Northwards, a fix each second."""
    for second in range(1, seconds + 1):
        yield replace(HERE, at=f"{second}", lat=48.0 + speed_mps * second / 111_200.0, speed_mps=speed_mps)


@pytest.mark.parametrize(("speed_mps", "times"), [(25.0, 10), (1.5, 10), (0.2, 4)])
def test_a_moving_van_tells_its_position_once_a_minute(speed_mps: float, times: int) -> None:
    """Ten minutes' driving are ten positions; in a jam that moves less than 50 m a minute there are fewer."""
    last, told_s, told = HERE, 0, 0
    for second, here in enumerate(drive(speed_mps, 600), 1):
        if worth.position_is(last, here, waited_s=second - told_s):
            last, told_s, told = here, second, told + 1
    assert told == times


def test_arriving_and_leaving_are_told_at_once() -> None:
    """Where site, leg or standing still change, nobody waits for the minute."""
    for changed in (replace(HERE, site="depot"), replace(HERE, leg=None), replace(HERE, speed_mps=0.0)):
        assert worth.position_is(HERE, changed, waited_s=0.0)
    assert worth.position_is(None, HERE, waited_s=0.0)
    assert not worth.position_is(HERE, replace(HERE, at="later"), waited_s=149.0)
    assert worth.position_is(HERE, replace(HERE, at="later"), waited_s=150.0), "a sign of life"
    assert not worth.position_is(HERE, HERE, waited_s=9e9), "the same fix is none"


def test_ages_and_probabilities_alone_are_not_worth_a_list() -> None:
    """At each tick they change; they go along with what matters, and every half hour."""
    older = replace(LIST, at="later", items=(replace(ITEM, p=0.97, heard_s=60.0),))
    assert not worth.aboard_is(LIST, older, waited_s=1799.0)
    assert worth.aboard_is(LIST, older, waited_s=1800.0)


def test_a_list_waits_while_loading_goes_on_but_not_for_a_manifest_or_a_silence() -> None:
    """What is handled is told every five minutes; where a leg's manifest is made or nothing is read, it is at once."""
    empty = replace(LIST, items=())
    assert not worth.aboard_is(LIST, empty, waited_s=299.0)
    assert worth.aboard_is(LIST, empty, waited_s=300.0)
    near = replace(LIST, items=(ITEM, replace(ITEM, epc="other", state="near", p=0.1)))
    assert not worth.aboard_is(LIST, near, waited_s=300.0)
    assert worth.aboard_is(LIST, replace(LIST, state="moving", site=None, leg="van-07/d/1"), waited_s=0.0)
    silent = NotRead("2026-03-02T07:00:00.000Z", "the reader does not answer")
    assert worth.aboard_is(LIST, replace(LIST, silences=(silent,)), waited_s=0.0)


def test_an_arrival_is_told_at_once_a_departure_with_its_manifest() -> None:
    """Who waits for the van reads its list; on the way the manifest is what counts, and it comes within 3 minutes."""
    moving = replace(LIST, state="moving", site=None)
    assert worth.aboard_is(replace(moving, leg="van-07/d/1"), replace(LIST, site="hall"), waited_s=0.0)
    assert not worth.aboard_is(LIST, moving, waited_s=179.0)
    assert worth.aboard_is(LIST, moving, waited_s=180.0)
    assert worth.aboard_is(moving, replace(moving, leg="van-07/d/1"), waited_s=0.0)
    assert not worth.aboard_is(moving, moving, waited_s=1799.0)
    assert worth.aboard_is(replace(LIST, site=None), LIST, waited_s=0.0), "where it stands became known"
    assert worth.aboard_is(replace(LIST, state="unknown"), LIST, waited_s=0.0)


def test_a_status_goes_where_its_condition_changed() -> None:
    """Ages and a few waiting records are no news; a reader that is down, or words about the link, are at once."""
    same = replace(ONLINE, reader=ReaderStatus("up", fixture_heard_s=61.0), gps=GpsStatus("ok", "later"), backlog=3)
    assert not worth.status_is(ONLINE, same, waited_s=899.0)
    assert worth.status_is(ONLINE, same, waited_s=900.0)
    for changed in (
        replace(ONLINE, reader=ReaderStatus("down")),
        replace(ONLINE, gps=GpsStatus("silent")),
        replace(ONLINE, undelivered="record 7 (9000 bytes packed) makes the broker close the connection"),
        replace(ONLINE, backlog=1000),
    ):
        assert worth.status_is(ONLINE, changed, waited_s=0.0)


def test_a_packed_list_is_read_like_a_plain_one() -> None:
    """A fifth as large for twenty items, and the same list; a stream that is cut off or no stream is refused."""
    full = replace(LIST, items=tuple(replace(ITEM, epc=f"urn:epc:id:grai:9521141.00020.{n}") for n in range(20)))
    octets = encode_body(full)
    packed = pack_body(octets)
    assert len(packed) * 5 < len(octets)
    assert decode_aboard(packed) == decode_aboard(octets) == full
    assert json.loads(zlib.decompress(packed)) == json.loads(octets)
    for broken in (packed[:-5], b"\x78\x9cnoise", pack_body(b" " * 2_000_000)):
        with pytest.raises(MessageError):
            decode_aboard(broken)


def test_a_fault_that_only_lasts_longer_is_no_new_condition() -> None:
    """The status has the latest words; for how long it has lasted alone is not worth sending it again."""
    words = "No gpsd at 127.0.0.1:2947 for {}; check that it runs (systemctl status gpsd) and listens there."
    first, later = (
        replace(ONLINE, gps=GpsStatus("silent", None, words.format(lasted))) for lasted in ("45 s", "3 min")
    )
    assert not worth.status_is(first, later, waited_s=60.0)
    assert worth.status_is(first, later, waited_s=worth.AGES_S)
    other = "gpsd answers, but has had no receiver for 3 min; plug it in."
    assert worth.status_is(first, replace(ONLINE, gps=GpsStatus("silent", None, other)), waited_s=60.0)
