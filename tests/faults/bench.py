"""Runs days with faults and judges them: back in time, every read accounted for, and the manifests as without a fault.

    trial(fault_names_with_their_seconds, folder) -> Verdict
    mixture(seed) -> what happens on a day with several faults at once

A manifest may differ from the day without faults only where it says itself that it is not certain; an unloading that
did not happen is never excused.
"""

from __future__ import annotations

import logging
import random
import tempfile
from functools import cache
from pathlib import Path
from typing import Any

from msgspec import Struct

from agent.reader import Reader
from tests import tinyday
from tests.faults.catalogue import BY_NAME as SCRIPTED
from tests.faults.catalogue import FAULTS, Fault
from tests.faults.day import OFFSET_S, RULES_HERE, Lived, Van, true_utc_s
from tests.faults.real import REAL, RealGpsd
from tests.faults.scripted import ScriptedGpsd

BY_NAME = SCRIPTED | {fault.name: fault for fault in REAL}
ALONE_AT_S = 150.0  # parked at the depot, doors open, between two loadings
FIRST_S, LAST_S = 40.0, 1090.0
MOST_AT_ONCE = 5
PLAN_S = 20.0  # while it drives the reader has pauses of 16 s by plan, and a round takes two
TRUTH: dict[str, tuple[str, str, frozenset[str]]] = {
    "van-07/2026-03-04/1": ("depot", "hall", frozenset("ABC")),
    "van-07/2026-03-04/2": ("hall", "depot", frozenset("AC")),
}


class Verdict(Struct, frozen=True):
    """What came of one day. `problems` empty: it went well. `took_s` from a fault's end to the agent being back."""

    what: tuple[tuple[str, float], ...]
    took_s: dict[str, float]
    problems: tuple[str, ...]
    unsure: tuple[str, ...]
    notices: tuple[str, ...]
    real_s: float


def mixture(seed: int) -> tuple[tuple[str, float], ...]:
    """Two to five faults at random seconds; of those that work the same switch only one."""
    rng = random.Random(seed)  # noqa: S311 - a draw that can be repeated
    chosen = rng.sample(FAULTS, rng.randint(2, MOST_AT_ONCE))
    return tuple(sorted(((fault.name, round(rng.uniform(FIRST_S, LAST_S), 1)) for fault in chosen), key=_moment))


def _moment(one: tuple[str, float]) -> float:
    return one[1]


def trial(what: tuple[tuple[str, float], ...], *, make_reader: type[Reader] = Reader) -> Verdict:
    """Live the day with these faults and judge it; with a real gpsd where one of them needs it."""
    script = [due for name, at_s in what for due in BY_NAME[name].due(at_s)]
    with tempfile.TemporaryDirectory() as folder:
        is_real = any(name not in SCRIPTED for name, _ in what)
        make_gpsd = RealGpsd if is_real else ScriptedGpsd
        lived = Van(Path(folder), make_reader=make_reader, make_gpsd=make_gpsd).live(script)
    return judge(what, lived)


def judge(what: tuple[tuple[str, float], ...], lived: Lived) -> Verdict:
    """Hold a lived day against what must hold."""
    problems: list[str] = [] if lived.failure is None else [lived.failure]
    took_s = _returns(what, lived, problems)
    problems += _sums(lived)
    problems += _time(lived)
    problems += [f"{name} left no trace: was it injected?" for name, _ in what[:1] if len(what) == 1 and
                 not BY_NAME[name].trace(lived)]  # fmt: skip
    unsure = _manifests(lived, problems)
    problems += _unloadings(lived)
    return Verdict(what, took_s, tuple(problems), tuple(unsure), tuple(lived.notices()), lived.real_s)


def _returns(what: tuple[tuple[str, float], ...], lived: Lived, problems: list[str]) -> dict[str, float]:
    """How long each took to be over; in a mixture counted from the end of the last one that stands in its way."""
    ends = {name: at_s + BY_NAME[name].holds_s for name, at_s in what}
    took_s = {}
    for name, at_s in what:
        fault, end_s = BY_NAME[name], ends[name]
        allowed_s = fault.back_s
        for other, other_at_s in what:
            # A fault that begins while this one is being got over keeps the agent from it; its own time counts then.
            if other != name and _same_side(fault, BY_NAME[other]) and other_at_s <= end_s + allowed_s:
                end_s = max(end_s, ends[other])
                allowed_s = max(allowed_s, BY_NAME[other].back_s)
        if len(what) > 1 and fault.shows != "fixes":
            allowed_s += PLAN_S
        look = {"reading": lived.reading_from, "fixes": lived.fixes_from, "antennas": lived.antennas_from}
        back_s = look[fault.shows](end_s)
        if back_s is None:
            problems.append(f"{name} at {at_s:g} s: the agent was not back by the day's end")
            continue
        took_s[name] = round(back_s - end_s, 2)
        if back_s - end_s > allowed_s:
            problems.append(f"{name} at {at_s:g} s: back after {back_s - end_s:.1f} s, stated are {allowed_s:g} s")
    return took_s


