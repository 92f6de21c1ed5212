"""The dispatch side's ear: takes what vehicles publish from the broker into the store, and answers with acks.

Two threads of its own. The first keeps a connection (a fresh client each time, jittered backoff, a persistent session);
the client's callbacks only enqueue. The second commits all that waits, up to a bound, in one transaction, and publishes
the retained `ack` of each vehicle in it once, after the commit. The broker gets its PUBACK after the commit too: so it
holds back what we cannot take yet, and tells again what an end of ours in between would have lost. A message that is
lost all the same is no loss: no ack covers it, so its vehicle sends it again.
"""

from __future__ import annotations

import logging
import random
import threading
from collections import Counter, deque
from collections.abc import Callable
from functools import partial
from typing import Any

import msgspec
import paho.mqtt.client as mqtt
from msgspec import Struct

from agent.bodies import Body, decode_aboard, decode_position, decode_status
from agent.clock import Clock
from agent.dispatch.acks import Acks
from agent.dispatch.connection import KEEPALIVE_S, Broker, fresh_client
from agent.dispatch.store import BusyError, DispatchStore
from agent.dispatch.views import BrokerLink
from agent.dispatch.wire import LogBatch, decode_batch
from agent.errors import MessageError, StoreError
from agent.messages import DownLeaf, encode_downlink, parse_topic, topic

log = logging.getLogger(__name__)

_DECODERS: dict[str, Callable[[bytes], Body]] = {
    "status": decode_status,
    "aboard": decode_aboard,
    "position": decode_position,
}
_MOST_WAITING = 2000
"""Log messages, where a broker gives so many at once; beyond it they are dropped and counted, and sent again."""
_MOST_AT_ONCE = 40
"""Log messages in one transaction: 2000 records at most, which are in within a second."""
_RETRY_S, _LONGEST_RETRY_S = 0.5, 15.0
"""Between tries while the database takes nothing."""
_SHORTEST_BACKOFF_S, _LONGEST_BACKOFF_S = 0.5, 30.0
_ACK_LOOK_S = 0.05
"""Between looks at acks that the broker has yet to confirm."""
_TURN_S = 5.0
"""Real seconds after which the committing thread looks up from waiting, so that its progress shows."""


class _Waiting(Struct, frozen=True):
    """A message that is not yet committed; `received` tells the broker that we have it."""

    topic: str
    payload: bytes
    retained: bool
    received: Callable[[], object]


