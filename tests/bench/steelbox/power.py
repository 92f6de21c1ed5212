"""When the vehicle's computer runs: it dies with the ignition, minutes after it, never, or in the middle of a stop."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tests.bench.steelbox.habits import Habits
from tests.bench.steelbox.story import Stop


def spans(
    habits: Habits,
    ignition: Sequence[tuple[float, bool]],
    stops: Sequence[Stop],
    end_s: float,
    rng: np.random.Generator,
) -> list[tuple[float, float]]:
    """From power on to power off, one for each boot."""
    if habits.power == "never":
        return [(ignition[0][0] - 30, end_s)]
    hold_s = {"at-off": 4.0, "minutes": habits.hold_s, "cuts": 5400.0}[habits.power]
    found: list[tuple[float, float]] = []
    for at_s, on in ignition:
        if on:
            if not found or found[-1][1] <= at_s:
                found.append((at_s, end_s))
            else:
                found[-1] = (found[-1][0], end_s)
        elif found and found[-1][1] > at_s:
            found[-1] = (found[-1][0], min(at_s + hold_s, end_s))
    if habits.power == "cuts":
        for stop in stops[1:-1]:
            if rng.random() < 0.3 and stop.arrived_s is not None and stop.departed_s is not None:
                cut_s = float(rng.uniform(stop.arrived_s, stop.departed_s))
                back_s = min(cut_s + float(rng.uniform(40, 900)), stop.departed_s - 5)
                found = [part for span in found for part in _cut(span, cut_s, back_s)]
    return [(a, b) for a, b in found if b - a > 20]


def _cut(span: tuple[float, float], cut_s: float, back_s: float) -> list[tuple[float, float]]:
    begin_s, end_s = span
    if not begin_s + 60 < cut_s < end_s:
        return [span]
    return [(begin_s, cut_s), (back_s, end_s)] if back_s < end_s - 60 else [(begin_s, cut_s)]
