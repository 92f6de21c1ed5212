"""The demo's parts and their day: starts each, moves the clock, cuts power and coverage as the simulated world says."""

from __future__ import annotations

import contextlib
import json
import logging
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import IO

import numpy as np

from agent.broker import RunningBroker, free_port, start_broker
from agent.clock import ClockMaster, SharedClock
from agent.demo_gps import DemoGps
from agent.demo_story import Story
from agent.dispatch.loaded import load
from agent.dispatch.main import Dispatch
from agent.errors import RoadtallyError
from agent.geofences import Site, parse_sites
from agent.relay import LinkRelay
from agent.simreader import SimulatedReader
from agent.world.day import Day, make_day
from agent.world.radio import Radio

# How far simulated time may run ahead of agent, reader and receiver before it waits for them.
MAX_LAG_S = 5.0
# What a message between agent and reader may take on a busy machine; the simulated reader takes it off again.
WIRE_REAL_S = 0.01
# The van's computer needs real time to start; simulated time stands still meanwhile, but not for ever.
START_REAL_S = 20.0
DRAIN_REAL_S = 60.0
_TICK_REAL_S = 0.005
# Threads take turns this often: at 600 times real time Python's usual 5 ms are three seconds of the day.
SWITCH_REAL_S = 0.0005
# What an earlier day may have left in a folder that is kept; nothing else there is touched.
_LEFT_OVER = ("vehicle.db*", "dispatch.db*", "recording.jsonl", "agent.log")


class StartFailed(RoadtallyError):  # noqa: N818 - reads as what it says
    """A part did not come up, or ended by itself."""


