"""The link between vehicle and dispatch side: bytes on the wire of a day, delay, drain rate and memory.

    python tests/bench/bench_wire.py

Bytes are what passes the vehicle's socket in both directions, TLS included, counted by a relay before a real mosquitto;
TCP and IP headers are not in it. The day is a shift in one town: 30 customers, 75 items loaded, so some 150 moved. It
is lived through the pipeline, in what the agent shows and how often; each message is delivered before the next is made.
What time alone sends, the keepalive and a handshake for each start, is reckoned from what one of them takes. The
dispatch side is a process of its own, with its real store.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

import numpy as np  # noqa: E402 - after the path is set, as all below

from agent import broker  # noqa: E402
from agent.bodies import Aboard, Position, Status, encode_body, pack_body  # noqa: E402
from agent.broker import free_port  # noqa: E402
from agent.pipeline import finish, step  # noqa: E402
from agent.publisher import Publisher  # noqa: E402
from agent.recording import Lines  # noqa: E402
from agent.records import Record  # noqa: E402
from agent.relay import LinkRelay  # noqa: E402
from agent.replay import read_lines  # noqa: E402
from agent.setup import read_setup  # noqa: E402
from agent.snapshot import gps_status, reader_status  # noqa: E402
from agent.state import State  # noqa: E402
from agent.vehicle import MqttSettings  # noqa: E402
from agent.vehicle_shown import Dues, Showing, Shown  # noqa: E402
from agent.world import Day, Profile, day_files, make_day  # noqa: E402
from tests.bench.bench_replay import SHORT  # noqa: E402
from tests.bench.common import RUNS, SCRATCH, Figure, main, show  # noqa: E402
from tests.delivery import Van  # noqa: E402
from tests.links.bench import event  # noqa: E402

LONG = (21, Profile(items=(75, 76), stops=(30, 31)))
TOWN_M, APART_M = 12_000.0, 400.0
"""How wide the town is, and how far its customers are from each other: some eight hours for thirty of them."""
MONTH_RECORDS = 15_000
WIRE_KB, DELAY_S, DRAIN_S, DRAIN_RATE = 500.0, 1.0, 60.0, 5000.0
# A PINGREQ and its PINGRESP, two bytes each, in a record of TLS 1.3 each: header 5, tag 16, type 1 (RFC 8446, 5.2).
PING_BYTES, PING_EVERY_S = 2 * (2 + 5 + 16 + 1), 60.0


def town(customers: int) -> dict[str, Any]:
    """The hire depot with so many customers round it, as a FeatureCollection."""
    region = json.loads((ROOT / "geofences" / "region.geojson").read_text(encoding="utf-8"))
    depot = next(each for each in region["features"] if each["id"] == "depot")
    lon, lat = depot["geometry"]["coordinates"][0][0]
    east_m = 111_200.0 * np.cos(np.radians(lat))
    chance = random.Random(1)  # noqa: S311 - a town
    spots = [(0.0, 0.0)]
    while len(spots) <= customers:
        spot = chance.uniform(-TOWN_M / 2, TOWN_M / 2), chance.uniform(-TOWN_M / 2, TOWN_M / 2)
        if all(np.hypot(spot[0] - east, spot[1] - north) > APART_M for east, north in spots):
            spots.append(spot)
    stages = [
        {
            "type": "Feature",
            "id": f"stage-{number:02d}",
            "properties": {"name": f"Stage {number}", "radius_m": 40, "timezone": "Atlantic/Azores"},
            "geometry": {"type": "Point", "coordinates": [lon + spot[0] / east_m, lat + spot[1] / 111_200.0]},
        }
        for number, spot in enumerate(spots[1:], 1)
    ]
    return {"type": "FeatureCollection", "features": [depot, *stages]}


def record(folder: Path, seed: int, profile: Profile) -> Day:
    """The day's files in `folder`."""
    day = make_day(seed, sites=town(profile.stops[0]), profile=profile)
    for name, content in day_files(day, np.random.default_rng(seed)).items():
        with (folder / name).open("w", encoding="utf-8") as file:
            file.writelines([content] if isinstance(content, str) else content)
    return day


