"""A real gpsd with a receiver on a pseudo-terminal, and what befalls the two. Needs gpsd on the machine.

The day's clock waits for gpsd: a second is over once gpsd told it to a client of ours (the witness), so the day goes
as fast as gpsd reads. While gpsd starts, or tries its drivers on a device that was plugged in, the clock stands still,
and the times to recover are the agent's own. What a fault does happens between two of the receiver's seconds.
"""

from __future__ import annotations

import json
import math
import os
import pty
import shutil
import signal
import socket
import subprocess
import tempfile
import threading
import time
import tty
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

from agent.broker import free_port
from agent.world.nmea import sentences
from tests.faults.catalogue import BLIP_S, GREW_S, LINK_S, Fault, again, had_no_fix_for

IS_THERE = shutil.which("gpsd") is not None
PATIENCE_REAL_S = 20.0  # for a gpsd that starts, or that tries its drivers
AGAIN_REAL_S = 0.1
SECOND_REAL_S, MOST_DEAF = 2.0, 5  # so long for one of the receiver's seconds, so many of them in a row
WATCH = b'?WATCH={"enable":true,"json":true}\n'


class _Witness:
    """A client of gpsd that says when gpsd has told of a second."""

    def __init__(self, port: int) -> None:
        self._socket = socket.create_connection(("127.0.0.1", port), timeout=AGAIN_REAL_S)
        self._socket.sendall(WATCH)
        self._pending = b""

    def hears(self, moment: str) -> bool:
        """Whether it is told of within a moment; raises OSError where gpsd is gone."""
        until = time.monotonic() + AGAIN_REAL_S
        while time.monotonic() < until:
            *lines, self._pending = self._pending.split(b"\n")
            for at, line in enumerate(lines):
                document = json.loads(line)
                if document["class"] == "TPV" and document.get("time", "")[:19] == moment[:19]:
                    self._pending = b"\n".join((*lines[at + 1 :], self._pending))
                    return True
            with suppress(TimeoutError):
                chunk = self._socket.recv(65536)
                if not chunk:
                    raise ConnectionResetError("gpsd closed the connection")
                self._pending += chunk
        return False

    def close(self) -> None:
        """Go."""
        self._socket.close()


