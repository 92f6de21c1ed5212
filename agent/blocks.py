"""The evidence drawn for a terminal: block characters on a common time axis, and the words below.

Gives text and prints nothing. Without Unicode it draws in ASCII, without colour it says the same: every row has its
label and every mark its shape.
"""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Sequence

from msgspec import Struct

from agent.evidence import NO_ROUNDS, Evidence, Point, believed, heard_between, passages_within
from agent.evidence_account import say
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
from agent.evidence_words import Clock, title

LABEL = 11
BELIEF_ROWS = 4
SAMPLES = 6  # of a series in each column
BOLD, DIM, BLUE, YELLOW, PLAIN = "1", "2", "94", "93", ""


class Marks(Struct, frozen=True):
    """The characters drawn with; `levels` from empty to full."""

    levels: str
    parked: str
    moving: str
    open: str
    off: str
    silent: str
    nothing: str
    load: str
    unload: str
    back: str
    between: str
    asked: str


UNICODE = Marks(" ▁▂▃▄▅▆▇█", "─", "»", "▀", "▒", "░", "·", "▲", "▼", "✗", "┄", "┆")
ASCII = Marks(" .:-=+*#@", "-", ">", "o", "X", "~", "_", "^", "v", "x", "-", "!")


class Screen(Struct, frozen=True):
    """How wide the terminal is, and what it can show."""

    width: int = 80
    colour: bool = False
    unicode: bool = True

    @property
    def marks(self) -> Marks:
        """The characters that it can show."""
        return UNICODE if self.unicode else ASCII

    def paint(self, text: str, code: str) -> str:
        """Coloured where it can be."""
        return f"\x1b[{code}m{text}\x1b[0m" if self.colour and code and text.strip() else text


class _Columns(Struct, frozen=True):
    """The stretch cut into `count` columns of time."""

    from_s: float
    to_s: float
    count: int

    def edges(self, column: int) -> tuple[float, float]:
        """Begin and end of a column."""
        width = (self.to_s - self.from_s) / self.count
        return self.from_s + column * width, self.from_s + (column + 1) * width

    def of(self, at_s: float) -> int:
        """The column of a moment; the nearest where it lies outside."""
        share = (at_s - self.from_s) / (self.to_s - self.from_s)
        return min(self.count - 1, max(0, int(share * self.count)))


def draw_blocks(evidence: Evidence, *, screen: Screen, at_s: float | None = None) -> str:
    """The picture and the words, each line no wider than the screen, ending with a line feed."""
    columns = _Columns(evidence.from_s, evidence.to_s, max(20, screen.width - LABEL - 1))
    lines = [*_heading(evidence, screen), "", _axis(evidence, columns, screen)]
    if at_s is not None:
        asked = columns.of(at_s)
        lines.append(_row("asked for", [" "] * asked + [screen.marks.asked], screen, BOLD))
    lines += _van(evidence, columns, screen)
    lines += _heard(evidence, columns, screen)
    lines += _belief(evidence, columns, screen)
    lines.append(_decisions(evidence, columns, screen))
    lines += ["", *_key(evidence, screen), ""]
    lines += _words(evidence, screen, at_s)
    text = "\n".join(line.rstrip() for line in lines) + "\n"
    return text if screen.unicode else text.encode("ascii", "replace").decode()


def _heading(evidence: Evidence, screen: Screen) -> list[str]:
    clock = Clock(evidence.zone)
    offset = clock.local(evidence.from_s).strftime("%z")
    begin, end = clock.hm(evidence.from_s), clock.beside(evidence.to_s, evidence.from_s)
    when = f"{clock.day(evidence.from_s)}, {begin} to {end}"
    parts = [f"{title(evidence)}  in {evidence.vehicle}", evidence.epc]
    parts.append(f"{when}, {evidence.zone} (UTC{offset[:3]}:{offset[3:]})")
    lines = [line for part in parts for line in textwrap.wrap(part, screen.width - 1)]
    return [screen.paint(lines[0], BOLD), *lines[1:]]


def _row(label: str, cells: Sequence[str], screen: Screen, code: str = PLAIN) -> str:
    return f"{label[: LABEL - 1]:<{LABEL}}" + screen.paint("".join(cells).rstrip(), code)


