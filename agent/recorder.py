"""Writes what the agent receives as a recording, each input at once; a full disk interrupts it alone; floor 3.

An earlier recording is gone on with. A power cut, or a full disk, may have left half a line, which is ended first.
"""

from __future__ import annotations

import logging
import os
from pathlib import Path
from typing import IO

from agent.recording import encode_line, lines_of
from agent.records import Input
from agent.store_connection import NO_SPACE

log = logging.getLogger(__name__)


class Recorder:
    """Appends to a file that was opened unbuffered, to read and to append."""

    def __init__(self, file: IO[bytes], path: Path) -> None:
        self._file, self._path = file, path
        self._missed = 0
        self._is_whole = True
        if file.seek(0, os.SEEK_END):
            file.seek(-1, os.SEEK_END)
            self._is_whole = file.read(1) == b"\n"

    def take(self, item: Input) -> None:
        """Write its lines; while there is no space it is only counted. Raises OSError for any other reason."""
        lines = b"".join(encode_line(line) + b"\n" for line in lines_of(item))
        rest = memoryview(lines if self._is_whole else b"\n" + lines)
        try:
            while rest:
                rest = rest[self._file.write(rest) :]
        except OSError as error:
            if error.errno not in NO_SPACE:
                raise
            if not self._missed:
                log.warning("recording-full", extra={"path": str(self._path)})
            self._is_whole, self._missed = False, self._missed + 1
            return
        if self._missed:
            log.warning("recording-again", extra={"path": str(self._path), "inputs_missed": self._missed})
        self._is_whole, self._missed = True, 0
