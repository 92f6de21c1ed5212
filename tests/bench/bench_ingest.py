"""How fast the dispatch side takes in what vehicles have kept: a month of one van, signed, and a fleet's day.

    python tests/bench/bench_ingest.py

The records are those of the day that `bench_replay.py` replays, told again for each day with other dates and ids, and
sealed and packed as a vehicle does. Into the store alone, in transactions of 20 messages, and through a broker on the
loopback until the last ack.
"""

from __future__ import annotations

import sys
import tempfile
import threading
import time
import zlib
from collections.abc import Iterator, Sequence
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

import msgspec  # noqa: E402 - after the path is set, as all below
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey  # noqa: E402

from agent import broker  # noqa: E402
from agent.chain import content_digest, digest, key_text, sign  # noqa: E402
from agent.clock import SystemClock  # noqa: E402
from agent.dispatch.connection import Broker  # noqa: E402
from agent.dispatch.ingest import Ingest  # noqa: E402
from agent.dispatch.store import open_store  # noqa: E402
from agent.dispatch.wire import decode_batch  # noqa: E402
from agent.messages import decode_acks  # noqa: E402
from agent.setup import read_setup  # noqa: E402
from tests.bench.bench_link import Lived  # noqa: E402
from tests.bench.bench_replay import LONG, SHORT, record  # noqa: E402
from tests.bench.common import RUNS, SCRATCH, Figure, main, show  # noqa: E402
from tests.dispatch.conftest import Vehicle, until  # noqa: E402

_AT_ONCE = 20
CPU_US = 120.0
"""The dispatch side's processor time a record, of a month of one van as it is mixed."""


def day(lived: Lived, number: int, vehicle: str) -> Iterator[tuple[str, bytes]]:
    """The day's records as those of another day and vehicle, with items of its own."""
    date = next(each.body["eventTime"][:10] for each in lived.records if each.kind == "event")
    other = {
        date: f"2026-{4 + number // 28:02d}-{1 + number % 28:02d}",
        "sha-256;": f"sha-256;{number:04x}",
        "van-07": vehicle,
        "grai:9521141.": f"grai:952{1134 + int(vehicle.removeprefix('van-'))}.",
    }
    for each in lived.records:
        text = msgspec.json.encode(each.body).decode()
        for was, now in other.items():
            text = text.replace(was, now)
        yield each.kind, text.encode()


def payloads(lived: Lived, days: range, vehicle: str) -> list[bytes]:
    """All of them sealed and packed, 50 to a message."""
    key = Ed25519PrivateKey.generate()
    public, prev, found = key_text(key.public_key().public_bytes_raw()), "", []
    told = [each for number in days for each in day(lived, number, vehicle)]
    for at in range(0, len(told), 50):
        records = []
        for seq, (kind, body) in enumerate(told[at : at + 50], at + 1):
            own = digest(vehicle=vehicle, epoch=1, seq=seq, kind=kind, prev=prev, content=content_digest(body))
            sealed = {"prev": prev, "sig": sign(own, by=key.sign)}
            records.append({"seq": seq, "kind": kind, "body": msgspec.Raw(body)} | sealed)
            prev = own
        frame = {"v": 1, "vehicle": vehicle, "epoch": 1, "key": public, "records": records}
        found.append(zlib.compress(msgspec.json.encode(frame), 6))
    return found


def into_the_store(sent: Sequence[tuple[str, bytes]], count: int) -> tuple[float, float]:
    """Records a second by the clock, and microseconds of the processor's time a record."""
    with tempfile.TemporaryDirectory(dir=SCRATCH) as folder:
        store = open_store(Path(folder) / "dispatch.db")
        began_s, cpu_s, fresh = time.perf_counter(), time.process_time(), 0
        for at in range(0, len(sent), _AT_ONCE):
            batches = [decode_batch(payload, vehicle=vehicle) for vehicle, payload in sent[at : at + _AT_ONCE]]
            done = store.ingest_all(batches, received_s=time.time())
            fresh += done.fresh - done.refused - done.misfit
        took_s, used_s = time.perf_counter() - began_s, time.process_time() - cpu_s
        store.close()
    if fresh != count:
        raise RuntimeError(f"{fresh} of {count} records were taken in")
    return count / took_s, used_s / count * 1e6


def through_a_broker(sent: Sequence[tuple[str, bytes]], count: int) -> float:
    """Records a second from the first publish to the ack that covers the last."""
    vehicle = sent[0][0]
    with tempfile.TemporaryDirectory(dir=SCRATCH) as folder, broker.start_broker(port=0) as running:
        store = open_store(Path(folder) / "dispatch.db")
        ingest = Ingest(store, Broker(port=running.port), clock=SystemClock())
        ingest.start()
        van = Vehicle(vehicle, running.port)
        try:
            until(lambda: ingest.link.connected, "ingest to connect")
            began_s = time.perf_counter()

            def send() -> None:
                for _, payload in sent:
                    van.say("log", payload)

            threading.Thread(target=send, daemon=True).start()
            until(
                lambda: (
                    max((each.seq for each in decode_acks(van.told.get("ack", b'{"acks":[]}'))), default=0) == count
                ),
                "the ack to cover all",
                seconds=120,
            )
            return count / (time.perf_counter() - began_s)
        finally:
            van.close()
            ingest.close()
            store.close()


def measure(quick: bool) -> Sequence[Figure]:  # noqa: FBT001 - what common.main calls
    """All figures, printed."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        record(folder, *(SHORT if quick else LONG))
        setup = read_setup(
            config=folder / "vehicle.toml",
            sites=folder / "sites.geojson",
            register=folder / "register.csv",
            plan=folder / "plan.csv",
        )
        lived = Lived(setup, folder / "recording.jsonl")
    days, runs = (2 if quick else 60), (1 if quick else RUNS)
    month = [("van-07", each) for each in payloads(lived, range(days), "van-07")]
    count = days * len(lived.records)
    vans = [f"van-{number:02d}" for number in range(1, 3 if quick else 21)]
    fleet = [(van, each) for van in vans for each in payloads(lived, range(1), van)]
    fleet_count = len(vans) * len(lived.records)
    alone = [into_the_store(month, count) for _ in range(runs)]
    together = [into_the_store(fleet, fleet_count) for _ in range(runs)]
    least = None if quick else 5_000.0
    figures = [
        Figure("a month of one van into the store", "/s", [each[0] for each in alone], least=least),
        Figure("  processor's time a record", "us", [each[1] for each in alone], most=None if quick else CPU_US),
        Figure("a day of a fleet into the store", "/s", [each[0] for each in together]),
        Figure(
            "a month through a broker until the last ack", "/s", [through_a_broker(month, count) for _ in range(runs)]
        ),
    ]
    show(
        "ingest", figures, notes=[f"a month: {count} records; a fleet's day: {fleet_count} records of {len(vans)} vans"]
    )
    return figures


if __name__ == "__main__":
    main(__doc__, measure)
