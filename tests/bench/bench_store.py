"""How fast the store commits, what it writes, and how fast a backlog drains through a real broker.

    python tests/bench/bench_store.py

Medians of five runs. Bytes are what the process handed to the disk (`write_bytes` of /proc/self/io), so they count
write-ahead log and checkpoints; the folder must lie on a real file system, not in memory.
"""

from __future__ import annotations

import json
import platform
import random
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from agent import broker  # noqa: E402 - after the path is set
from agent.messages import OutboxRow, pack_log  # noqa: E402
from agent.records import Read, Record  # noqa: E402
from agent.store import Store  # noqa: E402
from tests.delivery import SEAL, VEHICLE, Depot, Van, turn_until  # noqa: E402

RUNS = 5
EVENT: dict[str, Any] = {
    "@context": [
        "https://ref.gs1.org/standards/epcis/2.0.0/epcis-context.jsonld",
        {"rt": "https://roadtally.example/ns/1/"},
    ],
    "type": "AggregationEvent",
    "eventID": "ni:///sha-256;" + "0" * 64 + "?ver=CBV2.0",
    "eventTime": "2026-03-02T07:01:12.000Z",
    "eventTimeZoneOffset": "+01:00",
    "parentID": "urn:epc:id:giai:9521141.70007",
    "childEPCs": [f"urn:epc:id:grai:9521141.12345.{n}" for n in range(6)],
    "action": "ADD",
    "bizStep": "loading",
    "disposition": "in_progress",
    "bizLocation": {"id": "urn:epc:id:sgln:9521141.00001.0"},
    "rt:confidence": [{"rt:epc": f"urn:epc:id:grai:9521141.12345.{n}", "rt:p": 0.998} for n in range(6)],
}


def event(n: int) -> Record:
    """A loading of six items, each with its own time."""
    return Record("event", EVENT | {"eventTime": f"2026-03-02T07:{n // 60 % 60:02d}:{n % 60:02d}.000Z", "n": n})


def written_bytes() -> int:
    """What this process has handed to the disk so far; 0 where the system does not tell."""
    try:
        lines = Path("/proc/self/io").read_text().splitlines()
    except OSError:
        return 0
    return next(int(line.split()[1]) for line in lines if line.startswith("write_bytes"))


def median_of(measure: Callable[[], tuple[float, ...]]) -> list[float]:
    """The median of each figure over the runs."""
    return [statistics.median(column) for column in zip(*(measure() for _ in range(RUNS)), strict=True)]


def state(n: int) -> bytes:
    """A checkpoint of 60 KB that differs from the last: SQLite does not write what has not changed."""
    return random.Random(n).randbytes(60_000)  # noqa: S311 - any bytes will do


def commits(each: int, *, with_state: bool = False, appends: int = 300) -> tuple[float, float]:
    """Commits in a second, and bytes written at each."""
    with tempfile.TemporaryDirectory(dir=ROOT) as folder, Store.open(Path(folder) / "store.db", seal=SEAL) as store:
        states = [state(n) if with_state else None for n in range(appends)]
        before, began_s = written_bytes(), time.perf_counter()
        for n, kept in enumerate(states):
            store.append([event(n * each + i) for i in range(each)], boot=1, mono=float(n), checkpoint=kept)
        took_s = time.perf_counter() - began_s
        return appends / took_s, (written_bytes() - before) / appends


def shift() -> tuple[float]:
    """Megabytes written in 8 h: a checkpoint of 60 KB and 100 tags' reads every 30 s, 60 moments of custody."""
    reads = [Read(0.0, f"3376{n:020X}", 1 + n % 2, -60.0) for n in range(100)]
    with tempfile.TemporaryDirectory(dir=ROOT) as folder, Store.open(Path(folder) / "store.db", seal=SEAL) as store:
        before = written_bytes()
        for half_minute in range(8 * 120):
            mono = 30.0 * half_minute
            at = [Read(mono, read.epc, read.antenna, read.rssi, 10) for read in reads]
            records = [event(half_minute)] if half_minute % 16 == 0 else []
            store.append(records, boot=1, mono=mono, checkpoint=state(half_minute), reads=at)
        return ((written_bytes() - before) / 1e6,)


def drain(count: int = 5000) -> tuple[float, float]:
    """Records in a second from a backlog through the broker until the last is acked, and seconds for one alone."""
    with (
        tempfile.TemporaryDirectory(dir=ROOT) as folder,
        broker.start_broker(port=0) as running,
    ):
        depot = Depot(running.port)
        turn_until(lambda: depot.subscribed > 0, [depot])
        van = Van(Path(folder) / "store.db", port=running.port)
        try:
            turn_until(lambda: van.publisher.is_connected and bool(van.delivered), [van, depot])
            began_s = time.perf_counter()
            van.append(count)
            turn_until(lambda: van.store.backlog() == 0, [van, depot], within_s=120.0)
            took_s = time.perf_counter() - began_s
            began_s = time.perf_counter()
            van.append(1)
            turn_until(lambda: van.store.backlog() == 0, [van, depot])
            return count / took_s, time.perf_counter() - began_s
        finally:
            van.close()
            depot.close()


def main() -> None:
    """Measure and print."""
    print(f"store and publisher ({platform.machine()}, Python {platform.python_version()}, median of {RUNS})")
    for each in (1, 10, 50):
        rate, written = median_of(lambda each=each: commits(each))  # type: ignore[misc]
        print(
            f"  append of {each:2d} events    {rate:8.0f} commits/s {rate * each:8.0f} events/s {written:8.0f} B/commit"
        )
    rate, written = median_of(lambda: commits(1, with_state=True))
    print(f"  1 and 60 KB of state   {rate:8.0f} commits/s {rate:8.0f} events/s {written:8.0f} B/commit")
    (megabytes,) = median_of(shift)
    print(f"  eight hours, checkpoint every 30 s: {megabytes:.1f} MB written")
    rate, alone_s = median_of(drain)
    print(f"  backlog to ack        {rate:8.0f} records/s; one record alone {alone_s * 1000:.0f} ms")
    rows = [OutboxRow(n, "event", json.dumps(event(n).body).encode()) for n in range(50)]
    payload, taken = pack_log(vehicle=VEHICLE, epoch=1, rows=rows)
    print(f"  on the wire           {len(payload) / taken:8.0f} B an event in batches of {taken}")


if __name__ == "__main__":
    main()
