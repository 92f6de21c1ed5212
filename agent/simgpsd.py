"""A stand-in that speaks gpsd's protocol over TCP, for a demonstration without gpsd or in fast time; floor 3.

Written from gpsd's protocol document ("gpsd_json" and "gpsd client protocol", proto 3): VERSION at the connection,
?VERSION, ?DEVICES, ?WATCH and ?POLL, TPV objects to every client that watches in JSON. One pretended receiver. The
fixes come from `fix_at(t_s)`, asked once for every whole second of the clock (late ones in order, none left out), or
from `send`.
"""

from __future__ import annotations

import json
import math
import re
import socket
import struct
import threading
from collections.abc import Callable
from contextlib import suppress
from typing import Any

import msgspec

from agent.clock import Clock

DEVICE = "/dev/ttyS0"
VERSION = {"class": "VERSION", "release": "3.22", "rev": "3.22", "proto_major": 3, "proto_minor": 14}
_REQUEST = re.compile(r"\?([A-Z]+)(?:=(\{[^}]*\}))?")
_SEND_LIMIT_S = 2
_LONGEST_REQUEST = 4096  # as gpsd's own buffer is bounded; a client that sends more without a line end is dropped


class _Client:
    """One connection: what it watches, and one lock for what is written to it."""

    def __init__(self, connection: socket.socket) -> None:
        self.connection = connection
        self.policy: dict[str, Any] = {"class": "WATCH", "enable": False, "json": False, "nmea": False, "raw": 0}
        self._lock = threading.Lock()

    @property
    def is_watching(self) -> bool:
        return bool(self.policy["enable"] and self.policy["json"])

    def send(self, *documents: dict[str, Any]) -> None:
        data = b"".join(msgspec.json.encode(document) + b"\r\n" for document in documents)
        self.send_bytes(data)

    def send_bytes(self, data: bytes) -> None:
        """Write it, or end the connection of a client that does not read."""
        try:
            with self._lock:
                self.connection.sendall(data)
        except OSError:
            self.shut()

    def shut(self) -> None:
        with suppress(OSError):  # gone already
            self.connection.shutdown(socket.SHUT_RDWR)


class SimGpsd:
    """The server. Listens from the moment it is made, at `port`; serves from `start` until `stop`.

    Raises OSError where the port is taken.
    """

    def __init__(
        self,
        clock: Clock,
        *,
        fix_at: Callable[[float], dict[str, Any] | None] | None = None,
        host: str = "127.0.0.1",
        port: int = 0,
    ) -> None:
        self._clock, self._fix_at = clock, fix_at
        self._listener = socket.create_server((host, port))
        self.port: int = self._listener.getsockname()[1]
        self._stop = threading.Event()
        self._lock = threading.Lock()
        self._clients: set[_Client] = set()
        self._last: dict[str, Any] = {"class": "TPV", "device": DEVICE, "mode": 0}
        self._threads = [threading.Thread(target=self._accept, name="simgpsd", daemon=True)]
        if fix_at is not None:
            self._threads.append(threading.Thread(target=self._tick, name="simgpsd-fixes", daemon=True))

    def start(self) -> SimGpsd:
        """Begin to serve; returns at once."""
        for thread in self._threads:
            thread.start()
        return self

    def stop(self) -> None:
        """End every connection and thread."""
        self._stop.set()
        with suppress(OSError):  # where a listener cannot be shut down, closing it does as well
            self._listener.shutdown(socket.SHUT_RDWR)  # wakes accept()
        self._listener.close()
        self.drop_clients()
        for thread in self._threads:
            if thread.is_alive():
                thread.join()

    def drop_clients(self) -> None:
        """Cut every connection, as a gpsd that dies does."""
        with self._lock:
            clients = list(self._clients)
        for client in clients:
            client.shut()

    @property
    def watchers(self) -> int:
        """How many clients get fixes now."""
        with self._lock:
            return sum(client.is_watching for client in self._clients)

    def send(self, tpv: dict[str, Any]) -> None:
        """Send one TPV to every client that watches; `class` and `device` are filled in where missing."""
        document = {"class": "TPV", "device": DEVICE, **tpv}
        self._last = document
        data = msgspec.json.encode(document) + b"\r\n"
        with self._lock:
            watching = [client for client in self._clients if client.is_watching]
        for client in watching:
            client.send_bytes(data)

    def _tick(self) -> None:
        assert self._fix_at is not None  # noqa: S101 - for the type checker
        consumed: Callable[[float], None] | None = getattr(self._clock, "consumed", None)
        next_s = math.floor(self._clock.mono()) + 1
        while not self._clock.sleep_until(next_s, stop=self._stop):
            tpv = self._fix_at(float(next_s))
            if tpv is not None:
                self.send(tpv)
            if consumed is not None:
                consumed(float(next_s))  # a scaled clock waits for us
            next_s += 1

    def _accept(self) -> None:
        while not self._stop.is_set():
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return  # stopped
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            # Bounds sendall() in the thread of the fixes; a client may be quiet for as long as it likes.
            connection.setsockopt(socket.SOL_SOCKET, socket.SO_SNDTIMEO, struct.pack("@ll", _SEND_LIMIT_S, 0))
            client = _Client(connection)
            with self._lock:
                self._clients.add(client)
            threading.Thread(target=self._serve, args=(client,), name="simgpsd-client", daemon=True).start()

    def _serve(self, client: _Client) -> None:
        try:
            client.send(VERSION)
            pending = b""
            while chunk := client.connection.recv(4096):
                *lines, pending = (pending + chunk).split(b"\n")
                for line in lines:
                    self._answer(client, line.decode("ascii", "replace"))
                if len(pending) > _LONGEST_REQUEST:
                    return
        except OSError:
            pass  # the client went away
        finally:
            with self._lock:
                self._clients.discard(client)
            client.connection.close()

    def _answer(self, client: _Client, line: str) -> None:
        requests = _REQUEST.findall(line)
        if not requests and line.strip():
            client.send({"class": "ERROR", "message": f"Unrecognized request '{line.strip()[:60]}'"})
        for name, argument in requests:
            if name == "WATCH":
                self._watch(client, argument)
            elif name == "VERSION":
                client.send(VERSION)
            elif name == "DEVICES":
                client.send(_devices())
            elif name == "POLL":
                sky = {"class": "SKY", "device": DEVICE}
                client.send({"class": "POLL", "active": 1, "tpv": [self._last], "sky": [sky]})
            else:
                client.send({"class": "ERROR", "message": f"Unrecognized request '{name}'"})

    def _watch(self, client: _Client, argument: str) -> None:
        if argument:
            try:
                asked = json.loads(argument)
            except ValueError:
                client.send({"class": "ERROR", "message": "Invalid WATCH"})
                return
            wanted = {key: asked[key] for key in ("json", "nmea", "raw") if key in asked}
            client.policy = {**client.policy, **wanted, "enable": bool(asked.get("enable", True))}
        client.send(_devices(), client.policy)


def _devices() -> dict[str, Any]:
    device = {"class": "DEVICE", "path": DEVICE, "driver": "simulated", "flags": 1, "bps": 9600}
    return {"class": "DEVICES", "devices": [device]}
