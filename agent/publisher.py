"""Publishes the outbox and the vehicle's newest state over MQTT, and hands on what the dispatch side sends.

One thread, which alone touches the client: it waits on the socket itself instead of letting the library start a network
thread, so that there is no second thread to die unseen and no lock to hold across a callback. Callbacks only enqueue.
The outbox is the only queue: nothing is published while disconnected, at most twenty batches are outstanding, and
a record counts as delivered when an `ack` of the dispatch side covers it (the run loop then trims the store). Each
connection has a fresh client and begins with the oldest record that neither an ack covers nor the broker has taken a
short while ago (`agent.publisher_log`). MQTT 3.1.1.

The store is never touched from here: records come through `Outbox`, a reader with its own connection, and acks, new
sites and the like go to `deliver`, which must only enqueue them.
"""

from __future__ import annotations

import hashlib
import logging
import random
import socket
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from typing import Any, Self

from msgspec import Struct

from agent.bodies import Aboard, Position, Status, encode_body, pack_body
from agent.clock import Clock
from agent.errors import MessageError
from agent.messages import (
    HELD_LEAVES,
    Ack,
    DownLeaf,
    Downlink,
    UpLeaf,
    decode_acks,
    decode_downlink,
    parse_topic,
    version_of,
)
from agent.publisher_link import Link, LinkLostError
from agent.publisher_log import LogSender, Outbox
from agent.publisher_window import Window
from agent.vehicle import MqttSettings

_LOG = logging.getLogger(__name__)

_SHORTEST_BACKOFF_S, _LONGEST_BACKOFF_S = 1.0, 60.0
_STEADY_S = 10.0  # a connection that lasted as long as this was a good one: the next try comes soon
_IDLE_REAL_S = 0.25
_FAREWELL_REAL_S = 1.0
_RETAINED: dict[UpLeaf, int] = {"status": 1, "aboard": 1, "position": 0}  # with their QoS


class Acks(Struct, frozen=True):
    """The dispatch side has committed these; `Store.acknowledge` takes each."""

    acks: tuple[Ack, ...]


class Settled(Struct, frozen=True):
    """Connected, and any retained ack has been delivered before this: `Store.settle`."""


class Refused(Struct, frozen=True):
    """A downlink that could not be read, for the status' `holding.refused`."""

    leaf: DownLeaf
    version: int | None
    reason: str


class LinkChanged(Struct, frozen=True):
    """The connection to the broker came up or went away."""

    up: bool
    why: str


class Trouble(Struct, frozen=True):
    """Why records do not arrive although the broker is there, for the status; `words` is None when they do again."""

    words: str | None
    since_mono: float | None


Delivered = Acks | Settled | Downlink | Refused | LinkChanged | Trouble