class RealGpsd:
    """In a van's place of a `ScriptedGpsd`: gpsd, its receiver, and their faults."""

    def __init__(self, make_clock: Callable[[], Any], fix_at: Callable[[float], dict[str, Any]]) -> None:
        self.clock, self._fix_at = make_clock(), fix_at
        self.port = free_port()
        # gpsd opens its device as root at the start and as another user later on.
        self._folder = tempfile.TemporaryDirectory(prefix="roadtally-dev-")
        Path(self._folder.name).chmod(0o755)
        self._path, self._control = Path(self._folder.name) / "ttyUSB0", Path(self._folder.name) / "gpsd.sock"
        self._ours = self._theirs = -1
        self._speaks = self._runs = True
        self._lock, self._stop = threading.Lock(), threading.Event()
        self._witness: _Witness | None = None
        self.waited_in_vain = 0
        """Seconds of the receiver, after some in a row, that gpsd did not tell of, though it ran."""
        self._deaf = 0
        self._plug()
        self._process = self._started()
        self._thread = threading.Thread(target=self._feed, name="receiver-on-pty", daemon=True)
        self._thread.start()

    def _started(self) -> subprocess.Popen[bytes]:
        return subprocess.Popen(
            ["gpsd", "-N", "-n", "-F", str(self._control), "-S", str(self.port), str(self._path)],
            stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip

    def _plug(self) -> None:
        self._ours, self._theirs = pty.openpty()
        for end in (self._ours, self._theirs):
            tty.setraw(end)
        os.set_blocking(self._ours, False)  # a gpsd that is stopped reads nothing; a serial line loses it then
        name = os.ttyname(self._theirs)
        Path(name).chmod(0o666)
        self._path.symlink_to(name)

    def _unplug(self) -> None:
        for end in (self._ours, self._theirs):
            os.close(end)
        self._ours = self._theirs = -1
        self._path.unlink()

    def _tell(self, sign: str) -> None:
        """What udev's rule does at plugging in (`+`) and pulling out (`-`), as gpsdctl does it."""
        with socket.socket(socket.AF_UNIX) as control:
            control.settimeout(PATIENCE_REAL_S)
            control.connect(str(self._control))
            control.sendall(f"{sign}{self._path}\r\n".encode())
            answer = control.recv(100).decode().strip()
        if answer != "OK":
            raise RuntimeError(f"gpsd answered {answer!r} to {sign}{self._path}")

    # --- the receiver's seconds ---

    def _feed(self) -> None:
        second = math.floor(self.clock.mono()) + 1
        while not self.clock.sleep_until(second, stop=self._stop):
            with self._lock:
                self._say(float(second))
            self.clock.consumed(float(second))
            second += 1

    def _say(self, second: float) -> None:
        if not self._speaks or self._ours < 0:
            return
        tpv = self._fix_at(second)
        until = time.monotonic() + SECOND_REAL_S
        while not self._stop.is_set():
            with suppress(BlockingIOError):
                os.write(self._ours, sentences(tpv))
            if not self._runs:
                return
            if self._was_heard(tpv["time"]):
                self._deaf = 0
                return
            if time.monotonic() > until:
                self._deaf += 1  # gpsd tells a moment once, perhaps before the witness came
                self.waited_in_vain += self._deaf > MOST_DEAF
                return

    def _was_heard(self, moment: str) -> bool:
        try:
            if self._witness is None:
                self._witness = _Witness(self.port)
            return self._witness.hears(moment)
        except OSError:
            self._let_witness_go()
            self._stop.wait(AGAIN_REAL_S)
            return False

    def _let_witness_go(self) -> None:
        if self._witness is not None:
            self._witness.close()
            self._witness = None

    # --- what befalls them ---

    def kill(self) -> None:
        """SIGKILL."""
        with self._lock:
            self._end(signal.SIGKILL)

    def restart(self) -> None:
        """It is started; one that runs is ended as systemd does it."""
        with self._lock:
            self._end(signal.SIGTERM)
            self._process, self._runs = self._started(), True

    def _end(self, number: signal.Signals) -> None:
        self._let_witness_go()
        self._runs = False
        if self._process.poll() is None:
            self._process.send_signal(number)
            self._process.wait(PATIENCE_REAL_S)

    def hang(self, *, on: bool) -> None:
        """SIGSTOP and SIGCONT."""
        with self._lock:
            self._process.send_signal(signal.SIGSTOP if on else signal.SIGCONT)
            self._runs = not on

    def unplug(self) -> None:
        """The receiver is pulled out, and udev tells gpsd."""
        with self._lock:
            self._unplug()
            self._tell("-")

    def plug(self) -> None:
        """It is plugged in, and udev tells gpsd."""
        with self._lock:
            self._plug()
            self._tell("+")

    def mute(self, *, on: bool) -> None:
        """The receiver says nothing."""
        with self._lock:
            self._speaks = not on

    def stop(self) -> None:
        """End it all."""
        self._stop.set()
        self._thread.join()
        self._end(signal.SIGKILL)
        self.clock.close()
        if self._ours >= 0:
            self._unplug()
        self._folder.cleanup()


REAL: tuple[Fault, ...] = (
    Fault(
        "real gpsd killed",
        "connects again when it is back",
        "fixes",
        GREW_S,
        again,
        lambda van: van.gpsd.kill(),
        lambda van: van.gpsd.restart(),
        20.0,
    ),
    Fault(
        "real gpsd stopped (SIGSTOP, SIGCONT)",
        "hangs up after 10 s, tries again until it speaks; what it tells late of seconds that are over is no time",
        "fixes",
        GREW_S,
        had_no_fix_for(20.0),
        lambda van: van.gpsd.hang(on=True),
        lambda van: van.gpsd.hang(on=False),
        25.0,
    ),
    Fault(
        "real gpsd restarted", "connects again at once", "fixes", LINK_S, again, lambda van: van.gpsd.restart()
    ),
    Fault(
        "real receiver pulled out and plugged in",
        "keeps the connection; positions come when it is plugged in",
        "fixes",
        BLIP_S,
        had_no_fix_for(25.0),
        lambda van: van.gpsd.unplug(),
        lambda van: van.gpsd.plug(),
        30.0,
    ),
    Fault(
        "real receiver mute",
        "asks gpsd, which answers, and keeps the connection for a minute",
        "fixes",
        BLIP_S,
        had_no_fix_for(40.0),
        lambda van: van.gpsd.mute(on=True),
        lambda van: van.gpsd.mute(on=False),
        45.0,
    ),
)
