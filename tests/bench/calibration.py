"""Is what is stated with 0.97 true 97 times in 100? The claims of a day, bands of them, and each band's difference.

A claim is a line of a manifest ("aboard on this leg"), by its first or its highest revision, or a child of a standing
event ("loaded here", "unloaded here", with the right stop), with the probability that was stated of it. The difference
of a band is the mean of what was stated less the share that was true: above zero is too sure. Claims of one day hang
together, so its 99 % interval is a percentile bootstrap that draws whole vehicle-days with replacement (B. Efron,
"Bootstrap methods: another look at the jackknife", Annals of Statistics 7, 1979). Where all claims of a band are true
that knows of no other outcome; there it is asked how likely all would be true if each were so with what was stated.
Knows no way to make a day, and draws nothing.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.bench.score import by_leg, moves_of, truth_of

Numbers = NDArray[np.float64]

# A bound belongs to the band below it.
BANDS = ((0.9, 0.95), (0.95, 0.99), (0.99, 1.0))
# Where a difference is small enough without asking how it might have come out on other days.
TOLERANCE = 0.01
LEVEL = 0.99
DRAWS = 4000


@dataclass(frozen=True, slots=True, eq=False)
class Claims:
    """Claims of one kind: of which vehicle-day (0, 1, …), stated with what probability, true or not."""

    day: NDArray[np.int64]
    p: Numbers
    true: NDArray[np.bool_]

    def __len__(self) -> int:
        """How many."""
        return len(self.p)

    def within(self, begin: float, end: float) -> Claims:
        """Those stated with more than `begin` and at most `end`."""
        chosen = (self.p > begin) & (self.p <= end)
        return Claims(self.day[chosen], self.p[chosen], self.true[chosen])


@dataclass(frozen=True, slots=True)
class Band:
    """One band of one kind; NaN where there are no claims. `low` and `high` are the difference's interval.

    `all_true` is how likely all claims would be true, if they are independent and as likely as stated.
    """

    begin: float
    end: float
    claims: int
    days: int
    stated: float
    observed: float
    low: float
    high: float
    all_true: float

    @property
    def difference(self) -> float:
        """Mean stated less share observed."""
        return self.stated - self.observed

    @property
    def verdict(self) -> str:
        """In words; an interval that holds no difference at all is no evidence of one."""
        if not self.claims:
            return "no claims"
        if abs(self.difference) <= TOLERANCE or self.low <= 0.0 <= self.high:
            return "holds"
        if self.observed == 1.0 and self.all_true >= (1 - LEVEL) / 2:
            return "holds"
        return "TOO SURE" if self.difference > 0 else "too careful"


def claims_of_day(
    day_truth: Mapping[str, Any],
    events: Sequence[Mapping[str, Any]],
    manifests: Sequence[Mapping[str, Any]],
    *,
    site_of: Mapping[str, str],
) -> dict[str, list[tuple[float, bool]]]:
    """(stated, true) of every claim of a day, by kind. A manifest that speaks of no true leg makes none.

    The same move stated twice is true once. Raises ValueError where a standing event states no probability of a child.
    """
    found: dict[str, list[tuple[float, bool]]] = {}
    for kind, first in (("manifest lines, first revision", True), ("manifest lines, final revision", False)):
        found[kind] = [
            (line["confidence"], line["epc"] in set(leg["items"]))
            for leg, manifest in zip(day_truth["manifests"], by_leg(day_truth, manifests, first=first), strict=True)
            if manifest is not None
            for line in manifest["items"]
        ]
    happened = Counter(truth_of(day_truth).moves)
    moves: list[tuple[float, bool]] = []
    for move, p in moves_of(day_truth, events, site_of=site_of):
        if math.isnan(p):
            raise ValueError(f"an event states no probability of {move[0]} {move[1]}")
        moves.append((p, happened[move] > 0))
        happened[move] -= 1
    found["events"] = moves
    return found


def gather(days: Sequence[Mapping[str, Sequence[tuple[float, bool]]]]) -> dict[str, Claims]:
    """The claims of some days, by kind; each day is a vehicle-day of its own."""
    return {
        kind: Claims(
            np.array([number for number, day in enumerate(days) for _ in day[kind]], dtype=np.int64),
            np.array([p for day in days for p, _ in day[kind]], dtype=np.float64),
            np.array([true for day in days for _, true in day[kind]], dtype=np.bool_),
        )
        for kind in (days[0] if days else ())
    }


def interval(claims: Claims, values: Numbers, *, days: int, seed: int = 1) -> tuple[float, float]:
    """The middle 99 % of the mean of `values` (one for each claim) over days drawn anew; NaN where there are none.

    Draws without a single claim say nothing and are left out.
    """
    if not len(claims):
        return math.nan, math.nan
    sums = np.bincount(claims.day, weights=values, minlength=days)
    counts = np.bincount(claims.day, minlength=days).astype(np.float64)
    drawn = np.random.default_rng(seed).multinomial(days, np.full(days, 1 / days), size=DRAWS)
    weight = drawn @ counts
    means = (drawn @ sums)[weight > 0] / weight[weight > 0]
    low, high = np.quantile(means, [(1 - LEVEL) / 2, (1 + LEVEL) / 2])
    return float(low), float(high)


def band(claims: Claims, begin: float, end: float, *, days: int) -> Band:
    """One band of the claims over `days` vehicle-days."""
    inside = claims.within(begin, end)
    if not len(inside):
        return Band(begin, end, 0, 0, *[math.nan] * 5)
    stated, observed = float(inside.p.mean()), float(inside.true.mean())
    low, high = interval(inside, inside.p - inside.true, days=days)
    all_true = float(np.exp(np.log(inside.p).sum()))
    return Band(begin, end, len(inside), len(np.unique(inside.day)), stated, observed, low, high, all_true)


def table(kinds: Mapping[str, Claims], *, days: int) -> list[str]:
    """The bands of every kind as lines of text."""
    lines = [
        f"  {'stated with':34} {'claims':>7} {'days':>5} {'stated':>7} {'true':>7} {'difference':>11}  99 % interval"
    ]
    for kind, claims in kinds.items():
        lines.append(f"  {kind}")
        for begin, end in BANDS:
            one = band(claims, begin, end, days=days)
            label = f"over {begin:g}" if end == 1.0 else f"{begin:g} to {end:g}"
            if not one.claims:
                lines.append(f"    {label:32} {0:>7}")
                continue
            lines.append(
                f"    {label:32} {one.claims:>7} {one.days:>5} {one.stated:>7.4f} {one.observed:>7.4f}"
                f" {one.difference:>+11.4f}  {one.low:+.4f} to {one.high:+.4f}  {one.verdict}"
            )
    return lines