class Rig:
    """Vehicle, relay, broker (with TLS or without) and the dispatch side's process."""

    def __init__(self, folder: Path, *, tls: bool) -> None:
        folder.chmod(0o755)  # as root mosquitto gives up its rights before it reads
        plain, secure = free_port(), free_port()
        config = folder / "broker.conf"
        lines = [f"listener {plain} 127.0.0.1", "allow_anonymous true", "max_queued_messages 0", "set_tcp_nodelay true"]
        if tls:
            certificate(folder)
            lines[:0] = [f"listener {secure} 127.0.0.1", f"cafile {folder}/cert.pem", f"certfile {folder}/cert.pem"]
            lines[3:3] = [f"keyfile {folder}/key.pem"]
        config.write_text("\n".join(lines) + "\n")
        program = str(broker.mosquitto_program())
        self.broker = broker._start("mosquitto", [program, "-c", str(config)], port=plain, host="127.0.0.1")
        self.relay = LinkRelay(listen_port=0, target_port=secure if tls else plain).start()
        database = folder / "dispatch.db"
        self.depot = subprocess.Popen(
            [sys.executable, "-m", "tests.links.depot", str(plain), str(database)], cwd=ROOT, stdin=subprocess.PIPE
        )
        ready = database.with_suffix(".ready")
        wait_until(ready.exists)
        ca_file = str(folder / "cert.pem") if tls else None
        settings = MqttSettings(host="127.0.0.1", port=self.relay.port, tls=tls, ca_file=ca_file)
        self.van = Van(folder / "store.db", port=0, settings=settings)

    def turn_until(self, reached: Callable[[], bool], *, within_s: float = 120.0) -> None:
        """Do the run loop's part until it is so."""
        deadline_s = time.monotonic() + within_s
        while not reached():
            if time.monotonic() > deadline_s:
                raise RuntimeError("not reached in time")
            self.van.turn()
            time.sleep(0.0005)

    def is_quiet(self) -> bool:
        """Whether everything is delivered and acknowledged."""
        publisher = self.van.publisher
        return not publisher._unsent and not publisher._link.outstanding and self.van.store.backlog() == 0

    def close(self) -> None:
        """End all of it."""
        self.van.close()
        self.depot.kill()
        self.depot.wait()
        if self.depot.stdin is not None:
            self.depot.stdin.close()
        self.relay.close()
        self.broker.stop()


@contextmanager
def rig(*, tls: bool) -> Iterator[Rig]:
    """A rig on a real disk, connected."""
    with tempfile.TemporaryDirectory(dir=SCRATCH) as folder:
        made = Rig(Path(folder), tls=tls)
        try:
            made.turn_until(lambda: made.van.publisher.is_connected and bool(made.van.delivered))
            yield made
        finally:
            made.close()


def certificate(folder: Path) -> None:
    """A key and a certificate of its own."""
    command = ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=127.0.0.1"]
    command += ["-addext", "subjectAltName=IP:127.0.0.1", "-keyout", "key.pem", "-out", "cert.pem"]
    subprocess.run(command, cwd=folder, check=True, capture_output=True)
    for name in ("key.pem", "cert.pem"):
        (folder / name).chmod(0o644)


def wait_until(reached: Callable[[], bool]) -> None:
    """For the processes to come up."""
    deadline_s = time.monotonic() + 30.0
    while not reached():
        if time.monotonic() > deadline_s:
            raise RuntimeError("not reached in time")
        time.sleep(0.01)


def used_s(pid: int) -> float:
    """Processor's time that a process has used up to now (proc(5): the 14th and 15th field, in ticks)."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def memory_mb(pid: int | str) -> float:
    """Resident memory of a process."""
    lines = Path(f"/proc/{pid}/status").read_text(encoding="ascii").splitlines()
    return next(int(line.split()[1]) / 1024 for line in lines if line.startswith("VmRSS"))


def processor_s(publisher: Publisher) -> float:
    """How long the processor has worked for the publisher's thread."""
    return time.clock_gettime(time.pthread_getcpuclockid(publisher._thread.ident or 0))


