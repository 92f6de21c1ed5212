"""The lanes of the picture, one below the other on a common time axis: the van, what was heard, what was believed.

Each lane has its label and each mark its shape, so that nothing is said by colour alone. Blue and orange stay apart for
every kind of colour vision that tells anything apart.
"""

from __future__ import annotations

from xml.sax.saxutils import escape

from msgspec import Struct

from agent.evidence import NO_ROUNDS, Decision, Evidence, Point, Span, heard_between, passages_within
from agent.evidence_axis import (
    antennas_shown,
    dbm_range,
    decisions_shown,
    letters,
    points_shown,
    spans_shown,
    strength_shown,
    ticks,
)
from agent.evidence_words import Clock

GROUND, INK, SOFT, LINE = "#fffefb", "#1c2321", "#3d4744", "#c9c5b8"
NOW, THEN, PARKED, QUIET = "#1b5e9e", "#a34a00", "#e3e7e4", "#767d79"
_ROOMY_PX = 700
_BIN_PX = 4.0
_LETTER_PX = 7.2  # a character of 12 px, on the wide side
_LABEL_ROWS = 4


class Frame(Struct, frozen=True):
    """Where the lanes stand: the evidence's stretch between `left_px` and `right_px`, from `top_px` down."""

    evidence: Evidence
    width_px: int
    top_px: float

    @property
    def left_px(self) -> float:
        """Where the time axis begins."""
        return 122.0 if self.width_px > _ROOMY_PX else 84.0

    @property
    def right_px(self) -> float:
        """Where it ends."""
        return self.width_px - 14.0

    def x(self, at_s: float) -> float:
        """The place of a moment; the nearest edge for one outside."""
        evidence = self.evidence
        share = (at_s - evidence.from_s) / (evidence.to_s - evidence.from_s)
        return self.left_px + min(1.0, max(0.0, share)) * (self.right_px - self.left_px)


