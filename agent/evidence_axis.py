"""What both pictures of the evidence share: where the ticks of the time axis stand, and a letter for each place."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from string import ascii_uppercase

from agent.evidence import (
    Decision,
    Evidence,
    Point,
    Span,
    Strength,
    decisions_within,
    passages_within,
    points_within,
)
from agent.evidence_words import Clock

_STEPS_MIN = (1, 2, 5, 10, 15, 30, 60, 120, 180, 360, 720)


def ticks(evidence: Evidence, *, most: int) -> list[tuple[float, str]]:
    """At most `most` round local times within the stretch asked about, with their labels."""
    clock = Clock(evidence.zone)
    for step_min in _STEPS_MIN:
        found = list(_every(evidence, clock, step_min))
        if len(found) <= most:
            return found
    return found[:: -(-len(found) // most)]


def _every(evidence: Evidence, clock: Clock, step_min: int) -> Iterator[tuple[float, str]]:
    midnight = clock.local(evidence.from_s).replace(hour=0, minute=0, second=0, microsecond=0)
    # Wall-clock steps: on the two days a year when the clocks change, ticks stay on round hours.
    number = 0
    while True:
        moment = midnight + timedelta(minutes=number * step_min)
        at_s = moment.timestamp()
        if at_s > evidence.to_s:
            return
        if at_s >= evidence.from_s:
            yield at_s, moment.strftime("%H:%M")
        number += 1


def spans_shown(evidence: Evidence, spans: tuple[Span, ...]) -> list[Span]:
    """The spans that touch it, cut to it."""
    return [
        Span(max(span.from_s, evidence.from_s), min(span.to_s, evidence.to_s), span.why)
        for span in spans
        if span.to_s >= evidence.from_s and span.from_s <= evidence.to_s
    ]


def decisions_shown(evidence: Evidence) -> list[Decision]:
    """The decisions that touch it, those that stand last, so that they are drawn over the others."""
    return sorted(decisions_within(evidence), key=lambda decision: decision.stands)


def points_shown(evidence: Evidence, points: tuple[Point, ...]) -> tuple[Point, ...]:
    """The part of a series within it."""
    return points_within(points, evidence.from_s, evidence.to_s)


def letters(evidence: Evidence) -> dict[str, str]:
    """A letter for each place of the stretch, by its name, in the order in which the van came there."""
    found: dict[str, str] = {}
    for passage in passages_within(evidence):
        if passage.kind == "stop" and passage.name not in found:
            number = len(found)
            turn = number // len(ascii_uppercase)
            found[passage.name] = ascii_uppercase[number % len(ascii_uppercase)] + (str(turn + 1) if turn else "")
    return found


def strength_shown(evidence: Evidence) -> list[Strength]:
    """The minutes of the stretch in which the tag was heard."""
    return [one for one in evidence.strength if evidence.from_s - 60.0 < one.at_s <= evidence.to_s]


def antennas_shown(evidence: Evidence) -> list[int]:
    """The antennas that heard it within the stretch, in order."""
    return sorted({one.antenna for one in strength_shown(evidence)})


def dbm_range(evidence: Evidence) -> tuple[float, float]:
    """Weakest and strongest read of the stretch, rounded outward to 5 dB; at least 20 dB apart."""
    shown = strength_shown(evidence)
    low = min((one.weakest_dbm if one.weakest_dbm is not None else one.strongest_dbm for one in shown), default=-80.0)
    high = max((one.strongest_dbm for one in shown), default=-40.0)
    low, high = 5.0 * (low // 5), 5.0 * -(-high // 5)
    return min(low, high - 20.0), high
