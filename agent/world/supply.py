"""The ways in which a van's computer loses power: with the ignition, minutes after it, never, in the middle of a stop.

Takes the switches as `power` wired them and makes the spans in which the computer runs anew.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from agent.world.faults import Faults
from agent.world.power import Current, Span, Standing, Switch

AT_ONCE_S = (0.0, 3.0)
MINUTES_S = (120.0, 600.0)
HALF_HOUR_S = (1500.0, 2400.0)


def run_spans(
    rng: np.random.Generator,
    ignition: Switch,
    *,
    duration_s: float,
    lingers_s: tuple[float, float],
    awake: Sequence[Span] = (),
) -> tuple[Span, ...]:
    """When the computer runs that dies so long after the ignition; in the spans `awake` it has other current."""
    spans: list[Span] = []
    begin, off_s = 0.0, None
    for at_s, on in ignition[1:]:
        if not on:
            off_s = at_s
        elif off_s is not None:
            dies_s = float(int(off_s + rng.uniform(*lingers_s)))
            fed = any(first - 600 <= off_s < last for first, last in awake)
            if at_s > dies_s + 5 and not fed:
                spans.append((begin, dies_s))
                begin = float(int(at_s) + int(rng.uniform(1, 4)))
            off_s = None
    end = float(duration_s) if off_s is None else min(float(duration_s), off_s + float(rng.uniform(*lingers_s)))
    spans.append((begin, float(int(end))))
    return tuple(spans)


def cut(
    rng: np.random.Generator, current: Current, stops: Sequence[Standing], *, share: float, most: int | None = None
) -> Current:
    """Breaks the current at this share of the stops, at `most` so many, for 15 to 300 s, where the computer runs."""
    spans = list(current.boots)
    ended = set(current.cut_after)
    done = 0
    for number in rng.permutation(len(stops)).tolist():
        stop = stops[number]
        if stop.opens_s is None or done == most or rng.random() >= share:
            continue
        first, last = stop.opens_s, stop.departed_s - 40
        fit = [span for span in spans if span[0] + 60 < last and span[1] - 60 > first + 30]
        if not fit:
            continue
        span = fit[int(rng.integers(len(fit)))]
        begin, end = max(first, span[0] + 60), min(last, span[1] - 40)
        if end - begin < 60:
            continue
        at_s = float(int(rng.uniform(begin, end - 20)))
        back_s = min(at_s + float(int(rng.uniform(15, 300))), float(int(end)))
        spans.remove(span)
        spans += [(span[0], at_s), (back_s, span[1])]
        if span in ended:  # its own end stays what it was
            ended.remove(span)
            ended.add((back_s, span[1]))
        ended.add((span[0], at_s))
        done += 1
    return replace(current, boots=tuple(sorted(spans)), cut_after=frozenset(ended))


def beset(current: Current, faults: Faults, *, seed: int, stops: Sequence[Standing], duration_s: int) -> Current:
    """The day's current with the ways to lose it that are switched on."""
    ways = [name for name in faults.names if name in {"power-at-once", "power-minutes", "power-never-off"}]
    if len(ways) > 1:
        ways = [ways[int(np.random.default_rng([seed, 0x9]).integers(len(ways)))]]
    for way in ways:
        rng = faults.generator(way, seed)
        if rng.random() >= faults.strength(way):
            continue
        if way == "power-never-off":
            current = replace(current, boots=((0.0, float(duration_s)),), cut_after=frozenset())
            continue
        lingers_s = AT_ONCE_S if way == "power-at-once" else MINUTES_S
        spans = run_spans(rng, current.ignition, duration_s=duration_s, lingers_s=lingers_s)
        ended = frozenset(spans[:-1]) if way == "power-at-once" else frozenset[Span]()
        current = replace(current, boots=spans, cut_after=ended)
    if faults.power_cuts:
        current = cut(faults.generator("power-cuts", seed), current, stops, share=faults.power_cuts)
    return current
