"""One trial: a vehicle makes custody records while its link, its broker and its dispatch side fail by a seeded mixture.

Real are the store and the publisher of the vehicle, mosquitto, and the dispatch side in a process of its own; where the
vehicle is killed it has one too. Between vehicle and broker stands a relay that takes the coverage away; on the broker
a meddler says again what was said before, in any order. In the end all is well again, the outbox must become empty, and
the dispatch side's records must be the vehicle's: none lost, none doubled, none different.
"""

from __future__ import annotations

import json
import random
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Sequence
from contextlib import ExitStack, suppress
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from msgspec import Struct, field
from paho.mqtt.enums import CallbackAPIVersion

from agent import broker
from agent.broker import RunningBroker, free_port
from agent.clock import SystemClock
from agent.messages import topic
from agent.records import Record
from agent.relay import LinkRelay
from tests.delivery import VEHICLE, Van

ROOT = Path(__file__).resolve().parents[2]
ENDS_WITHIN_S = 90.0
STARTS_WITHIN_S = 300.0  # on a busy machine a process may take minutes to start, which proves nothing
_EVENT: dict[str, Any] = {
    "@context": [
        "https://ref.gs1.org/standards/epcis/2.0.0/epcis-context.jsonld",
        {"rt": "https://roadtally.example/ns/1/"},
    ],
    "type": "AggregationEvent",
    "eventTimeZoneOffset": "+00:00",
    "parentID": "urn:epc:id:giai:9521141.70007",
    "bizStep": "loading",
    "disposition": "in_progress",
    "action": "ADD",
    "bizLocation": {"id": "urn:epc:id:sgln:9521141.00001.0"},
}


class Verdict(Struct, frozen=True):
    """What came of a trial; all is well where `problems` is empty."""

    seed: int
    did: tuple[str, ...]
    records: int
    lost: int = 0
    doubled: int = 0
    different: int = 0
    problems: tuple[str, ...] = ()
    took_s: float = field(default=0.0)


def event(n: int) -> Record:
    """The loading of one item, as custody makes it; `n` tells it from every other."""
    minute = f"{n // 60 % 24:02d}:{n % 60:02d}"
    item = f"urn:epc:id:grai:9521141.12345.{n}"
    body = {
        **_EVENT,
        "eventID": f"ni:///sha-256;{n:064x}?ver=CBV2.0",
        "eventTime": f"2026-03-{2 + n // 1440 % 28:02d}T{minute}:00.000Z",
        "childEPCs": [item],
        "rt:confidence": [{"rt:epc": item, "rt:p": round(0.9 + n % 1000 / 10_000, 4)}],
    }
    return Record("event", body)


class HastyClock(SystemClock):
    """A boot's, which counts from nought; it does not wait long between two tries to connect."""

    def __init__(self) -> None:
        super().__init__()
        self._began_s = super().mono()
        self.off_by_s = 0.0
        """How wrong the wall clock is."""

    def utc(self) -> float:
        """Wrong by that."""
        return super().utc() + self.off_by_s

    def mono(self) -> float:
        """Seconds since this boot."""
        return super().mono() - self._began_s

    def sleep(self, seconds: float, *, stop: Any = None) -> bool:
        """A twentieth of what is asked."""
        return super().sleep(seconds / 20.0, stop=stop)


