"""The dispatch side's connection to its broker: who we are there, what we subscribe to, and what is told of it.

A persistent session, so that the broker keeps what comes while we are away; a message gets its PUBACK from whoever has
dealt with it, by `client.ack`.
"""

from __future__ import annotations

import socket
from collections.abc import Callable, Sequence

import paho.mqtt.client as mqtt
from msgspec import Struct
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.reasoncodes import ReasonCode

KEEPALIVE_S = 30


class Broker(Struct, frozen=True):
    """Where the broker is and as whom to come."""

    host: str = "127.0.0.1"
    port: int = 1883
    client_id: str = "roadtally-dispatch"
    username: str | None = None
    password: str | None = None
    ca_file: str | None = None
    cert_file: str | None = None
    key_file: str | None = None


def fresh_client(
    broker: Broker,
    topics: Sequence[str],
    *,
    ready: Callable[[mqtt.Client], None],
    lost: Callable[[str], None],
    heard: Callable[[mqtt.Client, mqtt.MQTTMessage], None],
) -> mqtt.Client:
    """A client that is not yet connected; all three are called from its own thread.

    `ready` when it is connected and subscribed, `lost` with the reason when it is refused or its connection ends.
    """
    client = mqtt.Client(
        CallbackAPIVersion.VERSION2,
        client_id=broker.client_id,
        clean_session=False,
        protocol=mqtt.MQTTv311,
        reconnect_on_failure=False,
    )
    if broker.username is not None:
        client.username_pw_set(broker.username, broker.password)
    if broker.ca_file is not None:
        client.tls_set(ca_certs=broker.ca_file, certfile=broker.cert_file, keyfile=broker.key_file)

    def on_connect(
        client: mqtt.Client, _userdata: object, _flags: object, reason: ReasonCode, _properties: object
    ) -> None:
        if reason.is_failure:
            lost(f"the broker refused: {reason}")
        else:
            client.subscribe([(each, 1) for each in topics])

    def on_subscribe(
        client: mqtt.Client, _userdata: object, _mid: int, reasons: list[ReasonCode], _properties: object
    ) -> None:
        if any(reason.is_failure for reason in reasons):
            lost("the broker does not let us read roadtally/1/+/…; mend its rules")
        else:
            ready(client)

    def on_disconnect(
        _client: mqtt.Client, _userdata: object, _flags: object, reason: ReasonCode, _properties: object
    ) -> None:
        lost(f"the connection ended: {reason}")

    def on_socket_open(_client: mqtt.Client, _userdata: object, connection: socket.socket) -> None:
        # Otherwise the second of two small messages waits up to 40 ms for the peer's delayed TCP acknowledgement.
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    client.on_socket_open = on_socket_open  # type: ignore[assignment]  # paho names three kinds of socket, all of which have it
    client.on_connect = on_connect
    client.on_subscribe = on_subscribe
    client.on_disconnect = on_disconnect
    client.on_message = lambda client, _userdata, message: heard(client, message)
    client.manual_ack_set(True)  # noqa: FBT003 - paho takes it in no other way
    return client
