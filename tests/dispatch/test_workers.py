"""Whatever happens to the dispatch side's processes, it ends with the vehicle's record: none lost, none doubled.

Real processes, a real broker, a vehicle that sends again what no ack has covered.
"""

from __future__ import annotations

import random
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import pytest
import sqlalchemy as sa

from agent.clock import SystemClock
from agent.dispatch import schema
from agent.dispatch.connection import Broker
from agent.dispatch.ingest import Ingest
from agent.dispatch.store import DispatchStore, open_store
from agent.dispatch.wire import LogBatch, LogRecord, decode_batch
from agent.errors import StoreError
from agent.messages import Ack, decode_acks
from tests.dispatch.conftest import Mosquitto, Vehicle, until
from tests.dispatch.scenario import DAY_S, MINUTE_S, VanDay, digest_of_record, item, key_of, pack, sealed, text_of_key
from tests.dispatch.test_store import NOW_S, tables

pytestmark = pytest.mark.integration
ROOT = Path(__file__).parents[2]
KEY = key_of("van-07")


def journey(stops: int = 30) -> list[LogRecord]:
    """A signed day: at each stop something is loaded, something unloaded, and now and then taken back."""
    day = VanDay()
    for stop in range(stops):
        at_s = DAY_S + stop * 5 * MINUTE_S
        site = ("depot", "playhouse", "quay", "hall")[stop % 4]
        day.move("loading", site, at_s, [item(stop % 7), item(stop % 5 + 10)])
        wrong = day.move("unloading", site, at_s + 30, [item(stop % 3)])
        if stop % 4 == 0:
            day.take_back(wrong, at_s + 90)
        day.move("departing", site, at_s + 60, [item(each) for each in range(stop % 9)] or [item(1)])
    return sealed(day.records, key=KEY)


RECORDS = journey()


def batches(records: Sequence[LogRecord], size: int = 5) -> list[bytes]:
    """The records as payloads."""
    parts = [tuple(records[at : at + size]) for at in range(0, len(records), size)]
    return [pack(LogBatch("van-07", 1, part, text_of_key(KEY))) for part in parts]


def acked(van: Vehicle) -> Ack:
    """The last retained ack of epoch 1."""
    acks = decode_acks(van.told.get("ack", b'{"acks":[]}'))
    return next((ack for ack in acks if ack.epoch == 1), Ack(1, 0))


def send_until_acked(van: Vehicle, records: Sequence[LogRecord], *, within_s: float = 40.0) -> None:
    """Send again and again what no ack has covered, as a vehicle does."""
    end = time.monotonic() + within_s
    while missing := [each for each in records if not acked(van).covers(each.seq)]:
        assert time.monotonic() < end, f"{len(missing)} of {len(records)} records were never acknowledged"
        for payload in batches(missing, 50):
            van.say("log", payload)
        deadline = time.monotonic() + 1.5
        while time.monotonic() < deadline and not all(acked(van).covers(each.seq) for each in missing):
            time.sleep(0.02)


@pytest.fixture
def database(tmp_path: Path) -> Path:
    """Where the workers keep theirs."""
    path = tmp_path / "dispatch.sqlite"
    open_store(path).close()
    return path


@contextmanager
def worker(database: Path, port: int, client_id: str, *more: str) -> Iterator[subprocess.Popen[bytes]]:
    """A process that hears, from when it has subscribed; killed at the end."""
    command = [sys.executable, "-m", "tests.dispatch.worker", str(database), str(port), client_id, *more]
    pipe = subprocess.PIPE
    with subprocess.Popen(command, cwd=ROOT, stdin=pipe, stdout=pipe, stderr=subprocess.DEVNULL) as process:
        try:
            assert process.stdout is not None
            assert process.stdout.readline() == b"ready\n"
            yield process
        finally:
            process.kill()
            process.wait(timeout=10)


@pytest.fixture(scope="module")
def expected() -> dict[str, object]:
    """The tables after the records came in order, once, into one process."""
    store = open_store("sqlite://")
    store.ingest(LogBatch("van-07", 1, tuple(RECORDS), text_of_key(KEY)), received_s=NOW_S)
    straight = tables(store)
    store.close()
    return dict(straight)


def check(database: Path, expected: dict[str, object]) -> None:
    """The tables are those of the straight run, nothing clashed, and the database is sound."""
    store = open_store(database)
    found = dict(tables(store))
    with store.reading() as connection:
        clashes = connection.execute(sa.select(sa.func.count()).select_from(schema.clash)).scalar()
        sound = connection.exec_driver_sql("PRAGMA integrity_check").scalar()
    store.close()
    assert (clashes, sound) == (0, "ok")
    assert found == expected


