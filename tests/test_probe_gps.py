"""The look at gpsd: against the stand-in that speaks its protocol, and against scripted lines."""

from __future__ import annotations

import json
import shutil
import socket
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any

import pytest

from agent.broker import free_port
from agent.clock import SystemClock
from agent.findings import Finding
from agent.probe_gps import Heard, probe_gps
from agent.simgpsd import SimGpsd
from agent.units import format_utc
from agent.vehicle import GpsSettings
from agent.world.nmea import sentences
from tests import tinyday
from tests.llrp.tcp import until

pytestmark = pytest.mark.integration

NOON_S = 1_772_625_600.0  # 2026-03-04T12:00:00Z
VERSION = {"class": "VERSION", "release": "3.22"}
DEVICES = {"class": "DEVICES", "devices": [{"class": "DEVICE", "path": "/dev/ttyACM0", "driver": "u-blox"}]}
SKY = {"class": "SKY", "satellites": [{"PRN": number, "used": number < 9} for number in range(12)]}
YEARS = range(10, 30)
BLIND = {"class": "TPV", "device": "/dev/ttyACM0", "mode": 1}
THREE = {"class": "SKY", "satellites": [{"used": True}] * 3}


class Wrong(SystemClock):
    """A computer whose wall clock is so much off noon of the test's day."""

    def __init__(self, off_s: float) -> None:
        self.off_s = off_s

    def mono(self) -> float:
        """The test's seconds: all lines come in the same moment."""
        return 100.0

    def utc(self) -> float:
        """Wrong or right."""
        return NOON_S + self.off_s


def tpv(second: int = 0, **more: Any) -> dict[str, Any]:
    """A fix at noon; at one moment of the boot, so all ten agree within 2 s."""
    at = format_utc(NOON_S + second / 10.0)
    told = {"class": "TPV", "device": "/dev/ttyACM0", "mode": 3, "time": at, "lat": 48.3, "lon": -31.2, "eph": 8.0}
    return told | more


TRUSTED = [VERSION, DEVICES, SKY, *(tpv(second) for second in range(12))]


@contextmanager
def gpsd(lines: list[Any]) -> Iterator[int]:
    """A server that says this to whoever comes and then nothing more; its port."""
    listener = socket.create_server(("127.0.0.1", 0))

    def run() -> None:
        with suppress(OSError):
            connection, _ = listener.accept()
            with connection:
                for line in lines:
                    connection.sendall((line if isinstance(line, bytes) else json.dumps(line).encode()) + b"\r\n")
                while connection.recv(4096):
                    pass

    thread = threading.Thread(target=run)
    thread.start()
    yield listener.getsockname()[1]
    with suppress(OSError):
        listener.shutdown(socket.SHUT_RDWR)
    listener.close()
    thread.join()


def found(lines: list[Any], *, off_s: float = 0.0, needed: bool = False) -> dict[str, Finding]:
    """What is said of a gpsd that says this, by part."""
    with gpsd(lines) as port:
        told = probe_gps(GpsSettings(port=port), Wrong(off_s), listen_s=0.4, is_clock_needed=needed)
    return {finding.part: finding for finding in told}


def test_all_well() -> None:
    """Receiver, fix, satellites used of those seen, error, trusted time, and the computer's clock beside it."""
    told = found(TRUSTED)
    assert [finding.state for finding in told.values()] == ["ok", "ok", "ok"]
    assert "/dev/ttyACM0 (u-blox), 3D fix" in told["gpsd"].found
    assert told["sky"].found == "9 satellites used of 12 seen, good to 8 m (95 of 100)"
    assert "behind" in told["clock"].found
    assert not any("48.3" in finding.found for finding in told.values())


@pytest.mark.parametrize(
    ("lines", "part", "state", "said"),
    [
        ([VERSION, {"class": "DEVICES", "devices": []}], "gpsd", "not ok", "gpsd answers, but has had no receiver"),
        ([VERSION, DEVICES], "gpsd", "not ok", "its receiver /dev/ttyACM0 has not said anything yet"),
        ([VERSION, DEVICES, BLIND], "gpsd", "not ok", "Receiver /dev/ttyACM0 has had no fix"),
        ([VERSION, DEVICES, tpv(lat="x")], "gpsd", "not ok", "gives nothing usable for 0 s (no position)"),
        ([VERSION, DEVICES, tpv(), BLIND], "gpsd", "not ok", "it had a fix and lost it (no fix)"),
        ([VERSION, DEVICES, SKY | {"device": "/dev/ttyACM0"}], "gpsd", "not ok", "speaks, but tells nothing of any"),
        ([], "gpsd", "not ok", "takes connections, but has said nothing"),
        ([b"220 mail ready", b"500 what"], "gpsd", "not ok", "but not as gpsd does (2 lines, 2 of them no JSON)"),
        ([VERSION, DEVICES, THREE, tpv()], "sky", "not ok", "3 satellites used of 3"),
        ([VERSION, DEVICES, {"class": "SKY", "nSat": 9, "uSat": 7}, tpv()], "sky", "ok", "7 satellites used of 9 seen"),
        ([VERSION, DEVICES, tpv()], "sky", "not tested", "nothing told of satellites"),
        ([VERSION, DEVICES, SKY, tpv(), tpv(1)], "clock", "not ok", "ten fixes have to agree"),
        ([VERSION, DEVICES, *(tpv(time=f"20{year}-01-01T00:00:00Z") for year in YEARS)], "clock", "not ok", "not"),
        ([VERSION, DEVICES, {"class": "TPV", "mode": 0}], "clock", "not tested", "nothing to compare with"),
    ],
)
def test_what_can_be_wrong(lines: list[Any], part: str, state: str, said: str) -> None:
    """Each fault on its own line, with what to do where something is not ok."""
    finding = found(lines)[part]
    assert finding.state == state, finding
    assert said in finding.found
    assert bool(finding.do) is (state == "not ok")


