"""Starts an MQTT broker for the demo and for tests: whichever of three is at hand, in a process of its own.

mosquitto where it is installed, else iotcore, else amqtt (both from wheels). Bound to one address, without passwords
and without persistence: never more than a demo. The broker has its own session, so that Ctrl-C in the terminal reaches
only the one who started it, who then stops it.
"""

from __future__ import annotations

import importlib.util
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from typing import IO, Self

from agent.errors import ConfigError, RoadtallyError
from agent.records import Problem

_READY_WITHIN_S = 15.0
_STOPPED_WITHIN_S = 2.0
_LOOK_EVERY_S = 0.02

# What a reconnecting vehicle sends at once must fit the queue of an ingest that is slow or away; a fleet's map of sites
# is larger than some defaults allow a message to be.
_QUEUED_MESSAGES = 100_000
_LARGEST_PAYLOAD_BYTES = 16 * 1024 * 1024

_MOSQUITTO = f"""\
listener {{port}} {{host}}
allow_anonymous true
persistence false
max_queued_messages {_QUEUED_MESSAGES}
max_queued_bytes 0
max_inflight_messages 100
set_tcp_nodelay true
log_type error
log_type warning
log_dest stderr
"""
# Each ends when its standard input closes, that is also when whoever started it was killed.
_IOTCORE = f"""\
import logging, os, sys, threading
from iotcore import Broker
logging.getLogger().setLevel(logging.CRITICAL)
threading.Thread(target=lambda: (sys.stdin.buffer.read(), os._exit(0)), daemon=True).start()
Broker(port=int(sys.argv[2]), listen=sys.argv[1], max_payload_size={_LARGEST_PAYLOAD_BYTES}).run_forever()
"""
_AMQTT = """\
import asyncio, logging, os, sys, threading
from amqtt.broker import Broker
logging.getLogger().setLevel(logging.CRITICAL)
threading.Thread(target=lambda: (sys.stdin.buffer.read(), os._exit(0)), daemon=True).start()
async def serve():
    await Broker({
        "listeners": {"default": {"type": "tcp", "bind": sys.argv[1] + ":" + sys.argv[2]}},
        "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
    }).start()
    await asyncio.Event().wait()
asyncio.run(serve())
"""


class PortInUseError(ConfigError):
    """Something else listens on the port; take another."""


class BrokerFailedError(RoadtallyError):
    """A broker's program could not be started or did not come up; its last words stand in the text."""


class RunningBroker:
    """A broker that accepts connections on `host:port`; `name` is its program's."""

    def __init__(self, *, name: str, host: str, port: int, process: subprocess.Popen[bytes], words: IO[bytes]) -> None:
        self.name, self.host, self.port = name, host, port
        self._process = process
        self._words = words

    @property
    def pid(self) -> int:
        """The broker's process."""
        return self._process.pid

    def is_running(self) -> bool:
        """Whether the process still runs."""
        return self._process.poll() is None

    def stop(self) -> None:
        """End the broker at once; nothing happens where it has ended already."""
        self._end(signal.SIGTERM)

    def kill(self) -> None:
        """End the broker as a power cut would (tests)."""
        self._end(signal.SIGKILL)

    def _end(self, how: signal.Signals) -> None:
        if self.is_running():
            self._process.send_signal(how)
            try:
                self._process.wait(_STOPPED_WITHIN_S)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait()
        if self._process.stdin is not None:
            self._process.stdin.close()
        self._words.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()


def start_broker(*, port: int, host: str = "127.0.0.1") -> RunningBroker:
    """Start the best broker that this machine has and wait until it listens; port 0 takes any free one.

    Raises PortInUseError, BrokerFailedError, and ConfigError where there is no broker at all.
    """
    if mosquitto_program() is not None:
        return start_mosquitto(port=port, host=host)
    for package, start in (("iotcore", start_iotcore), ("amqtt", start_amqtt)):
        if importlib.util.find_spec(package) is not None:
            return start(port=port, host=host)
    problem = Problem(
        file="broker", where="this machine", what="has no MQTT broker", got="",
        do="install mosquitto, or this package with its extra [demo]",
    )  # fmt: skip
    raise ConfigError([problem])


def mosquitto_program() -> str | None:
    """Where mosquitto is installed; Debian keeps it out of an ordinary user's search path."""
    return shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")


def start_mosquitto(*, port: int, host: str = "127.0.0.1") -> RunningBroker:
    """Start mosquitto with a configuration of its own; raises as `start_broker`."""
    program = mosquitto_program()
    if program is None:
        raise BrokerFailedError("mosquitto is not installed")
    port = port or free_port(host)
    with tempfile.TemporaryDirectory(prefix="roadtally-broker-") as folder:  # read at the start only
        config = Path(folder) / "mosquitto.conf"
        config.write_text(_MOSQUITTO.format(port=port, host=host))
        return _start("mosquitto", [program, "-c", str(config)], port=port, host=host)


def start_iotcore(*, port: int, host: str = "127.0.0.1") -> RunningBroker:
    """Start iotcore's embedded broker; raises as `start_broker`."""
    port = port or free_port(host)
    return _start("iotcore", [sys.executable, "-c", _IOTCORE, host, str(port)], port=port, host=host)


def start_amqtt(*, port: int, host: str = "127.0.0.1") -> RunningBroker:
    """Start amqtt, pure Python and the slowest; raises as `start_broker`."""
    port = port or free_port(host)
    return _start("amqtt", [sys.executable, "-c", _AMQTT, host, str(port)], port=port, host=host)


def free_port(host: str = "127.0.0.1") -> int:
    """A port that nothing listens on just now."""
    with socket.create_server((host, 0)) as probe:
        return int(probe.getsockname()[1])


def _start(name: str, command: Sequence[str], *, port: int, host: str) -> RunningBroker:
    _refuse_a_taken_port(host, port)
    words = tempfile.TemporaryFile()  # noqa: SIM115 - lives as long as the broker; a pipe that nobody reads would fill up
    try:
        process = subprocess.Popen(  # noqa: S603 - our own command line
            command, stdin=subprocess.PIPE, stdout=words, stderr=words, start_new_session=True
        )
    except OSError as problem:
        words.close()
        raise BrokerFailedError(f"{name} cannot be started: {problem}") from problem
    broker = RunningBroker(name=name, host=host, port=port, process=process, words=words)
    deadline_s = time.monotonic() + _READY_WITHIN_S
    while True:
        if _listens(host, port) and broker.is_running():
            return broker
        if not broker.is_running() or time.monotonic() > deadline_s:
            words.seek(0)
            said = words.read().decode(errors="replace").strip()[-2000:]
            broker.kill()
            raise BrokerFailedError(f"{name} did not come up on {host}:{port}; it said: {said or 'nothing'}")
        time.sleep(_LOOK_EVERY_S)


def _refuse_a_taken_port(host: str, port: int) -> None:
    try:
        socket.create_server((host, port)).close()
    except OSError as problem:
        told = Problem(
            file="broker", where=f"{host}:{port}", what="cannot be listened on", got=problem.strerror or str(problem),
            do="end what uses it, or choose another port",
        )  # fmt: skip
        raise PortInUseError([told]) from problem


def _listens(host: str, port: int) -> bool:
    try:
        socket.create_connection((host, port), timeout=0.2).close()
    except OSError:
        return False
    return True
