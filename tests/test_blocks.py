"""The evidence on a terminal: what stands where, at any width, in ASCII and without colour."""

from __future__ import annotations

import re

import pytest
from msgspec.structs import replace

from agent.blocks import ASCII, LABEL, UNICODE, Marks, Screen, draw_blocks
from agent.evidence import Passage
from tests.test_picture import T0, decision, evidence

ESCAPES = re.compile(r"\x1b\[[0-9;]*m")


def rows(text: str) -> dict[str, str]:
    """The picture's rows by their labels, each from where its columns begin."""
    picture = text.split("\n\n")[1]
    return {line[:LABEL].strip(): line[LABEL:] for line in picture.split("\n")}


@pytest.mark.parametrize("width", [60, 80, 133, 160])
@pytest.mark.parametrize("marks", [UNICODE, ASCII])
def test_no_line_is_wider_than_the_screen(width: int, marks: Marks) -> None:
    """With a word as long as a whole line in the name, too."""
    one = replace(evidence(stops=12), name="x" * 300)
    text = draw_blocks(one, screen=Screen(width, unicode=marks is UNICODE), at_s=T0 + 900)
    assert max(map(len, text.splitlines())) < width
    assert text.endswith("\n")


def test_ascii_is_ascii() -> None:
    """Where the terminal shows no blocks, nothing but ASCII is written."""
    assert draw_blocks(evidence(), screen=Screen(80, colour=False, unicode=False)).isascii()


def test_colour_adds_nothing_but_colour() -> None:
    """Without its escapes the coloured picture is the plain one."""
    plain = draw_blocks(evidence(), screen=Screen(80))
    coloured = draw_blocks(evidence(), screen=Screen(80, colour=True))
    assert "\x1b[" in coloured
    assert "\x1b[" not in plain
    assert ESCAPES.sub("", coloured) == plain


@pytest.mark.parametrize("marks", [UNICODE, ASCII])
def test_every_mark_differs(marks: Marks) -> None:
    """No two marks of a row look alike."""
    assert len({marks.load, marks.unload, marks.back, marks.between}) == 4
    assert marks.parked != marks.moving
    assert marks.off != marks.silent
    assert len(set(marks.levels)) == len(marks.levels) == 9
    assert marks.nothing not in marks.levels


def test_marks_stand_at_their_times() -> None:
    """Of 4,800 s on 120 columns of 40 s: decisions, doors, power and the moment asked for, each in its column."""
    one = evidence(stops=4)
    text = draw_blocks(one, screen=Screen(120 + LABEL + 1), at_s=T0 + 900)
    found = rows(text)
    assert found["decided"].index(UNICODE.load) == 400 // 40
    assert found["decided"].index(UNICODE.back) == 1300 // 40
    assert found["decided"].index(UNICODE.unload) == 1500 // 40
    assert found["asked for"].index(UNICODE.asked) == 900 // 40
    assert found["doors open"].index(UNICODE.open) == 100 // 40
    assert found["not read"].index(UNICODE.silent) == 640 // 40
    assert found["not read"].index(UNICODE.off) == 1100 // 40
    assert found["van"].index("A") == 0
    assert found["van"].index(UNICODE.moving) == 600 // 40
    assert found["van"].index("B") == 1200 // 40


def test_a_share_and_a_silence_look_different() -> None:
    """A column with 3 of 10 rounds (2.4 eighths), one of rounds without it, none where there were no rounds."""
    one = evidence()
    silent = tuple(replace(h, heard=0) if h.at_s > T0 + 1200 else h for h in one.hearing if h.at_s < T0 + 1800)
    cells = rows(draw_blocks(replace(one, hearing=silent), screen=Screen(120 + LABEL + 1)))["heard in"]
    assert cells[10] == UNICODE.levels[2]
    assert cells[70] == UNICODE.nothing
    assert len(cells.rstrip()) == 1800 // 20


def test_the_belief_rises_with_p() -> None:
    """P from 0 to 1 and held: the lowest row is marked throughout, the highest only at the end, and full there."""
    one = replace(evidence(), live=())
    lines = draw_blocks(one, screen=Screen(120 + LABEL + 1)).split("\n\n")[1].split("\n")
    top = next(number for number, line in enumerate(lines) if line.startswith("P now"))
    highest, lowest = lines[top][LABEL:], lines[top + 3][LABEL:]
    assert len(lowest.rstrip()) == 120
    assert lowest[0] == UNICODE.levels[1]
    assert highest[:30].strip() == ""
    assert highest[-1] == UNICODE.levels[-1]


def test_places_are_named_by_letter() -> None:
    """A place that the van comes back to keeps its letter; the legend names each once."""
    one = evidence(stops=2)
    back = Passage("stop", one.to_s, one.to_s + 600, "site-0", one.passages[0].name)
    text = draw_blocks(replace(one, passages=(*one.passages, back), to_s=one.to_s + 600), screen=Screen(100))
    assert re.sub(f"[^A-Z{UNICODE.moving}]|(?<={UNICODE.moving}){UNICODE.moving}", "", rows(text)["van"]) == "A»B»A"
    assert text.count("A Halyard <Stage & Sound>, hire depot") == 1


def test_a_decision_that_stands_hides_one_that_does_not() -> None:
    """Taken back and stated anew within the same column: the standing mark is the one that is seen."""
    one = replace(evidence(), decisions=(decision("loaded", 400, taken_back_s=T0 + 700), decision("loaded", 402)))
    cells = rows(draw_blocks(one, screen=Screen(80)))["decided"]
    assert UNICODE.load in cells
    assert UNICODE.back not in cells
