"""Ingest against a real broker: committed before acknowledged, whatever breaks in between."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import msgspec
import pytest
import sqlalchemy as sa

from agent.bodies import Body, Position
from agent.chain import walk
from agent.clock import SystemClock
from agent.dispatch import schema
from agent.dispatch.chains import kept_chain
from agent.dispatch.connection import Broker
from agent.dispatch.drawn import Drawn
from agent.dispatch.ingest import Ingest
from agent.dispatch.store import BusyError, DispatchStore, open_store
from agent.dispatch.wire import LogBatch, LogRecord
from agent.messages import decode_acks, decode_downlink
from tests.dispatch.conftest import Mosquitto, Vehicle, until
from tests.dispatch.scenario import (
    aboard,
    digest_of_record,
    full_day,
    item,
    key_of,
    pack,
    position,
    sealed,
    status,
    text_of_key,
)

pytestmark = pytest.mark.integration


@pytest.fixture
def store(tmp_path: Path) -> Iterator[DispatchStore]:
    """An empty store in a file."""
    opened = open_store(tmp_path / "dispatch.sqlite")
    yield opened
    opened.close()


@pytest.fixture
def ingest(store: DispatchStore, broker: Mosquitto) -> Iterator[Ingest]:
    """A connected ingest."""
    running = Ingest(store, Broker(port=broker.port), clock=SystemClock())
    running.start()
    until(lambda: running.link.connected, "ingest to connect")
    yield running
    running.close()


def acked_up_to(van: Vehicle) -> int:
    """How far the last retained ack goes in epoch 1."""
    return max((ack.seq for ack in decode_acks(van.told.get("ack", b'{"acks":[]}')) if ack.epoch == 1), default=0)


def vehicle_row(store: DispatchStore) -> dict[str, object]:
    """What the store knows of van-07."""
    with store.reading() as connection:
        row = connection.execute(sa.select(schema.vehicle).where(schema.vehicle.c.vehicle == "van-07")).first()
    return {} if row is None else dict(row._mapping)


def test_a_day_is_acknowledged(ingest: Ingest, store: DispatchStore, van_at: Callable[[str], Vehicle]) -> None:
    """Every record of the day is covered by the retained ack, and in the store when it is."""
    van, day = van_at("van-07"), full_day()
    for batch in day.batches(3):
        van.say("log", pack(batch))
        van.say("log", pack(batch))
    until(lambda: acked_up_to(van) == len(day.records), "the ack to cover the day")
    with store.reading() as connection:
        assert connection.execute(sa.select(sa.func.count()).select_from(schema.record)).scalar() == len(day.records)
    until(lambda: ingest.counts["repeated"] == len(day.records), "the repeated batches to be counted")
    assert ingest.counts["fresh"] == len(day.records)


def test_last_words_and_the_last_will(ingest: Ingest, store: DispatchStore, van_at: Callable[[str], Vehicle]) -> None:
    """A van that vanishes is offline by the broker's word, and what it last told stays."""
    assert ingest.link.connected
    van = van_at("van-07")
    van.say("status", json.dumps(status("van-07")).encode(), retain=True)
    van.say("aboard", json.dumps(aboard("van-07", [item(1)], at_s=1_770_000_000.0)).encode(), retain=True)
    van.say("position", json.dumps(position("van-07", at_s=1_770_000_000.0)).encode(), retain=True)
    until(lambda: vehicle_row(store).get("position"), "the position")
    assert vehicle_row(store)["link"] == "online"
    van.vanish()
    until(lambda: vehicle_row(store)["link"] == "offline", "the last will")
    assert item(1)["epc"] in str(vehicle_row(store)["aboard"])


