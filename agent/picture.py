"""The evidence as one SVG page, drawn by hand: a picture on a common time axis, and the words below it.

The page holds two layouts of the same facts, for a wide window or paper and for a phone; a style sheet in it shows the
one that fits, and a viewer that reads none shows the wide one. Gives text and writes nothing.
"""

from __future__ import annotations

from xml.sax.saxutils import escape, quoteattr

from agent.evidence import Evidence
from agent.evidence_account import say
from agent.evidence_axis import letters
from agent.evidence_words import Clock, title
from agent.picture_lanes import GROUND, INK, LINE, SOFT, Frame, draw_lanes

WIDE_PX = 1200
NARROW_PX = 390
SWITCH_PX = 700
_LINE_PX = 20.0
_FONT = "font-family=\"system-ui, 'Noto Sans', 'DejaVu Sans', sans-serif\""


def draw_page(evidence: Evidence, *, at_s: float | None = None) -> str:
    """The whole SVG document. `at_s` is the moment asked about, if one was."""
    wide, wide_px = draw_layout(evidence, width_px=WIDE_PX, at_s=at_s)
    narrow, narrow_px = draw_layout(evidence, width_px=NARROW_PX, at_s=at_s)
    scale = WIDE_PX / NARROW_PX
    style = (
        f".why{{width:100%;max-width:{WIDE_PX}px;height:calc(min(100vw,{WIDE_PX}px)*{wide_px / WIDE_PX:.4f})}}"
        ".why-narrow{display:none}"
        f"@media (max-width:{SWITCH_PX}px){{.why{{height:calc(100vw*{narrow_px / NARROW_PX:.4f})}}"
        ".why-wide{display:none}.why-narrow{display:inline}}"
    )
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<svg xmlns="http://www.w3.org/2000/svg" class="why" width="{WIDE_PX}" height="{wide_px:.0f}"'
        f' viewBox="0 0 {WIDE_PX} {wide_px:.0f}" preserveAspectRatio="xMinYMin meet" role="img"'
        f' aria-labelledby="why-title why-desc" {_FONT}>\n'
        f'<title id="why-title">{escape(_title(evidence))}</title>\n'
        f'<desc id="why-desc">{escape(_description(evidence, at_s))}</desc>\n'
        f"<style>{style}</style>\n"
        f'<svg class="why-wide" width="{WIDE_PX}" height="{wide_px:.0f}">\n{wide}</svg>\n'
        f'<svg class="why-narrow" display="none" width="{WIDE_PX}" height="{narrow_px * scale:.0f}"'
        f' viewBox="0 0 {NARROW_PX} {narrow_px:.0f}">\n{narrow}</svg>\n'
        "</svg>\n"
    )


def _title(evidence: Evidence) -> str:
    clock = Clock(evidence.zone)
    return f"{title(evidence)} in {evidence.vehicle}, {clock.day(evidence.from_s)}: why it is said to be aboard or not"


def _description(evidence: Evidence, at_s: float | None) -> str:
    return " ".join(
        f"{paragraph.head}{'. ' if paragraph.head else ''}{paragraph.text}"
        for paragraph in say(evidence, around_s=at_s)
    )


def draw_layout(evidence: Evidence, *, width_px: int, at_s: float | None = None) -> tuple[str, float]:
    """(SVG elements, height) for one width, both in pixels; `id`s in it carry the width."""
    parts: list[str] = []
    y = 12.0
    heads, y = _heading(evidence, y, width_px=width_px)
    parts += heads
    frame = Frame(evidence, width_px=width_px, top_px=y + 6.0)
    lanes, y = draw_lanes(frame, at_s=at_s)
    parts += lanes
    parts += (lines := _places(evidence, y + 8.0, width_px=width_px))[0]
    words, y = _words(evidence, lines[1] + 6.0, width_px=width_px, at_s=at_s)
    parts += words
    height_px = y + 16.0
    ground = f'<rect width="{width_px}" height="{height_px:.0f}" fill="{GROUND}"/>'
    return "\n".join([ground, *parts]) + "\n", height_px


def text_at(x: float, y: float, text: str, *, size: float = 13.0, fill: str = INK, more: str = "") -> str:
    """One line of text; its baseline stands at `y`."""
    return f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size:g}" fill={quoteattr(fill)}{more}>{escape(text)}</text>'


def fold(text: str, *, width_px: float, size: float, bold: bool = False) -> list[str]:
    """The text in lines that fit, by the average width of a character; a word that is too long is broken."""
    most = max(12, int(width_px / (size * (0.58 if bold else 0.54))))
    lines, line = [], ""
    for word in text.split(" "):  # and at no no-break space
        rest = word
        while len(rest) > most:
            lines += [line] if line else []
            line = ""
            lines.append(rest[:most])
            rest = rest[most:]
        if line and len(line) + 1 + len(rest) > most:
            lines.append(line)
            line = rest
        else:
            line = f"{line} {rest}" if line else rest
    return [*lines, line] if line else lines


def _heading(evidence: Evidence, y: float, *, width_px: int) -> tuple[list[str], float]:
    clock = Clock(evidence.zone)
    parts: list[str] = []
    big = 22.0 if width_px > SWITCH_PX else 18.0
    for line in fold(f"{title(evidence)} in {evidence.vehicle}", width_px=width_px - 24, size=big, bold=True):
        y += big + 4
        parts.append(text_at(12, y, line, size=big, more=' font-weight="700"'))
    offset = clock.local(evidence.from_s).strftime("%z")
    begin, end = clock.hm(evidence.from_s), clock.beside(evidence.to_s, evidence.from_s)
    when = f"{clock.day(evidence.from_s)}, {begin} to {end},"
    for text in (evidence.epc, f"{when} {evidence.zone} (UTC{offset[:3]}:{offset[3:]})"):
        for line in fold(text, width_px=width_px - 24, size=13.0):
            y += _LINE_PX
            parts.append(text_at(12, y, line, fill=SOFT))
    return parts, y + 8.0


def _places(evidence: Evidence, y: float, *, width_px: int) -> tuple[list[str], float]:
    named = letters(evidence)
    if not named:
        return [], y
    parts = []
    # A no-break space keeps a letter with its place's first word.
    text = "; ".join(f"{letter}\u00a0{name}" for name, letter in named.items())
    for line in fold(text, width_px=width_px - 24, size=13.0):
        y += _LINE_PX
        parts.append(text_at(12, y, line, fill=SOFT))
    return parts, y


def _words(evidence: Evidence, y: float, *, width_px: int, at_s: float | None) -> tuple[list[str], float]:
    parts = []
    wide = min(width_px - 24.0, 900.0)
    for paragraph in say(evidence, around_s=at_s):
        if paragraph.head:
            y += 14.0
            parts.append(f'<path d="M12 {y:.1f}H{12 + wide:.1f}" stroke="{LINE}"/>')
            for line in fold(paragraph.head, width_px=wide, size=15.0, bold=True):
                y += 22.0
                parts.append(text_at(12, y, line, size=15.0, more=' font-weight="700"'))
        else:
            y += 6.0
        for line in fold(paragraph.text, width_px=wide, size=14.0):
            y += _LINE_PX
            parts.append(text_at(12, y, line, size=14.0))
    return parts, y