class Sides:
    """Vehicle, relay, broker and dispatch side, with every way to break them; `close` ends all of it."""

    def __init__(self, folder: Path, *, seed: int, make_van: Callable[..., Van] = Van) -> None:
        self.chance = random.Random(seed)  # noqa: S311 - a test's luck
        self.folder, self._make_van = folder, make_van
        self.store, self.database = folder / "store.db", folder / "dispatch.db"
        self._ready = self.database.with_suffix(".ready")
        self.port = free_port()
        self.made = 0
        self.broken_promises = 0
        """Records that a killed vehicle had said to be committed, and that its store does not hold."""
        self._clock = HastyClock()
        self._stack = ExitStack()
        self._broker: RunningBroker | None = None
        self._depot: subprocess.Popen[bytes] | None = None
        self._heard: list[tuple[str, bytes, bool]] = []
        folder.chmod(0o777)  # as root mosquitto gives up its rights, and writes its memory here
        self.start_broker()
        self._relay = self._stack.enter_context(LinkRelay(listen_port=0, target_port=self.port))
        self.start_depot()
        self._listen()
        self.van = self._new_van()

    def _new_van(self) -> Van:
        patience = {"resend_after_s": 1.0, "resend_after_real_s": 1.0}
        off_by_s, self._clock = self._clock.off_by_s, HastyClock()
        self._clock.off_by_s = off_by_s
        return self._make_van(self.store, port=self._relay.port, clock=self._clock, **patience)

    def _listen(self) -> None:
        """Overhears logs and acks, to say them again later."""
        client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="meddler", clean_session=True)
        client.on_connect = lambda client, *_: client.subscribe(
            [(topic(VEHICLE, "log"), 1), (topic(VEHICLE, "ack"), 1)]
        )
        client.on_message = lambda _client, _data, message: self._heard.append(
            (message.topic, message.payload, message.topic.endswith("/ack"))
        )
        client.reconnect_delay_set(1, 1)
        client.connect("127.0.0.1", self.port)
        client.loop_start()
        self._meddler = client
        self._stack.callback(client.loop_stop)

    def start_broker(self) -> None:
        """With a memory of its own on disk, and all of it for ever."""
        config = self.folder / "broker.conf"
        config.write_text(
            f"listener {self.port} 127.0.0.1\nallow_anonymous true\nmax_queued_messages 0\n"
            f"persistence true\npersistence_location {self.folder}/\nautosave_interval 1\nautosave_on_changes true\n"
        )
        command = [str(broker.mosquitto_program()), "-c", str(config)]
        self._broker = broker._start("mosquitto", command, port=self.port, host="127.0.0.1")

    def start_depot(self, *options: str) -> None:
        """The dispatch side's process."""
        self._ready.unlink(missing_ok=True)
        command = [sys.executable, "-m", "tests.links.depot", str(self.port), str(self.database), *options]
        self._depot = subprocess.Popen(command, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL,
                                       stderr=subprocess.DEVNULL)  # fmt: skip

    def stop_depot(self) -> None:
        """By SIGKILL."""
        if self._depot is not None:
            self._depot.kill()
            self._depot.wait()
            if self._depot.stdin is not None:
                self._depot.stdin.close()
            self._depot = None

    def append(self, count: int) -> None:
        """The vehicle makes that many records."""
        records = [event(n) for n in range(self.made + 1, self.made + 1 + count)]
        self.made += count
        self.van.store.append(records, boot=self.van.boot, mono=float(self.made))
        self.van.publisher.notify()

    def turn_for(self, seconds: float, *, until: Callable[[], bool] = lambda: False) -> bool:
        """Do the vehicle's part for a while, or until it is so; whether it is."""
        ends_s = time.monotonic() + seconds
        while not until():
            if time.monotonic() > ends_s:
                return False
            self.van.turn()
            time.sleep(0.002)  # lets the other threads run between two looks
        return True

    def no_coverage(self) -> None:
        """From now on, until `mend`."""
        self._relay.cut()
        self.turn_for(10.0, until=lambda: not self.van.publisher.is_connected)

    def mend(self) -> None:
        """There is coverage again."""
        self._relay.mend()

    # What can go wrong.

    def nothing(self) -> None:
        """Good coverage."""

    def dead_zone(self) -> None:
        """No coverage for a while, told by a reset or not told at all; records are made in it."""
        self._relay.cut(silently=self.chance.random() < 0.3)
        self.append(self.chance.randint(0, 60))
        self.turn_for(self.chance.uniform(0.0, 0.4))
        self._relay.mend()

    def flapping(self) -> None:
        """Coverage that comes and goes, good for a fraction of the time."""
        for _ in range(self.chance.randint(2, 6)):
            self._relay.cut()
            self.turn_for(self.chance.uniform(0.0, 0.1))
            self._relay.mend()
            self.turn_for(self.chance.uniform(0.0, 0.1))

    def broker_killed(self) -> None:
        """Kill -9, and back with what it had on disk."""
        assert self._broker is not None
        self._broker.kill()
        self.turn_for(self.chance.uniform(0.0, 0.2))
        self.start_broker()

    def broker_wiped(self) -> None:
        """Kill -9, and back without any memory: retained messages, sessions and queues are gone."""
        assert self._broker is not None
        self._broker.kill()
        for path in self.folder.glob("mosquitto.db*"):
            path.unlink()
        self.start_broker()

    def depot_dies_between_commit_and_ack(self) -> None:
        """What it commits last is never acknowledged by the one that committed it."""
        self.stop_depot()
        self.start_depot("--die-after", str(self.chance.randint(1, 4)))
        self.append(self.chance.randint(1, 200))
        depot = self._depot
        assert depot is not None
        self.turn_for(8.0, until=lambda: depot.poll() is not None)
        self.stop_depot()
        self.start_depot()

    def depot_away(self) -> None:
        """Down while days of records are made, and while the coverage flaps."""
        self.stop_depot()
        self.append(self.chance.randint(100, 600))
        self.turn_for(self.chance.uniform(0.2, 1.5))
        self.flapping()
        self.start_depot("--off-by", str(self.chance.choice((-1e8, -3600.0, 0.0, 3600.0, 1e8))))

    def depot_away_and_broker_wiped(self) -> None:
        """What the broker confirmed and kept for the dispatch side is lost with it."""
        self.stop_depot()
        self.append(self.chance.randint(50, 300))
        self.turn_for(self.chance.uniform(0.3, 1.0))
        self.broker_wiped()
        self.start_depot()

    def said_again(self) -> None:
        """Batches and acks that were said before come again, in any order; old acks stay retained."""
        heard = list(self._heard)
        self.chance.shuffle(heard)
        for name, payload, is_ack in heard[: self.chance.randint(1, 30)]:
            self._meddler.publish(name, payload, qos=1, retain=is_ack)

    def acks_lost(self) -> None:
        """The retained ack is cleared, and the next ones come while there is no coverage."""
        self._meddler.publish(topic(VEHICLE, "ack"), b"", qos=1, retain=True)
        self.append(self.chance.randint(1, 100))
        self.turn_for(0.02)
        self.dead_zone()

    def van_restarts(self) -> None:
        """A new process on the same store; its monotonic clock counts from nought."""
        self.van.close()
        self.van = self._new_van()

    def wall_clock_jumps(self) -> None:
        """The vehicle's clock is set by years or hours, forth or back, while records are on their way."""
        self._clock.off_by_s = self.chance.choice((-1e9, -3600.0, 0.0, 3600.0, 1e9))
        self.append(self.chance.randint(1, 60))
        self.turn_for(self.chance.uniform(0.0, 0.1))

    def van_killed(self) -> None:
        """The vehicle's process is killed -9 while it makes and sends records; the next one goes on from its store."""
        self.van.close()
        command = [sys.executable, "-m", "tests.links.van", str(self.store), str(self._relay.port), str(self.made + 1)]
        command += ["--off-by", str(self._clock.off_by_s)]
        process = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
        assert process.stdout is not None
        promised = [int(process.stdout.readline())]  # it is up
        time.sleep(self.chance.uniform(0.0, 0.4))
        process.kill()
        promised += [int(line) for line in process.stdout.read().split(b"\n") if line]
        process.stdout.close()
        process.wait()
        self.van = self._new_van()
        with sqlite3.connect(f"file:{self.store}?mode=ro", uri=True) as store:
            (self.made,) = store.execute("SELECT count(*) FROM record").fetchone()
        self.broken_promises += max(0, promised[-1] - self.made)

    def heal(self) -> bool:
        """Everything is there again; whether the outbox became empty in time."""
        self._relay.mend()
        assert self._broker is not None
        if not self._broker.is_running():
            self.start_broker()
        if self._depot is None or self._depot.poll() is not None:
            self.stop_depot()
            self.start_depot()
        self.turn_for(STARTS_WITHIN_S, until=self._ready.exists)
        return self._ready.exists() and self.turn_for(ENDS_WITHIN_S, until=lambda: self.van.store.backlog() == 0)

    def how_it_stands(self) -> str:
        """In words, for a trial that does not end."""
        publisher = self.van.publisher
        depot = "away" if self._depot is None or self._depot.poll() is not None else "there"
        return (
            f"{self.van.store.backlog()} records wait, {publisher.published_batches} batches sent, "
            f"{'connected' if publisher.is_connected else 'not connected'}, told {publisher._told_trouble[0]!r}; "
            f"the dispatch side is {depot} and {'' if self._ready.exists() else 'not '}ready"
        )

    def close(self) -> None:
        """End all processes."""
        with suppress(Exception):
            self.van.close()
        self.stop_depot()
        self._stack.close()
        if self._broker is not None:
            self._broker.stop()