def test_broken_payloads_harm_nothing(ingest: Ingest, store: DispatchStore, van_at: Callable[[str], Vehicle]) -> None:
    """What cannot be read is kept and counted, and the next message is taken as ever."""
    van = van_at("van-07")
    other = pack(full_day("van-03").batches()[0])
    for leaf, payload in (("log", b"\x00\xff"), ("log", other), ("status", b"{"), ("position", b"[1]")):
        van.say(leaf, payload)
    day = full_day()
    van.say("log", pack(day.batches()[0]))
    until(lambda: acked_up_to(van) == len(day.records), "the good batch")
    until(lambda: ingest.counts["unreadable"] == 4, "the broken ones to be counted")
    with store.reading() as connection:
        reasons = set(connection.execute(sa.select(schema.unreadable.c.reason)).scalars())
    assert len(reasons) == 4


def test_a_broker_that_restarts(broker: Mosquitto, store: DispatchStore, van_at: Callable[[str], Vehicle]) -> None:
    """After a restart that forgot everything, acks and contents in force are there again, retained."""
    lost = threading.Event()
    running = Ingest(
        store,
        Broker(port=broker.port),
        clock=SystemClock(),
        on_link=lambda link: None if link.connected else lost.set(),
    )
    running.downlink_to_all("sites", 4, {"type": "FeatureCollection", "features": []})
    running.start()
    try:
        until(lambda: running.link.connected, "ingest to connect")
        van, day = van_at("van-07"), full_day()
        van.say("log", pack(day.batches()[0]))
        until(lambda: acked_up_to(van) == len(day.records), "the ack")
        van.close()  # two with one client id would throw each other out
        broker.stop()
        assert lost.wait(10)
        broker.start()
        until(lambda: running.link.connected, "ingest to come back", seconds=30)
        anew = van_at("van-07")
        until(lambda: {"ack", "sites"} <= anew.told.keys(), "ack and sites, retained")
        assert acked_up_to(anew) == len(day.records)
        assert decode_downlink(anew.told["sites"], leaf="sites").version == 4
    finally:
        running.close()


def test_own_content_goes_before_everybodys(ingest: Ingest, van_at: Callable[[str], Vehicle]) -> None:
    """A vehicle with a plan of its own keeps it when it is heard for the first time."""
    ingest.downlink_to_all("plan", 1, "vehicle,date\n")
    ingest.downlink("van-07", "plan", 7, "vehicle,date\nvan-07,2026-03-02\n")
    van = van_at("van-07")
    van.say("status", msgspec.json.encode(status("van-07")))
    until(lambda: "plan" in van.told, "the plan")
    assert decode_downlink(van.told["plan"], leaf="plan").version == 7


def test_no_broker(store: DispatchStore, broker: Mosquitto) -> None:
    """Without a broker ingest says why, and connects once there is one."""
    broker.stop()
    running = Ingest(store, Broker(port=broker.port), clock=SystemClock())
    running.start()
    try:
        until(lambda: "refused" in (running.link.why or ""), "the reason")
        broker.start()
        until(lambda: running.link.connected, "the connection")
        assert running.link.why is None
    finally:
        running.close()


