"""Sections of the vehicle file: `[store]`, `[reading]` and `[signal]`, their keys and records; floor 1.

`agent.vehicle` reads the file and puts these in it. A plan is a table of its own, so its keys are checked here.
"""

from __future__ import annotations

from typing import Any

from msgspec import Struct

from agent.keys import Key, Refused, check_section, real, text, whole
from agent.llrp.rounds import ReadingPlan
from agent.readingplan import GIVEN, ReadingSettings
from agent.records import Problem

MB = 1_000_000


class Signal(Struct, frozen=True):
    """A lamp or buzzer on a reader's output; None where there is none."""

    output: int | None = None


class StoreSettings(Struct, frozen=True):
    """The vehicle's own database. Custody records are never dropped; raw reads go by size, and age (`[privacy]`).

    200 MB hold a week of a hundred tags on two antennas that are read all the time. The reserve is room for weeks of
    custody records. Judgement.
    """

    path: str = "/var/lib/roadtally/vehicle.db"
    most_reads_mb: int = 200
    reserve_mb: int = 8


def _table(value: object) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise Refused
    return value


def _hours(value: object) -> float | None:
    """Hours, or the word never."""
    return None if value == "never" else real(0.25, 240.0)(value)


_PLAN = Key("a table such as {rounds = 2, pause_s = 16.0}", _table)
READING_KEYS: dict[str, Key] = {
    **dict.fromkeys(GIVEN, _PLAN),
    "sweep_s": Key("seconds, 30 to 1800", real(30.0, 1800.0)),
    "quiet_after_min": Key("minutes, 5 to 10080", real(5.0, 10_080.0)),
    "asleep_after_h": Key('hours, 0.25 to 240, or "never"', _hours),
    "awake_min": Key("minutes, 5 to 1440", real(5.0, 1440.0)),
}
STORE_KEYS: dict[str, Key] = {
    "path": Key("a text", text),
    "most_reads_mb": Key("whole MB, 1 to 100000", whole(1, 100_000)),
    "reserve_mb": Key("whole MB, 0 (no reserve) to 1000", whole(0, 1000)),
}
SIGNAL_KEYS: dict[str, Key] = {
    "output": Key("a reader output port, 1 to 255; leave the line out if nothing is wired", whole(1, 255)),
}
# A round shorter than half a second hears too little, and one of half a minute is no moment any more. Judgement.
PLAN_KEYS: dict[str, Key] = {
    "rounds": Key("rounds in a burst, 1 to 1000; leave it out for rounds without end", whole(1, 1000)),
    "round_s": Key("seconds, 0.5 to 30", real(0.5, 30.0)),
    "gap_s": Key("seconds between the rounds of a burst, 0 to 60", real(0.0, 60.0)),
    "pause_s": Key("seconds between bursts, 0 to 3600", real(0.0, 3600.0)),
}


def reading_of(values: dict[str, Any], *, file: str, problems: list[Problem]) -> ReadingSettings:
    """`[reading]` with its plans, which are tables of their own; what is wrong in them is added to `problems`."""
    settings = dict(values)
    for name in GIVEN:
        if name not in settings:
            continue
        where = f"reading.{name}"
        found = check_section(settings[name], PLAN_KEYS, file=file, section=where, problems=problems)
        rounds = found.pop("rounds", None)
        if rounds is None and found.get("pause_s"):
            what, do = "a pause that never comes: the rounds have no end", "give rounds too, or gap_s in place of it"
            problems.append(Problem(file, f"[{where}] pause_s", f"{found['pause_s']:g}", do, what))
        settings[name] = ReadingPlan(burst_rounds=rounds, **found)
    return ReadingSettings(**settings)
