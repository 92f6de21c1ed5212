"""`roadtally run` as its own process, against a real gpsd, a real mosquitto and a reader over TCP.

A clock at sixty times real time drives all of it, so that the hand-made day of twenty minutes passes in some 20 s.
"""

from __future__ import annotations

import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import msgspec
import pytest

from agent.broker import RunningBroker, free_port, mosquitto_program, start_mosquitto
from agent.chain import parse_key, walk
from agent.cli import main
from agent.clock import ClockMaster, SharedClock
from agent.simreader import SimulatedReader
from agent.world.nmea import sentences
from tests import tinyday
from tests.delivery import VEHICLE, Depot

pytestmark = [
    pytest.mark.integration,
    pytest.mark.skipif(shutil.which("gpsd") is None, reason="gpsd is not installed"),
    pytest.mark.skipif(mosquitto_program() is None, reason="mosquitto is not installed"),
]

SPEED = 60.0
PATIENCE_REAL_S = 60.0
ROOT = Path(__file__).resolve().parents[1]


class Rig:
    """The van's surroundings: clock, broker, receiver with a real gpsd, reader, depot; and the agent as a process."""

    def __init__(self, folder: Path, *, simulated: bool = True, more: str = "") -> None:
        self.folder = folder
        self.master = ClockMaster(folder / "clock", start_utc=tinyday.START_UTC_S, speed=SPEED, max_lag_s=20.0)
        self.master.pause()
        self.clock = SharedClock(folder / "clock", boot_at_s=0.0)
        self.radio = tinyday.Radio(most_dbm=27.0)
        self.reader = SimulatedReader(self.radio, self.clock, catch_up_s=1.0).start()
        self.broker: RunningBroker = start_mosquitto(port=0)
        self.depot = Depot(self.broker.port)
        self.agent: subprocess.Popen[bytes] | None = None
        self._stop = threading.Event()
        self._gpsd_port, feed = free_port(), free_port()
        self._gpsd = subprocess.Popen(
            ["gpsd", "-N", "-n", "-S", str(self._gpsd_port), f"udp://127.0.0.1:{feed}"],
            stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        tinyday.write_files(
            folder,
            vehicle=f"{tinyday.VEHICLE}\n{more}\n"
            f'[reader]\nhost = "127.0.0.1"\nport = {self.reader.port}\nsimulated = {str(simulated).lower()}\n\n'
            f"[gps]\nport = {self._gpsd_port}\n\n"
            f'[mqtt]\nhost = "127.0.0.1"\nport = {self.broker.port}\n',
        )
        self._world = threading.Thread(target=self._live, args=(feed,), name="world", daemon=True)
        self._world.start()
        self.master.start()

    def _live(self, feed: int) -> None:
        """The receiver's sentences and the reader's inputs, as the clock goes."""
        ports = list(tinyday.port_changes())
        second = 0
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as out:
            while not self.clock.sleep_until(second, stop=self._stop):
                while ports and ports[0][0] <= second:
                    _, port, on = ports.pop(0)
                    self.reader.set_input(port, on)
                out.sendto(sentences(tinyday.tpv(second)), ("127.0.0.1", feed))
                second += 1

    def power_on(self) -> None:
        """Start the agent; the clock waits until the reader hears it."""
        self.master.pause()
        command = [sys.executable, "-m", "agent", "run", "--config", "vehicle.toml", "--sites", "geofences"]
        command += ["--register", "register.csv", "--store", "vehicle.db", "--clock", "clock"]
        with (self.folder / "agent.log").open("ab") as log:
            self.agent = subprocess.Popen(command, cwd=self.folder, env={"PYTHONPATH": str(ROOT)}, stderr=log)
        self.until(lambda: self.reader.is_connected, "the agent to reach the reader")
        self.master.resume()

    def until(self, is_so: Callable[[], Any], what: str) -> None:
        """Let the depot take and ack what comes until something is so."""
        deadline = time.monotonic() + PATIENCE_REAL_S
        while not is_so():
            self.depot.turn()
            if self.agent is not None and self.agent.poll() is not None:
                raise AssertionError(f"the agent ended; its log: {self.log()[-2000:]}")
            assert time.monotonic() < deadline, f"waited in vain for {what}; the agent's log: {self.log()[-2000:]}"
            time.sleep(0.005)

    def log(self) -> str:
        """What the agent logged."""
        return (self.folder / "agent.log").read_text()

    def bodies(self) -> list[dict[str, Any]]:
        """The records that arrived, in order of their numbers."""
        return [msgspec.json.decode(body) for _, body in sorted(self.depot.bodies.items())]

    def manifest(self, number: int) -> dict[str, Any] | None:
        """The highest revision of a leg's manifest that arrived."""
        name = f"van-07/2026-03-04/{number}"
        found = [body for body in self.bodies() if body.get("manifest") == name]
        return max(found, key=lambda body: body["revision"], default=None)

    def stored(self, query: str) -> list[Any]:
        """What the vehicle's own database holds."""
        with closing(sqlite3.connect(f"file:{self.folder / 'vehicle.db'}?mode=ro", uri=True)) as connection:
            return connection.execute(query).fetchall()

    def close(self) -> None:
        """End everything."""
        if self.agent is not None:
            self.agent.kill()
            self.agent.wait()
        self._stop.set()
        self.master.resume()
        self._world.join()
        self._gpsd.terminate()
        self._gpsd.wait(10.0)
        self.depot.close()
        self.broker.stop()
        self.reader.stop()
        self.master.close()
        self.clock.close()


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Callable[..., Rig]]:
    """Makes one rig and ends it."""
    made: list[Rig] = []

    def make(**options: Any) -> Rig:
        made.append(Rig(tmp_path, **options))
        return made[-1]

    yield make
    for one in made:
        one.close()


