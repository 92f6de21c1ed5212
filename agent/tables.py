"""Tables that people write: CSV with a header, read so that every problem is found at once and each says its line.

Knows nothing of what a column means; register and plan do. Tolerant where a spreadsheet is careless (byte order mark,
blank lines, blanks around a value, empty cells at the end of a row), strict where a value could be lost in silence.
"""

from __future__ import annotations

import csv
import difflib
import io
from collections.abc import Iterable, Sequence

from msgspec import Struct

from agent.records import Problem

# How alike a misspelt word must be to be offered as a near miss; judgement, tried on the words of these files.
_ALIKE = 0.72


class Row(Struct, frozen=True):
    """One row: the line of the file that it starts on, and its cells by column; a column left out is empty."""

    line_no: int
    cells: dict[str, str]

    def __getitem__(self, column: str) -> str:
        return self.cells.get(column, "")


class Complaints:
    """The problems of one file."""

    def __init__(self, file: str) -> None:
        self.file = file
        self._found: list[tuple[int, Problem]] = []

    def __len__(self) -> int:
        return len(self._found)

    def by_line(self) -> tuple[Problem, ...]:
        """All of them, in the order of the file."""
        return tuple(problem for _, problem in sorted(self._found, key=lambda found: found[0]))

    def add(self, line_no: int, column: str, *, got: str, do: str, what: str = "") -> None:
        """Note one problem; `column` is empty where the whole line is meant."""
        where = f"line {line_no}" + (f", column {column}" if column else "")
        problem = Problem(file=self.file, where=where, got=repr(got) if got else "", do=do, what=what)
        self._found.append((line_no, problem))


def near_miss(word: str, known: Iterable[str]) -> str | None:
    """The known word that `word` was most likely meant to be, or None."""
    found = difflib.get_close_matches(word.lower(), list(known), n=1, cutoff=_ALIKE)
    return found[0] if found else None


def read_table(
    text: str, *, complaints: Complaints, required: Sequence[str], optional: Sequence[str]
) -> tuple[Row, ...] | None:
    """The rows of a CSV text, or None where the header is unusable; what is wrong goes to `complaints`.

    Columns that nobody knows are left alone, unless one is a near miss of a known column that is missing.
    """
    reader = csv.reader(io.StringIO(text.removeprefix("\ufeff"), newline=""), strict=True)
    columns: list[str] | None = None
    rows: list[Row] = []
    line_no = 1
    try:
        for cells in reader:
            stripped = [cell.strip() for cell in cells]
            if columns is None:
                if any(stripped):
                    columns = _header(stripped, line_no, complaints, required, optional)
                    if columns is None:
                        return None
            elif any(stripped):
                if any(stripped[len(columns) :]):
                    complaints.add(
                        line_no, "", got=",".join(cells), what=f"has {len(cells)} values, the header {len(columns)}",
                        do="put a value that holds a comma in double quotes",
                    )  # fmt: skip
                else:
                    rows.append(Row(line_no, dict(zip(columns, stripped, strict=False))))
            line_no = reader.line_num + 1
    except csv.Error as error:
        complaints.add(
            line_no, "", got="", what=f"cannot be read as CSV: {error}",
            do="close the double quotes, and write a double quote inside a value twice",
        )  # fmt: skip
    if columns is None:
        complaints.add(1, "", got="", what="has no header", do=f"begin with the line {','.join(required)}")
        return None
    return tuple(rows)


def _header(
    names: list[str], line_no: int, complaints: Complaints, required: Sequence[str], optional: Sequence[str]
) -> list[str] | None:
    known = [*required, *optional]
    if len(names) == 1 and any(mark in names[0] for mark in (";", "\t")):
        complaints.add(
            line_no, "", got=names[0], what="the columns are not separated by commas",
            do="save the file as CSV with commas",
        )  # fmt: skip
        return None
    before = len(complaints)
    for name in sorted({name for name in names if name and names.count(name) > 1}):
        complaints.add(line_no, name, got=name, what="stands twice in the header", do="leave one of them out")
    absent = [name for name in known if name not in names]
    for name in names:
        meant = near_miss(name, absent) if name and name not in known else None
        if meant is not None:
            complaints.add(line_no, name, got=name, what="is no known column", do=f"write {meant}, if that is meant")
            absent.remove(meant)
    for name in absent:
        if name in required:
            complaints.add(line_no, name, got="", what="is missing", do=f"add the column {name}")
    return names if len(complaints) == before else None