@pytest.mark.parametrize("ids", [("one", "two"), ("same", "same")])
def test_two_workers_on_one_database(
    database: Path,
    broker: Mosquitto,
    van_at: Callable[[str], Vehicle],
    expected: dict[str, object],
    ids: tuple[str, str],
) -> None:
    """Two processes take everything into one database at once; batches come twice and in any order.

    With two ids both hear it all, with one id they throw each other out.
    """
    chance = random.Random(7)  # noqa: S311 - a shuffle to repeat
    with worker(database, broker.port, ids[0]), worker(database, broker.port, ids[1]):
        van = van_at("van-07")
        payloads = batches(RECORDS) * 2
        chance.shuffle(payloads)
        for payload in payloads:
            van.say("log", payload)
        send_until_acked(van, RECORDS)
    check(database, expected)


def test_killed_between_commit_and_ack(
    database: Path, broker: Mosquitto, van_at: Callable[[str], Vehicle], expected: dict[str, object]
) -> None:
    """SIGKILL after the commit and before the ack: the next process hears the same again, and doubles nothing.

    The broker had no PUBACK yet, so it tells again by itself: the vehicle has sent every record once.
    """
    van = van_at("van-07")
    with worker(database, broker.port, "dispatch", "dies") as dying:
        for payload in batches(RECORDS):
            van.say("log", payload)
        assert dying.wait(timeout=20) == -signal.SIGKILL
    with sqlite3.connect(database) as connection:
        committed = connection.execute("SELECT count(*) FROM record").fetchone()[0]
    connection.close()
    assert committed > 0
    assert "ack" not in van.told
    with worker(database, broker.port, "dispatch"):
        until(lambda: acked(van).seq == len(RECORDS), "the ack to cover the day", seconds=30)
    assert acked(van).hash == digest_of_record(RECORDS[-1])
    check(database, expected)


@contextmanager
def listening(store: DispatchStore, broker: Mosquitto) -> Iterator[Ingest]:
    """An ingest in this process."""
    running = Ingest(store, Broker(port=broker.port), clock=SystemClock())
    running.start()
    until(lambda: running.link.connected, "ingest to connect")
    try:
        yield running
    finally:
        running.close()


def test_an_older_ack_does_not_stay(
    database: Path, broker: Mosquitto, van_at: Callable[[str], Vehicle], monkeypatch: pytest.MonkeyPatch
) -> None:
    """One process reads what is committed, another commits more and tells, then the first tells: the newest ack stays.

    The second's ack is at the van before the first's is sent, so that the older one is retained for a moment.
    """
    van, slow, quick = van_at("van-07"), open_store(database), open_store(database)
    first, second = batches(RECORDS[:10], 10), batches(RECORDS[10:20], 10)
    seen: list[int] = []
    told = slow.told
    brokers = (Broker(port=broker.port, client_id="slow"), Broker(port=broker.port, client_id="quick"))

    def delayed(vehicle: str) -> tuple[Ack, ...]:
        before = told(vehicle)
        if not seen and before:
            seen.append(before[0].seq)
            batch = decode_batch(second[0], vehicle="van-07")
            quick.ingest(batch, received_s=NOW_S)
            running._publish_ack("van-07")
            until(lambda: acked(van).seq == 20, "the second's ack to be at the van")
        return before

    monkeypatch.setattr(slow, "told", delayed)
    running = Ingest(quick, brokers[1], clock=SystemClock())
    running.start()
    until(lambda: running.link.connected, "the second to connect")
    behind = Ingest(slow, brokers[0], clock=SystemClock())
    heard: list[int] = []
    van._client.message_callback_add(
        "roadtally/1/van-07/ack", lambda *each: heard.append(decode_acks(each[2].payload)[0].seq) or van.keep(*each)
    )
    behind.start()
    until(lambda: behind.link.connected, "the first to connect")
    quick.ingest(decode_batch(first[0], vehicle="van-07"), received_s=NOW_S)
    behind._known.add("van-07")
    behind._publish_ack("van-07")
    with behind._work:
        behind._work.notify_all()
    until(lambda: heard[-2:] == [10, 20], "the older ack, and then the newest again")
    for each in (running, behind):
        each.close()
    late = van_at("van-07")
    until(lambda: acked(late).seq == 20, "the newest to be what the broker retains")
    slow.close()
    quick.close()


