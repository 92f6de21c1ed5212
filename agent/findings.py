"""What a check found, as lines for a terminal: the state, a word for the part, what was found, what to do; floor 1.

Made for a dim van at arm's length: few columns, the state as a word, never by colour alone. Asks nothing itself.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence
from typing import Any, Literal

from msgspec import Struct, to_builtins

State = Literal["ok", "not ok", "not tested"]
_BOLD, _LOUDEST, _PLAIN = "\x1b[1m", "\x1b[1;7m", "\x1b[0m"
_SHOWN: dict[State, str] = {"ok": "ok", "not ok": "NOT OK", "not tested": "not tested"}
_STATE_COLUMNS, _PART_COLUMNS = 12, 13
_NARROWEST = 60


class Finding(Struct, frozen=True):
    """One line: which part, how it is, what was found, and what to do about it (empty where nothing is)."""

    part: str
    state: State
    found: str
    do: str = ""


class Paper(Struct, frozen=True):
    """What is written on: its columns, and whether it can show letters bold and reversed."""

    width: int = 100
    can_stress: bool = False

    def loud(self, text: str) -> str:
        """Bold where there is any."""
        return f"{_BOLD}{text}{_PLAIN}" if self.can_stress else text

    def loudest(self, text: str) -> str:
        """Bold on reversed ground where there is any."""
        return f"{_LOUDEST}{text}{_PLAIN}" if self.can_stress else text


def is_well(findings: Iterable[Finding]) -> bool:
    """Whether nothing is not ok; what was not tested does not count against it."""
    return all(finding.state != "not ok" for finding in findings)


def as_lines(finding: Finding, paper: Paper) -> list[str]:
    """The finding on as many lines as it takes, wrapped beside its part."""
    left = 2 + _STATE_COLUMNS + _PART_COLUMNS
    columns = max(paper.width, _NARROWEST) - left
    state, part = f"{_SHOWN[finding.state]:<{_STATE_COLUMNS}}", f"{finding.part.upper():<{_PART_COLUMNS}}"
    # The blanks behind a word stay plain: a bar of reversed ground to the next column would shout louder than the word.
    word = state.rstrip()
    blanks = " " * (len(state) - len(word))
    state = {"ok": paper.loud(word), "not ok": paper.loudest(word), "not tested": word}[finding.state] + blanks
    texts = textwrap.wrap(finding.found, columns) or [""]
    dos = textwrap.wrap(finding.do, columns - 3)
    lines = [f"{'! ' if finding.state == 'not ok' else '  '}{state}{paper.loud(part)}{texts[0]}"]
    lines += [" " * left + text for text in texts[1:]]
    lines += [" " * left + ("-> " if number == 0 else "   ") + text for number, text in enumerate(dos)]
    return lines


def summary(findings: Sequence[Finding], paper: Paper) -> str:
    """One last line that says it all."""
    bad = [finding.part for finding in findings if finding.state == "not ok"]
    counts = {state: sum(finding.state == state for finding in findings) for state in ("ok", "not tested")}
    rest = ", ".join(f"{count} {state}" for state, count in counts.items() if count)
    if bad:
        loudest = paper.loudest(f"{len(bad)} NOT OK: {', '.join(dict.fromkeys(bad)).upper()}")
    else:
        loudest = paper.loud("NOTHING FOUND WRONG")
    return f"{loudest}.  {rest}" if rest else loudest


def as_document(findings: Sequence[Finding]) -> dict[str, Any]:
    """For machines: the findings in order, and whether all is well."""
    return {"ok": is_well(findings), "findings": [to_builtins(finding) for finding in findings]}