def draw_lanes(frame: Frame, *, at_s: float | None) -> tuple[list[str], float]:
    """(elements, y of their lower end)."""
    evidence = frame.evidence
    top = frame.top_px + (36.0 if at_s is not None else 20.0)
    lanes: list[str] = []
    y = top
    lane, y = _van(frame, y)
    lanes += lane
    lane, y = _spans(frame, y)
    lanes += lane
    lane, y = _heard(frame, y)
    lanes += lane
    for number, antenna in enumerate(antennas_shown(evidence)):
        lane, y = _strength(frame, y, antenna=antenna, number=number)
        lanes += lane
    belief_top = y + 8.0
    lane, y = _belief(frame, belief_top)
    lanes += lane
    lane, y = _decided(frame, y, line_top=belief_top)
    lanes += lane
    back: list[str] = [_patterns(frame)]
    for tick_s, label in ticks(evidence, most=int((frame.right_px - frame.left_px) // 62)):
        x = frame.x(tick_s)
        back.append(f'<path d="M{x:.1f} {top:.1f}V{y:.1f}" stroke="{LINE}" stroke-width="1"/>')
        if frame.left_px + 14 < x < frame.right_px - 14 or frame.width_px > _ROOMY_PX:
            back.append(_text(x, top - 6, label, anchor="middle", fill=SOFT))
    if at_s is not None:
        x = frame.x(at_s)
        back.append(f'<path d="M{x:.1f} {top:.1f}V{y:.1f}" stroke="{INK}" stroke-width="1.5" stroke-dasharray="2 3"/>')
        back.append(_text(x, top - 20, f"asked for {Clock(evidence.zone).hms(at_s)}", anchor="middle"))
    return back + lanes, y


def _text(x: float, y: float, text: str, *, anchor: str = "start", fill: str = INK, size: float = 12.0) -> str:
    look = f'font-size="{size:g}" text-anchor="{anchor}" fill="{fill}"'
    return f'<text x="{x:.1f}" y="{y:.1f}" {look}>{escape(text)}</text>'


def _label(y: float, text: str, *, fill: str = INK) -> str:
    return _text(12, y, text, fill=fill)


def _box(frame: Frame, span: Span, y: float, *, height: float, fill: str) -> str:
    """A box over a span; what `why` says is shown by whoever points at it."""
    x = frame.x(span.from_s)
    width = max(1.5, frame.x(span.to_s) - x)
    return (
        f'<rect x="{x:.1f}" y="{y:.1f}" width="{width:.1f}" height="{height:.1f}" fill="{fill}" stroke="{INK}"'
        f' stroke-width="0.6"><title>{escape(span.why)}</title></rect>'
    )


def _patterns(frame: Frame) -> str:
    name = frame.width_px
    return (
        f'<defs><pattern id="why-open-{name}" width="6" height="6" patternUnits="userSpaceOnUse">'
        f'<path d="M0 6L6 0" stroke="{INK}" stroke-width="1.4"/></pattern>'
        f'<pattern id="why-off-{name}" width="5" height="5" patternUnits="userSpaceOnUse">'
        f'<path d="M0 0L5 5M0 5L5 0" stroke="{INK}" stroke-width="1"/></pattern>'
        f'<pattern id="why-quiet-{name}" width="5" height="5" patternUnits="userSpaceOnUse">'
        f'<circle cx="2.5" cy="2.5" r="1" fill="{INK}"/></pattern></defs>'
    )


def _van(frame: Frame, y: float) -> tuple[list[str], float]:
    evidence, clock = frame.evidence, Clock(frame.evidence.zone)
    named = letters(evidence)
    parts = [_label(y + 18, "van")]
    for passage in passages_within(evidence):
        begin, end = frame.x(passage.from_s), frame.x(passage.to_s)
        when = f"{clock.hm(passage.from_s)} to {clock.hm(passage.to_s)}"
        if passage.kind == "leg":
            parts.append(
                f'<path d="M{begin:.1f} {y + 14:.1f}H{end:.1f}" stroke="{INK}" stroke-width="2.5"'
                f' stroke-dasharray="5 3"><title>driving, {when}</title></path>'
            )
            continue
        parked = Span(passage.from_s, passage.to_s, f"parked at {passage.name}, {when}")
        parts.append(_box(frame, parked, y + 3, height=22, fill=PARKED))
        letter = named[passage.name]
        room = end - begin - 8
        if room >= (len(passage.name) + 3) * _LETTER_PX:
            parts.append(_text(begin + 5, y + 18, f"{letter} {passage.name}"))
        elif room >= 0:
            parts.append(_text((begin + end) / 2, y + 18, letter, anchor="middle"))
        else:
            parts.append(_text((begin + end) / 2, y + 36, letter, anchor="middle", size=11))
    return parts, y + 40.0


def _spans(frame: Frame, y: float) -> tuple[list[str], float]:
    evidence, clock = frame.evidence, Clock(frame.evidence.zone)
    parts = []
    if evidence.doors_known:
        parts.append(_label(y + 10, "doors open" if frame.width_px > _ROOMY_PX else "doors"))
        for span in spans_shown(evidence, evidence.doors):
            said = f"rear doors open, {clock.hms(span.from_s)} to {clock.hms(span.to_s)}"
            fill = f"url(#why-open-{frame.width_px})"
            parts.append(_box(frame, Span(span.from_s, span.to_s, said), y, height=12, fill=fill))
        y += 18.0
    unread = spans_shown(evidence, evidence.unread)
    if unread:
        parts.append(_label(y + 10, "not read"))
        for span in unread:
            kind = "quiet" if span.why == NO_ROUNDS else "off"
            said = f"{span.why}, {clock.hms(span.from_s)} to {clock.hms(span.to_s)}"
            fill = f"url(#why-{kind}-{frame.width_px})"
            parts.append(_box(frame, Span(span.from_s, span.to_s, said), y, height=12, fill=fill))
            if frame.x(span.to_s) - frame.x(span.from_s) > (len(span.why) + 1) * _LETTER_PX:
                parts.append(_text(frame.x(span.from_s) + 2, y + 24, span.why, size=11))
        y += 30.0
    return parts, y


def _heard(frame: Frame, y: float) -> tuple[list[str], float]:
    """How many rounds there were is the pale ground, in how many of them the tag was heard the bar on it."""
    evidence = frame.evidence
    height = 40.0
    parts = [_label(y + 14, "heard in"), _label(y + 28, "of the rounds", fill=SOFT)]
    if frame.width_px <= _ROOMY_PX:
        parts[1] = _label(y + 28, "of rounds", fill=SOFT)
    count = int((frame.right_px - frame.left_px) / _BIN_PX)
    step = (evidence.to_s - evidence.from_s) / count
    ground, bars = [], []
    for number in range(count):
        begin = evidence.from_s + number * step
        heard, rounds = heard_between(evidence.hearing, begin, begin + step)
        if not rounds:
            continue
        x = frame.left_px + number * _BIN_PX
        ground.append(f"M{x:.1f} {y:.1f}h{_BIN_PX:g}v{height:g}h-{_BIN_PX:g}z")
        if heard:
            tall = max(2.0, height * heard / rounds)
            bars.append(f"M{x:.1f} {y + height:.1f}v-{tall:.1f}h{_BIN_PX - 0.6:g}v{tall:.1f}z")
    parts.append(f'<path d="{"".join(ground)}" fill="{PARKED}"/>')
    parts.append(f'<path d="{"".join(bars)}" fill="{NOW}"/>')
    return parts, y + height + 10.0


def _strength(frame: Frame, y: float, *, antenna: int, number: int) -> tuple[list[str], float]:
    """Weakest to strongest read of each minute as a line, their mean as a dot whose shape is the antenna's."""
    evidence = frame.evidence
    height = 40.0
    low, high = dbm_range(evidence)

    def up(dbm: float) -> float:
        return y + height * (high - dbm) / (high - low)

    parts = [_label(y + 14, f"antenna {antenna}"), _label(y + 28, f"{low:.0f} to {high:.0f}", fill=SOFT)]
    parts.append(_label(y + 41, "dBm", fill=SOFT))
    parts.append(
        f'<path d="M{frame.left_px:.1f} {y:.1f}H{frame.right_px:.1f}M{frame.left_px:.1f} {y + height:.1f}'
        f'H{frame.right_px:.1f}" stroke="{LINE}" stroke-width="0.7"/>'
    )
    lines, dots = [], []
    for one in strength_shown(evidence):
        if one.antenna != antenna:
            continue
        x = frame.x(one.at_s + 30.0)
        if one.weakest_dbm is not None:
            lines.append(f"M{x:.1f} {up(one.strongest_dbm):.1f}V{up(one.weakest_dbm):.1f}")
        dots.append(_dot(x, up(one.strongest_dbm if one.mean_dbm is None else one.mean_dbm), number))
    parts.append(f'<path d="{"".join(lines)}" stroke="{NOW}" stroke-width="1.5" fill="none"/>')
    parts.append(f'<path d="{"".join(dots)}" fill="{NOW}"/>')
    return parts, y + height + 12.0


def _dot(x: float, y: float, number: int) -> str:
    return (
        f"M{x - 2.6:.1f} {y:.1f}a2.6 2.6 0 1 0 5.2 0a2.6 2.6 0 1 0 -5.2 0z",
        f"M{x - 2.3:.1f} {y - 2.3:.1f}h4.6v4.6h-4.6z",
        f"M{x:.1f} {y - 3.2:.1f}l3.2 3.2l-3.2 3.2l-3.2 -3.2z",
        f"M{x:.1f} {y - 3:.1f}l3 5.6h-6z",
    )[number % 4]


def _belief(frame: Frame, y: float) -> tuple[list[str], float]:
    evidence = frame.evidence
    height = 130.0
    parts = [_label(y + 18, "P(aboard)")]
    for share, label in ((0.0, "0"), (0.5, "0.5"), (1.0, "1")):
        at = y + height * (1 - share)
        across = f"M{frame.left_px:.1f} {at:.1f}H{frame.right_px:.1f}"
        parts.append(f'<path d="{across}" stroke="{QUIET}" stroke-width="0.7"/>')
        parts.append(_text(frame.left_px - 5, at + 4, label, anchor="end", fill=SOFT))
    narrow = frame.width_px <= _ROOMY_PX
    now, then = points_shown(evidence, evidence.now), points_shown(evidence, evidence.live)
    if now:
        path = _steps(frame, now, y, height)
        x0, x1 = frame.x(now[0][0]), frame.x(now[-1][0])
        parts.append(f'<path d="{path}V{y + height:.1f}H{x0:.1f}z" fill="{NOW}" fill-opacity="0.2"/>')
        parts.append(f'<path d="{path}H{x1:.1f}" fill="none" stroke="{NOW}" stroke-width="2.2"/>')
        parts.append(f'<path d="M12 {y + 34:.1f}h20" stroke="{NOW}" stroke-width="2.2"/>')
        parts.append(_text(12, y + 49, "back" if narrow else "looking back", fill=NOW))
    if then:
        path = _steps(frame, then, y, height)
        parts.append(f'<path d="{path}" fill="none" stroke="{THEN}" stroke-width="1.5" stroke-dasharray="4 2.5"/>')
        parts.append(f'<path d="M12 {y + 64:.1f}h20" stroke="{THEN}" stroke-width="1.5" stroke-dasharray="4 2.5"/>')
        parts.append(_text(12, y + 79, "then" if narrow else "at the time", fill=THEN))
    return parts, y + height


def _steps(frame: Frame, points: tuple[Point, ...], y: float, height: float) -> str:
    """A line that holds each value up to the next; what moves by less than half a pixel is left out."""
    path, last_y = "", -1.0
    for number, (at_s, p) in enumerate(points):
        here = y + height * (1 - min(1.0, max(0.0, p)))
        if not path:
            path = f"M{frame.x(at_s):.1f} {here:.1f}"
        elif abs(here - last_y) >= 0.5 or number == len(points) - 1:  # noqa: PLR2004 - half a pixel
            path += f"H{frame.x(at_s):.1f}V{here:.1f}"
        else:
            continue
        last_y = here
    return path


def _decided(frame: Frame, y: float, *, line_top: float) -> tuple[list[str], float]:
    """Marks below the belief: best time, interval and in words what; labels that would overlap go a row down."""
    shown = decisions_shown(frame.evidence)
    parts = [_label(y + 20, "decided")] if shown else []
    ends = [0.0] * _LABEL_ROWS
    deepest = 0
    for decision in sorted(shown, key=lambda decision: decision.at_s):
        x = frame.x(decision.at_s)
        text = _said(frame, decision)
        width = len(text) * _LETTER_PX * 0.92 + 22
        begin = max(frame.left_px, min(x - 8, frame.right_px - width))
        row = next((number for number, end in enumerate(ends) if end < begin), _LABEL_ROWS - 1)
        ends[row] = begin + width
        deepest = max(deepest, row)
        parts += _mark(frame, decision, x, y + 14 + 24 * row, line_top)
        parts.append(_text(max(begin, min(x + 10, frame.right_px - width + 18)), y + 19 + 24 * row, text))
    return parts, y + (30.0 + 24 * deepest if shown else 6.0)


def _said(frame: Frame, decision: Decision) -> str:
    what = decision.kind if decision.stands else "taken back"
    return f"{what} {Clock(frame.evidence.zone).hm(decision.at_s)}"


def _mark(frame: Frame, decision: Decision, x: float, y: float, line_top: float) -> list[str]:
    colour = {"loaded": NOW, "unloaded": THEN}[decision.kind] if decision.stands else SOFT
    low, high = frame.x(decision.not_before_s), frame.x(decision.not_after_s)
    shape = f"M{x:.1f} {y - 6:.1f}l6.5 11h-13z" if decision.kind == "loaded" else f"M{x:.1f} {y + 6:.1f}l6.5 -11h-13z"
    interval = f"M{low:.1f} {y - 9:.1f}v4m0 -2H{high:.1f}m0 -2v4"
    dashes = "" if decision.stands else ' stroke-dasharray="1.5 3"'
    fill = colour if decision.stands else GROUND
    parts = [
        f'<path d="M{x:.1f} {line_top:.1f}V{y:.1f}" stroke="{colour}" stroke-width="1.2"{dashes}/>',
        f'<path d="{interval}" stroke="{colour}" stroke-width="1.5"/>',
        f'<path d="{shape}" fill="{fill}" stroke="{colour}" stroke-width="1.5"/>',
    ]
    if not decision.stands:
        parts.append(f'<path d="M{x - 6:.1f} {y - 6:.1f}l12 12m0 -12l-12 12" stroke="{colour}" stroke-width="1.5"/>')
    return parts