def test_a_bug_of_ours_is_seen(
    ingest: Ingest, store: DispatchStore, van_at: Callable[[str], Vehicle], monkeypatch: pytest.MonkeyPatch
) -> None:
    """When ingest ends by a bug it acknowledges nothing more and says so, for the page and for whoever restarts it."""

    def broken(*_args: object, **_more: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr(store, "ingest_all", broken)
    van = van_at("van-07")
    van.say("log", pack(full_day().batches()[0]))
    until(lambda: ingest.failed, "ingest to end")
    until(lambda: "start the dispatch side again" in (ingest.link.why or ""), "the link to say why")
    assert "ack" not in van.told


def test_a_word_that_was_overtaken_is_confirmed_too(
    store: DispatchStore, broker: Mosquitto, van_at: Callable[[str], Vehicle], monkeypatch: pytest.MonkeyPatch
) -> None:
    """While the database takes nothing, newer words overtake those that wait, and the broker hears that we have them.

    Each that it did not hear of would hold one of the few places that it has for us, until nothing comes any more: here
    it has two.
    """
    broker.stop()
    broker.most_unconfirmed(2)
    broker.start()
    monkeypatch.setattr("agent.dispatch.ingest._RETRY_S", 0.01)
    running = Ingest(store, Broker(port=broker.port), clock=SystemClock())
    hear, again = store.hear, threading.Event()
    tried: list[float] = []

    def busy(body: Body, *, received_s: float, retained: bool = False) -> bool:
        assert isinstance(body, Position)
        tried.append(body.lat)
        if not again.is_set():
            until(lambda: running.counts["messages"] > len(tried) or again.is_set(), "the next word, during this try")
            raise BusyError("disk full")
        return hear(body, received_s=received_s, retained=retained)

    monkeypatch.setattr(store, "hear", busy)
    monkeypatch.setattr("agent.dispatch.ingest._LONGEST_RETRY_S", 0.01)
    running.start()
    try:
        until(lambda: running.link.connected, "ingest to connect")
        van = van_at("van-07")
        for n in range(8):
            said = position("van-07", at_s=1_770_000_000.0 + n) | {"lat": float(n)}
            van.say("position", json.dumps(said).encode())
            until(lambda n=n: tried[n:] == [float(n)], f"word {n} to be tried", seconds=5.0)
        again.set()
        until(lambda: '"lat":7' in str(vehicle_row(store).get("position")), "the last word")
    finally:
        again.set()
        running.close()


def test_what_no_table_takes_keeps_its_place_in_the_chain(
    ingest: Ingest, store: DispatchStore, van_at: Callable[[str], Vehicle], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Only its body is missing: the ack goes past it with a hash, what follows it fits, and the walk passes."""
    key = key_of("van-07")
    records = sealed(full_day().records, key=key)
    bad = next(each.seq for each in records if each.kind == "event")
    take = Drawn.take

    def never(self: Drawn, vehicle: str, epoch: int, each: LogRecord) -> str | None:
        if each.seq == bad:
            raise sa.exc.DataError("insert", {}, Exception("no table takes it"))
        return take(self, vehicle, epoch, each)

    monkeypatch.setattr(Drawn, "take", never)
    van = van_at("van-07")
    payload = pack(LogBatch("van-07", 1, tuple(records), text_of_key(key)))
    for _ in range(2):
        van.say("log", payload)
    until(lambda: acked_up_to(van) == len(records), "the ack")
    (ack,) = decode_acks(van.told["ack"])
    assert ack.hash == digest_of_record(records[-1])
    until(lambda: ingest.counts["repeated"] >= len(records), "the repeated batch")
    assert ingest.counts["clashed"] == ingest.counts["misfit"] == 0
    (epoch,) = kept_chain(store, "van-07").epochs
    walked = walk(epoch.records, vehicle="van-07", epoch=1, key=key.public_key(), head=epoch.head)
    assert (walked.misfit, walked.seq, walked.erased) == (None, len(records), 1)
    table = schema.record
    with store.reading() as connection:
        row = connection.execute(sa.select(table).where(table.c.seq == bad)).one()
    assert (row.kind, row.stripped, row.prev) == ("event", True, records[bad - 1].prev)
    assert "no table takes it" in row.refused


def test_a_full_disk_is_no_end(
    ingest: Ingest, store: DispatchStore, van_at: Callable[[str], Vehicle], monkeypatch: pytest.MonkeyPatch
) -> None:
    """While the database takes nothing, nothing is acknowledged; when it does again, what waited is taken."""

    def full(*_args: object, **_more: object) -> None:
        raise BusyError("disk full")

    van, day = van_at("van-07"), full_day()
    with monkeypatch.context() as patched:
        patched.setattr(store, "ingest_all", full)
        for batch in day.batches(3):
            van.say("log", pack(batch))
        until(lambda: ingest.counts["not stored"] >= 2, "the failures to be counted")
        assert "ack" not in van.told
    until(lambda: acked_up_to(van) == len(day.records), "the ack")
    assert (ingest.counts["dropped"], ingest.counts["repeated"]) == (0, 0)