FAULTS: tuple[str, ...] = (
    "nothing", "dead_zone", "flapping", "broker_killed", "broker_wiped", "depot_dies_between_commit_and_ack",
    "depot_away", "depot_away_and_broker_wiped", "said_again", "acks_lost", "van_restarts",
    "wall_clock_jumps", "van_killed",
)  # fmt: skip


def compare(store: Path, database: Path) -> tuple[int, int, int, list[str]]:
    """Lost, doubled, different, and what else is wrong, from the files themselves."""
    problems: list[str] = []
    with sqlite3.connect(store) as vehicle, sqlite3.connect(database) as depot:
        rows = vehicle.execute("SELECT epoch, seq, body FROM record").fetchall()
        made = {(epoch, seq): json.loads(body) for epoch, seq, body in rows}
        rows = depot.execute("SELECT epoch, seq, body FROM record WHERE vehicle = ?", (VEHICLE,)).fetchall()
        for table in ("clash", "unreadable"):
            (count,) = depot.execute(f"SELECT count(*) FROM {table}").fetchone()  # noqa: S608 - our own names
            if count:
                problems.append(f"{count} rows in {table}")
    kept = {(epoch, seq): json.loads(body) for epoch, seq, body in rows}
    times = Counter(body["eventID"] for body in kept.values())
    lost = len(made.keys() - kept.keys())
    doubled = len(rows) - len(kept) + sum(count - 1 for count in times.values()) + len(kept.keys() - made.keys())
    different = sum(made[name] != kept[name] for name in made.keys() & kept.keys())
    return lost, doubled, different, problems