def test_one_receiver_of_two_is_followed_and_named() -> None:
    """The one with the first fix, as in the agent; the other's want of one, or its other time, is not held against it.

    Until any has a fix both are named.
    """
    both = {"class": "DEVICES", "devices": [*DEVICES["devices"], {"path": "/dev/ttyS0", "driver": "NMEA0183"}]}
    blind = {"class": "TPV", "device": "/dev/ttyS0", "mode": 1}
    fixes = [each for second in range(12) for each in (tpv(second), blind, tpv(second, device="x", time="2019-01-01"))]
    told = found([VERSION, both, SKY, blind, *fixes])
    assert [finding.state for finding in told.values()] == ["ok", "ok", "ok"]
    assert "follows /dev/ttyACM0 (u-blox) (not /dev/ttyS0, x), 3D fix" in told["gpsd"].found
    told = found([VERSION, both, blind, BLIND])
    assert "/dev/ttyS0 and /dev/ttyACM0 has had no fix" in told["gpsd"].found


@pytest.mark.parametrize(
    ("off_s", "needed", "state", "said"),
    [
        (-1_772_625_600.0, True, "not ok", "20,517 days behind"),
        (-1_772_625_600.0, False, "ok", "20,517 days behind"),
        (10_800.0, True, "not ok", "3 hours ahead"),
        (300.0, True, "ok", "5 minutes ahead"),
    ],
)
def test_the_computers_own_clock(off_s: float, needed: bool, state: str, said: str) -> None:  # noqa: FBT001 - a case's
    """A clock at 1970 is no fault of the agent's, which never asks it; TLS does."""
    finding = found(TRUSTED, off_s=off_s, needed=needed)["clock"]
    assert (finding.state, bool(finding.do)) == (state, state == "not ok")
    assert said in finding.found


def test_nobody_there() -> None:
    """A refused connection is one thing not ok; the rest was not tested."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
    told = probe_gps(GpsSettings(port=port), SystemClock(), listen_s=0.4)
    assert [finding.state for finding in told] == ["not ok", "not tested", "not tested"]
    assert "refused" in told[0].found
    assert "systemctl start gpsd" in told[0].do


def test_with_the_stand_in() -> None:
    """The stand-in for gpsd, a fix a second: connected, device and fix are told."""
    simulated = SimGpsd(SystemClock(), fix_at=lambda t_s: tpv(int(t_s))).start()
    try:
        told = probe_gps(GpsSettings(port=simulated.port), SystemClock(), listen_s=1.5)
    finally:
        simulated.stop()
    assert told[0].state == "ok"
    assert "gpsd 3.22" in told[0].found


@pytest.mark.skipif(shutil.which("gpsd") is None, reason="gpsd is not installed")
def test_with_a_real_gpsd() -> None:
    """The program itself, fed with NMEA 0183: silent before the first sentence, then device and fix are told."""
    port, feed = free_port(), free_port()
    gpsd = subprocess.Popen(
        ["gpsd", "-N", "-n", "-S", str(port), f"udp://127.0.0.1:{feed}"],
        stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    over = threading.Event()

    def live() -> None:
        second = 0
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as out:
            while not over.wait(0.2):
                out.sendto(sentences(tinyday.tpv(second)), ("127.0.0.1", feed))
                second += 1

    world = threading.Thread(target=live)
    try:
        until(lambda: _listens(port), "gpsd")
        silent = probe_gps(GpsSettings(port=port), SystemClock(), listen_s=0.5)
        world.start()
        told = probe_gps(GpsSettings(port=port), SystemClock(), listen_s=4.0)
    finally:
        over.set()
        if world.is_alive():
            world.join()
        gpsd.terminate()
        gpsd.wait(10.0)
    assert silent[0].state == "not ok"
    assert told[0].state == "ok", told[0]
    assert f"udp://127.0.0.1:{feed}" in told[0].found
    assert "D fix" in told[0].found


def _listens(port: int) -> bool:
    try:
        socket.create_connection(("127.0.0.1", port), timeout=0.2).close()
    except OSError:
        return False
    return True


def test_a_line_without_end_is_not_kept() -> None:
    """What never ends is counted by nobody and does not fill the memory."""
    heard = Heard(GpsSettings(), mono=0.0)
    heard.take(b"x" * 100_000, mono=1.0)
    assert heard.malformed == 1
