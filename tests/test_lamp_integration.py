"""A lamp on the simulated reader, and a door that is heard while nothing transmits, over real TCP on this machine."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator

import pytest

from agent.clock import SystemClock
from agent.llrp.outputs import DARK, ON, Rhythm
from agent.llrp.rounds import OFF, PARKED, ReadingPlan
from agent.reader import Reader
from agent.records import Inventory, PortInput, ReaderState
from agent.simreader import SimulatedReader
from tests.llrp.tcp import Collected, FastClock, Room, until

pytestmark = pytest.mark.integration


class Van:
    """A simulated reader and its client."""

    def __init__(self, plan: ReadingPlan) -> None:
        self.clock, self.got = FastClock(10.0), Collected()
        self.simulated = SimulatedReader(Room(), self.clock).start()
        self.reader = Reader(
            "127.0.0.1",
            self.simulated.port,
            self.clock,
            put=self.got.put,
            power_dbm=27.0,
            transmit_allowed=True,
            plan=plan,
        ).start()

    def up(self) -> None:
        """Wait until it is set up."""
        self.got.wait(lambda: self.got.of(ReaderState, state="up"), "up")

    def flashes(self, count: int) -> list[float]:
        """When the lamp was seen to go on, by the van's clock, so many times."""
        seen: list[float] = []
        was = True

        def enough() -> bool:
            nonlocal was
            on = self.simulated.outputs[1]
            if on and not was:
                seen.append(self.clock.mono())
            was = on
            return len(seen) >= count

        until(enough, f"{count} flashes")
        return seen


@pytest.fixture
def asleep() -> Iterator[Van]:
    """A van whose reader is not to transmit."""
    van = Van(OFF)
    yield van
    van.reader.stop()
    van.simulated.stop()


@pytest.fixture
def parked() -> Iterator[Van]:
    """One that reads back to back."""
    van = Van(PARKED)
    yield van
    van.reader.stop()
    van.simulated.stop()


def test_a_lamp_blinks_while_the_reader_reads(parked: Van) -> None:
    """Slower than three flashes a second, round after round with no read lost, then steadily off."""
    parked.up()
    parked.reader.set_output(1, Rhythm(0.5, 0.5))
    seen = parked.flashes(6)
    assert (seen[-1] - seen[0]) / 5 == pytest.approx(1.0, abs=0.35)
    parked.got.wait(lambda: len(parked.got.of(Inventory)) >= 3, "three rounds")
    assert all(len(round_.reads) == 6 for round_ in parked.got.of(Inventory))
    parked.reader.set_output(1, DARK)
    until(lambda: not parked.simulated.outputs[1], "dark")


def test_the_lamp_is_off_when_the_agent_takes_leave(asleep: Van) -> None:
    """A steady lamp goes out before the connection is closed."""
    asleep.up()
    asleep.reader.set_output(1, ON)
    until(lambda: asleep.simulated.outputs[1], "lit")
    asleep.reader.stop()
    assert asleep.simulated.outputs[1] is False


def test_after_a_power_cut_the_lamp_is_lit_again(asleep: Van) -> None:
    """The reader starts with its outputs off, and is told again as soon as it is up."""
    asleep.up()
    asleep.reader.set_output(1, ON)
    until(lambda: asleep.simulated.outputs[1], "lit")
    asleep.simulated.power_off()
    assert asleep.simulated.outputs[1] is False
    asleep.simulated.power_on()
    until(lambda: asleep.simulated.outputs[1], "lit again")


def test_a_door_is_heard_while_nothing_transmits(asleep: Van) -> None:
    """Asleep, the connection stays: the door's input comes through without a round having been started."""
    asleep.up()
    on = True
    asleep.simulated.set_input(1, on)
    asleep.got.wait(lambda: asleep.got.of(PortInput, port=1, on=True), "the door")
    assert asleep.simulated.rounds == 0
    assert not asleep.simulated.is_transmitting
    asleep.reader.set_plan(PARKED)
    asleep.got.wait(lambda: asleep.got.of(Inventory), "a round")


KILLED = """
import sys, threading
from agent.clock import SystemClock
from agent.llrp.outputs import ON
from agent.llrp.rounds import OFF
from agent.reader import Reader
reader = Reader("127.0.0.1", int(sys.argv[1]), SystemClock(), put=id, power_dbm=27.0, transmit_allowed=True, plan=OFF)
reader.start().set_output(1, ON)
threading.Event().wait(60.0)
"""


def test_a_lamp_that_a_killed_agent_left_lit_is_dark_as_soon_as_the_next_one_is_connected() -> None:
    """After a kill -9 nobody is there to darken it, and the reader keeps it lit; the next agent sets it dark."""
    simulated = SimulatedReader(Room(), SystemClock()).start()
    first = subprocess.Popen([sys.executable, "-c", KILLED, str(simulated.port)])
    try:
        until(lambda: simulated.outputs[1], "lit")
    finally:
        first.kill()
        first.wait(10.0)
    got = Collected()
    reader = Reader(
        "127.0.0.1", simulated.port, SystemClock(), put=got.put, power_dbm=27.0, transmit_allowed=True, plan=OFF
    )
    try:
        assert simulated.outputs[1]
        reader.set_output(1, DARK)
        reader.start()
        until(lambda: not simulated.outputs[1], "dark")
        assert simulated.rounds == 0
    finally:
        reader.stop()
        simulated.stop()
