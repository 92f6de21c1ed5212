"""The reading plan as data: how the reader is used in each of the situations that a van comes into; floor 1.

    parked        at a stop, where things are handled: near-continuous
    parked_quiet  a long stay in which nothing was handled: slower, to spare the battery
    sweep         after every departure: back to back, for what is heard then is aboard
    moving        afterwards: a burst now and then
    asleep        the battery guard (`agent.battery`): silent until a door or the ignition wakes it
    off           radio must be off: silent

Which of them fits is decided in `agent.reading`; the vehicle file's `[reading]` can give others for the first four. The
last two are silence and can't be anything else. `duty` says what a plan costs: the share of time in which the reader
transmits, by the plan alone; a real reader's pauses between rounds take a little off. `most_duty` is what counts where
a limit is an average over some time: a long burst fills it, however long the pause afterwards.
"""

from __future__ import annotations

from typing import Literal

from msgspec import Struct, field
from msgspec.structs import replace

from agent.llrp.rounds import MOVING, OFF, PARKED, SWEEP, ReadingPlan

PlanName = Literal["parked", "parked_quiet", "sweep", "moving", "asleep", "off"]
PLAN_NAMES: tuple[PlanName, ...] = ("parked", "parked_quiet", "sweep", "moving", "asleep", "off")
# Those that the vehicle file may give.
GIVEN: tuple[PlanName, ...] = ("parked", "parked_quiet", "sweep", "moving")

# Two rounds every half a minute: what is taken out of a parked van is still dated to the half minute. Judgement.
PARKED_QUIET = ReadingPlan(burst_rounds=2, pause_s=26.0)


class ReadingSettings(Struct, frozen=True):
    """`[reading]` of the vehicle file: the plans by name, and when each is followed."""

    parked: ReadingPlan = PARKED
    parked_quiet: ReadingPlan = PARKED_QUIET
    sweep: ReadingPlan = SWEEP
    moving: ReadingPlan = MOVING
    sweep_s: float = 120.0  # design.md, "Reader"
    quiet_after_min: float = 60.0  # Judgement: few deliveries take an hour without a door or the ignition touched
    asleep_after_h: float | None = 8.0  # Judgement: a night; None never
    awake_min: float = 60.0  # Judgement: an hour of reader and computer takes some 2 Ah of a 12 V battery

    def plan(self, name: PlanName) -> ReadingPlan:
        """The plan by this name."""
        if name in {"asleep", "off"}:
            return OFF
        found: ReadingPlan = getattr(self, name)
        return found


class Cost(Struct, frozen=True):
    """One plan and what it costs; `when` is its situation in words."""

    name: PlanName
    when: str
    rounds: int | None  # a burst's; None: without end
    round_s: float
    pause_s: float
    duty: float = field(default=0.0)

    @property
    def words(self) -> str:
        """Name, duty and situation; a duty that is not nothing is never told as nothing."""
        share = "under 1%" if 0.0 < self.duty < 0.01 else f"{self.duty:.0%}"  # noqa: PLR2004 - a percent
        return f"{self.name.replace('_', ' ')} {share}, {self.when}"


def duty(plan: ReadingPlan) -> float:
    """The share of time in which the carrier is on, 0 to 1."""
    if plan.burst_rounds == 0:
        return 0.0
    if plan.burst_rounds is None:
        return plan.round_s / (plan.round_s + plan.gap_s)
    on_s = plan.burst_rounds * plan.round_s
    return on_s / (on_s + (plan.burst_rounds - 1) * plan.gap_s + plan.pause_s)


def most_duty(plan: ReadingPlan, within_s: float) -> float:
    """The largest share of any `within_s` seconds of this plan in which the carrier is on, 0 to 1."""
    if plan.burst_rounds == 0:
        return 0.0
    if plan.burst_rounds is None:
        plan = replace(plan, burst_rounds=1, pause_s=plan.gap_s)
    # No window has more than the best of those that begin with a round.
    starts_s = (number * (plan.round_s + plan.gap_s) for number in range(plan.burst_rounds or 1))
    return max(_on_s(plan, start_s + within_s) - _on_s(plan, start_s) for start_s in starts_s) / within_s


def _on_s(plan: ReadingPlan, until_s: float) -> float:
    """For how long the carrier was on since the plan began with a burst."""
    rounds, step_s = plan.burst_rounds or 0, plan.round_s + plan.gap_s
    bursts, rest_s = divmod(until_s, rounds * plan.round_s + (rounds - 1) * plan.gap_s + plan.pause_s)
    whole = min(int(rest_s // step_s), rounds)
    part_s = min(rest_s - whole * step_s, plan.round_s) if whole < rounds else 0.0
    return (bursts * rounds + whole) * plan.round_s + part_s


def costs(settings: ReadingSettings) -> tuple[Cost, ...]:
    """Every plan in the order of `PLAN_NAMES`, with its duty."""
    asleep = "never"
    if settings.asleep_after_h is not None:
        asleep = f"{settings.asleep_after_h:g} h after the ignition went off"
    when = {
        "parked": "standing",
        "parked_quiet": f"standing, nothing handled for {settings.quiet_after_min:g} min",
        "sweep": f"the first {settings.sweep_s:g} s of a leg",
        "moving": "the rest of a leg",
        "asleep": f"{asleep}, or at low voltage where that is wired",
        "off": "where radio must be off",
    }
    plans = ((name, settings.plan(name)) for name in PLAN_NAMES)
    return tuple(
        Cost(name, when[name], plan.burst_rounds, plan.round_s, plan.pause_s, duty(plan)) for name, plan in plans
    )