class Publisher:
    """Keeps one vehicle connected; `start` it, `notify` it after each append, `stop` it.

    `deliver` is called on the publisher's thread. `settle_s` is how many real seconds a new connection waits for the
    retained ack before it sends records. Raises ConfigError where the settings name files that cannot be used.
    """

    def __init__(
        self,
        *,
        vehicle: str,
        settings: MqttSettings,
        outbox: Outbox,
        deliver: Callable[[Delivered], None],
        clock: Clock,
        resend_after_s: float = 30.0,
        resend_after_real_s: float = 2.0,
        settle_s: float = 0.5,
        chance: random.Random | None = None,
    ) -> None:
        self._vehicle, self._settings, self._outbox, self._deliver = vehicle, settings, outbox, deliver
        self._clock = clock
        self._settle_s = settle_s
        self._chance = chance or random.Random()  # noqa: S311 - spreads reconnects, guards nothing
        self._link = Link(vehicle=vehicle, settings=settings)
        self._log = LogSender(
            vehicle=vehicle,
            outbox=outbox,
            publish=lambda payload: self._link.publish("log", payload, qos=1, retain=False),
            clock=clock,
            window=Window(patience_s=resend_after_s, patience_real_s=resend_after_real_s),
        )
        self._told_trouble: tuple[str | None, float | None] = (None, None)
        self._newest: dict[UpLeaf, bytes] = {}
        self._unsent: set[UpLeaf] = set()
        self._on_their_way: dict[int, UpLeaf] = {}
        self._kept: set[UpLeaf] = set()  # of which the broker has the newest
        self._lock = threading.Lock()  # held for these two alone, never across a call of the client
        self._stop = threading.Event()
        self._wake_near, self._wake_far = socket.socketpair()
        self._wake_near.settimeout(0.0)
        self._wake_far.settimeout(0.0)
        self._thread = threading.Thread(target=self._run, name="publisher", daemon=True)
        self._failure: BaseException | None = None
        self._is_connected = False
        self._seen: dict[str, bytes] = {}

    def start(self) -> Self:
        """Begin to connect, and go on until `stop`."""
        self._thread.start()
        return self

    def stop(self) -> None:
        """Say that the vehicle is offline, disconnect and end the thread; within seconds even without coverage."""
        self._stop.set()
        self._wake()
        if self._thread.ident is not None:
            self._thread.join(self._link.connect_timeout_s + 2 * _FAREWELL_REAL_S)
        if not self._thread.is_alive():
            self._wake_near.close()
            self._wake_far.close()

    def notify(self) -> None:
        """There are new records in the outbox."""
        self._log.notify()
        self._wake()

    def set_status(self, body: Status | dict[str, Any]) -> None:
        """The newest status; only the newest is ever sent."""
        self._set("status", encode_body(body))

    def set_aboard(self, body: Aboard | dict[str, Any]) -> None:
        """The newest list of what is aboard; only the newest is ever sent."""
        octets = encode_body(body)
        self._set("aboard", pack_body(octets) if self._settings.pack_aboard else octets)

    def set_position(self, body: Position | dict[str, Any]) -> None:
        """The newest position; only the newest is ever sent."""
        self._set("position", encode_body(body))

    @property
    def published_batches(self) -> int:
        """How many batches have been handed to a broker so far."""
        return self._log.published_batches

    @property
    def is_connected(self) -> bool:
        """Whether the broker has accepted the connection that is open now."""
        return self._is_connected

    def raise_if_failed(self) -> None:
        """Raise what ended the thread, which is a bug or the store's failure; the run loop asks at every turn."""
        if self._failure is not None:
            raise self._failure

    def _set(self, leaf: UpLeaf, payload: bytes) -> None:
        with self._lock:
            if self._newest.get(leaf) == payload:
                return
            self._newest[leaf] = payload
            self._unsent.add(leaf)
            self._kept.discard(leaf)
        self._wake()

    def _wake(self) -> None:
        with suppress(OSError):  # there are wake-ups enough in the pipe, or the publisher has ended
            self._wake_near.send(b"!")

    def _run(self) -> None:
        try:
            self._keep_connected()
        except BaseException as problem:  # noqa: BLE001 - handed to the run loop, which ends the process
            _LOG.critical("the publisher has ended: %r", problem)
            self._failure = problem

    def _keep_connected(self) -> None:
        backoff_s, told = _SHORTEST_BACKOFF_S, ""
        while not self._stop.is_set():
            began_s = self._clock.mono()
            why = "stopped"
            try:
                self._connection()
            except LinkLostError as lost:
                why = str(lost)
                if self._is_connected:
                    self._confirm()
                    self._log.lost(by_peer=lost.by_peer)
            finally:
                self._link.close()
                was_connected, self._is_connected = self._is_connected, False
            if was_connected:
                self._deliver(LinkChanged(up=False, why=why))
                if self._clock.mono() - began_s >= _STEADY_S:
                    backoff_s = _SHORTEST_BACKOFF_S
            if self._stop.is_set():
                return
            if was_connected or why != told:
                _LOG.warning("no connection to the broker %s: %s; trying again", self._link.address, why)
                told = why
            self._clock.sleep(backoff_s * self._chance.uniform(0.5, 1.0), stop=self._stop)
            backoff_s = min(backoff_s * 2.0, _LONGEST_BACKOFF_S)

    def _connection(self) -> None:
        """Serve one connection until it is lost (LinkLostError) or `stop` has been asked for (returns)."""
        self._link.connect(stop=self._stop)
        if self._stop.is_set():
            return
        self._is_connected = True
        _LOG.info("connected to the broker %s", self._link.address)
        self._deliver(LinkChanged(up=True, why=""))
        self._log.begin()
        settled_real_s = time.monotonic() + self._settle_s
        told_settled = False
        self._on_their_way.clear()
        with self._lock:
            # The last will has overwritten the status; what else the broker has, it keeps.
            self._unsent = set(self._newest) - (self._kept - {"status"})
        while not self._stop.is_set():
            self._link.turn(wake=self._wake_far, timeout_s=_IDLE_REAL_S)
            for name, payload in self._link.take_messages():
                if self._take(name, payload):
                    settled_real_s = 0.0
            self._confirm()
            self._send_newest()
            if time.monotonic() >= settled_real_s:
                self._log.send()
                if not (self._log.is_settled or told_settled):
                    told_settled = True
                    self._deliver(Settled())
            self._tell_trouble()
        self._farewell()

    def _take(self, name: str, payload: bytes) -> bool:
        """Take in a message of the dispatch side; whether it was an ack."""
        try:
            vehicle, leaf = parse_topic(name)
        except MessageError as problem:
            _LOG.warning("passed over: %s", problem)
            return False
        if vehicle != self._vehicle or not payload:
            return False  # an empty payload only clears what was retained
        if leaf == "ack":
            return self._take_ack(payload)
        for held in HELD_LEAVES:
            if leaf == held:
                self._take_downlink(held, payload)
        return False

    def _take_ack(self, payload: bytes) -> bool:
        try:
            acks = decode_acks(payload)
        except MessageError as problem:
            _LOG.warning("passed over: %s", problem)
            return False
        self._log.acknowledge(acks)
        self._deliver(Acks(acks))
        return True

    def _take_downlink(self, leaf: DownLeaf, payload: bytes) -> None:
        digest = hashlib.sha256(payload).digest()
        if self._seen.get(leaf) == digest:
            return  # a retained one comes again at each connection
        self._seen[leaf] = digest
        try:
            self._deliver(decode_downlink(payload, leaf=leaf))
        except MessageError as problem:
            _LOG.warning("refused: %s", problem)
            self._deliver(Refused(leaf, version_of(payload), str(problem)))

    def _confirm(self) -> None:
        confirmed = self._link.take_confirmed()
        with self._lock:
            kept = {leaf for mid in confirmed if (leaf := self._on_their_way.pop(mid, None)) is not None}
            self._kept |= kept - self._unsent
        self._log.confirm(confirmed)

    def _send_newest(self) -> None:
        with self._lock:
            # While the last one of a leaf is on its way, a newer one waits, and may itself be overtaken by a newer one.
            ready = [(leaf, self._newest[leaf]) for leaf in self._unsent if not self._link.is_on_its_way(leaf)]
            self._unsent.difference_update(leaf for leaf, _ in ready)
        for leaf, payload in ready:
            mid = self._link.publish(leaf, payload, qos=_RETAINED[leaf], retain=True)
            if _RETAINED[leaf]:
                self._on_their_way[mid] = leaf

    def _tell_trouble(self) -> None:
        told = (self._log.words, self._log.silent_since_s)
        if told != self._told_trouble:
            self._told_trouble = told
            if told[0] is not None:
                _LOG.warning("%s", told[0])
            else:
                _LOG.info("records are acknowledged again")
            self._deliver(Trouble(*told))

    def _farewell(self) -> None:
        deadline_real_s = time.monotonic() + _FAREWELL_REAL_S
        try:
            self._link.say_offline()
            while self._link.outstanding and time.monotonic() < deadline_real_s:
                self._link.turn(wake=None, timeout_s=0.05)
            self._link.disconnect()
        except LinkLostError as lost:
            _LOG.info("the farewell was not heard, the broker speaks the last will: %s", lost)