def mixture(seed: int, *, steps: int, faults: Sequence[str] = FAULTS) -> tuple[str, ...]:
    """What goes wrong, in this order."""
    chance = random.Random(seed)  # noqa: S311 - a test's luck
    return tuple(chance.choice(faults) for _ in range(steps))


def trial(seed: int, did: Sequence[str], *, make_van: Callable[..., Van] = Van) -> Verdict:
    """Live one mixture and compare; `seed` draws how much of each."""
    began_s = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="roadtally-link-") as name:
        sides = Sides(Path(name), seed=seed, make_van=make_van)
        try:
            for fault in did:
                sides.append(sides.chance.choice((1, 3, 20, 150)))
                sides.turn_for(sides.chance.uniform(0.0, 0.2))
                getattr(sides, fault)()
            is_empty = sides.heal()
            stands = sides.how_it_stands()
            sides.van.publisher.raise_if_failed()
        finally:
            sides.close()
        lost, doubled, different, problems = compare(sides.store, sides.database)
        if sides.broken_promises:
            problems.append(f"{sides.broken_promises} committed records gone from the vehicle's store")
    if not is_empty:
        problems.append(f"the outbox did not become empty: {stands}")
    if lost or doubled or different:
        problems.append(f"{lost} lost, {doubled} doubled, {different} different")
    return Verdict(seed, tuple(did), sides.made, lost, doubled, different, tuple(problems), time.monotonic() - began_s)
