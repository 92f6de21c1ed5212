"""A van's day as a strip in SVG, drawn by hand: lying for a wide window and for paper, upright for a phone.

Time is to scale. Stops and legs lie in one lane, and below it a lane each for the computer off, no word and not read,
so that none of them is told by its colour alone. Each drawing is an image with a title; the table beside it says the
same. Style comes from `day.css`. Gives text and writes nothing.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Callable, Iterator
from xml.sax.saxutils import escape

from msgspec import Struct

from agent.dispatch.views_day import DayView, SpanView, StopView

Clock = Callable[[float], str]

WIDE_PX, NARROW_PX = 1120.0, 300.0
HOUR_S = 3600.0
LANES = ("off", "no word", "not read")
LANE_NAMES = {"off": "Computer off", "no word": "No word", "not read": "Not read"}
_LEFT_PX, _RIGHT_PX = 112.0, 26.0
_TIER_PX, _LANE_PX, _BAND_PX = 30.0, 26.0, 30.0
_ROUND_PX = 12.0
_LEAST_PX = 3.0  # what is shorter is drawn so wide, or nobody would see it
_MOST_TIERS = 4
_LETTER_PX = 7.6
_NARROWEST_HOUR_PX = 52.0
# Marks that change the direction of what follows them, beside the drawing characters that no text needs.
_FORMAT = {"Cc", "Cf", "Zl", "Zp"}
_JOINERS = "\u200d\u200c"


class Bar(Struct, frozen=True):
    """A stretch in one of the lanes: where it lies, its class, and what it is of."""

    lane: str
    from_s: float
    until_s: float
    name: str
    is_part: bool = False


def draw(day: DayView, *, clock: Clock) -> str:
    """The lying drawing as an SVG element."""
    scale = (WIDE_PX - _LEFT_PX - _RIGHT_PX) / max(day.shown_until_s - day.shown_from_s, 1.0)

    def x(at_s: float) -> float:
        return _LEFT_PX + (min(max(at_s, day.shown_from_s), day.shown_until_s) - day.shown_from_s) * scale

    placed, tiers = _tiers([0.5 * sum(map(x, stop_ends(day, stop))) for stop in day.stops])
    top_px = tiers * _TIER_PX + 8.0
    lanes_px = top_px + _BAND_PX + 12.0
    bottom_px = lanes_px + len(LANES) * _LANE_PX
    parts = [_grid(day, clock, x, top_px=top_px, bottom_px=bottom_px)]
    parts.append(_name(_LEFT_PX - 10, top_px + 20, "Stops, legs"))
    parts += [
        _name(_LEFT_PX - 10, lanes_px + number * _LANE_PX + 17, LANE_NAMES[lane]) for number, lane in enumerate(LANES)
    ]
    for leg in day.legs:
        kind = "strip-leg" if leg.until_s is not None else "strip-leg strip-open"
        low, high, y = x(leg.from_s), x(leg.known_until_s), top_px + 0.5 * _BAND_PX
        parts.append(f'<line class="{kind}" data-leg="{leg.number}" x1="{low:.1f}" y1="{y}" x2="{high:.1f}" y2="{y}"/>')
    for stop, (middle, tier) in zip(day.stops, placed, strict=True):
        low, high = (x(at_s) for at_s in stop_ends(day, stop))
        kind = "strip-stop" if stop.from_s is not None else "strip-stop strip-open"
        width = max(high - low, _LEAST_PX)
        parts.append(
            f'<rect class="{kind}" data-stop="{stop.number}" x="{low:.1f}" y="{top_px}" width="{width:.1f}"'
            f' height="{_BAND_PX}"/>'
        )
        y = top_px - 8.0 - _ROUND_PX - tier * _TIER_PX
        parts.append(
            f'<line class="strip-lead" x1="{middle:.1f}" y1="{y + _ROUND_PX}" x2="{middle:.1f}" y2="{top_px}"/>'
        )
        parts.append(numbered(middle, y, stop.number))
        room = _room(middle, tier, placed)
        if room >= 5 * _LETTER_PX:
            text = short(stop.place, int(room / _LETTER_PX))
            parts.append(f'<text class="strip-place" x="{middle + _ROUND_PX + 5:.1f}" y="{y + 5}">{text}</text>')
    for bar in bars(day):
        y = lanes_px + LANES.index(bar.lane) * _LANE_PX + 4
        width = max(x(bar.until_s) - x(bar.from_s), _LEAST_PX)
        height = 0.5 * (_LANE_PX - 8) if bar.is_part else _LANE_PX - 8
        parts.append(
            f'<rect class="{bar.name}" x="{x(bar.from_s):.1f}" y="{y}" width="{width:.1f}" height="{height}"/>'
        )
    if day.is_today and day.shown_from_s <= day.now_s <= day.shown_until_s:
        at = x(day.now_s)
        parts.append(f'<line class="strip-now" x1="{at:.1f}" y1="{top_px - 6}" x2="{at:.1f}" y2="{bottom_px}"/>')
    return framed("strip-wide", (WIDE_PX, bottom_px + 30.0), day, clock, parts)


def framed(name: str, size_px: tuple[float, float], day: DayView, clock: Clock, parts: list[str]) -> str:
    """The SVG element around a drawing, named for those who do not see it."""
    title = (
        f"{day.vehicle} on {day.date}, {clock(day.shown_from_s)} to {clock(day.shown_until_s)}: {len(day.stops)} stops"
        f" and {len(day.legs)} legs; the table beside it says the same"
    )
    return (
        f'<svg class="strip {name}" viewBox="0 0 {size_px[0]:.0f} {size_px[1]:.0f}" role="img"'
        f' aria-labelledby="{name}-title"><title id="{name}-title">{escape(title)}</title>\n'
        + "\n".join(parts)
        + "\n</svg>"
    )


def stop_ends(day: DayView, stop: StopView) -> tuple[float, float]:
    """From when to when a stop is drawn; one whose arrival is not known, as the moment of its departure."""
    until_s = stop.until_s if stop.until_s is not None else min(day.now_s, day.until_s)
    if stop.from_s is not None:
        return stop.from_s, until_s
    return (day.shown_from_s if stop.number == 1 else until_s), until_s


def bars(day: DayView) -> Iterator[Bar]:
    """What stands in the lanes; one whose begin is not known is drawn as a moment at its end."""
    names = {"off": "strip-off", "no word": "strip-no-word", "quiet": "strip-quiet", "not read": "strip-not-read"}
    for span in day.spans:
        low_s, high_s = span_ends(day, span)
        if high_s > day.shown_from_s and low_s < day.shown_until_s:
            lane = "no word" if span.kind == "quiet" else span.kind
            is_part = span.kind == "not read" and not span.whole
            name = names[span.kind] + (" strip-part" if is_part else "")
            yield Bar(lane, low_s, high_s, name, is_part)


def span_ends(day: DayView, span: SpanView) -> tuple[float, float]:
    """From when to when it is drawn; one that lasts goes on until now."""
    high_s = span.until_s if span.until_s is not None else min(max(day.now_s, span.from_s or 0.0), day.until_s)
    return (span.from_s if span.from_s is not None else high_s), high_s


def numbered(x: float, y: float, number: int) -> str:
    """A stop's number in a disc, the same as on the map."""
    return (
        f'<circle class="strip-disc" cx="{x:.1f}" cy="{y:.1f}" r="{_ROUND_PX}"/>'
        f'<text class="strip-number" x="{x:.1f}" y="{y + 4.5:.1f}">{number}</text>'
    )