class DemoDay:
    """Everything the demo runs. `start` it, `live_through` the day, `stop` it; `stop` may be called at any time.

    Programs are started within `held()`, in which nothing interrupts: each is known before anything else happens.
    """

    def __init__(
        self,
        *,
        folder: Path,
        seed: int,
        speed: float,
        port: int,
        story: Story,
        held: Callable[[], contextlib.AbstractContextManager[None]] = contextlib.nullcontext,
    ) -> None:
        self.folder, self.speed, self.port, self.story = folder, speed, port, story
        self.seed, self._held = seed, held
        geojson = json.loads(_sites_file().read_text(encoding="utf-8"))
        self.day: Day = make_day(seed, sites=geojson)
        self.sites: dict[str, Site] = {
            site.id: site for site in parse_sites({"region": json.dumps(self.day.sites_geojson)})
        }
        self.radio = Radio(self.day, np.random.default_rng(seed + 1000))
        self.agent: subprocess.Popen[bytes] | None = None
        self.broker: RunningBroker | None = None
        self.relay: LinkRelay | None = None
        self.master: ClockMaster | None = None
        self.clock: SharedClock | None = None
        self._own_clocks: list[SharedClock] = []
        self.reader: SimulatedReader | None = None
        self.gps: DemoGps | None = None
        self.dispatch: Dispatch | None = None
        self._agent_log: IO[bytes] | None = None

    @property
    def address(self) -> str:
        """Where the page is."""
        return self.dispatch.address if self.dispatch is not None else ""

    @property
    def parts(self) -> str:
        """What stands in for what, in words."""
        assert self.broker is not None  # noqa: S101 - asked after start()
        assert self.gps is not None  # noqa: S101
        return f"broker: {self.broker.name}; receiver: {self.gps.name}; reader: simulated, LLRP over TCP"

    def start(self) -> None:
        """Start everything but the van's own computer, which the day switches on and off."""
        logging.getLogger("agent").setLevel(logging.ERROR)  # what happens is told by the story
        sys.setswitchinterval(SWITCH_REAL_S)
        for name in _LEFT_OVER:
            for path in self.folder.glob(name):
                path.unlink()
        self.master = ClockMaster(
            self.folder / "clock", start_utc=self.day.start_utc_s, speed=self.speed, max_lag_s=MAX_LAG_S
        )
        self.master.pause()
        self.clock = SharedClock(self.folder / "clock", boot_at_s=0.0)
        with self._held():
            self.broker = start_broker(port=free_port())
        self.relay = LinkRelay(listen_port=free_port(), target_port=self.broker.port).start()
        self.reader = SimulatedReader(self.radio, self._own_clock(), catch_up_s=WIRE_REAL_S * self.speed).start()
        with self._held():
            self.gps = DemoGps(self.day, self._own_clock(), speed=self.speed)
        self._write_files()
        self.dispatch = self._serve()
        self.dispatch.start()
        self.story.listen(self.broker.port, self)
        self.master.start()

    def _own_clock(self) -> SharedClock:
        """A clock for a part that the day must not leave behind."""
        clock = SharedClock(self.folder / "clock", boot_at_s=0.0)
        self._own_clocks.append(clock)
        return clock

    def _write_files(self) -> None:
        assert self.reader is not None  # noqa: S101 - start() made them
        assert self.gps is not None  # noqa: S101
        assert self.relay is not None  # noqa: S101
        (self.folder / "geofences").mkdir(exist_ok=True)
        (self.folder / "geofences" / "region.geojson").write_text(json.dumps(self.day.sites_geojson), encoding="utf-8")
        (self.folder / "register.csv").write_text(self.day.register_csv, encoding="utf-8")
        (self.folder / "plan.csv").write_text(self.day.plan_csv, encoding="utf-8")
        (self.folder / "truth.json").write_text(json.dumps(self.day.truth, indent=1), encoding="utf-8")
        (self.folder / "vehicle.toml").write_text(
            f"{self.day.vehicle_toml}\n"
            f'[reader]\nhost = "127.0.0.1"\nport = {self.reader.port}\nsimulated = true\npower_dbm = 27.0\n\n'
            f'[gps]\nhost = "127.0.0.1"\nport = {self.gps.port}\n\n'
            f'[mqtt]\nhost = "127.0.0.1"\nport = {self.relay.port}\n',
            encoding="utf-8",
        )

    def _serve(self) -> Dispatch:
        assert self.broker is not None  # noqa: S101 - start() made it
        config = self.folder / "dispatch.toml"
        first = self.port
        while True:
            config.write_text(
                f'[dispatch]\nport = {self.port}\ndatabase = "dispatch.db"\ntimezone = "Atlantic/Azores"\n\n'
                f'[mqtt]\nhost = "127.0.0.1"\nport = {self.broker.port}\n\n'
                '[sites]\ndir = "geofences"\n\n[register]\nfile = "register.csv"\n\n[plan]\nfile = "plan.csv"\n',
                encoding="utf-8",
            )
            if _is_free(self.port):
                return Dispatch(load(config), clock=self.clock)
            if self.port >= first + 50:
                raise StartFailed(f"ports {first} to {self.port} are all taken; choose another with --port")
            self.story.note(f"Port {self.port} is in use; trying the next one.")
            self.port += 1

    def live_through(self) -> None:
        """The day from its first second to its last, then the backlog."""
        assert self.clock is not None  # noqa: S101 - start() made it
        inputs = list(self.day.inputs)
        boots = list(self.day.boots)
        covered = True
        while True:
            now = self.clock.now()
            self.story.progress(now, self.day.duration_s)
            if self.agent is None and boots and now >= boots[0][0]:
                self._power_on()
            if self.agent is not None and boots and now >= boots[0][1]:
                boots.pop(0)
                if not boots:
                    break
                self._power_cut(now)
            while inputs and now >= inputs[0][0]:
                _, port, on = inputs.pop(0)
                self._set_input(port, on=on)
            if self.day.coverage(now) != covered:
                covered = not covered
                self._cover(now, covered=covered)
            if now >= self.day.duration_s + 120.0:
                break
            self._look_after_agent()
            time.sleep(_TICK_REAL_S)
        self._cover(self.clock.now(), covered=True, quietly=covered)
        self._end_of_day()

    def _set_input(self, port: int, *, on: bool) -> None:
        assert self.reader is not None  # noqa: S101 - start() made it
        self.reader.set_input(port, on)

    def _cover(self, now: float, *, covered: bool, quietly: bool = False) -> None:
        assert self.relay is not None  # noqa: S101 - start() made it
        if covered:
            self.relay.mend()
        else:
            self.relay.cut()
        if not quietly:
            self.story.world(now, "back in coverage" if covered else "out of coverage: a dead zone begins")

    def _power_on(self) -> None:
        """The van's computer starts; simulated time waits until it hears reader and receiver."""
        assert self.master is not None  # noqa: S101 - start() made them
        assert self.reader is not None  # noqa: S101
        assert self.gps is not None  # noqa: S101
        assert self.clock is not None  # noqa: S101
        self.master.pause()
        self.reader.power_on()
        self.gps.power_on()
        self._agent_log = (self.folder / "agent.log").open("ab")
        command = [sys.executable, "-m", "agent", "run", "--config", "vehicle.toml", "--sites", "geofences"]
        command += ["--register", "register.csv", "--plan", "plan.csv", "--store", "vehicle.db", "--clock", "clock"]
        command += ["--record", "recording.jsonl"]
        package = str(Path(__file__).resolve().parents[1])
        paths = os.environ.get("PYTHONPATH")
        with self._held():
            self.agent = subprocess.Popen(  # noqa: S603 - our own program
                command,
                cwd=self.folder,
                stdin=subprocess.DEVNULL,
                stdout=self._agent_log,
                stderr=self._agent_log,
                start_new_session=True,  # Ctrl-C reaches this program alone, which then ends the others in order
                env={**os.environ, "PYTHONPATH": f"{package}{os.pathsep}{paths}" if paths else package},
            )
        deadline = time.monotonic() + START_REAL_S
        while not (self.reader.is_connected and self.gps.is_watched):
            self._look_after_agent()
            if time.monotonic() > deadline:
                raise StartFailed(f"the agent did not reach reader and receiver within {START_REAL_S:.0f} s")
            time.sleep(_TICK_REAL_S)
        self.story.world(self.clock.now(), "the van's computer is up")
        self.master.resume()

    def _power_cut(self, now: float) -> None:
        assert self.reader is not None  # noqa: S101 - start() made them
        assert self.gps is not None  # noqa: S101
        self._kill_agent(signal.SIGKILL)
        self.reader.power_off()
        self.gps.power_off()
        self.story.world(now, "power is gone: the van's computer, reader and receiver are off")

    def _kill_agent(self, how: signal.Signals) -> None:
        if self.agent is not None:
            self.agent.send_signal(how)
            try:
                self.agent.wait(timeout=10.0)
            except subprocess.TimeoutExpired:
                self.agent.kill()
                self.agent.wait()
            self.agent = None
        if self._agent_log is not None:
            self._agent_log.close()
            self._agent_log = None

    def _look_after_agent(self) -> None:
        if self.agent is not None and self.agent.poll() is not None:
            text = (self.folder / "agent.log").read_text(encoding="utf-8", errors="replace")
            raise StartFailed(f"the agent ended by itself with {self.agent.returncode}; its log ends:\n{text[-3000:]}")

    def _end_of_day(self) -> None:
        """Let the last records arrive, then shut the van's computer down in order."""
        assert self.dispatch is not None  # noqa: S101 - start() made it
        self.story.note("The day is over; waiting for the last records.")
        deadline = time.monotonic() + DRAIN_REAL_S
        while self.agent is not None and time.monotonic() < deadline and self.backlog() > 0:
            self._look_after_agent()
            time.sleep(0.05)
        self._kill_agent(signal.SIGTERM)

    def backlog(self) -> int:
        """Records in the vehicle's outbox that no ack has covered, read beside the running agent."""
        from agent.store_outbox import OutboxReader  # noqa: PLC0415 - only here

        with OutboxReader(self.folder / "vehicle.db") as reader:
            return len(reader.page(after=0, limit=50).rows)

    def stop(self) -> None:
        """End everything that was started, in the order that leaves nothing behind."""
        self._kill_agent(signal.SIGKILL)
        self.story.deafen()
        if self.master is not None:
            self.master.resume()
        for part in (self.reader, self.gps):
            if part is not None:
                part.stop()
        if self.dispatch is not None:
            self.dispatch.close()
        if self.relay is not None:
            self.relay.close()
        if self.broker is not None:
            self.broker.stop()
        if self.master is not None:
            self.master.close()
        for clock in (*self._own_clocks, self.clock):
            if clock is not None:
                clock.close()


def _sites_file() -> Path:
    here = Path(__file__).resolve().parent
    for folder in (here / "data" / "geofences", here.parent / "geofences"):
        if (folder / "region.geojson").is_file():
            return folder / "region.geojson"
    raise StartFailed("the demo's sites (geofences/region.geojson) are missing from this installation")


def _is_free(port: int) -> bool:
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind(("127.0.0.1", port))
        except OSError:
            return False
        return True