def _same_side(one: Fault, other: Fault) -> bool:
    return (one.shows == "fixes") == (other.shows == "fixes")


def _sums(lived: Lived) -> list[str]:
    """Received = used + duplicate + malformed; what is used was handed on; none was made up. Likewise gpsd's lines."""
    tally, lines, wrong = lived.tally, lived.lines, []
    bad = sum(tally.malformed.values())
    if tally.received != tally.used + tally.duplicate + bad:
        wrong.append(f"{tally.received} reads received, but {tally.used} + {tally.duplicate} + {bad} accounted for")
    if lived.handed_on != tally.used:
        wrong.append(f"{tally.used} reads used, but {lived.handed_on} handed on")
    if tally.received > lived.tags_sent:
        wrong.append(f"{tally.received} reads received of {lived.tags_sent} that the reader sent")
    if lines.lines != lines.fixes + lines.others + lines.malformed:
        wrong.append(f"{lines.lines} lines of gpsd, but {lines.fixes} + {lines.others} + {lines.malformed}")
    return wrong


def _time(lived: Lived) -> list[str]:
    """The time that is trusted is the right one, and at the day's end one is trusted."""
    timeline = lived.state.timeline
    mono = tinyday.DURATION_S + OFFSET_S
    utc_s = timeline.utc_of(timeline.boot, mono)
    if not timeline.trusted or utc_s is None:
        return ["no time is trusted at the day's end"]
    error_s = utc_s - true_utc_s(mono)
    return [f"the trusted time is wrong by {error_s:.1f} s"] if abs(error_s) > RULES_HERE.agree_s else []


def legs(lived: Lived) -> dict[str, tuple[Any, Any, frozenset[str]]]:
    """Each leg: from where, to where, with what."""
    letter = {epc: name for name, epc in tinyday.EPCS.items()}
    return {
        name: (
            body["departed"]["site"],
            body["arrived"]["site"] if body["arrived"] is not None else None,
            frozenset(letter[item["epc"]] for item in body["items"]),
        )
        for name, body in lived.manifests().items()
    }


def _manifests(lived: Lived, problems: list[str]) -> list[str]:
    """The manifests are those of the day without faults; the names of those that say that they are not certain."""
    found, told = legs(lived), lived.manifests()
    unsure = [name for name, body in told.items() if not body["certain"]]
    for name in sorted({*TRUTH, *found}):
        got, true = found.get(name), TRUTH.get(name)
        if got == true or name in unsure:
            continue
        problems.append(f"manifest {name} says {_words(got)}, and so certainly; true is {_words(true)}")
    return unsure


def _words(leg: tuple[Any, Any, frozenset[str]] | None) -> str:
    return "nothing" if leg is None else f"{leg[0]} to {leg[1]} with {''.join(sorted(leg[2])) or 'nothing'}"


def _unloadings(lived: Lived) -> list[str]:
    """Nothing was unloaded but B at the hall."""
    letter = {epc: name for name, epc in tinyday.EPCS.items()}
    wrong = []
    for event in lived.standing():
        if event.get("bizStep") == "unloading":
            gone = {letter.get(epc, epc) for epc in event["childEPCs"]}
            where = event.get("bizLocation", {}).get("id", "nowhere known")
            if gone != {"B"} or not where.endswith(":hall"):
                wrong.append(f"false unloading of {', '.join(sorted(gone))} at {where}")
    return wrong


def lived_mixture(seed: int) -> tuple[int, Verdict]:
    """A mixture by its seed, in a process of its own whose log nobody reads."""
    logging.disable(logging.CRITICAL)
    return seed, trial(mixture(seed))


def lived_alone(name: str) -> tuple[str, Verdict]:
    """A fault alone, likewise."""
    logging.disable(logging.CRITICAL)
    return name, trial(((name, ALONE_AT_S),))


@cache
def quiet_day() -> Verdict:
    """The day without any fault, as the bench lives it; everything else is held against what it must say."""
    return trial(())
