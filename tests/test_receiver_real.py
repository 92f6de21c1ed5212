"""Faults of a real gpsd with a receiver on a pseudo-terminal, and gpsd's own regression logs through it.

A clock at twenty times real time drives it, so that the forty seconds after which a fault is told pass in two.
"""

from __future__ import annotations

import json
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
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import msgspec
import pytest

from agent.broker import free_port
from agent.clock import ClockMaster, SharedClock, SystemClock
from agent.gps import Unusable, parse_tpv
from agent.receiver import Receiver
from agent.records import Boot, Fix
from agent.run import time_rules
from agent.setup import read_in_use
from agent.store import Store
from agent.vehicle_agent import VehicleAgent
from agent.world.nmea import sentences
from tests import tinyday

pytestmark = [
    pytest.mark.integration,
    pytest.mark.skipif(shutil.which("gpsd") is None, reason="gpsd is not installed"),
]

SPEED = 20.0
PATIENCE_REAL_S = 40.0


class Van:
    """A running agent, a real gpsd and a receiver on a pseudo-terminal that says the standing van's second."""

    def __init__(self, folder: Path) -> None:
        tinyday.write_files(folder)
        self.master = ClockMaster(folder / "clock", start_utc=tinyday.START_UTC_S, speed=SPEED, max_lag_s=20.0)
        self.clock = SharedClock(folder / "clock", boot_at_s=0.0, offset_s=tinyday.BOOT_MONO_S, wrong_utc=12.0)
        self._days = SharedClock(folder / "clock", boot_at_s=0.0)
        _, in_use = read_in_use(
            config=folder / "vehicle.toml", sites=folder / "geofences", register=folder / "register.csv", plan=None
        )
        self.store = Store.open(folder / "vehicle.db", seal=None)
        self.agent = VehicleAgent(
            in_use=in_use, store=self.store, clock=self.clock, program="test", rules=time_rules(self.clock)
        )
        # gpsd opens its device as root at the start and as another user later on: pytest's folder is shut to that one.
        self._dev = tempfile.TemporaryDirectory(prefix="roadtally-dev-")
        Path(self._dev.name).chmod(0o755)
        self.path, self.port, self.control = Path(self._dev.name) / "ttyUSB0", free_port(), folder / "gpsd.sock"
        self._ends: list[int] = []
        self.speaks = True
        self.plug()
        self.gpsd = self.start_gpsd()
        self.receiver = Receiver("127.0.0.1", self.port, clock=self.clock, put=self.agent.put)
        self.agent.watch_gpsd(lambda: self.receiver.gpsd)
        self._stop = threading.Event()
        self._world = threading.Thread(target=self._speak, daemon=True)
        self.master.start()
        self.receiver.start()
        self._world.start()
        self.agent._take(Boot(self.clock.mono(), None))

    def plug(self) -> None:
        """The receiver appears."""
        ours, theirs = pty.openpty()
        for end in (ours, theirs):
            tty.setraw(end)
        name = os.ttyname(theirs)
        Path(name).chmod(0o666)  # gpsd gives up root's rights
        self.path.unlink(missing_ok=True)
        self.path.symlink_to(name)
        self._ends = [ours, theirs]

    def unplug(self) -> None:
        """The receiver is pulled out of its socket; gpsd's end of the line hangs up and its name is gone."""
        ends, self._ends = self._ends, []
        for end in ends:
            os.close(end)
        self.path.unlink()

    def tell_gpsd(self, sign: str) -> str:
        """What udev's rule does at plugging in (`+`) and pulling out (`-`), as gpsdctl does it; gpsd's answer.

        gpsd tries its drivers on a new device for a second or two and hears nobody meanwhile, which at twenty times
        real time would be the hang of half a minute that it is not: the day's clock stands still for it.
        """
        self.master.pause()
        try:
            with socket.socket(socket.AF_UNIX) as control:
                control.settimeout(PATIENCE_REAL_S)
                control.connect(str(self.control))
                control.sendall(f"{sign}{self.path}\r\n".encode())
                return control.recv(100).decode().strip()
        finally:
            self.master.resume()

    def _speak(self) -> None:
        second = 0
        while not self._days.sleep_until(second, stop=self._stop):
            if self._ends and self.speaks:
                with suppress(OSError):  # pulled out in mid-sentence
                    os.write(self._ends[0], sentences(tinyday.tpv(second) | {"lat": tinyday.DEPOT[0], "speed": 0.0}))
            second += 1

    def start_gpsd(self) -> subprocess.Popen[bytes]:
        """A new gpsd on the same port and device."""
        return subprocess.Popen(
            ["gpsd", "-N", "-n", "-F", str(self.control), "-S", str(self.port), str(self.path)],
            stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip

    def end_gpsd(self, number: signal.Signals = signal.SIGKILL) -> None:
        """End it."""
        self.gpsd.send_signal(number)
        self.gpsd.wait(10.0)

    def until(self, condition: Callable[[], Any], what: str) -> None:
        """Let the agent work until something is so."""
        deadline = time.monotonic() + PATIENCE_REAL_S
        while not condition():
            self.agent._turn()
            assert time.monotonic() < deadline, f"waited in vain for {what}; told so far: {self.told}"

    @property
    def told(self) -> list[tuple[str, str]]:
        """Code and text of what was told but for time and reader."""
        bodies = [msgspec.json.decode(row.body) for row in self.store.unacked(limit=1000) if row.kind == "notice"]
        return [(body["notice"], body["text"]) for body in bodies if "time" not in body["notice"]]

    @property
    def codes(self) -> list[str]:
        """The codes alone."""
        return [code for code, _ in self.told]

    def close(self) -> None:
        """End everything."""
        self._stop.set()
        self._world.join()
        self.receiver.stop()
        if self.gpsd.poll() is None:
            self.end_gpsd()
        self.master.close()
        self.clock.close()
        self.store.close()
        for end in self._ends:
            os.close(end)
        self._dev.cleanup()


@pytest.fixture
def van(tmp_path: Path) -> Iterator[Van]:
    """One that has a trusted time and a fix."""
    one = Van(tmp_path)
    one.until(lambda: one.agent.state.timeline.trusted, "a trusted time")
    assert one.codes == []
    yield one
    stops = [s for s in one.agent.state.itinerary.segments if type(s).__name__ == "Leg"]
    one.close()
    assert stops == [], "the van stood all the time"


def test_a_gpsd_that_is_stopped_and_goes_on(van: Van) -> None:
    """Under SIGSTOP the kernel takes connections for it and nothing comes: told as stuck, and over after SIGCONT."""
    van.gpsd.send_signal(signal.SIGSTOP)
    van.until(lambda: van.codes, "the notice")
    assert van.codes == ["gpsd-stuck"]
    assert "restart it (systemctl restart gpsd)" in van.told[0][1]
    van.gpsd.send_signal(signal.SIGCONT)
    van.until(lambda: len(van.codes) > 1, "the end")
    assert van.codes == ["gpsd-stuck", "gps-back"]


def test_a_gpsd_that_is_killed_and_started_again(van: Van) -> None:
    """Killed, it is told as gone; started again it is found and positions come."""
    van.end_gpsd()
    van.until(lambda: van.codes, "the notice")
    assert van.codes == ["gpsd-gone"]
    van.gpsd = van.start_gpsd()
    van.until(lambda: len(van.codes) > 1, "the end")
    assert van.codes == ["gpsd-gone", "gps-back"]
    assert van.told[1][1].startswith("Positions come again")


def test_a_receiver_that_falls_silent(van: Van) -> None:
    """Its gpsd is asked and answers, so the receiver is named, and gpsd is not left within the minute."""
    van.speaks = False
    connections = van.receiver.counts.connections
    van.until(lambda: van.codes, "the notice")
    assert van.receiver.counts.connections == connections
    assert van.codes == ["receiver-silent"]
    assert f"gpsd answers, but its receiver {van.path} has said nothing" in van.told[0][1]
    van.speaks = True
    van.until(lambda: len(van.codes) > 1, "the end")
    assert van.codes == ["receiver-silent", "gps-back"]


def test_a_receiver_that_is_pulled_out_and_plugged_in(van: Van) -> None:
    """Pulled out and taken from gpsd as udev does it, it is told as none; plugged in again, positions come."""
    van.unplug()
    assert van.tell_gpsd("-") == "OK"
    van.until(lambda: van.codes, "the notice")
    assert van.codes == ["no-receiver"]
    van.plug()
    assert van.tell_gpsd("+") == "OK"
    van.until(lambda: len(van.codes) > 1, "the end")
    assert van.codes == ["no-receiver", "gps-back"]


LOGS = (
    "april6_2019", "bt451", "gp-320fw-2019-04-07-coldboot", "haicom-305N", "iTrek", "magellan-ec10", "nl2008u",
    "oncore-binary-no-utc-offset", "sirfstarv",
)  # fmt: skip
# The date of a receiver that tells no century or a rolled-over week is made by gpsd from the date of its machine
# alone; the `.chk` was made in 2019. Day and time of day, and every position, are as they were.
DATED_BY_THE_MACHINE = {"sirfstarv"}


def _told(tpv: dict[str, Any], *, dated: bool) -> tuple[Any, ...]:
    when = tpv.get("time")
    return tpv["mode"], when if dated or when is None else when[10:], tpv.get("lat"), tpv.get("lon")


@pytest.mark.skipif(shutil.which("gpsfake") is None, reason="gpsfake is not installed (Debian: gpsd, gpsd-clients)")
@pytest.mark.parametrize("name", LOGS)
def test_receivers_of_gpsds_regression_logs(name: str, standards: Path, tmp_path: Path) -> None:
    """Every TPV that gpsd makes of a real receiver's log arrives, in order, with the position that its `.chk` has.

    Those with mode, position and time, and no others, are fixes. Source: gpsd 3.22 regression logs (BSD-2-Clause).
    """
    log = tmp_path / f"{name}.log"
    log.write_bytes((standards / "gps" / "logs" / f"{name}.log").read_bytes())
    lines = (standards / "gps" / "logs" / f"{name}.log.chk").read_bytes().splitlines()
    dated = name not in DATED_BY_THE_MACHINE
    wanted = [_told(json.loads(line), dated=dated) for line in lines if line.startswith(b'{"class":"TPV"')]
    fixes: list[Fix] = []
    port = free_port()
    with (tmp_path / "gpsfake.out").open("wb") as said:
        gpsfake = subprocess.Popen(
            ["gpsfake", "-q", "-1", "-n", "-S", "-c", "0.001", "-P", str(port), str(log)],
            stdout=said, stderr=subprocess.STDOUT, start_new_session=True,
        )  # fmt: skip
    receiver = Receiver("127.0.0.1", port, clock=SystemClock(), put=fixes.append, first_pause_s=0.02).start()
    try:
        deadline = time.monotonic() + PATIENCE_REAL_S
        while len(fixes) < len(wanted) and time.monotonic() < deadline and gpsfake.poll() is None:
            threading.Event().wait(0.01)
    finally:
        receiver.stop()
        os.killpg(gpsfake.pid, signal.SIGKILL)  # gpsfake and the gpsd that it started
        gpsfake.wait(10.0)
    assert [_told(fix.tpv, dated=dated) for fix in fixes] == wanted
    usable = [fix for fix in fixes if not isinstance(parse_tpv(fix.tpv, fix.mono), Unusable)]
    assert usable == [fix for fix in fixes if fix.tpv["mode"] > 1 and {"lat", "lon", "time"} <= fix.tpv.keys()]
