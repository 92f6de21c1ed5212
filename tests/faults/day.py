"""The hand-made day lived through by a running agent on real sockets, with faults injected at given seconds.

Agent, reader, receiver and store are the ones that a van runs; only the clock is a simulated day's, which goes as fast
as the slowest of them. Nothing waits for real time but what waits for a peer.
"""

from __future__ import annotations

import faulthandler
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import msgspec
from msgspec import Struct

import agent.reader
import agent.receiver
from agent.clock import ClockMaster, SharedClock
from agent.gps import Unusable, parse_tpv
from agent.llrp.rounds import OFF, ReadingPlan, Tally
from agent.pipeline import finish
from agent.reader import Reader
from agent.receiver import Receiver
from agent.records import Fix, Input, Inventory, PortInput, ReaderState
from agent.setup import read_in_use
from agent.state import State
from agent.store import Store
from agent.timeline import RULES, TimeRules
from agent.vehicle_agent import VehicleAgent
from tests import tinyday
from tests.faults.scripted import ScriptedGpsd, ScriptedReader

SPEED = 1000.0
LAG_S = 1.25  # nobody falls further behind, so that a second of the day means something; gpsd speaks once in one
PATIENCE_REAL_S = 45.0  # for the day to move on at all
LOOK_AT_DAY_REAL_S = 1.0
OFFSET_S = 12.0  # what the computer's boot clock shows when the day begins
# On a scaled clock a peer gets a second of real time more, for the peers of a demo are slow. Here the clock waits for
# them, and a real second is most of the day.
GRACE_REAL_S = 0.0
LOOK_REAL_S = 0.002
SWITCH_REAL_S = 0.0005
RULES_HERE = TimeRules(agree_s=RULES.agree_s + LAG_S)


class Due(Struct, frozen=True):
    """Something that happens to the van at a second of the day."""

    at_s: float
    what: Callable[[Van], None]


class Lived(Struct):
    """What a day left: everything that the agent took, in order, and all that it says of it."""

    heard: list[Input]
    handed_on: int
    bodies: list[tuple[str, dict[str, Any]]]
    tally: Tally
    lines: agent.receiver.Counts
    tags_sent: int
    malformed: int
    injected: int
    greeted: frozenset[int]
    heard_in: int
    state: State
    failure: str | None
    real_s: float

    def manifests(self) -> dict[str, dict[str, Any]]:
        """Each manifest's highest revision that was not withdrawn."""
        latest = {body["manifest"]: body for kind, body in self.bodies if kind == "manifest"}
        return {name: body for name, body in latest.items() if not body.get("withdrawn")}

    def standing(self) -> list[dict[str, Any]]:
        """The events that were not taken back."""
        events = [body for kind, body in self.bodies if kind == "event"]
        void = {event["eventID"] for event in events if "errorDeclaration" in event}
        return [event for event in events if event["eventID"] not in void]

    def notices(self) -> list[str]:
        """What was told beside, by code."""
        return [body["notice"] for kind, body in self.bodies if kind == "notice"]

    def went_down(self) -> bool:
        """Whether the agent lost its reader."""
        return "reader-down" in self.notices()

    def has_fix(self, is_it: Callable[[dict[str, Any]], bool]) -> bool:
        """Whether the agent took such a TPV."""
        return any(isinstance(item, Fix) and is_it(item.tpv) for item in self.heard)

    def reading_from(self, t_s: float) -> float | None:
        """When the first whole round that began after `t_s` was told, with the reader still up from there on."""
        up = True
        for item in self.heard:
            if isinstance(item, ReaderState) and item.state in {"up", "down"}:
                up = item.state == "up"
            if isinstance(item, Inventory) and up and item.mono - item.seconds >= t_s + OFFSET_S - LAG_S:
                return item.mono - OFFSET_S
        return None

    def fixes_from(self, t_s: float) -> float | None:
        """When the first usable fix after `t_s` came that tells the right time."""
        for item in self.heard:
            if isinstance(item, Fix) and item.mono >= t_s + OFFSET_S:
                fix = parse_tpv(item.tpv, item.mono)
                if not isinstance(fix, Unusable) and abs(fix.utc_s - true_utc_s(item.mono)) < RULES_HERE.agree_s:
                    return item.mono - OFFSET_S
        return None

    def antennas_from(self, t_s: float) -> float | None:
        """When the first round on both antennas that began after `t_s` was told."""
        for item in self.heard:
            if isinstance(item, Inventory) and item.antennas == (1, 2) and item.mono - item.seconds >= t_s + OFFSET_S:
                return item.mono - OFFSET_S
        return None