def names(manifest: dict[str, Any] | None) -> list[str]:
    """The items' names."""
    return sorted(item["name"] for item in manifest["items"]) if manifest is not None else []


def test_a_day_on_real_servers_with_a_kill_in_the_middle(rig: Callable[..., Rig]) -> None:
    """Killed at the hall and started again, the agent goes on with the same trip and states nothing twice.

    The first leg's manifest arrives and is acked before; SIGTERM ends it with everything committed and a goodbye.
    """
    van = rig()
    van.power_on()
    van.until(lambda: van.manifest(1), "the first manifest")
    first = van.manifest(1)
    assert first is not None
    assert first["departed"]["site"] == "depot"
    assert names(first) == ["cable trunk 3", "dimmer rack 2", "par lamp 1"]
    assert {item["loaded"]["site"] for item in first["items"]} == {"depot"}
    van.until(lambda: not van.stored("SELECT seq FROM outbox"), "the outbox to be trimmed by acks")
    van.until(lambda: van.clock.now() > 600, "ten minutes of the day")
    assert van.agent is not None
    van.agent.kill()
    van.agent.wait()
    van.agent = None
    van.power_on()
    van.until(lambda: (van.manifest(2) or {}).get("arrived"), "the second leg's end")
    assert names(van.manifest(2)) == ["cable trunk 3", "par lamp 1"]
    assert names(van.manifest(1)) == ["cable trunk 3", "dimmer rack 2", "par lamp 1"]
    unloaded = [body for body in van.bodies() if body.get("bizStep") == "unloading" and "errorDeclaration" not in body]
    assert [(body["bizLocation"]["id"], body["childEPCs"]) for body in unloaded] == [
        ("urn:roadtally:site:hall", [tinyday.EPCS["B"]])
    ]
    stated = [body["eventID"] for body in van.bodies() if "eventID" in body and "errorDeclaration" not in body]
    assert len(stated) == len(set(stated))
    van.agent.send_signal(signal.SIGTERM)
    van.agent.wait(15.0)
    code, van.agent = van.agent.returncode, None
    assert code == 0, van.log()
    van.until(lambda: van.depot.retained["status"][-1]["state"] == "offline", "the goodbye")
    stored = van.stored("SELECT seq, body FROM record ORDER BY seq")
    assert stored == [(seq, body.decode()) for (_, seq), body in sorted(van.depot.bodies.items())]
    assert van.depot.contradictions == []
    ((at_seq,),) = van.stored("SELECT record FROM checkpoint")
    assert at_seq == stored[-1][0]
    assert main(["verify", str(van.folder / "vehicle.db")]) == 0
    (key,) = van.depot.keys  # one key before and after the kill, and what came is signed by it
    sealed = [van.depot.sealed[1, seq] for seq, _ in stored]
    found = walk(sealed, vehicle=VEHICLE, epoch=1, key=parse_key(key or ""))
    assert (found.seq, found.unsigned, found.misfit) == (len(stored), 0, None)


def test_a_reader_that_nobody_assessed_never_transmits(rig: Callable[..., Rig]) -> None:
    """Without [rf_assessment] a real reader is connected and set up, and no round is ever started.

    The drives are still told, with nothing stated aboard, loaded or unloaded.
    """
    van = rig(simulated=False)
    van.power_on()
    van.until(lambda: (van.manifest(1) or {}).get("arrived"), "the first leg's end")
    assert van.reader.is_connected
    assert van.reader.rounds == 0
    assert van.radio.asked == []
    assert "not-transmitting" in van.log()
    assert names(van.manifest(1)) == []
    assert van.manifest(1)["certain"] is False
    assert [body for body in van.bodies() if body.get("bizStep") in {"loading", "unloading"}] == []


def test_an_assessed_reader_pauses_with_open_doors(rig: Callable[..., Rig]) -> None:
    """With people_inside = "pause" the reader reads, at no more than assessed, and not while the doors are open.

    A command may take a tenth of a real second; at this speed that is six seconds of the day.
    """
    assessed = '[rf_assessment]\nby = "A. Tester"\ndate = 2026-02-20\npower_dbm = 27.0\npeople_inside = "pause"\n'
    van = rig(simulated=False, more=assessed)
    van.power_on()
    van.until(lambda: van.clock.now() > 270, "the depot's doors to open and shut")
    asked = list(van.radio.asked)
    reaction_s = 0.1 * SPEED
    assert [span for span in asked if span[1] > 60 + reaction_s and span[0] < 200] == []
    assert any(span[1] < 60 for span in asked)
    assert any(span[0] > 200 for span in asked)
