"""A demo's broker comes up on the address asked for, says clearly why not, and is gone at once when stopped."""

from __future__ import annotations

import os
import queue
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from agent import broker
from agent.broker import BrokerFailedError, PortInUseError, RunningBroker
from agent.errors import ConfigError

STARTERS = [broker.start_mosquitto, broker.start_iotcore]
needs_mosquitto = pytest.mark.skipif(broker.mosquitto_program() is None, reason="mosquitto is not installed")


def round_trip(port: int, payload: bytes) -> bytes:
    """What a subscriber gets of a retained QoS 1 message that was there before it came."""
    got: queue.Queue[bytes] = queue.Queue()
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="round-trip")
    client.on_message = lambda _client, _data, message: got.put(message.payload)
    client.connect("127.0.0.1", port)
    client.loop_start()
    try:
        client.publish("roadtally/1/van-07/sites", payload, qos=1, retain=True).wait_for_publish(10.0)
        client.subscribe("roadtally/1/van-07/sites", qos=1)
        return got.get(timeout=10.0)
    finally:
        client.disconnect()
        client.loop_stop()


@pytest.mark.integration
@pytest.mark.parametrize("start", STARTERS)
def test_a_broker_carries_a_large_retained_message(start: Callable[..., RunningBroker]) -> None:
    """A map of sites of two megabytes goes through and is retained; after stop nothing listens."""
    payload = os.urandom(2_000_000)
    with start(port=0) as running:
        assert round_trip(running.port, payload) == payload
        port = running.port
    assert not running.is_running()
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.1", port), timeout=1.0)
    running.stop()


@pytest.mark.integration
@pytest.mark.parametrize("start", STARTERS)
def test_it_listens_on_the_loopback_alone(start: Callable[..., RunningBroker]) -> None:
    """No socket of the broker's is bound to all addresses (read from /proc/net/tcp, state 0A = listening)."""
    with start(port=0) as running:
        wanted = f":{running.port:04X}"
        lines = [line.split() for line in Path("/proc/net/tcp").read_text().splitlines()[1:]]
        listening = [fields[1] for fields in lines if fields[3] == "0A" and fields[1].endswith(wanted)]
        assert listening == [f"0100007F{wanted}"]
        everywhere = [line for line in Path("/proc/net/tcp6").read_text().splitlines() if f"{wanted} " in line[:50]]
        assert not [line for line in everywhere if line.split()[3] == "0A"]


@pytest.mark.integration
def test_the_best_broker_at_hand_is_taken(monkeypatch: pytest.MonkeyPatch) -> None:
    """Mosquitto where there is one; without it the embedded one; with nothing at hand a word on what to install."""
    with broker.start_broker(port=0) as running:
        assert running.name == ("mosquitto" if broker.mosquitto_program() else "iotcore")
    monkeypatch.setattr(broker, "mosquitto_program", lambda: None)
    with broker.start_broker(port=0) as running:
        assert running.name == "iotcore"
    monkeypatch.setattr(broker.importlib.util, "find_spec", lambda _name: None)
    with pytest.raises(
        ConfigError, match=r"no MQTT broker; install mosquitto, or this package with its extra \[demo\]"
    ):
        broker.start_broker(port=0)


@pytest.mark.parametrize("start", [*STARTERS, broker.start_amqtt])
def test_a_taken_port_is_told_before_anything_starts(start: Callable[..., RunningBroker]) -> None:
    """The error names the address and what to do; it has its own class, so that the next port can be tried."""
    if start is broker.start_mosquitto and broker.mosquitto_program() is None:
        pytest.skip("mosquitto is not installed")
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(PortInUseError, match=rf"127\.0\.0\.1:{port}.*in use.*choose another port"):
            start(port=port)


@pytest.mark.integration
def test_a_broker_that_does_not_come_up_is_told_with_its_words(monkeypatch: pytest.MonkeyPatch) -> None:
    """What the program said before it ended stands in the error."""
    monkeypatch.setattr(broker, "_IOTCORE", "import sys; sys.exit('no such luck')")
    with pytest.raises(BrokerFailedError, match=r"iotcore did not come up .* it said: no such luck"):
        broker.start_iotcore(port=0)


@pytest.mark.integration
@needs_mosquitto
def test_stopping_is_quick_and_ctrl_c_is_not_the_brokers() -> None:
    """The broker runs in a session of its own; stopped, it is gone within a second."""
    running = broker.start_mosquitto(port=0)
    assert os.getsid(running.pid) != os.getsid(0)
    began_s = time.monotonic()
    running.stop()
    assert time.monotonic() - began_s < 1.0


@pytest.mark.integration
def test_the_embedded_broker_ends_with_its_starter() -> None:
    """Where the demo is killed outright, the embedded broker does not outlive it."""
    script = (
        "import sys; from agent.broker import start_iotcore; running = start_iotcore(port=0);"
        "print(running.port, flush=True); sys.stdin.read()"
    )
    starter = subprocess.Popen(
        [sys.executable, "-c", script],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        cwd=Path(__file__).resolve().parents[1],
    )
    assert starter.stdin is not None
    assert starter.stdout is not None
    try:
        port = int(starter.stdout.readline())
        starter.send_signal(signal.SIGKILL)
        deadline_s = time.monotonic() + 10.0
        while broker._listens("127.0.0.1", port):
            assert time.monotonic() < deadline_s
    finally:
        starter.kill()
        starter.wait()
        starter.stdin.close()
        starter.stdout.close()
