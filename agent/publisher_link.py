"""One MQTT connection at a time, made with paho's client and driven by the caller's own thread.

Sets the last will, subscribes to what the dispatch side sends, and keeps count of what the broker has not confirmed.
Whatever ends a connection is a LinkLostError; the next `connect` begins with a fresh client.
"""

from __future__ import annotations

import select
import socket
import ssl
import threading
import time
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion

from agent.bodies import encode_body, offline
from agent.errors import ConfigError
from agent.messages import DOWN_LEAVES, UpLeaf, topic
from agent.records import Problem
from agent.vehicle import MqttSettings

# Mobile networks forget a TCP connection that is idle: one in France was kept by a sign of life every 270 s, and not by
# one in 9 minutes (blog.wirelessmoves.com, September 2020; RFC 5382 asks for two hours). A silent dead zone should be
# known sooner, and a van that is off after 90 s, when the broker speaks the last will. Judgement between these.
_KEEPALIVE_S = 60
_ANSWER_WITHIN_REAL_S = 20.0  # CONNACK and SUBACK; and, below, twice as much for a PUBACK
_MOST_UNCONFIRMED = 64  # above what the publisher ever has outstanding, so that paho never queues anything itself


class LinkLostError(Exception):
    """The connection is gone or was never had; the text says why. `by_peer`: the other end closed it."""

    def __init__(self, why: str, *, by_peer: bool = False) -> None:
        super().__init__(why)
        self.by_peer = by_peer


class _TlsSocket(ssl.SSLSocket):
    """Closes itself where the handshake fails; paho would leave that to the garbage collector."""

    def do_handshake(self, block: bool = False) -> None:  # noqa: FBT001, FBT002 - as in the standard library
        try:
            super().do_handshake(block)
        except BaseException:
            self.close()
            raise


