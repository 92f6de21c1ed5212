"""The reliability diagram of what was stated and what was true, as SVG written by hand. Knows claims and no days.

Both axes are the chance to be wrong, by tens, so that the sure claims are not one dot in a corner.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from itertools import pairwise

import numpy as np

from tests.bench.calibration import Claims, interval

# What is joined into one point.
POINTS = (0.5, 0.7, 0.8, 0.9, 0.95, 0.98, 0.99, 0.995, 0.998, 1.0)
_SIDE, _LEFT, _TOP = 420, 70, 30
_MOST, _LEAST = 0.5, 0.0005
_TICKS = (0.5, 0.2, 0.1, 0.05, 0.02, 0.01, 0.005, 0.002, 0.001)
_INKS = ("#1b5e8c", "#b3541e", "#4a7a2c")


def _at(wrong: float) -> float:
    """Where a chance to be wrong lies on an axis, 0 (one in two) to 1 (none in thousands)."""
    held = min(max(wrong, _LEAST), _MOST)
    return math.log(_MOST / held) / math.log(_MOST / _LEAST)


def _x(p: float) -> float:
    return _LEFT + _SIDE * _at(1 - p)


def _y(p: float) -> float:
    return _TOP + _SIDE * (1 - _at(1 - p))


def diagram(kinds: Mapping[str, Claims], *, days: int) -> str:
    """The reliability diagram as SVG: stated across, true upward, each point with its 99 % interval.

    On the line stated is true; below it the tally was too sure. A ring stands for claims of which none was wrong.
    """
    foot = _TOP + _SIDE
    size = f"{_LEFT + _SIDE + 30} {foot + 70 + 18 * len(kinds)}"
    text_style = 'font-family="sans-serif" font-size="12" fill="#222"'
    middle = _TOP + _SIDE / 2
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {size}" {text_style}>',
        f"<title>Stated and observed over {days} vehicle-days</title>",
        '<rect width="100%" height="100%" fill="#fff"/>',
    ]
    for wrong in _TICKS:
        x, y, text = _x(1 - wrong), _y(1 - wrong), f"{1 - wrong:g}"
        parts += [
            f'<path d="M{x:.1f} {_TOP}V{foot}M{_LEFT} {y:.1f}H{_LEFT + _SIDE}" stroke="#ddd"/>',
            f'<text x="{x:.1f}" y="{foot + 16}" text-anchor="middle" font-size="10">{text}</text>',
            f'<text x="{_LEFT - 6}" y="{y + 4:.1f}" text-anchor="end" font-size="10">{text}</text>',
        ]
    parts += [
        f'<path d="M{_LEFT} {foot}L{_LEFT + _SIDE} {_TOP}" stroke="#888" stroke-dasharray="4 3"/>',
        f'<text x="{_LEFT + _SIDE / 2}" y="{foot + 36}" text-anchor="middle">stated</text>',
        f'<text x="{_LEFT - 6}" y="{_TOP + 4}" text-anchor="end" font-size="10">none wrong</text>',
        f'<text x="16" y="{middle}" text-anchor="middle" transform="rotate(-90 16 {middle})">true</text>',
    ]
    for row, (kind, claims) in enumerate(kinds.items()):
        ink, y = _INKS[row % len(_INKS)], foot + 58 + 18 * row
        parts += [
            f'<g stroke="{ink}" fill="{ink}" class="kind">',
            *_points(claims, ink, shift=6 * (row - (len(kinds) - 1) / 2), days=days),
            f'<circle cx="{_LEFT}" cy="{y - 4}" r="4"/>',
            f'<text x="{_LEFT + 12}" y="{y}" stroke="none">{kind}, {len(claims):,} claims</text>',
            "</g>",
        ]
    return "\n".join([*parts, "</svg>", ""])


def _points(claims: Claims, ink: str, *, shift: float, days: int) -> list[str]:
    """One kind's points with their intervals, `shift` to the side so that kinds do not hide one another."""
    marks = []
    for begin, end in pairwise(POINTS):
        inside = claims.within(begin, end)
        if not len(inside):
            continue
        x, share = _x(float(inside.p.mean())) + shift, float(inside.true.mean())
        low, high = interval(inside, inside.true.astype(np.float64), days=days)
        fill = ink if share < 1.0 else "#fff"
        marks += [
            f'<path d="M{x:.1f} {_y(low):.1f}V{_y(high):.1f}"/>',
            f'<circle cx="{x:.1f}" cy="{_y(share):.1f}" r="4" fill="{fill}"/>',
        ]
    return marks
