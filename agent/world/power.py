"""What has current when: doors and ignition as switches, the computer while the ignition is on and some minutes after.

One cut in the middle of a stop takes the computer, reader and receiver at once, as a slipped fuse or a dead battery
does. Knows nothing of cargo.
"""

from __future__ import annotations

import bisect
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

Span = tuple[float, float]
Switch = tuple[tuple[float, bool], ...]

_ROOM_S = 240.0
_DRIVER_LEAVES_IT_ON = 0.15


class Standing(Protocol):
    """What is asked of a stop here."""

    @property
    def arrived_s(self) -> float:
        """When it began."""

    @property
    def departed_s(self) -> float:
        """When it ended."""

    @property
    def opens_s(self) -> float | None:
        """When the rear doors open, None where they stay shut."""

    @property
    def closes_s(self) -> float | None:
        """When they close."""


@dataclass(frozen=True, slots=True)
class Current:
    """Door and ignition changes, and the spans in which the computer runs; `cut_after`: those that ended in a cut."""

    door: Switch
    ignition: Switch
    boots: tuple[Span, ...]
    cut_after: frozenset[Span]

    def doors(self, t_s: float) -> bool:
        """Whether the rear doors stand open."""
        return _state(self.door, t_s)

    def ignition_on(self, t_s: float) -> bool:
        """Whether the ignition is on."""
        return _state(self.ignition, t_s)

    def powered(self, seconds: int) -> NDArray[np.bool_]:
        """(seconds,): whether the computer and the receiver run."""
        on = np.zeros(seconds, dtype=np.bool_)
        for begin, end in self.boots:
            on[int(begin) : int(end)] = True
        return on


def _state(switch: Switch, t_s: float) -> bool:
    number = bisect.bisect_right(switch, t_s, key=lambda change: change[0]) - 1
    return number >= 0 and switch[number][1]


def wire(rng: np.random.Generator, *, stops: Sequence[Standing], duration_s: int, cut: bool) -> Current:
    """The day's switches and current for these stops."""
    door: list[tuple[float, bool]] = []
    ignition: list[tuple[float, bool]] = [(0.0, True)]
    last = len(stops) - 1
    linger_s = float(int(rng.uniform(1500, 2400)))
    for i, stop in enumerate(stops):
        if stop.opens_s is not None and stop.closes_s is not None:
            door += [(stop.opens_s, True), (stop.closes_s, False)]
        if i == 0:  # the lights and the tail lift want current while the van is loaded
            continue
        if i == last:
            # The driver leaves it on until the hold is empty, then locks up.
            ignition.append((round(stop.departed_s - float(rng.uniform(60, 110)), 1), False))
        elif rng.random() > _DRIVER_LEAVES_IT_ON:
            stopped_s = stop.arrived_s + float(rng.uniform(6, 25))
            started_s = stop.departed_s - float(rng.uniform(10, 24))
            ignition += [(round(stopped_s, 1), False), (round(started_s, 1), True)]
    spans: list[Span] = []
    off_s: float | None = None
    begin = 0.0
    for at_s, on in ignition[1:]:
        if not on:
            off_s = at_s
        elif off_s is not None and at_s > off_s + linger_s:
            spans.append((begin, float(int(off_s + linger_s))))
            begin = float(int(at_s) + int(rng.uniform(1, 4)))
    spans.append((begin, float(duration_s)))
    ended: frozenset[Span] = frozenset()
    if cut:
        spans, ended = _cut(rng, spans, stops)
    return Current(tuple(door), tuple(ignition), tuple(spans), ended)


def _cut(
    rng: np.random.Generator, spans: Sequence[Span], stops: Sequence[Standing]
) -> tuple[list[Span], frozenset[Span]]:
    """Breaks one span in the middle of a stop for some seconds to minutes."""
    fit = [
        (span, stop)
        for stop in stops[1:-1]
        for span in spans
        if stop.opens_s is not None
        and span[0] < stop.arrived_s
        and stop.arrived_s + _ROOM_S < min(span[1], stop.departed_s)
    ]
    if not fit:
        return list(spans), frozenset()
    span, stop = fit[int(rng.integers(len(fit)))]
    end = min(stop.departed_s, span[1])
    at_s = float(int(rng.uniform(stop.arrived_s + 60, end - 60)))
    back_s = min(at_s + float(int(rng.uniform(15, 150))), end - 20)
    broken = [(span[0], at_s), (back_s, span[1])]
    kept = [s for s in spans if s != span]
    return sorted([*kept, *broken]), frozenset({broken[0]})