class Ingest:
    """See the module. `on_change(vehicle, what)` is called after each commit, from the committing thread."""

    def __init__(
        self,
        store: DispatchStore,
        broker: Broker,
        *,
        clock: Clock,
        on_change: Callable[[str, str], None] = lambda _vehicle, _what: None,
        on_link: Callable[[BrokerLink], None] = lambda _link: None,
    ) -> None:
        self._store = store
        self._broker = broker
        self._clock = clock
        self._on_change = on_change
        self._on_link = on_link
        self._stop = threading.Event()
        self._work = threading.Condition()
        self._logs: deque[_Waiting] = deque()
        self._words: dict[str, _Waiting] = {}
        self._retry_s = _RETRY_S
        self._greet = False
        self._client: mqtt.Client | None = None
        self._known = set(store.vehicles())
        self._acks = Acks(store, lambda vehicle, payload: self._publish(vehicle, "ack", payload))
        self._down: dict[tuple[str, DownLeaf], bytes] = {}
        self._down_to_all: dict[DownLeaf, bytes] = {}
        self._link = BrokerLink(connected=False, since_s=clock.utc(), why="not yet connected")
        self._threads = (
            threading.Thread(target=self._keep_connected, name="ingest-link", daemon=True),
            threading.Thread(target=self._commit, name="ingest-commit", daemon=True),
        )
        self.turns = 0
        """Grows with every piece of work that the committing thread begins, and while it waits for one."""
        self.failed = False
        """Ingest has ended by a bug; what vehicles publish is no longer taken."""
        self.counts: Counter[str] = Counter()
        """Messages: those received, and of them dropped, unreadable, cleared. Records: as in `Ingested`, and `broken`
        without a seq. `not stored`: how often the database took nothing, and it was tried again."""

    @property
    def link(self) -> BrokerLink:
        """The connection as it is now."""
        return self._link

    def start(self) -> None:
        """Connect, and go on until `close`."""
        for thread in self._threads:
            thread.start()

    def close(self) -> None:
        """Commit what has been received, disconnect, end both threads."""
        self._stop.set()
        with self._work:
            self._work.notify_all()
        for thread in self._threads:
            thread.join(timeout=10.0)

    # -- down ----------------------------------------------------------------------------------------------------------

    def downlink(self, vehicle: str, what: DownLeaf, version: int, content: Any) -> None:  # noqa: ANN401 - a JSON value
        """Put sites, register, plan or settings in force at one vehicle: retained, and again at every connection."""
        payload = encode_downlink(version=version, content=content)
        with self._work:
            self._down[vehicle, what] = payload
        self._publish(vehicle, what, payload)

    def downlink_to_all(self, what: DownLeaf, version: int, content: Any) -> None:  # noqa: ANN401 - a JSON value
        """The same for every vehicle that is or will be known and has nothing of its own in force."""
        with self._work:
            self._down_to_all[what] = encode_downlink(version=version, content=content)
            self._greet = True
            self._work.notify_all()

    def _publish(self, vehicle: str, leaf: DownLeaf, payload: bytes) -> mqtt.MQTTMessageInfo | None:
        client = self._client
        # Nothing is published while disconnected, where paho would queue it in memory; connecting says it all again.
        if client is not None and self._link.connected:
            return client.publish(topic(vehicle, leaf), payload, qos=1, retain=True)
        return None

    def _publish_ack(self, vehicle: str) -> None:
        self._acks.tell(vehicle)

    def _publish_contents(self, vehicle: str) -> None:
        with self._work:
            own = {leaf: payload for (to, leaf), payload in self._down.items() if to == vehicle}
            contents = self._down_to_all | own
        for leaf, payload in contents.items():
            self._publish(vehicle, leaf, payload)

    # -- the connection ------------------------------------------------------------------------------------------------

    def _keep_connected(self) -> None:
        backoff_s = _SHORTEST_BACKOFF_S
        while not self._stop.is_set():
            ended = threading.Event()
            client = fresh_client(
                self._broker,
                [f"roadtally/1/+/{leaf}" for leaf in ("log", *_DECODERS)],
                ready=self._ready,
                lost=partial(self._lost, ended=ended),
                heard=self._enqueue,
            )
            try:
                client.connect(self._broker.host, self._broker.port, keepalive=KEEPALIVE_S)
            except (OSError, ValueError) as error:
                self._say_link(connected=False, why=str(error))
            else:
                client.loop_start()
                while not (ended.wait(0.2) or self._stop.is_set()):
                    if self._link.connected:
                        backoff_s = _SHORTEST_BACKOFF_S
                self._client = None
                client.disconnect()
                client.loop_stop()
                self._acks.forget()
                why = "ingest has ended by an error of its own; start the dispatch side again" if self.failed else None
                self._say_link(connected=False, why=why or self._link.why)
            self._stop.wait(backoff_s * random.uniform(0.5, 1.0))  # noqa: S311 - so that not all come back at once
            backoff_s = min(backoff_s * 2.0, _LONGEST_BACKOFF_S)

    def _lost(self, why: str, ended: threading.Event) -> None:
        if self._link.connected or not ended.is_set():
            self._say_link(connected=False, why=why)
        ended.set()

    def _ready(self, client: mqtt.Client) -> None:
        self._client = client
        self._say_link(connected=True)
        with self._work:
            self._greet = True
            self._work.notify_all()

    def _enqueue(self, client: mqtt.Client, message: mqtt.MQTTMessage) -> None:
        received = partial(client.ack, message.mid, message.qos)
        waiting = _Waiting(message.topic, bytes(message.payload), message.retain, received)
        with self._work:
            self.counts["messages"] += 1
            if not message.topic.endswith("/log"):
                before, self._words[message.topic] = self._words.get(message.topic), waiting  # only the last one counts
                if before is not None:
                    before.received()
            elif len(self._logs) < _MOST_WAITING:
                self._logs.append(waiting)
            else:
                self.counts["dropped"] += 1
                received()
            self._work.notify_all()

    def _say_link(self, *, connected: bool, why: str | None = None) -> None:
        before = self._link
        if before.connected == connected and before.why == why:
            return
        since_s = self._clock.utc() if before.connected != connected else before.since_s
        self._link = BrokerLink(connected=connected, since_s=since_s, why=why)
        log.info("broker %s:%d %s", self._broker.host, self._broker.port, "connected" if connected else why)
        self._on_link(self._link)

    # -- the committing thread -----------------------------------------------------------------------------------------

    def _commit(self) -> None:
        try:
            self._commit_all()
        except Exception:  # whatever it is, it must be seen
            # A bug of ours. Nothing more is acknowledged, the board says so, and the process should be started again.
            log.exception("ingest has ended")
            self.failed = True
            self._stop.set()

    def _commit_all(self) -> None:
        while True:
            with self._work:
                while not (self._logs or self._words or self._greet or self._stop.is_set()):
                    self.turns += 1
                    if not self._work.wait(_ACK_LOOK_S if self._acks.are_on_their_way else _TURN_S):
                        break
                if self._stop.is_set() and not (self._logs or self._words):
                    return
                words, self._words = list(self._words.values()), {}
                logs = [self._logs.popleft() for _ in range(min(len(self._logs), _MOST_AT_ONCE))]
                greet, self._greet = self._greet, False
            self.turns += 1
            try:
                if greet:
                    for vehicle in sorted(self._known):
                        self._publish_ack(vehicle)
                        self._publish_contents(vehicle)
                    greet = False
                self._acks.look()
                while words:
                    self._take_word(words[0])
                    words.pop(0).received()
                self._take_logs(logs)
                self._retry_s = _RETRY_S
            except StoreError:
                # Nothing of it is acknowledged. The disk is the operator's to mend, and the board still shows.
                self.counts["not stored"] += 1
                log.exception("%d messages are not stored yet", len(words) + len(logs))
                if not self._put_back(words, logs, greet=greet):
                    return
                self._stop.wait(self._retry_s)
                self._retry_s = min(self._retry_s * 2.0, _LONGEST_RETRY_S)

    def _put_back(self, words: list[_Waiting], logs: list[_Waiting], *, greet: bool) -> bool:
        """Let them wait again, before all that came since; false where there is no again."""
        with self._work:
            if self._stop.is_set():
                return False
            self._greet = self._greet or greet
            self._logs.extendleft(reversed(logs))
            overtaken = [each for each in words if each.topic in self._words]
            self._words = {each.topic: each for each in words} | self._words
        for each in overtaken:  # or the broker would hold a place for each, of the few that it has
            each.received()
        return True

    def _take_word(self, waiting: _Waiting) -> None:
        read = self._read(waiting)
        if isinstance(read, LogBatch) or read is None:
            return
        try:
            self._store.hear(read, received_s=self._clock.utc(), retained=waiting.retained)
        except BusyError:
            raise
        except StoreError as error:
            self._keep_unread(waiting.topic, waiting.payload, str(error))
            return
        self._heard(read.vehicle, waiting.topic.rpartition("/")[2])

    def _take_logs(self, logs: list[_Waiting]) -> None:
        """Commit them together and acknowledge once; where the database will never take one, all but that."""
        batches = [batch for batch in map(self._read, logs) if isinstance(batch, LogBatch)]
        try:
            self._ingest(batches)
        except BusyError:
            raise
        except StoreError as error:
            log.warning("%s; each of the %d batches is tried by itself", error, len(batches))
            for batch in batches:
                self._take_alone(batch)
        for vehicle in sorted({batch.vehicle for batch in batches}):
            self._heard(vehicle, "log")
            self._publish_ack(vehicle)
        for waiting in logs:
            waiting.received()

    def _ingest(self, batches: list[LogBatch]) -> None:
        received_s = self._clock.utc()
        for batch in batches:
            for octets, reason in batch.broken:
                self.counts["broken"] += 1
                self._keep_unread(topic(batch.vehicle, "log"), octets, reason)
        if batches:
            done = self._store.ingest_all(batches, received_s=received_s)
            self.counts.update({key: n for key, n in msgspec.structs.asdict(done).items() if n})

    def _take_alone(self, batch: LogBatch) -> None:
        try:
            self._ingest([batch])
        except BusyError:
            raise
        except StoreError as error:
            for each in batch.records:
                try:
                    self._ingest([msgspec.structs.replace(batch, records=(each,), broken=())])
                except BusyError:
                    raise
                except StoreError:
                    # It is acknowledged all the same, or it would come for ever, and keeps its place in the chain, or
                    # all that follow it would seem to be another's. What it held is kept beside.
                    reason = f"record {each.seq}: {error}"
                    self._keep_unread(topic(batch.vehicle, "log"), each.octets, reason)
                    bare = msgspec.structs.replace(each, withheld=reason)
                    self._ingest([msgspec.structs.replace(batch, records=(bare,), broken=())])

    def _heard(self, vehicle: str, leaf: str) -> None:
        if vehicle not in self._known:
            self._known.add(vehicle)
            self._publish_contents(vehicle)
        self._on_change(vehicle, leaf)

    def _read(self, waiting: _Waiting) -> LogBatch | Body | None:
        """What a message says; None where it cannot be read, which is kept as it is, or where there is nothing."""
        if not waiting.payload:
            self.counts["cleared"] += 1  # somebody cleared a retained message
            return None
        try:
            vehicle, leaf = parse_topic(waiting.topic)
            if leaf == "log":
                return decode_batch(waiting.payload, vehicle=vehicle)
            body = _DECODERS[leaf](waiting.payload)
        except MessageError as error:
            self._keep_unread(waiting.topic, waiting.payload, str(error))
            return None
        if body.vehicle == vehicle:
            return body
        reason = f"a {leaf} of {body.vehicle[:40]!r} on the topic of {vehicle}"
        self._keep_unread(waiting.topic, waiting.payload, reason)
        return None

    def _keep_unread(self, name: str, octets: bytes, reason: str) -> None:
        self.counts["unreadable"] += 1
        log.warning("%s: %s; it is kept unread", name, reason)
        self._store.keep_unreadable(topic=name, payload=octets, reason=reason, received_s=self._clock.utc())
        vehicle = name.split("/")[2] if name.count("/") > 1 else ""
        if vehicle in self._known:
            self._on_change(vehicle, "log")