def true_utc_s(mono: float) -> float:
    """What time it is when the computer's boot clock shows this."""
    return tinyday.START_UTC_S + mono - OFFSET_S


class DayClock(SharedClock):
    """A clock of the day that remembers how far its user said it was, and whose wall clock may be set to anything."""

    jumps = 0
    done_s = 0.0

    def consumed(self, mono_s: float) -> None:
        """As for any shared clock."""
        self.done_s = mono_s
        super().consumed(mono_s)

    def jump(self, utc_s: float) -> None:
        """Somebody, or a service, sets the wall clock."""
        self._wrong_utc = utc_s
        self.jumps += 1


class Van:
    """The van's surroundings and its computer. Faults take it as their argument."""

    def __init__(
        self,
        folder: Path,
        *,
        speed: float = SPEED,
        make_reader: type[Reader] = Reader,
        make_gpsd: Callable[..., Any] = ScriptedGpsd,
    ) -> None:
        self._clock_file = folder / "clock"
        self._make_reader = make_reader
        self.master = ClockMaster(self._clock_file, start_utc=tinyday.START_UTC_S, speed=speed, max_lag_s=LAG_S)
        self.master.pause()
        self._clocks: list[DayClock] = []
        self.clock = DayClock(self._clock_file, boot_at_s=0.0, offset_s=OFFSET_S, wrong_utc=OFFSET_S)
        self.reader = ScriptedReader(
            tinyday.Radio(most_dbm=27.0), self._day_clock(), catch_up_s=1.0, ack_limit=3
        ).start()
        self.gpsd = make_gpsd(lambda: DayClock(self._clock_file, boot_at_s=0.0), tinyday.tpv)
        tinyday.write_files(folder)
        self._folder = folder
        self.heard: list[Input] = []
        self.hands: dict[str, Any] = {}
        """What a fault holds until it ends."""
        self._failure: str | None = None
        self._handed_on = 0

    def _day_clock(self) -> DayClock:
        self._clocks.append(DayClock(self._clock_file, boot_at_s=0.0))
        return self._clocks[-1]

    def live(self, script: Sequence[Due] = (), *, until_s: float = tinyday.DURATION_S) -> Lived:
        """The whole day with what happens in it; everything is ended afterwards."""
        began = time.monotonic()
        stop = threading.Event()
        due = [Due(at_s, _port(port, on=on)) for at_s, port, on in tinyday.port_changes()]
        due = sorted((*due, *script), key=lambda one: one.at_s)
        stage = threading.Thread(target=self._stage, args=(due, until_s, stop, self._day_clock()), daemon=True)
        watched = threading.Event()
        watch = threading.Thread(target=self._watch, args=(watched, stop), name="patience", daemon=True)
        watch.start()
        _, in_use = read_in_use(
            config=self._folder / "vehicle.toml",
            sites=self._folder / "geofences",
            register=self._folder / "register.csv",
            plan=None,
        )
        with _hurried(), Store.open(self._folder / "vehicle.db", seal=None) as store:
            reader: Reader | None = None

            def set_plan(plan: ReadingPlan) -> None:
                if reader is not None:
                    reader.set_plan(plan)

            runs = VehicleAgent(
                in_use=in_use,
                store=store,
                clock=self.clock,
                program="bench",
                set_plan=set_plan,
                record=self.heard.append,
                rules=RULES_HERE,
                polled=lambda: reader.polled_at if reader is not None else self.clock.mono(),
            )
            receiver = Receiver("127.0.0.1", self.gpsd.port, clock=self.clock, put=runs.put)
            runs.watch_gpsd(lambda: receiver.gpsd)
            receiver.start()

            def put(item: Inventory | PortInput | ReaderState) -> None:
                self._handed_on += len(item.reads) if isinstance(item, Inventory) else 0
                runs.put(item)

            reader = self._make_reader(
                "127.0.0.1", self.reader.port, self.clock,
                put=put, plan=OFF, power_dbm=27.0, transmit_allowed=True,
            ).start()  # fmt: skip
            self.master.start(tick_s=0.0005)
            self.master.resume()
            stage.start()
            try:
                runs.run(stop)
            except Exception as error:  # noqa: BLE001 - whatever ends the agent is what the bench is looking for
                self._failure = f"the agent ended: {error!r}"
                stop.set()
            for thread in ("receiver", "reader"):
                if self._failure is None and not any(t.name == thread for t in threading.enumerate()):
                    self._failure = f"the thread {thread!r} ended"
            reader.stop()
            receiver.stop()
            _, last = finish(runs.setup, runs.state)
            rows = store.unacked(limit=100_000)
        watched.set()
        watch.join()
        stage.join()
        if self._failure is None and self.gpsd.waited_in_vain:
            self._failure = f"gpsd said nothing of {self.gpsd.waited_in_vain} seconds that its receiver told"
        self._close()
        bodies = [(row.kind, msgspec.json.decode(row.body)) for row in rows] + [(r.kind, r.body) for r in last]
        return Lived(
            heard=self.heard,
            handed_on=self._handed_on,
            bodies=bodies,
            tally=reader.tally,
            lines=receiver.counts,
            tags_sent=self.reader.tags_sent,
            malformed=reader.malformed,
            injected=self.reader.injected + self.clock.jumps,
            greeted=frozenset(self.reader.greeted),
            heard_in=self.reader.heard_in,
            state=runs.state,
            failure=self._failure,
            real_s=time.monotonic() - began,
        )

    def _stage(self, due: list[Due], until_s: float, stop: threading.Event, clock: SharedClock) -> None:
        try:
            second = 0.0
            while second <= until_s and not clock.sleep_until(second, stop=stop):
                while due and due[0].at_s <= second:
                    due.pop(0).what(self)
                clock.consumed(second)
                second += 0.5
        except Exception as error:  # noqa: BLE001 - said in the verdict
            self._failure = f"the bench itself failed: {error!r}"
        finally:
            stop.set()

    def _watch(self, watched: threading.Event, stop: threading.Event) -> None:
        """Give the day up when its clock has stood still for long; a busy machine only makes it slow."""
        at_s, since_real = self.clock.now(), time.monotonic()
        while not watched.wait(LOOK_AT_DAY_REAL_S):
            if self.clock.now() != at_s:
                at_s, since_real = self.clock.now(), time.monotonic()
            elif time.monotonic() - since_real > PATIENCE_REAL_S:
                self._lose_patience(stop)
                return

    def _lose_patience(self, stop: threading.Event) -> None:
        waits_for = {name: round(clock.done_s, 2) for name, clock in self._told().items()}
        self._failure = f"the day stood still at {self.clock.now():.2f} s; who has got how far: {waits_for}"
        faulthandler.dump_traceback(all_threads=True)
        stop.set()

    def _told(self) -> dict[str, DayClock]:
        names = ("reader", "stage", "gpsd")
        return {"agent": self.clock} | dict(zip(names, (*self._clocks, self.gpsd.clock), strict=False))

    def _close(self) -> None:
        self.gpsd.stop()
        for thing in self.hands.values():
            thing.leave()
        self.reader.stop()
        self.master.close()
        for clock in (*self._clocks, self.clock):
            clock.close()


def _port(port: int, *, on: bool) -> Callable[[Van], None]:
    return lambda van: van.reader.set_input(port, on)


@contextmanager
def _hurried() -> Iterator[None]:
    """The real seconds that are given to slow peers, made short: here the clock waits for everybody."""
    places = [
        (agent.reader, "GRACE_REAL_S", GRACE_REAL_S),
        (agent.receiver, "_GRACE_REAL_S", GRACE_REAL_S),
        (agent.receiver, "_LOOK_REAL_S", LOOK_REAL_S),
    ]
    before = [(module, name, getattr(module, name)) for module, name, _ in places]
    switch_s = sys.getswitchinterval()
    sys.setswitchinterval(SWITCH_REAL_S)
    for module, name, value in places:
        setattr(module, name, value)
    try:
        yield
    finally:
        sys.setswitchinterval(switch_s)
        for module, name, value in before:
            setattr(module, name, value)
