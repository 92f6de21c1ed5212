"""What a van said of an item, as a drawing on one time line, with places in per cent of its width; pure.

Shows where the van was, the decisions with the interval they fell in, and the confidence that each revision of a
manifest gave. No line is drawn between the points: what was believed between them is not known here.
"""

from __future__ import annotations

import string
from typing import Literal

from msgspec import Struct

from agent.evidence import Evidence

_LEAST_PERCENT = 0.6  # so that a moment is seen at all
_TICKS = 4
LEFT, WIDTH = 2.0, 96.0


class Bar(Struct, frozen=True):
    """A stop or a leg of the van; a stop has a letter, by which `stops` names its place."""

    kind: Literal["stop", "leg"]
    x: float
    width: float
    letter: str = ""
    ends: bool = True


class Mark(Struct, frozen=True):
    """A decision, by its number among the evidence's; `low` and `span` are the interval that it fell in."""

    number: int
    kind: Literal["loaded", "unloaded"]
    x: float
    low: float
    span: float
    stands: bool


class Dot(Struct, frozen=True):
    """A confidence: when it was said, and how high, from 0 at the bottom to 100."""

    x: float
    height: float


class TickMark(Struct, frozen=True):
    """A time on the axis."""

    x: float
    at_s: float
    anchor: Literal["start", "middle", "end"]


class ToldPicture(Struct, frozen=True):
    """The drawing; `stops` are letters and names of the places, in the order of the way."""

    ticks: tuple[TickMark, ...]
    bars: tuple[Bar, ...]
    stops: tuple[tuple[str, str], ...]
    marks: tuple[Mark, ...]
    dots: tuple[Dot, ...]


def told_picture(evidence: Evidence) -> ToldPicture:
    """The drawing of what was said between `from_s` and `to_s`."""
    begin_s, length_s = evidence.from_s, max(evidence.to_s - evidence.from_s, 1.0)

    def x(at_s: float) -> float:
        return round(LEFT + WIDTH * min(max((at_s - begin_s) / length_s, 0.0), 1.0), 3)

    letters: dict[str, str] = {}
    bars = []
    for each in evidence.passages:
        end_s = each.to_s if each.ends else evidence.to_s
        if end_s < evidence.from_s or each.from_s > evidence.to_s:
            continue
        width = max(x(end_s) - x(each.from_s), _LEAST_PERCENT if each.kind == "stop" else 0.0)
        letter = ""
        if each.kind == "stop":
            letter = letters.setdefault(each.name, _letter(len(letters)))
        bars.append(Bar(each.kind, x(each.from_s), round(width, 3), letter, each.ends))
    marks = [
        Mark(
            number,
            each.kind,
            x(each.at_s),
            x(each.not_before_s),
            round(max(x(each.not_after_s) - x(each.not_before_s), 0.0), 3),
            each.stands,
        )
        for number, each in enumerate(evidence.decisions, 1)
        if evidence.from_s <= each.at_s <= evidence.to_s
    ]
    dots = [
        Dot(x(each.issued_s), round(100.0 * each.p, 2))
        for each in evidence.lines
        if each.p is not None and not each.withdrawn and evidence.from_s <= each.issued_s <= evidence.to_s
    ]
    return ToldPicture(
        tuple(_ticks(evidence.from_s, evidence.to_s)),
        tuple(bars),
        tuple((letter, name) for name, letter in letters.items()),
        tuple(marks),
        tuple(dots),
    )


def _letter(number: int) -> str:
    return string.ascii_uppercase[number] if number < len(string.ascii_uppercase) else f"{number + 1}"


def _ticks(from_s: float, to_s: float) -> list[TickMark]:
    found = []
    for number in range(_TICKS + 1):
        part = number / _TICKS
        anchor: Literal["start", "middle", "end"] = "start" if not number else "end" if number == _TICKS else "middle"
        found.append(TickMark(round(LEFT + WIDTH * part, 3), from_s + (to_s - from_s) * part, anchor))
    return found