class Counted:
    """Gives what is shown to the publisher, waits until it is delivered, and counts what it cost by leaf."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self.bytes: Counter[str] = Counter()
        self.times: Counter[str] = Counter()
        self.saved_bytes = 0
        """What `pack_aboard` would save."""
        self.payload_bytes: Counter[str] = Counter()
        self.pings, self.starts = 0, 1
        self.now_s = self._last_out_s = self._last_in_s = 0.0

    def go_on(self, now_s: float) -> None:
        """Time goes on: pings as paho sends them, a minute after the last byte either way; a boot begins at nought."""
        if now_s < self.now_s:
            self.starts += 1
            self._last_out_s = self._last_in_s = now_s
        self.now_s = now_s
        while (due_s := min(self._last_out_s, self._last_in_s) + PING_EVERY_S) <= now_s:
            self.pings += 1
            self._last_out_s = self._last_in_s = due_s

    def cost(self, leaf: str, do: Callable[[], object]) -> None:
        """Do it, wait, count."""
        before = self._rig.relay.passed_bytes
        do()
        self._rig.turn_until(
            lambda: self._rig.is_quiet() and (leaf == "status" or self._rig.relay.passed_bytes > before)
        )
        self.bytes[leaf] += self._rig.relay.passed_bytes - before
        self.times[leaf] += 1
        self._last_out_s = self.now_s
        if leaf != "position":  # QoS 0: nothing comes back
            self._last_in_s = self.now_s

    def _list(self, body: Aboard) -> None:
        self.cost("aboard", lambda: self._rig.van.publisher.set_aboard(body))
        octets = encode_body(body)
        self.payload_bytes["aboard"] += len(octets)
        self.saved_bytes += len(octets) - len(pack_body(octets))

    def _body(self, leaf: str, body: Any, show: Callable[[Any], None]) -> None:
        self.cost(leaf, lambda: show(body))
        self.payload_bytes[leaf] += len(encode_body(body))

    def shown(self) -> Shown:
        """As the agent has it."""
        publisher = self._rig.van.publisher
        return Shown(
            status=lambda body: self._body("status", body, publisher.set_status),
            aboard=self._list,
            position=lambda body: self._body("position", body, publisher.set_position),
            notify=publisher.notify,
            raise_if_failed=publisher.raise_if_failed,
        )


def wire(quick: bool) -> tuple[list[Figure], list[str]]:  # noqa: FBT001 - as everywhere in the benches
    """A day's bytes by what they carried."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        day = record(folder, *(SHORT if quick else LONG))
        files = {"config": "vehicle.toml", "sites": "sites.geojson", "register": "register.csv", "plan": "plan.csv"}
        setup = read_setup(**{key: folder / file for key, file in files.items()})
        with rig(tls=True) as made:
            counted, dues = Counted(made), Dues()
            connecting_bytes = made.relay.passed_bytes
            showing, state, van = Showing(counted.shown(), dues), State(), made.van
            moved = 0

            def status(now: float) -> Status:
                return Status(
                    vehicle=setup.vehicle.id, state="online", boot=1, program="bench",
                    reader=reader_status(state, now), gps=gps_status(state, now, None), backlog=van.store.backlog(),
                )  # fmt: skip

            def take(records: Sequence[Record], mono: float) -> None:
                nonlocal moved
                if not records:
                    return
                moved += sum(len(each.body.get("childEPCs", ())) for each in records if _is_handling(each.body))
                counted.cost("log", lambda: (van.store.append(records, boot=1, mono=mono), van.publisher.notify()))
                counted.times["records"] += len(records)
                dues.soon("aboard")

            for item in Lines().inputs(read_lines(folder / "recording.jsonl")):
                counted.go_on(item.mono)
                state, records = step(setup, state, item)
                take(records, item.mono)
                if state.axis.bases:
                    showing.show(
                        setup, state, item.mono, now_s=max(state.axis.at(item.mono), state.axis.last_s), status=status
                    )
            take(finish(setup, state)[1], counted.now_s)
    powered_h = sum(off - on for on, off in day.boots) / 3600.0
    counted.bytes["keepalive, reckoned"] = counted.pings * PING_BYTES
    counted.bytes["connecting"] = counted.starts * connecting_bytes
    counted.times |= {"keepalive, reckoned": counted.pings, "connecting": counted.starts}
    total = sum(counted.bytes.values()) / 1e3
    figures = [Figure("a day on the wire over TLS, both ways", "kB", [total], most=WIRE_KB)]
    figures.append(
        Figure("  the same with pack_aboard, reckoned", "kB", [total - counted.saved_bytes / 1e3], most=WIRE_KB)
    )
    figures += [Figure(f"  of it {leaf}", "kB", [octets / 1e3]) for leaf, octets in counted.bytes.most_common()]
    records = counted.times["records"]
    notes = [f"{len(day.stops)} stops, {moved} items moved, {powered_h:.1f} h with power, {records} records"]
    for leaf, octets in counted.bytes.most_common():
        times = counted.times[leaf]
        payload = f", {counted.payload_bytes[leaf] / times:.0f} of them payload" if counted.payload_bytes[leaf] else ""
        notes.append(f"  {leaf}: {times} times, {octets / times:.0f} bytes each, both ways{payload}")
    return figures, notes


def _is_handling(body: dict[str, Any]) -> bool:
    return body.get("bizStep") in {"loading", "unloading"} and "errorDeclaration" not in body