def short(text: str, most: int) -> str:
    """A name cut to `most` letters, without what could turn the letters after it around; escaped."""
    kept = "".join(each for each in text[: 4 * most] if each in _JOINERS or unicodedata.category(each) not in _FORMAT)
    cut = kept if len(kept) <= most else kept[: most - 1].rstrip() + "…"
    return f"\u2068{escape(cut)}\u2069"


def hours(day: DayView, *, least_px: float, scale: float) -> Iterator[float]:
    """Full hours, or every second, third … one, so that their labels have room."""
    step_h = next(each for each in (1, 2, 3, 4, 6, 12, 24) if each * HOUR_S * scale >= least_px or each == 24)  # noqa: PLR2004 - a day
    first = int((day.shown_from_s - day.from_s) // HOUR_S)
    at_s = day.from_s + -(first // -step_h) * step_h * HOUR_S
    while at_s <= day.shown_until_s + 1.0:
        yield at_s
        at_s += step_h * HOUR_S


def _grid(day: DayView, clock: Clock, x: Callable[[float], float], *, top_px: float, bottom_px: float) -> str:
    scale = (x(day.shown_until_s) - x(day.shown_from_s)) / max(day.shown_until_s - day.shown_from_s, 1.0)
    parts = []
    for at_s in hours(day, least_px=_NARROWEST_HOUR_PX, scale=scale):
        at = x(at_s)
        parts.append(f'<line class="strip-hour" x1="{at:.1f}" y1="{top_px}" x2="{at:.1f}" y2="{bottom_px}"/>')
        parts.append(f'<text class="strip-clock" x="{at:.1f}" y="{bottom_px + 18}">{escape(clock(at_s))}</text>')
    return "\n".join(parts)


def _name(x: float, y: float, text: str) -> str:
    return f'<text class="strip-lane" x="{x:.1f}" y="{y:.1f}">{text}</text>'


def _tiers(middles: list[float]) -> tuple[list[tuple[float, int]], int]:
    """Discs that would touch are set one tier higher, by turns; past the last tier they are pushed along."""
    placed: list[tuple[float, int]] = []
    ends: dict[int, float] = {}
    for middle in middles:
        tier = next((each for each in range(_MOST_TIERS) if ends.get(each, -1e9) + 2 * _ROUND_PX + 2 <= middle), None)
        if tier is None:
            tier = min(ends, key=lambda each: ends[each])
            middle = ends[tier] + 2 * _ROUND_PX + 2  # noqa: PLW2901 - moved along
        ends[tier] = middle
        placed.append((middle, tier))
    return placed, max((tier for _, tier in placed), default=0) + 1


def _room(middle: float, tier: int, placed: list[tuple[float, int]]) -> float:
    """How much lies free to the right of a disc: up to the next disc or leader of a higher tier."""
    after = [each for each, other in placed if each > middle and other >= tier]
    return min([WIDE_PX - _RIGHT_PX, *(each - _ROUND_PX for each in after)]) - middle - _ROUND_PX - 10.0
