"""What a check found, as lines for a terminal and as a document."""

from __future__ import annotations

import re

import pytest

from agent.findings import Finding, Paper, as_document, as_lines, is_well, summary

GOOD = Finding("reader", "ok", "192.0.2.20:5084 answers")
BAD = Finding("gpsd", "not ok", "no answer at 127.0.0.1:2947", "start it")
UNKNOWN = Finding("sky", "not tested", "gpsd has to answer first")
ESCAPE = re.compile(r"\x1b\[[0-9;]*m")


def test_what_was_not_tested_does_not_count_against_it() -> None:
    """All is well where nothing is not ok."""
    assert is_well([])
    assert is_well([GOOD, UNKNOWN])
    assert not is_well([GOOD, UNKNOWN, BAD])


@pytest.mark.parametrize("finding", [GOOD, BAD, UNKNOWN], ids=lambda finding: finding.state)
def test_the_state_is_a_word_and_never_by_stress_alone(finding: Finding) -> None:
    """With bold and reversed letters the same characters stand there as without, and the state is among them."""
    plain, stressed = as_lines(finding, Paper(80)), as_lines(finding, Paper(80, can_stress=True))
    assert [ESCAPE.sub("", line) for line in stressed] == plain
    assert finding.state in plain[0].lower()
    assert finding.part.upper() in plain[0]
    assert not any("\x1b" in line for line in plain)


def test_what_is_not_ok_catches_the_eye_and_says_what_to_do() -> None:
    """An exclamation mark at the edge and capitals, then the advice below its own mark."""
    assert as_lines(BAD, Paper(80)) == [
        "! NOT OK      GPSD         no answer at 127.0.0.1:2947",
        "                           -> start it",
    ]
    assert as_lines(GOOD, Paper(80)) == ["  ok          READER       192.0.2.20:5084 answers"]


@pytest.mark.parametrize("width", [60, 80, 110])
def test_no_line_is_longer_than_the_paper(width: int) -> None:
    """Long texts are wrapped beside their part."""
    long = Finding("antennas", "not ok", "port 2 " * 40, "push its plug home " * 20)
    lines = as_lines(long, Paper(width))
    assert all(len(line) <= width for line in lines)
    assert " ".join("".join(lines).split()).count("port 2") == 40


def test_the_last_line_says_it_all() -> None:
    """How many are not ok and which, each once, and the counts of the rest."""
    assert summary([GOOD, BAD, BAD, UNKNOWN], Paper()) == "2 NOT OK: GPSD.  1 ok, 1 not tested"
    assert summary([GOOD, GOOD], Paper()) == "NOTHING FOUND WRONG.  2 ok"


def test_for_machines() -> None:
    """The same in the same order."""
    document = as_document([GOOD, BAD])
    assert document["ok"] is False
    assert document["findings"][1] == {
        "part": "gpsd", "state": "not ok", "found": "no answer at 127.0.0.1:2947", "do": "start it",
    }  # fmt: skip
