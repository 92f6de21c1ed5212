"""The demo's receiver: a real gpsd fed with NMEA sentences where there is one and the speed allows, else its stand-in.

Above 60 times real time a receiver's sentences come faster than gpsd is made for; there the stand-in speaks gpsd's
protocol itself.
"""

from __future__ import annotations

import shutil
import socket
import subprocess
import threading
import time

from agent.broker import free_port
from agent.clock import SharedClock
from agent.simgpsd import SimGpsd
from agent.world.day import Day
from agent.world.nmea import sentences

GPSD_UP_TO_SPEED = 60.0
_START_REAL_S = 5.0


class DemoGps:
    """`port` speaks gpsd's protocol. `power_off` makes the receiver (not gpsd) fall silent."""

    def __init__(self, day: Day, clock: SharedClock, *, speed: float) -> None:
        self._day, self._clock = day, clock
        self._on = False
        self._stop = threading.Event()
        self._gpsd: subprocess.Popen[bytes] | None = None
        self._server: SimGpsd | None = None
        self._feeder: threading.Thread | None = None
        program = shutil.which("gpsd") or shutil.which("gpsd", path="/usr/sbin:/sbin")
        if program is not None and speed <= GPSD_UP_TO_SPEED:
            self.name = "gpsd"
            self._start_gpsd(program)
        else:
            self.name = "gpsd stand-in"
            self._server = SimGpsd(clock, fix_at=self._fix_at).start()
            self.port = self._server.port

    def _start_gpsd(self, program: str) -> None:
        self.port, feed = free_port(), free_port()
        self._gpsd = subprocess.Popen(  # noqa: S603 - Debian's gpsd, by its path
            [program, "-N", "-n", "-S", str(self.port), f"udp://127.0.0.1:{feed}"],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
        deadline = time.monotonic() + _START_REAL_S
        while time.monotonic() < deadline:
            try:
                socket.create_connection(("127.0.0.1", self.port), timeout=0.2).close()
                break
            except OSError:
                time.sleep(0.02)
        self._feeder = threading.Thread(target=self._feed, args=(feed,), name="nmea", daemon=True)
        self._feeder.start()

    def _fix_at(self, t_s: float) -> dict[str, object] | None:
        return self._day.fix_at(t_s) if self._on else None

    def _feed(self, port: int) -> None:
        second = int(self._clock.now())
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as out:
            while not self._stop.is_set():
                second += 1
                if self._clock.sleep_until(second, stop=self._stop):
                    return
                tpv = self._fix_at(second)
                if tpv is not None:
                    out.sendto(sentences(tpv), ("127.0.0.1", port))

    @property
    def is_watched(self) -> bool:
        """True when the agent listens; with a real gpsd nobody can tell, so it is taken to."""
        return self._server is None or self._server.watchers > 0

    def power_on(self) -> None:
        """The receiver gets power."""
        self._on = True

    def power_off(self) -> None:
        """The receiver loses power; so does the van's gpsd, and with it every connection."""
        self._on = False
        if self._server is not None:
            self._server.drop_clients()

    def stop(self) -> None:
        """End it all."""
        self._stop.set()
        if self._server is not None:
            self._server.stop()
        if self._feeder is not None:
            self._feeder.join(timeout=5.0)
        if self._gpsd is not None:
            self._gpsd.terminate()
            try:
                self._gpsd.wait(timeout=5.0)
            except subprocess.TimeoutExpired:
                self._gpsd.kill()
                self._gpsd.wait()