def _axis(evidence: Evidence, columns: _Columns, screen: Screen) -> str:
    cells = [" "] * columns.count
    for tick_s, label in ticks(evidence, most=columns.count // 9):
        begin = columns.of(tick_s)
        if begin + len(label) <= columns.count:
            cells[begin : begin + len(label)] = label
    return _row("", cells, screen)


def _van(evidence: Evidence, columns: _Columns, screen: Screen) -> list[str]:
    marks, named = screen.marks, letters(evidence)
    van = [" "] * columns.count
    heads: list[tuple[int, str]] = []
    for passage in passages_within(evidence):
        first, last = columns.of(passage.from_s), columns.of(passage.to_s)
        mark = marks.moving if passage.kind == "leg" else marks.parked
        van[first : last + 1] = [mark] * (last + 1 - first)
        if passage.kind == "stop":
            heads.append((first, named[passage.name]))
    for first, letter in heads:
        van[first : first + len(letter)] = letter
    rows = [_row("van", van[: columns.count], screen, BOLD)]
    if evidence.doors_known:
        doors = [" "] * columns.count
        for span in spans_shown(evidence, evidence.doors):
            for column in range(columns.of(span.from_s), columns.of(span.to_s) + 1):
                doors[column] = marks.open
        rows.append(_row("doors open", doors, screen))
    unread = spans_shown(evidence, evidence.unread)
    if unread:
        cells = [" "] * columns.count
        for span in unread:
            mark = marks.silent if span.why == NO_ROUNDS else marks.off
            for column in range(columns.of(span.from_s), columns.of(span.to_s) + 1):
                cells[column] = mark
        rows.append(_row("not read", cells, screen))
    return rows


def _heard(evidence: Evidence, columns: _Columns, screen: Screen) -> list[str]:
    marks = screen.marks
    cells = []
    for column in range(columns.count):
        heard, rounds = heard_between(evidence.hearing, *columns.edges(column))
        share = heard / rounds if rounds else 0.0
        cells.append(_level(share, marks.levels) if heard else marks.nothing if rounds else " ")
    rows = [_row("heard in", cells, screen, BLUE)]
    low, high = dbm_range(evidence)
    for antenna in antennas_shown(evidence):
        best: dict[int, float] = {}
        for one in strength_shown(evidence):
            if one.antenna == antenna:
                column = columns.of(one.at_s + 30.0)
                best[column] = max(best.get(column, low), one.strongest_dbm)
        cells = [" "] * columns.count
        for column, dbm in best.items():
            cells[column] = _level((dbm - low) / (high - low), marks.levels)
        rows.append(_row(f"antenna {antenna}", cells, screen, BLUE))
    return rows


def _level(share: float, levels: str) -> str:
    """The character for a share of 1; never the empty one, for something was there."""
    return levels[min(len(levels) - 1, max(1, round(share * (len(levels) - 1))))]


def _belief(evidence: Evidence, columns: _Columns, screen: Screen) -> list[str]:
    rows = []
    series: tuple[tuple[str, tuple[Point, ...], str], ...] = (
        ("P then", points_shown(evidence, evidence.live), YELLOW),
        ("P now", points_shown(evidence, evidence.now), BLUE),
    )
    for label, points, code in series:
        if not points:
            continue
        heights = [_mean(points, columns.edges(column)) for column in range(columns.count)]
        for row in range(BELIEF_ROWS - 1, -1, -1):
            cells = [_cell(height, row, screen.marks.levels) for height in heights]
            edge = {BELIEF_ROWS - 1: "1", 0: "0"}.get(row, "")
            head = f"{label:<{LABEL - 2}}{edge}" if row == BELIEF_ROWS - 1 else f"{'':<{LABEL - 2}}{edge}"
            rows.append(f"{head:<{LABEL}}" + screen.paint("".join(cells).rstrip(), code))
    return rows


def _mean(points: Sequence[Point], edges: tuple[float, float]) -> float | None:
    low, high = edges
    if high < points[0][0] or low > points[-1][0]:
        return None
    at = [low + (high - low) * (n + 0.5) / SAMPLES for n in range(SAMPLES)]
    known = [p for moment in at if (p := believed(points, moment)) is not None]
    return sum(known) / len(known) if known else None


def _cell(height: float | None, row: int, levels: str) -> str:
    if height is None:
        return " "
    fill = height * BELIEF_ROWS - row
    if row == 0:
        fill = max(fill, 1 / (len(levels) - 1))  # a line at the bottom: believed not to be aboard, and that is known
    return levels[round(min(1.0, max(0.0, fill)) * (len(levels) - 1))]


def _decisions(evidence: Evidence, columns: _Columns, screen: Screen) -> str:
    marks = screen.marks
    cells = [" "] * columns.count
    shown = decisions_shown(evidence)
    for decision in shown:
        for column in range(columns.of(decision.not_before_s), columns.of(decision.not_after_s) + 1):
            cells[column] = marks.between
    for decision in shown:
        mark = {"loaded": marks.load, "unloaded": marks.unload}[decision.kind]
        cells[columns.of(decision.at_s)] = mark if decision.stands else marks.back
    return _row("decided", cells, screen, BOLD)


def _key(evidence: Evidence, screen: Screen) -> list[str]:
    marks = screen.marks
    low, high = dbm_range(evidence)
    # No-break spaces keep a mark with its meaning; they are plain ones again once the lines are folded.
    places = "   ".join(f"{letter}\u00a0{name}" for name, letter in letters(evidence).items())
    parts = [f"{marks.parked} parked", f"{marks.moving} moving"]
    if spans_shown(evidence, evidence.unread):
        parts += [f"{marks.off} power, radio, reader or antenna off", f"{marks.silent} no rounds"]
    parts += [f"{marks.load} loaded", f"{marks.unload} unloaded", f"{marks.back} taken back"]
    parts.append(f"{marks.between} between when")
    if antennas_shown(evidence):
        parts.append(f"antennas: strongest read, {marks.levels[1]} {low:.0f} dBm to {marks.levels[-1]} {high:.0f} dBm")
    parts.append(f"heard in: share of the rounds, {marks.nothing} none of them")
    if evidence.live:
        parts.append("P then: aboard, as believed at the time")
    if evidence.now:
        parts.append("P now: aboard, looking back")
    meanings = "   ".join(part.replace(" ", "\u00a0") for part in parts)
    wrapped = _wrap(places, screen) + _wrap(meanings, screen)
    return [screen.paint(line.replace("\u00a0", " "), DIM) for line in wrapped]


def _wrap(text: str, screen: Screen, indent: str = "") -> list[str]:
    return textwrap.wrap(
        text, screen.width - 1, initial_indent=indent, subsequent_indent=indent, break_on_hyphens=False,
        drop_whitespace=True,
    )  # fmt: skip


def _words(evidence: Evidence, screen: Screen, at_s: float | None) -> list[str]:
    lines: list[str] = []
    bold: Callable[[str], str] = lambda text: screen.paint(text, BOLD)  # noqa: E731 - one word for what it does
    for paragraph in say(evidence, around_s=at_s):
        if paragraph.head:
            lines += ["", *map(bold, _wrap(paragraph.head, screen))]
        lines += _wrap(paragraph.text, screen, "  ")
    return lines[1:]
