"""`check`'s talk with the MQTT broker: does it answer, by TLS, and does it let this vehicle in and publish; floor 3.

By the very link that the agent uses. What is published is that the vehicle is offline, which is so: a broker knows one
client of a name, so that while the agent runs this would push it off the broker; then only the port and TLS are tried.
MQTT 5 first: there the broker says whether it refused what was published, which 3.1.1 hides.
"""

from __future__ import annotations

import socket
import ssl
import threading
import time
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from agent.errors import ConfigError
from agent.findings import Finding
from agent.publisher_link import Link, LinkLostError
from agent.vehicle import MqttSettings

CONNECT_S = 5.0
_CONFIRM_REAL_S = 10.0
_TLS_OR_NOT = "a port speaks TLS or it speaks no TLS: hold [mqtt] tls and port to the broker's; then see its log"
_WHAT_TO_DO = (
    ("refuses the connection", "look at username, password_file or certificate in [mqtt], and at the broker's users"),
    ("subscribe", "give this vehicle its lines in the broker's ACL (systemd/mosquitto.acl)"),
    ("CERTIFICATE_VERIFY_FAILED", "give the broker's CA as [mqtt] ca_file; see also the clock"),
    ("certificate verify failed", "give the broker's CA as [mqtt] ca_file; see also the clock"),
    ("WRONG_VERSION_NUMBER", "the port speaks no TLS: write tls = false, or the port that does, often 8883"),
    ("reset by peer", _TLS_OR_NOT),
    ("EOF", _TLS_OR_NOT),
    ("connection was lost", _TLS_OR_NOT),
    ("refused", "start the broker, or look at [mqtt] host and port"),
    ("Name or service", "look at [mqtt] host, and whether this computer is online"),
    ("timed out", "look at the SIM, the network and the depot's firewall"),
)


class _Link5(Link):
    """The agent's link, in MQTT 5: the broker says whether it took what it was sent."""

    refused = ""

    def _new_client(self) -> mqtt.Client:
        return mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=self._vehicle,
            protocol=MQTTProtocolVersion.MQTTv5,
            reconnect_on_failure=False,
        )

    def _on_publish(self, client: object, data: object, mid: int, reason: Any, properties: object) -> None:  # noqa: ANN401 - paho's ReasonCode
        if reason.is_failure:
            self.refused = str(reason)
        super()._on_publish(client, data, mid, reason, properties)


def probe_broker(vehicle: str, settings: MqttSettings, *, is_agent_running: bool = False) -> list[Finding]:
    """The broker, and whether this vehicle may publish."""
    if settings.host is None:
        do = "name one in [mqtt] if the dispatch side is to hear of this vehicle"
        return [Finding("broker", "not tested", "no [mqtt] host in the vehicle file: nothing is published", do)]
    address = f"{settings.host}:{settings.port}"
    if is_agent_running:
        return _port_alone(settings, address)
    try:
        link: Link = _Link5(vehicle=vehicle, settings=settings)
        try:
            told = _talk(link)
        except LinkLostError as problem:
            if "rotocol version" not in str(problem):
                raise
            link = Link(vehicle=vehicle, settings=settings)
            told = _talk(link)
    except ConfigError as problem:
        wrong = problem.problems[0]
        return [Finding("broker", "not ok", f"{wrong.where}: {wrong.what} ({wrong.got})", wrong.do)]
    except LinkLostError as problem:
        return [Finding("broker", "not ok", f"{address}: {problem}", _do(str(problem)))]
    lines = [Finding("broker", "ok", f"{address} lets {vehicle} in{told}; its orders can be heard")]
    refused = getattr(link, "refused", None)
    if refused:
        do = "give this vehicle its lines in the broker's ACL (systemd/mosquitto.acl)"
        lines.append(Finding("publish", "not ok", f"the broker does not take what {vehicle} publishes: {refused}", do))
    elif refused is None:
        found = "confirmed, but by MQTT 3.1.1, which does not say whether the broker threw it away"
        lines.append(Finding("publish", "ok", found, "see on the board that the vehicle shows up as offline"))
    else:
        lines.append(Finding("publish", "ok", f"the broker took what {vehicle} published"))
    return lines


def _talk(link: Link) -> str:
    """Connect, publish, wait for the answer, take leave; what to add to the finding. Raises LinkLostError."""
    try:
        link.connect(stop=threading.Event())
        link.say_offline()
        by_real_s = time.monotonic() + _CONFIRM_REAL_S
        while link.outstanding:
            link.turn(wake=None, timeout_s=0.05)
            if time.monotonic() > by_real_s:
                raise LinkLostError(f"what was published is not confirmed within {_CONFIRM_REAL_S:g} s")
        told = f" by {link.tls_version}" if link.tls_version else ", without TLS"
        link.disconnect()
    finally:
        link.close()
    return told


def _port_alone(settings: MqttSettings, address: str) -> list[Finding]:
    try:
        with socket.create_connection((settings.host or "", settings.port), timeout=CONNECT_S) as connection:
            told = _handshake(settings, connection)
    except (OSError, ssl.SSLError) as problem:
        text = str(problem)
        return [Finding("broker", "not ok", f"{address}: {text}", _do(text))]
    do = "stop the agent to test that too: systemctl stop roadtally"
    found = f"{address} answers{told}; the agent runs and uses this vehicle's name there, which has room for one"
    return [Finding("broker", "ok", found), Finding("publish", "not tested", "the agent runs", do)]


def _handshake(settings: MqttSettings, connection: socket.socket) -> str:
    if not settings.tls:
        return ", without TLS"
    context = ssl.create_default_context(cafile=settings.ca_file)
    if settings.cert_file is not None:
        context.load_cert_chain(settings.cert_file, settings.key_file)
    with context.wrap_socket(connection, server_hostname=settings.host) as secured:
        return f" by {secured.version()}"


def _do(text: str) -> str:
    return next((do for part, do in _WHAT_TO_DO if part in text), "look at [mqtt] and at the broker's log")
