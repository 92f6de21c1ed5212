"""Brokers that do not take what they are sent, real ones: too large, forbidden, never acknowledged, or very slowly."""

from __future__ import annotations

import asyncio
import random
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

from agent import broker
from agent.broker import RunningBroker, free_port
from agent.clock import SystemClock
from agent.publisher import Trouble
from agent.records import Record
from agent.relay import LinkRelay
from tests.delivery import VEHICLE, Depot, Van, turn_until
from tests.test_publisher import HastyClock, all_of

pytestmark = [
    pytest.mark.integration,
    pytest.mark.skipif(broker.mosquitto_program() is None, reason="mosquitto is not installed"),
]
PATIENCE = {"resend_after_s": 0.2, "resend_after_real_s": 0.2}
Sides = Callable[..., tuple[Van, Depot]]


def mosquitto(folder: Path, *lines: str) -> RunningBroker:
    """A broker with settings of its own."""
    port = free_port()
    config = folder / "broker.conf"
    config.write_text(
        "\n".join([f"listener {port} 127.0.0.1", "allow_anonymous true", "max_queued_messages 0", *lines])
    )
    for path in (folder, *folder.parents[:2]):
        path.chmod(0o755)  # as root mosquitto gives up its rights before it reads them
    return broker._start("mosquitto", [str(broker.mosquitto_program()), "-c", str(config)], port=port, host="127.0.0.1")


@pytest.fixture
def sides(tmp_path: Path) -> Iterator[Sides]:
    """Makes a depot and a vehicle on a mosquitto with these settings."""
    with ExitStack() as stack:

        def make(*lines: str, **options: Any) -> tuple[Van, Depot]:
            running = stack.enter_context(mosquitto(tmp_path, *lines))
            depot = Depot(running.port)
            stack.callback(depot.close)
            turn_until(lambda: depot.subscribed > 0, [depot])
            van = Van(tmp_path / "store.db", port=running.port, **{"clock": HastyClock(), **PATIENCE, **options})
            stack.callback(van.close)
            return van, depot

        yield make


def append(van: Van, count: int, *, packed_bytes: int) -> None:
    """Records that no compression makes smaller than about that."""
    chance = random.Random(packed_bytes)  # noqa: S311 - any bytes will do
    # Four bits a digit, which is what zlib makes of it.
    bodies = [{"notice": "gap", "n": n, "noise": chance.randbytes(packed_bytes).hex()} for n in range(count)]
    van.store.append([Record("notice", body) for body in bodies], boot=van.boot, mono=0.0)
    van.publisher.notify()


