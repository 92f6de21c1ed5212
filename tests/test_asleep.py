"""A van that sleeps through the night: what is said of it, and that nothing of it is taken for an unloading."""

from __future__ import annotations

import pytest

from agent.pipeline import finish, step
from agent.reading import choose_plan, name_plan
from agent.records import Input, Inventory, Record
from agent.snapshot import aboard
from agent.state import Setup, State
from agent.units import parse_utc
from tests.days import UTC_S, VEHICLE, Scene, Told, setup_of

# An hour instead of eight spares the test's time, not its meaning.
SHORT = "[reading]\nasleep_after_h = 1\nawake_min = 15\nquiet_after_min = 20\n"
SETUP = setup_of(VEHICLE.replace("ignition = 2", "ignition = 2\nlow_voltage = 3") + SHORT)


class Lived:
    """A scene as the agent lives it: no round is heard while the plan that it chose is silent."""

    def __init__(self, scene: Scene, setup: Setup = SETUP) -> None:
        self.setup, self.state = setup, State()
        self.records: list[Record] = []
        self.plans: list[str] = []
        self.rounds = 0
        self.take(scene.inputs)

    def take(self, inputs: list[Input]) -> None:
        """Live through these."""
        for item in inputs:
            if isinstance(item, Inventory):
                if self.plans and choose_plan(self.setup, self.state, now_s=self.state.axis.last_s).burst_rounds == 0:
                    continue
                self.rounds += 1
            self.state, said = step(self.setup, self.state, item)
            self.records += said
            plan = name_plan(self.setup, self.state, now_s=self.state.axis.last_s)
            if not self.plans or self.plans[-1] != plan:
                self.plans.append(plan)

    def told(self) -> Told:
        """All that was said, to the end of the record."""
        state, said = finish(self.setup, self.state)
        return Told(self.setup, [*self.records, *said], state)

    def notices(self) -> list[str]:
        """What was noticed, by name."""
        return [record.body["notice"] for record in self.records if record.kind == "notice"]


def evening() -> Scene:
    """Two cases are aboard, driven to the hall and parked there with the ignition off."""
    scene = Scene(seed=5).port(2, on=True).doors(on=False).hear("case-1", "case-2").stay(300).drive("hall").stay(20)
    return scene.port(2, on=False)


def test_time_asleep_is_never_an_unloading() -> None:
    """Three silent hours: both cases are still aboard in the morning, and no move is stated."""
    night = evening().stay(4 * 3600)
    lived = Lived(night)
    assert lived.plans[-1] == "asleep"
    rounds_at_night = lived.rounds
    assert rounds_at_night < sum(isinstance(item, Inventory) for item in night.inputs) / 3
    assert [kind for kind, _, _ in lived.told().moves() if kind == "unload"] == []
    done = len(night.inputs)
    night.port(2, on=True).stay(60).drive("studio").stay(200)
    lived.take(night.inputs[done:])
    told = lived.told()
    assert lived.rounds > rounds_at_night
    assert [move for move in told.moves() if move[0] == "unload"] == []
    assert told.items()[-1] == {"case-1", "case-2"}
    assert [notice for notice in lived.notices() if notice in {"asleep", "awake"}] == ["asleep", "awake"]


def test_what_left_while_it_slept_is_missed_in_the_sweep_alone() -> None:
    """One of two cases is gone in the morning: no move is stated while it sleeps, and the next leg knows better."""
    night = evening().stay(3600).lose("case-2").stay(2 * 3600)
    lived = Lived(night)
    assert [move for move in lived.told().moves() if move[0] == "unload"] == []
    done = len(night.inputs)
    night.port(2, on=True).stay(30).drive("studio").stay(200)
    lived.take(night.inputs[done:])
    told = lived.told()
    assert [move for move in told.moves() if move[0] == "unload"] == [("unload", "case-2", "hall")]
    assert told.items()[-1] == {"case-1"}


def test_the_board_says_since_when_it_is_not_watched() -> None:
    """Asleep since an hour after the ignition went off: noticed, and shown as not read; nothing is certain."""
    scene = evening()
    off_s = scene.now_s
    lived = Lived(scene.stay(2 * 3600))
    shown = aboard(SETUP, lived.state, now_s=lived.state.axis.last_s)
    assert shown.not_read is not None
    assert "asleep" in shown.not_read.why
    assert shown.not_read.since is not None
    assert parse_utc(shown.not_read.since) == pytest.approx(UTC_S + off_s + 3600.0, abs=2.0)
    assert not shown.certain
    (notice,) = (record.body for record in lived.records if record.body.get("notice") == "asleep")
    assert notice["at"] == shown.not_read.since


def test_a_door_wakes_it_and_what_is_unloaded_then_is_seen() -> None:
    """In the middle of the night one case is taken out: dated to that quarter of an hour, then it sleeps again."""
    scene = evening().stay(2 * 3600)
    opened_s = scene.now_s
    scene.doors(on=True).stay(60).lose("case-2").stay(120).doors(on=False).stay(3600)
    scene.port(2, on=True).stay(30).drive("studio").stay(200)
    lived = Lived(scene)
    assert lived.plans == ["parked", "sweep", "moving", "parked", "parked_quiet", "asleep", "parked", "asleep",
                           "parked", "sweep", "moving", "parked"]  # fmt: skip
    told = lived.told()
    assert [move for move in told.moves() if move[0] == "unload"] == [("unload", "case-2", "hall")]
    (event,) = (e for e in told.standing if e["action"] == "DELETE")
    assert UTC_S + opened_s < parse_utc(event["eventTime"]) < UTC_S + opened_s + 900.0


def test_low_voltage_sends_it_to_sleep() -> None:
    """With the ignition off and the input on for a minute."""
    lived = Lived(evening().port(3, on=True).stay(120))
    assert lived.plans[-1] == "asleep"
    assert lived.state.battery.cause == "voltage"
    notice = next(record.body for record in lived.records if record.body.get("notice") == "asleep")
    assert "voltage is low" in notice["text"]


def test_a_long_quiet_stay_is_read_more_slowly_until_something_is_handled() -> None:
    """After twenty minutes without doors or ignition; near-continuous again from the door on, and while one is open."""
    scene = evening().stay(1300)
    assert Lived(scene).plans[-1] == "parked_quiet"
    lived = Lived(scene.doors(on=True).stay(1500))
    assert lived.plans[-1] == "parked"
