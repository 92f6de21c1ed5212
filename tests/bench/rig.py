"""`roadtally run` as a process of its own, beside a simulated reader, receiver and broker that are up before it."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from contextlib import ExitStack, closing
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from agent.broker import start_broker
from agent.clock import SystemClock
from agent.epc import encode_uri
from agent.geofences import parse_sites
from agent.simgpsd import SimGpsd
from agent.simreader import SimulatedReader
from agent.units import format_utc
from tests.bench.common import ROOT, SCRATCH

VEHICLE = """
[vehicle]
id = "van-07"
epc = "urn:epc:id:giai:9521141.70007"
home = "depot"

[reader]
host = "127.0.0.1"
port = {reader}
simulated = true
antennas = {antennas}
power_dbm = 27.0

[inputs]
doors = 1
ignition = 2

[gps]
host = "127.0.0.1"
port = {gps}

[mqtt]
host = "127.0.0.1"
port = {mqtt}
"""


@dataclass(frozen=True, slots=True)
class Heard:
    """One tag on one antenna."""

    tag: str
    antenna: int
    rssi_dbm: float
    count: int


class Hold:
    """A source in which every one of `tags` tags answers in every round, on every antenna."""

    def __init__(self, tags: int) -> None:
        self.tags = tuple(encode_uri(f"urn:epc:id:grai:9521141.00020.{number}") for number in range(tags))
        self.asked = 0
        self.answers = 0

    def inventory(
        self, *, started_s: float, seconds: float, antennas: tuple[int, ...], power_dbm: float
    ) -> Sequence[Heard]:
        """All of them; the strength wanders, so that nothing can be remembered from the last round."""
        del seconds, power_dbm
        self.asked += 1
        turn = int(started_s)
        heard = [
            Heard(tag, antenna, -50.0 - (turn + number * 7 + antenna) % 17, 1 + number % 3)
            for number, tag in enumerate(self.tags)
            for antenna in antennas
        ]
        self.answers += sum(each.count for each in heard)
        return heard


class Rig:
    """Everything around the agent, up and waiting; `start` starts the agent, leaving the block ends it all."""

    def __init__(self, *, tags: int, antennas: tuple[int, ...]) -> None:
        self.hold = Hold(tags)
        self.antennas = antennas
        self._stack = ExitStack()
        self.process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Self:
        with ExitStack() as stack:
            self.folder = Path(stack.enter_context(tempfile.TemporaryDirectory(dir=SCRATCH)))
            self.broker = stack.enter_context(start_broker(port=0))
            clock = SystemClock()
            self.reader = SimulatedReader(self.hold, clock, antennas=self.antennas).start()
            stack.callback(self.reader.stop)
            path = ROOT / "geofences" / "region.geojson"
            sites = {site.id: site for site in parse_sites({"region": path.read_text(encoding="utf-8")})}
            here = sites["depot"].shape.representative_point()
            self._lat, self._lon = here.y, here.x
            self.gps = SimGpsd(clock, fix_at=self._fix).start()
            stack.callback(self.gps.stop)
            self._write()
            self._stack = stack.pop_all()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.end()
        self._stack.close()

    def _fix(self, _t_s: float) -> dict[str, Any]:
        """Standing at the depot, with a receiver's usual fields."""
        return {
            "mode": 3,
            "time": format_utc(time.time()),
            "lat": self._lat,
            "lon": self._lon,
            "alt": 12.0,
            "speed": 0.05,
            "track": 10.0,
            "eph": 8.0,
        }

    def _write(self) -> None:
        text = VEHICLE.format(
            reader=self.reader.port, antennas=list(self.antennas), gps=self.gps.port, mqtt=self.broker.port
        )
        (self.folder / "vehicle.toml").write_text(text, encoding="utf-8")
        rows = ["epc,kind,name"]
        # Half of the tags are ours, half are strangers'.
        rows += [f"{tag},item,Cable drum {number}" for number, tag in enumerate(self.hold.tags) if number % 2 == 0]
        (self.folder / "register.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")

    @property
    def store(self) -> Path:
        """The agent's database."""
        return self.folder / "vehicle.db"

    def start(self) -> subprocess.Popen[bytes]:
        """Start the agent on a store that is not there yet."""
        command = [sys.executable, "-m", "agent", "run", "--config", "vehicle.toml", "--store", "vehicle.db"]
        command += ["--sites", str(ROOT / "geofences"), "--register", "register.csv"]
        with (self.folder / "agent.log").open("wb") as told:
            self.process = subprocess.Popen(
                command,
                cwd=self.folder,
                env={**os.environ, "PYTHONPATH": str(ROOT)},
                stdin=subprocess.DEVNULL,
                stdout=told,
                stderr=told,
            )
        return self.process

    def look(self) -> None:
        """Raise where the agent has ended by itself, with the end of its log."""
        if self.process is not None and self.process.poll() is not None:
            text = (self.folder / "agent.log").read_text(encoding="utf-8", errors="replace")
            raise RuntimeError(f"the agent ended with {self.process.returncode}:\n{text[-2000:]}")

    def stored(self) -> int:
        """How often a tag answered by the store's own count; the agent has ended."""
        with closing(sqlite3.connect(f"file:{self.store}?mode=ro", uri=True)) as store:
            return int(store.execute("SELECT coalesce(sum(reads), 0) FROM reading").fetchone()[0])

    def stop(self) -> None:
        """End the agent in order; its store stays."""
        if self.process is None:
            return
        self.process.terminate()
        try:
            self.process.wait(timeout=15.0)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
        self.process = None

    def end(self) -> None:
        """End the agent, and throw its store away."""
        self.stop()
        for path in self.folder.glob("vehicle.db*"):
            path.unlink()