@pytest.mark.parametrize("limit", ["max_packet_size 8000", "message_size_limit 8000"])
def test_batches_too_large_for_the_broker_are_split(limit: str, sides: Sides) -> None:
    """50 records pack into 15 kB, and the broker takes 8: closing the connection or dropping in silence, all arrive.

    mosquitto.conf(5): `max_packet_size` disconnects an MQTT 3.1.1 client, `message_size_limit` confirms and drops.
    """
    van, depot = sides(limit)
    append(van, 60, packed_bytes=300)
    turn_until(lambda: van.store.backlog() == 0, [van, depot], within_s=30.0)
    assert set(depot.bodies) == all_of(1, 60)
    assert depot.contradictions == []
    sizes = sorted(depot.batch_sizes)
    assert sizes[len(sizes) // 2] >= 4, "larger than one record at a time, once the size is known"


@pytest.mark.parametrize("limit", ["max_packet_size 8000", "message_size_limit 8000"])
def test_a_record_that_the_broker_never_takes_blocks_nobody(limit: str, sides: Sides) -> None:
    """It stays in the outbox, is told with its number, and what lies before and after it arrives."""
    van, depot = sides(limit)
    append(van, 10, packed_bytes=100)
    append(van, 1, packed_bytes=9000)
    append(van, 10, packed_bytes=100)
    said: list[str] = []

    def is_told() -> bool:
        said[:] = [each.words for each in van.got(Trouble) if each.words and "record 11 " in each.words]
        if not depot.bodies.keys() >= all_of(1, 21) - {(1, 11)}:
            return False
        if len(depot.bodies) % 7 == 4:
            append(van, 1, packed_bytes=50)  # what happens later is no less welcome, and shows that acks come
        return bool(said) and van.store.backlog() == 1

    turn_until(is_told, [van, depot], within_s=40.0)
    assert [row.seq for row in van.store.unacked()] == [11]
    assert said[-1].endswith("kept, and tried again now and then")
    append(van, 5, packed_bytes=100)
    turn_until(lambda: van.store.backlog() == 1, [van, depot])


def test_a_topic_that_the_rules_forbid_is_told(sides: Sides, tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """Under MQTT 3.1.1 a forbidden message is confirmed and dropped: only the missing acks tell, and they are told."""
    rules = tmp_path / "rules"
    rules.write_text(f"topic read #\ntopic write roadtally/1/{VEHICLE}/status\ntopic write roadtally/1/{VEHICLE}/ack\n")
    tmp_path.chmod(0o755)
    rules.chmod(0o644)
    van, depot = sides(f"acl_file {rules}")
    van.append(120)
    turn_until(lambda: bool(van.got(Trouble)), [van, depot])
    assert depot.bodies == {}
    assert "the broker takes records but no acknowledgement comes from the dispatch side" in caplog.text
    batches = van.publisher.published_batches
    assert batches <= 5, "it does not flood"


def test_what_happens_now_does_not_wait_for_the_backlog(sides: Sides) -> None:
    """While the window is full of a backlog's batches, records made now still go out; all others oldest first, once."""
    van, depot = sides(clock=SystemClock(), resend_after_s=30.0, resend_after_real_s=30.0)
    order: list[int] = []
    depot.on_record = order.append
    depot.acking = False
    van.append(1500)
    turn_until(lambda: len(depot.bodies) == 850, [van, depot])
    for _ in range(2):
        van.append(1)
        turn_until(lambda: (1, van.store.last_seq) in depot.bodies, [van, depot])
    assert set(depot.bodies) == {(1, seq) for seq in (*range(1, 801), *range(1451, 1503))}
    depot.acking = True
    van.append(1)
    turn_until(lambda: van.store.backlog() == 0, [van, depot])
    assert set(depot.times.values()) == {1}
    old = [seq for seq in order if seq <= 1450]
    assert old == sorted(old)


class SlowRelay(LinkRelay):
    """A link that carries so many bytes a second."""

    bytes_per_s = 120_000

    async def _pass(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while chunk := await reader.read(1500):
            await asyncio.sleep(len(chunk) / self.bytes_per_s)
            writer.write(chunk)
            await writer.drain()


def test_on_a_slow_link_nothing_is_sent_twice(tmp_path: Path) -> None:
    """100 kB take more than 0.75 s, five times as long as an ack is waited for: each record still goes once."""
    with ExitStack() as stack:
        running = stack.enter_context(mosquitto(tmp_path))
        relay = stack.enter_context(SlowRelay(listen_port=0, target_port=running.port))
        depot = Depot(running.port)
        stack.callback(depot.close)
        turn_until(lambda: depot.subscribed > 0, [depot])
        van = Van(tmp_path / "store.db", port=relay.port, resend_after_s=0.15, resend_after_real_s=0.15)
        stack.callback(van.close)
        append(van, 200, packed_bytes=500)
        began_s = time.monotonic()
        turn_until(lambda: van.store.backlog() == 0, [van, depot], within_s=30.0)
        assert time.monotonic() - began_s > 0.75
        append(van, 1, packed_bytes=50)  # comes behind whatever is still on its way
        turn_until(lambda: (1, 201) in depot.bodies, [van, depot], within_s=30.0)
        assert set(depot.bodies) == all_of(1, 201)
        assert set(depot.times.values()) == {1}