def test_down_for_days(
    database: Path, broker: Mosquitto, van_at: Callable[[str], Vehicle], expected: dict[str, object]
) -> None:
    """What vehicles publish while the dispatch side is down waits at the broker, and is taken once."""
    van, store = van_at("van-07"), open_store(database)
    with listening(store, broker):
        pass
    for payload in batches(RECORDS):
        van.say("log", payload)
    with listening(store, broker) as running:
        until(lambda: acked(van).seq == len(RECORDS), "the ack to cover the day")
        assert (running.counts["fresh"], running.counts["repeated"]) == (len(RECORDS), 0)
    store.close()
    check(database, expected)


def test_a_database_that_is_locked_for_a_while(
    database: Path, broker: Mosquitto, van_at: Callable[[str], Vehicle], expected: dict[str, object]
) -> None:
    """While another process holds the database, messages wait and nothing is acknowledged; then all are taken, once."""
    store = open_store(database)
    store._engine.dispose()
    sa.event.listen(store._engine, "connect", lambda connection, _: connection.execute("PRAGMA busy_timeout=50"))
    van, other = van_at("van-07"), sqlite3.connect(database, isolation_level=None)
    with listening(store, broker) as running:
        other.execute("BEGIN EXCLUSIVE")
        for payload in batches(RECORDS):
            van.say("log", payload)
        until(lambda: running.counts["not stored"] >= 2, "the database to refuse twice")
        assert "ack" not in van.told
        other.execute("ROLLBACK")
        until(lambda: acked(van).seq == len(RECORDS), "the ack to cover the day")
        assert (running.counts["fresh"], running.counts["repeated"]) == (len(RECORDS), 0)
        assert running.counts["dropped"] == 0
    other.close()
    store.close()
    check(database, expected)


def test_a_record_that_the_database_never_takes(
    database: Path, broker: Mosquitto, van_at: Callable[[str], Vehicle], monkeypatch: pytest.MonkeyPatch
) -> None:
    """One record that no table holds blocks no other: it is kept aside as it came, and its number is acknowledged."""
    store = open_store(database)
    taken = store.ingest_all

    def fastidious(given: Sequence[LogBatch], *, received_s: float) -> object:
        if any("poison" in each.document and each.withheld is None for batch in given for each in batch.records):
            raise StoreError("the database did not take the change: too large for any column")
        return taken(given, received_s=received_s)

    monkeypatch.setattr(store, "ingest_all", fastidious)
    texts = {seq: "poison" if seq == 4 else "x" for seq in range(1, 9)}
    records = [LogRecord(seq, "notice", {"notice": "gap", "text": text}) for seq, text in texts.items()]
    van = van_at("van-07")
    with listening(store, broker):
        for at in (0, 2, 4, 6):
            van.say("log", pack(LogBatch("van-07", 1, tuple(records[at : at + 2]))))
        until(lambda: acked(van).seq == len(records), "all to be acknowledged")
    with store.reading() as connection:
        kept = connection.execute(sa.select(schema.unreadable.c.payload)).scalars().all()
        bodies = dict(connection.execute(sa.select(schema.record.c.seq, schema.record.c.refused)).all())
    store.close()
    assert [b"poison" in each for each in kept] == [True]
    assert [seq for seq, refused in bodies.items() if refused] == [4]
    assert len(bodies) == len(records)


@pytest.mark.parametrize("seed", [1, 2])
def test_two_that_write_at_once(tmp_path: Path, expected: dict[str, object], seed: int) -> None:
    """Two stores on one file take the same records in different orders at the same time; nothing is sent again.

    Neither may read what the other is about to change: without one turn for the whole transaction this fails.
    """
    path, failed = tmp_path / "dispatch.sqlite", []
    open_store(path).close()
    start = threading.Barrier(2)

    def go(order: list[LogRecord]) -> None:
        store = open_store(path)
        start.wait()
        try:
            for at in range(0, len(order), 3):
                batch = LogBatch("van-07", 1, tuple(order[at : at + 3]), text_of_key(KEY))
                store.ingest(batch, received_s=NOW_S)
        except StoreError as error:
            failed.append(error)
        store.close()

    chance = random.Random(seed)  # noqa: S311 - a shuffle to repeat
    threads = [threading.Thread(target=go, args=(chance.sample(RECORDS, k=len(RECORDS)),)) for _ in range(2)]
    for each in threads:
        each.start()
    for each in threads:
        each.join()
    assert failed == []
    check(path, expected)
