"""The same strip upright, for a phone: time runs down, the lanes stand side by side. See `agent.dispatch.strip`."""

from __future__ import annotations

from xml.sax.saxutils import escape

from agent.dispatch.strip import (
    HOUR_S,
    LANE_NAMES,
    LANES,
    NARROW_PX,
    Clock,
    bars,
    framed,
    hours,
    numbered,
    short,
    stop_ends,
)
from agent.dispatch.views_day import DayView

_HOUR_PX = 62.0
_TOP_PX, _AXIS_PX, _BAND_PX, _WIDE_PX = 96.0, 46.0, 54.0, 22.0
_LANE_PX, _LANE_WIDE_PX = 24.0, 14.0
_LABEL_PX, _LABEL_HIGH_PX = 176.0, 40.0
_LEAST_PX = 3.0
_LETTERS = 12


def draw_upright(day: DayView, *, clock: Clock) -> str:
    """The upright drawing as an SVG element."""
    scale = _HOUR_PX / HOUR_S
    high_px = (day.shown_until_s - day.shown_from_s) * scale

    def y(at_s: float) -> float:
        return _TOP_PX + (min(max(at_s, day.shown_from_s), day.shown_until_s) - day.shown_from_s) * scale

    bottom_px = _TOP_PX + high_px
    parts = []
    for at_s in hours(day, least_px=30.0, scale=scale):
        right = _LABEL_PX - 16
        parts.append(f'<line class="strip-hour" x1="{_AXIS_PX}" y1="{y(at_s):.1f}" x2="{right}" y2="{y(at_s):.1f}"/>')
        parts.append(
            f'<text class="strip-clock strip-beside" x="{_AXIS_PX - 5}" y="{y(at_s) + 5:.1f}">'
            f"{escape(clock(at_s))}</text>"
        )
    lanes = {lane: _BAND_PX + _WIDE_PX + 14 + number * _LANE_PX for number, lane in enumerate(LANES)}
    heads = {"Stops, legs": _BAND_PX + 0.5 * _WIDE_PX} | {
        LANE_NAMES[lane]: left + 0.5 * _LANE_WIDE_PX for lane, left in lanes.items()
    }
    for name, x in heads.items():
        parts.append(
            f'<text class="strip-lane strip-head" transform="translate({x + 5:.1f} {_TOP_PX - 8}) rotate(-90)">'
            f"{name}</text>"
        )
    middle = _BAND_PX + 0.5 * _WIDE_PX
    for leg in day.legs:
        kind = "strip-leg" if leg.until_s is not None else "strip-leg strip-open"
        parts.append(
            f'<line class="{kind}" data-leg="{leg.number}" x1="{middle}" y1="{y(leg.from_s):.1f}" x2="{middle}"'
            f' y2="{y(leg.known_until_s):.1f}"/>'
        )
    free_px = 14.0
    for stop in day.stops:
        low, high = (y(at_s) for at_s in stop_ends(day, stop))
        kind = "strip-stop" if stop.from_s is not None else "strip-stop strip-open"
        parts.append(
            f'<rect class="{kind}" data-stop="{stop.number}" x="{_BAND_PX}" y="{low:.1f}" width="{_WIDE_PX}"'
            f' height="{max(high - low, _LEAST_PX):.1f}"/>'
        )
        at = max(0.5 * (low + high), free_px)
        free_px = at + _LABEL_HIGH_PX
        parts.append(
            f'<path class="strip-lead" d="M{_BAND_PX + _WIDE_PX} {0.5 * (low + high):.1f}H{_LABEL_PX - 40}'
            f'L{_LABEL_PX - 12} {at:.1f}"/>'
        )
        parts.append(numbered(_LABEL_PX, at, stop.number))
        until = "" if stop.until_s is None else clock(stop.until_s)
        when = f"{clock(stop.from_s) if stop.from_s is not None else ''}\u2013{until}"
        parts.append(
            f'<text class="strip-place" x="{_LABEL_PX + 16}" y="{at - 1:.1f}">{short(stop.place, _LETTERS)}</text>'
            f'<text class="strip-when" x="{_LABEL_PX + 16}" y="{at + 14:.1f}">{escape(when)}</text>'
        )
    for bar in bars(day):
        height = max(y(bar.until_s) - y(bar.from_s), _LEAST_PX)
        width = 0.5 * _LANE_WIDE_PX if bar.is_part else _LANE_WIDE_PX
        parts.append(
            f'<rect class="{bar.name}" x="{lanes[bar.lane]}" y="{y(bar.from_s):.1f}" width="{width}"'
            f' height="{height:.1f}"/>'
        )
    if day.is_today and day.shown_from_s <= day.now_s <= day.shown_until_s:
        at = y(day.now_s)
        parts.append(f'<line class="strip-now" x1="{_AXIS_PX}" y1="{at:.1f}" x2="{_LABEL_PX - 16}" y2="{at:.1f}"/>')
    return framed("strip-upright", (NARROW_PX, max(bottom_px, free_px) + 14.0), day, clock, parts)