def delay(count: int) -> list[Figure]:
    """Seconds from an event's commit until the dispatch side's ack of it has come back, over TLS."""
    found = []
    with rig(tls=True) as made:
        for n in range(1, count + 1):
            began_s = time.perf_counter()
            made.van.store.append([event(n)], boot=1, mono=float(n))
            made.van.publisher.notify()
            made.turn_until(lambda: made.van.store.backlog() == 0)
            found.append(time.perf_counter() - began_s)
    late_s = sorted(found)[len(found) * 95 // 100]
    return [
        Figure("an event until its ack is back", "s", [statistics.median(found)], most=DELAY_S),
        Figure("  95 in 100 within", "s", [late_s]),
    ]


def drain(count: int) -> list[Figure]:
    """A month offline comes home: real dispatch side, loopback."""
    with rig(tls=False) as made:
        made.relay.cut()
        made.turn_until(lambda: not made.van.publisher.is_connected)
        for first in range(1, count + 1, 500):
            last = min(first + 500, count + 1)
            made.van.store.append([event(n) for n in range(first, last)], boot=1, mono=0.0)
        made.relay.mend()
        made.turn_until(lambda: made.van.publisher.is_connected)
        pids = {"vehicle's": os.getpid(), "broker's": made.broker.pid, "dispatch side's": made.depot.pid}
        used = {whose: used_s(pid) for whose, pid in pids.items()}
        began_s = time.perf_counter()
        batches = made.van.publisher.published_batches
        busy_s = processor_s(made.van.publisher)
        made.turn_until(lambda: made.van.store.backlog() == 0)
        took_s = time.perf_counter() - began_s
        used = {whose: used_s(pid) - used[whose] for whose, pid in pids.items()}
        batches = made.van.publisher.published_batches - batches
        busy_s = processor_s(made.van.publisher) - busy_s
    return [
        Figure(f"{count:,} records after a month offline", "s", [took_s], most=DRAIN_S),
        Figure("  drained", "records/s", [count / took_s], least=DRAIN_RATE),
        Figure("  the vehicle's publisher, by the processor's time", "records/s", [count / busy_s]),
        Figure("  batches beyond those needed", "", [float(max(0, batches - -(-count // 50)))]),
        *(Figure(f"  the {whose} processor time a record", "us", [each / count * 1e6]) for whose, each in used.items()),
    ]


def month(days: int, each: int) -> list[Figure]:
    """Memory of the vehicle's process, and of the dispatch side's, after the first days and after all."""
    grown: dict[str, list[float]] = {"vehicle": [], "dispatch": []}
    with rig(tls=False) as made:
        for day in range(days):
            for n in range(day * each + 1, (day + 1) * each + 1, 10):
                made.van.store.append([event(n + i) for i in range(10)], boot=1, mono=float(n))
                made.van.publisher.notify()
                made.van.publisher.set_position(
                    Position(vehicle="van-07", at="2026-03-02T07:01:12.000Z", lat=n / 1e3, lon=9.0)
                )
                made.van.turn()
                made.van.delivered.clear()
            made.turn_until(made.is_quiet)
            if day in (days // 10, days - 1):
                grown["vehicle"].append(memory_mb("self"))
                grown["dispatch"].append(memory_mb(made.depot.pid))
    return [Figure(f"memory of the {who} side, {days} days", "MB", [last]) for who, (_, last) in grown.items()] + [
        Figure(f"  grown since day {days // 10 + 1}, {who}", "MB", [last - first], most=10.0)
        for who, (first, last) in grown.items()
    ]


def _medians(runs: Sequence[Sequence[Figure]]) -> list[Figure]:
    return [
        Figure(each[0].name, each[0].unit, [one.runs[0] for one in each], each[0].most, each[0].least)
        for each in zip(*runs, strict=True)
    ]


def measure(quick: bool) -> Sequence[Figure]:  # noqa: FBT001 - what common.main calls
    """All figures, printed."""
    if broker.mosquitto_program() is None or shutil.which("openssl") is None:
        print("mosquitto and openssl are needed")
        return []
    figures, notes = wire(quick)
    times = 1 if quick else RUNS
    figures += _medians([delay(10 if quick else 100) for _ in range(times)])
    figures += _medians([drain(500 if quick else MONTH_RECORDS) for _ in range(times)])
    figures += month(*((4, 50) if quick else (30, MONTH_RECORDS // 30)))
    show("the link", figures, notes=notes)
    return figures


if __name__ == "__main__":
    main(__doc__, measure)
