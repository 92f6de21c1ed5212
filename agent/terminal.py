"""What a stream can show: floor 4, for it asks the process's own terminal and environment."""

from __future__ import annotations

import os
import shutil
from typing import TextIO

from agent.findings import Paper

NO_TERMINAL_COLUMNS, MOST_COLUMNS = 100, 110


def paper_of(stream: TextIO) -> Paper:
    """Bold and reversed letters on a terminal that has any, unless NO_COLOR is set; longer lines are hard to read."""
    if not stream.isatty():
        return Paper(NO_TERMINAL_COLUMNS)
    columns = shutil.get_terminal_size((NO_TERMINAL_COLUMNS, 24)).columns
    can_stress = not os.environ.get("NO_COLOR") and os.environ.get("TERM", "") not in {"", "dumb"}
    return Paper(min(columns, MOST_COLUMNS), can_stress)