class Link:
    """The connection of one vehicle; not for two threads. Raises ConfigError where the settings cannot be used."""

    connect_timeout_s = 5.0

    def __init__(self, *, vehicle: str, settings: MqttSettings) -> None:
        if settings.host is None:
            raise ConfigError([_problem("host", "no broker is named", "", 'write host = "the broker\'s name"')])
        self._vehicle, self._settings, self._host = vehicle, settings, settings.host
        self._tls = _tls(settings) if settings.tls else None
        _password(settings)
        self._client: mqtt.Client | None = None
        self._inbox: list[tuple[str, bytes]] = []
        self._unconfirmed: dict[int, tuple[UpLeaf, float]] = {}
        self._confirmed: list[int] = []
        self._confirmed_real_s = 0.0
        self._accepted = False
        self._subscribed = False
        self._lost: str | None = None

    @property
    def address(self) -> str:
        """Host and port, for people."""
        return f"{self._host}:{self._settings.port}"

    @property
    def outstanding(self) -> int:
        """How many messages the broker has not confirmed yet."""
        return len(self._unconfirmed)

    @property
    def tls_version(self) -> str:
        """The version of TLS that is spoken, such as TLSv1.3; empty without."""
        connection: Any = None if self._client is None else self._client.socket()
        return (connection.version() or "") if isinstance(connection, ssl.SSLSocket) else ""

    def is_on_its_way(self, leaf: UpLeaf) -> bool:
        """Whether the broker has yet to confirm a message of this leaf."""
        return any(each == leaf for each, _ in self._unconfirmed.values())

    def connect(self, *, stop: threading.Event) -> None:
        """Connect and subscribe with a fresh client; returns when the broker has agreed to both, or `stop` is set."""
        self._inbox.clear()
        self._unconfirmed.clear()
        self._confirmed.clear()
        self._accepted, self._subscribed, self._lost = False, False, None
        client = self._client = self._fresh_client()
        try:
            client.connect(self._host, self._settings.port, keepalive=_KEEPALIVE_S)
        except (OSError, ValueError) as problem:
            raise LinkLostError(str(problem) or type(problem).__name__) from problem
        deadline_real_s = time.monotonic() + _ANSWER_WITHIN_REAL_S
        asked = False
        while not (self._subscribed or stop.is_set()):
            self.turn(wake=None, timeout_s=0.05)
            if self._accepted and not asked:
                self._check(client.subscribe([(topic(self._vehicle, leaf), 1) for leaf in DOWN_LEAVES])[0])
                asked = True
            if time.monotonic() > deadline_real_s:
                raise LinkLostError("the broker does not answer")

    def publish(self, leaf: UpLeaf, payload: bytes, *, qos: int, retain: bool) -> int:
        """Send a message now; the number by which the broker confirms it, unless `qos` is 0."""
        info = self._open_client().publish(topic(self._vehicle, leaf), payload, qos=qos, retain=retain)
        self._check(info.rc)
        if qos:
            self._unconfirmed[info.mid] = (leaf, time.monotonic())
        return int(info.mid)

    def say_offline(self) -> None:
        """Publish what the last will would say: the will itself is not spoken after a proper DISCONNECT."""
        self.publish("status", encode_body(offline(self._vehicle)), qos=1, retain=True)

    def turn(self, *, wake: socket.socket | None, timeout_s: float) -> None:
        """Wait for the broker, for `wake` or for the time, and do what the connection needs."""
        try:
            self._turn(self._open_client(), wake, timeout_s)
        except OSError as problem:  # what paho lets through, such as an error of TLS
            by_peer = isinstance(problem, ConnectionError | ssl.SSLEOFError)
            raise LinkLostError(str(problem) or type(problem).__name__, by_peer=by_peer) from problem
        if self._lost is not None:
            raise LinkLostError(self._lost)
        # On a slow link much may be on its way: as long as one after the other is confirmed, it lives.
        oldest_real_s = min((since for _, since in self._unconfirmed.values()), default=time.monotonic())
        if time.monotonic() - max(oldest_real_s, self._confirmed_real_s) > 2 * _ANSWER_WITHIN_REAL_S:
            raise LinkLostError("the broker no longer confirms what it is sent")

    def _turn(self, client: mqtt.Client, wake: socket.socket | None, timeout_s: float) -> None:
        connection: Any = client.socket()
        if connection is None:
            raise LinkLostError(self._lost or "the connection is closed")
        # TLS may have unpacked more than was asked of it, which no select sees.
        pending = getattr(connection, "pending", int)()
        waited = [connection] if wake is None else [connection, wake]
        readable, writable, _ = select.select(
            waited, [connection] if client.want_write() else [], [], 0.0 if pending else timeout_s
        )
        if wake is not None and wake in readable:
            wake.recv(4096)
        if connection in readable or pending:
            self._check(client.loop_read())
        if connection in writable:
            self._check(client.loop_write())
        self._check(client.loop_misc())

    def take_messages(self) -> list[tuple[str, bytes]]:
        """What has arrived since the last call: topics and payloads, in their order."""
        taken, self._inbox = self._inbox, []
        return taken

    def take_confirmed(self) -> list[int]:
        """The numbers of what the broker has confirmed since the last call."""
        taken, self._confirmed = self._confirmed, []
        return taken

    def disconnect(self) -> None:
        """Take leave of the broker, so that it does not speak the last will."""
        self._open_client().disconnect()

    def close(self) -> None:
        """Give up the connection as it is, if there is one."""
        if self._client is not None:
            connection: Any = self._client.socket()
            if connection is not None:
                connection.close()
            self._client = None

    def _open_client(self) -> mqtt.Client:
        if self._client is None:
            raise LinkLostError("not connected")
        return self._client

    def _check(self, code: MQTTErrorCode) -> None:
        if code != MQTTErrorCode.MQTT_ERR_SUCCESS:
            by_peer = code == MQTTErrorCode.MQTT_ERR_CONN_LOST
            raise LinkLostError(self._lost or mqtt.error_string(code), by_peer=by_peer)

    def _new_client(self) -> mqtt.Client:
        return mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=self._vehicle,
            clean_session=True,
            protocol=MQTTProtocolVersion.MQTTv311,
            reconnect_on_failure=False,
        )

    def _fresh_client(self) -> mqtt.Client:
        client = self._new_client()
        client.connect_timeout = self.connect_timeout_s
        client.max_inflight_messages_set(_MOST_UNCONFIRMED)
        client.will_set(topic(self._vehicle, "status"), encode_body(offline(self._vehicle)), qos=1, retain=True)
        if self._tls is not None:
            client.tls_set_context(self._tls)
        if self._settings.username is not None:
            client.username_pw_set(self._settings.username, _password(self._settings))
        client.on_socket_open = self._on_socket_open
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        client.on_publish = self._on_publish
        client.on_disconnect = self._on_disconnect
        return client

    # The client's callbacks. They run inside `turn`, on the caller's thread, and only note what happened.

    def _on_socket_open(self, _client: object, _data: object, connection: Any) -> None:  # noqa: ANN401 - any kind of socket
        # Otherwise the second of two small messages waits up to 40 ms for the peer's delayed TCP acknowledgement.
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def _on_connect(self, _client: object, _data: object, _flags: object, reason: Any, _properties: object) -> None:  # noqa: ANN401 - paho's ReasonCode
        self._accepted = not reason.is_failure
        if reason.is_failure:
            self._lost = f"the broker refuses the connection ({reason})"

    def _on_subscribe(self, _client: object, _data: object, _mid: int, reasons: Any, _properties: object) -> None:  # noqa: ANN401 - paho's
        refused = [str(leaf) for leaf, reason in zip(DOWN_LEAVES, reasons, strict=False) if reason.is_failure]
        if refused:
            self._lost = f"the broker does not let {self._vehicle} subscribe to {', '.join(refused)}"
        self._subscribed = True

    def _on_message(self, _client: object, _data: object, message: mqtt.MQTTMessage) -> None:
        self._inbox.append((message.topic, bytes(message.payload)))

    def _on_publish(self, _client: object, _data: object, mid: int, _reason: object, _properties: object) -> None:
        self._unconfirmed.pop(mid, None)
        self._confirmed.append(mid)
        self._confirmed_real_s = time.monotonic()

    def _on_disconnect(self, _client: object, _data: object, _flags: object, reason: Any, _properties: object) -> None:  # noqa: ANN401 - paho's
        self._lost = self._lost or f"the connection was lost ({reason})"


def _tls(settings: MqttSettings) -> ssl.SSLContext:
    try:
        context = ssl.create_default_context(cafile=settings.ca_file)
        if settings.cert_file is not None:
            context.load_cert_chain(settings.cert_file, settings.key_file)
    except (OSError, ssl.SSLError) as problem:
        files = ", ".join(filter(None, [settings.ca_file, settings.cert_file, settings.key_file]))
        told = _problem(
            "ca_file, cert_file, key_file", "cannot be used", f"{files}: {problem}", "give readable PEM files"
        )
        raise ConfigError([told]) from problem
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    context.sslsocket_class = _TlsSocket
    return context


def _password(settings: MqttSettings) -> str | None:
    """Read anew for each connection, so that a changed password needs no restart."""
    if settings.password_file is None:
        return None
    try:
        return Path(settings.password_file).read_text().strip()
    except (OSError, UnicodeDecodeError) as problem:
        told = _problem("password_file", "cannot be read", str(problem), "let the agent's user read it")
        raise ConfigError([told]) from problem


def _problem(key: str, what: str, got: str, do: str) -> Problem:
    return Problem(file="vehicle file", where=f"[mqtt] {key}", got=got, do=do, what=what)
