"""The plans by name: what each costs, which are given by the vehicle file, and what may not stand there."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from agent.errors import ConfigError
from agent.llrp.rounds import ReadingPlan, Timetable
from agent.readingplan import PARKED_QUIET, PLAN_NAMES, ReadingSettings, costs, duty, most_duty
from agent.vehicle import Vehicle, parse_vehicle

VAN = '[vehicle]\nid = "van-07"\nepc = "urn:epc:id:giai:9521141.70007"\n'


def parsed(reading: str) -> Vehicle:
    """A vehicle file with this `[reading]`."""
    return parse_vehicle(f"{VAN}[reading]\n{reading}\n", file="vehicle.toml")


def test_the_defaults_are_the_designs() -> None:
    """Near-continuous while parked, back to back for 120 s after a departure, then a burst every 20 s (design.md)."""
    plans = ReadingSettings()
    assert duty(plans.plan("parked")) == duty(plans.plan("sweep")) == 1.0
    assert plans.sweep_s == 120.0
    burst = plans.plan("moving")
    assert burst.burst_rounds is not None
    assert burst.burst_rounds * burst.round_s + burst.pause_s == 20.0
    assert duty(plans.plan("asleep")) == duty(plans.plan("off")) == 0.0


@pytest.mark.parametrize(
    "plan",
    [
        ReadingPlan(),
        ReadingPlan(gap_s=0.5),
        ReadingPlan(round_s=1.0, gap_s=0.5, burst_rounds=3, pause_s=7.0),
        ReadingPlan(burst_rounds=1, pause_s=6.0),
        PARKED_QUIET,
    ],
)
def test_the_duty_is_what_the_timetable_makes_of_it(plan: ReadingPlan) -> None:
    """Followed for a thousand rounds, the carrier is on for just that share of the time."""
    table, now, on_s = Timetable(plan), 0.0, 0.0
    table.adopt(plan, 0.0)
    for _ in range(1200):
        now = max(now, table.next_at) + plan.round_s
        on_s += plan.round_s
        table.round_ended(now)
    assert on_s / max(now, table.next_at) == pytest.approx(duty(plan), rel=1e-9)


@given(
    plan=st.builds(
        ReadingPlan,
        round_s=st.sampled_from([0.5, 2.0, 5.0]),
        gap_s=st.sampled_from([0.0, 0.5, 9.0]),
        burst_rounds=st.sampled_from([None, 1, 2, 5]),
        pause_s=st.sampled_from([0.0, 3.0, 26.0]),
    ),
    within_s=st.sampled_from([1.0, 7.5, 40.0, 63.0]),
)
@settings(max_examples=60, deadline=None)
def test_the_most_that_is_in_a_while(plan: ReadingPlan, within_s: float) -> None:
    """Followed by the timetable, no window of that length, begun at any quarter of a second, has more; one has it."""
    table, now = Timetable(plan), 0.0
    rounds: list[tuple[float, float]] = []
    table.adopt(plan, 0.0)
    while now < 300.0:
        begun = max(now, table.next_at)
        now = begun + plan.round_s
        rounds.append((begun, now))
        table.round_ended(now)
    shares = [
        sum(max(min(end, at + within_s) - max(begun, at), 0.0) for begun, end in rounds) / within_s
        for at in (quarter / 4.0 for quarter in range(700))
    ]
    assert max(shares) == pytest.approx(most_duty(plan, within_s), abs=1e-9)
    assert most_duty(plan, within_s) >= duty(plan) - 1e-9


def test_a_long_burst_fills_half_an_hour() -> None:
    """An hour on and an hour off is on the air half of the time, and in half an hour all of it; silence is none."""
    plan = ReadingPlan(round_s=30.0, burst_rounds=120, pause_s=3600.0)
    assert (duty(plan), most_duty(plan, 1800.0)) == (0.5, 1.0)
    assert most_duty(ReadingPlan(burst_rounds=0), 1800.0) == 0.0


def test_every_plan_is_told_with_its_cost() -> None:
    """For `roadtally check`: name, situation in words, duty; the slower plans cost less than a fifth."""
    told = {cost.name: cost for cost in costs(ReadingSettings())}
    assert tuple(told) == PLAN_NAMES
    assert told["moving"].duty == 0.2
    assert told["parked_quiet"].duty < 0.2
    assert "60 min" in told["parked_quiet"].when
    assert "8 h" in told["asleep"].when
    assert told["parked"].words == "parked 100%, standing"
    assert told["off"].words == "off 0%, where radio must be off"
    rare = ReadingSettings(parked_quiet=ReadingPlan(round_s=0.5, burst_rounds=1, pause_s=3600.0))
    assert costs(rare)[1].words == "parked quiet under 1%, standing, nothing handled for 60 min"


def test_the_file_gives_plans() -> None:
    """A table stands for the whole plan; what it leaves out is its default."""
    vehicle = parsed('moving = {rounds = 1, pause_s = 58}\nparked = {gap_s = 0.5}\nasleep_after_h = "never"')
    assert vehicle.reading.plan("moving") == ReadingPlan(burst_rounds=1, pause_s=58.0)
    assert vehicle.reading.plan("parked") == ReadingPlan(gap_s=0.5)
    assert vehicle.reading.plan("sweep") == ReadingPlan()
    assert vehicle.reading.asleep_after_h is None


@pytest.mark.parametrize(
    ("reading", "said"),
    [
        ("asleep = {rounds = 1}", "[reading] asleep: unknown key"),
        ("moving = 3", "[reading] moving (got 3); give a table such as"),
        ("moving = {rounds = 0}", "[reading.moving] rounds (got 0); give rounds in a burst"),
        ("moving = {pasue_s = 3}", "[reading.moving] pasue_s: unknown key; write pause_s if that is meant"),
        ("moving = {pause_s = 3}", "a pause that never comes"),
        ("sweep_s = 5", "[reading] sweep_s (got 5); give seconds, 30 to 1800"),
        ('asleep_after_h = "no"', "[reading] asleep_after_h (got 'no'); give hours, 0.25 to 240"),
    ],
)
def test_what_is_wrong_is_told(reading: str, said: str) -> None:
    """With where, what stands there, and what to do."""
    with pytest.raises(ConfigError) as caught:
        parsed(reading)
    (problem,) = caught.value.problems
    assert said in str(problem)


def test_inputs_each_have_a_port_of_their_own() -> None:
    """The voltage's too."""
    with pytest.raises(ConfigError, match="doors and low_voltage are the same port"):
        parse_vehicle(f"{VAN}[inputs]\ndoors = 1\nlow_voltage = 1\n", file="vehicle.toml")
