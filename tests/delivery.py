"""A vehicle's sending side and a depot's ear on one real broker, for tests and benchmarks of what lies between.

Everything of ours runs on the test's own thread but the publisher: `turn` does what the run loop and ingest would do.
"""

from __future__ import annotations

import json
import queue
import socket
import time
from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from paho.mqtt.enums import CallbackAPIVersion

from agent.chain import Sealed, content_digest, digest, key_text
from agent.clock import Clock, SystemClock
from agent.messages import Ack, decode_log, encode_acks, topic
from agent.publisher import Acks, Delivered, Publisher, Settled
from agent.records import Record
from agent.store import Store
from agent.store_chain import Seal
from agent.vehicle import MqttSettings

VEHICLE = "van-07"
KEY = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
SEAL = Seal(VEHICLE, key_text(KEY.public_key().public_bytes_raw()), KEY.sign)


class Depot:
    """What the dispatch side must do: note every record, and ack what it has by a retained message."""

    def __init__(self, port: int, *, vehicle: str = VEHICLE) -> None:
        self.acking = True
        self.on_record: Callable[[int], None] = lambda _seq: None
        self.bodies: dict[tuple[int, int], bytes] = {}
        self.sealed: dict[tuple[int, int], Sealed] = {}
        self.keys: set[str | None] = set()
        self.times: Counter[tuple[int, int]] = Counter()
        self.contradictions: list[tuple[int, int]] = []
        self.batch_sizes: list[int] = []
        self.retained: dict[str, list[Any]] = {}
        self.subscribed = 0
        self._vehicle = vehicle
        self._heard: queue.SimpleQueue[tuple[str, bytes]] = queue.SimpleQueue()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="depot")
        self._client.on_connect = lambda client, *_: client.subscribe("roadtally/1/+/#", qos=1)
        self._client.on_socket_open = lambda _client, _data, connection: connection.setsockopt(
            socket.IPPROTO_TCP, socket.TCP_NODELAY, 1
        )
        self._client.on_subscribe = self._on_subscribe
        self._client.on_message = lambda _client, _data, message: self._heard.put((message.topic, message.payload))
        self._client.reconnect_delay_set(1, 1)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def _on_subscribe(self, *_: object) -> None:
        self.subscribed += 1

    def turn(self) -> None:
        """Take in everything that has been heard, then ack once."""
        heard = False
        while not self._heard.empty():
            name, payload = self._heard.get()
            leaf = name.rpartition("/")[2]
            if leaf == "log":
                heard = True
                self._take(payload)
            elif leaf in ("status", "aboard", "position") and payload:
                self.retained.setdefault(leaf, []).append(json.loads(payload))
        if heard and self.acking:
            self.send("ack", encode_acks(self.acks()))

    def _take(self, payload: bytes) -> None:
        batch = decode_log(payload, vehicle=self._vehicle)
        self.batch_sizes.append(len(batch.records))
        self.keys.add(batch.key)
        for record in batch.records:
            name = (batch.epoch, record.seq)
            self.times[name] += 1
            self.on_record(record.seq)
            if self.bodies.setdefault(name, bytes(record.body)) != bytes(record.body):
                self.contradictions.append(name)
            body = bytes(record.body)
            sealed = Sealed(record.seq, record.kind, content_digest(body), record.prev, record.sig, body)
            self.sealed.setdefault(name, sealed)

    def acks(self) -> list[Ack]:
        """For each epoch the run from 1 with the hash of its last, and every further seq by itself."""
        found = []
        for epoch in sorted({epoch for epoch, _ in self.bodies}):
            have = {seq for each, seq in self.bodies if each == epoch}
            upto = next(seq for seq in range(1, len(have) + 2) if seq not in have) - 1
            also = tuple((seq, seq) for seq in sorted(have) if seq > upto)
            found.append(Ack(epoch, upto, also, self._hash(epoch, upto)))
        return found

    def _hash(self, epoch: int, seq: int) -> str | None:
        record = self.sealed.get((epoch, seq))
        if record is None:
            return None
        return digest(
            vehicle=self._vehicle,
            epoch=epoch,
            seq=seq,
            kind=record.kind,
            prev=record.prev or "",
            content=record.content,
        )

    def send(self, leaf: Any, payload: bytes) -> None:
        """Publish a retained message to the vehicle."""
        self._client.publish(topic(self._vehicle, leaf), payload, qos=1, retain=True)

    def close(self) -> None:
        """Disconnect."""
        self._client.disconnect()
        self._client.loop_stop()


class Van:
    """A store and its publisher, with the run loop's part done by `turn`."""

    def __init__(self, path: Path, *, port: int, clock: Clock | None = None, **options: Any) -> None:
        self.store = Store.open(path, seal=SEAL)
        self.boot = self.store.boot()
        self.delivered: list[Delivered] = []
        self._outbox = self.store.outbox()
        self._arrived: queue.SimpleQueue[Delivered] = queue.SimpleQueue()
        settings = options.pop("settings", None) or MqttSettings(host="127.0.0.1", port=port)
        self.publisher = Publisher(
            vehicle=VEHICLE,
            settings=settings,
            outbox=self._outbox,
            deliver=self._arrived.put,
            clock=clock or SystemClock(),
            **{"settle_s": 0.1, **options},
        ).start()

    def append(self, count: int) -> None:
        """Store that many records more, and say so."""
        first = self.store.last_seq + 1
        body = {"notice": "gap", "vehicle": VEHICLE, "text": "Nothing was recorded."}
        records = [Record("notice", {**body, "n": n}) for n in range(first, first + count)]
        self.store.append(records, boot=self.boot, mono=0.0)
        self.publisher.notify()

    def turn(self) -> None:
        """Apply what has been delivered, as the run loop does."""
        self.publisher.raise_if_failed()
        while not self._arrived.empty():
            each = self._arrived.get()
            self.delivered.append(each)
            if isinstance(each, Settled):
                self.store.settle()
                self.publisher.notify()
            elif isinstance(each, Acks):
                self.store.acknowledge(each.acks)
                self.publisher.notify()

    def got(self, kind: type[Any]) -> list[Any]:
        """What of one kind has been delivered so far."""
        return [each for each in self.delivered if isinstance(each, kind)]

    def close(self) -> None:
        """Stop the publisher, then close the store."""
        self.publisher.stop()
        self.turn()
        self._outbox.close()
        self.store.close()


def turn_until(reached: Callable[[], bool], parts: Sequence[Depot | Van], *, within_s: float = 20.0) -> None:
    """Turn the parts until it is so; raises AssertionError when it takes too long."""
    deadline_s = time.monotonic() + within_s
    while not reached():
        assert time.monotonic() < deadline_s, "not reached in time"
        for part in parts:
            part.turn()
        time.sleep(0.001)  # lets the other threads run between two looks
