"""Real servers for the dispatch side's tests, each on a free port and stopped again."""

from __future__ import annotations

import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from tests.dispatch.watching import chromium, watch

__all__ = ["chromium", "watch"]  # fixtures of every test with a browser

DEADLINE_S = 15.0


def free_port() -> int:
    """A TCP port of the loopback that nobody uses."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def until(true: Callable[[], object], what: str, *, seconds: float = DEADLINE_S) -> None:
    """Wait until `true()` holds; fails with `what` when it takes too long."""
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, f"waited {seconds:g} s in vain for: {what}"
        time.sleep(0.02)


class Mosquitto:
    """A mosquitto that can be stopped and started again on its port; it forgets everything in between."""

    def __init__(self, folder: Path) -> None:
        self.port = free_port()
        self._config = folder / "mosquitto.conf"
        self._config.write_text(f"listener {self.port} 127.0.0.1\nallow_anonymous true\npersistence false\n")
        self._process: subprocess.Popen[bytes] | None = None

    def most_unconfirmed(self, count: int) -> None:
        """From the next start on it has so many messages at most on their way to each client."""
        with self._config.open("a") as file:
            file.write(f"max_inflight_messages {count}\n")

    def start(self) -> None:
        """Start it; returns when it listens."""
        self._process = subprocess.Popen(
            ["mosquitto", "-c", str(self._config)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        until(self._answers, "mosquitto to listen")

    def _answers(self) -> bool:
        with socket.socket() as probe:
            return probe.connect_ex(("127.0.0.1", self.port)) == 0

    def stop(self) -> None:
        """End it; what it held is gone."""
        if self._process is not None:
            self._process.terminate()
            self._process.wait(timeout=10)
            self._process = None


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    """A running mosquitto."""
    running = Mosquitto(tmp_path)
    running.start()
    yield running
    running.stop()


class Vehicle:
    """A vehicle's end of the broker: publishes, and keeps the last retained message of every topic it was sent."""

    def __init__(self, vehicle: str, port: int) -> None:
        self.told: dict[str, bytes] = {}
        self._root = f"roadtally/1/{vehicle}"
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=vehicle, protocol=mqtt.MQTTv311)
        self._client.on_message = self.keep
        self._client.on_connect = lambda client, *_: client.subscribe(
            [(f"{self._root}/{leaf}", 1) for leaf in ("ack", "sites", "register", "plan", "settings")]
        )
        self._client.will_set(
            f"{self._root}/status", b'{"vehicle":"%s","state":"offline"}' % vehicle.encode(), qos=1, retain=True
        )
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def keep(self, _client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        """Remember a message that came."""
        self.told[message.topic.rpartition("/")[2]] = message.payload

    def say(self, leaf: str, payload: bytes, *, retain: bool = False) -> None:
        """Publish and wait for the broker's own acknowledgement."""
        self._client.publish(f"{self._root}/{leaf}", payload, qos=1, retain=retain).wait_for_publish(DEADLINE_S)

    def vanish(self) -> None:
        """Lose the connection without saying so: the broker publishes the last will."""
        sock = self._client.socket()
        assert sock is not None
        sock.shutdown(socket.SHUT_RDWR)
        self._client.loop_stop()

    def close(self) -> None:
        """Say goodbye."""
        self._client.disconnect()
        self._client.loop_stop()  # a second call does nothing


@pytest.fixture
def van_at(broker: Mosquitto) -> Iterator[Callable[[str], Vehicle]]:
    """Makes a vehicle's end of the running broker."""
    made: list[Vehicle] = []

    def make(vehicle: str) -> Vehicle:
        made.append(Vehicle(vehicle, broker.port))
        return made[-1]

    yield make
    for each in made:
        each.close()
