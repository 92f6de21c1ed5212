"""Log lines as JSON on standard error, one object a line, for the journal; stdlib logging underneath."""

from __future__ import annotations

import json
import logging
import sys

# What every log record carries anyway; the rest is what the caller gave as `extra`.
_OWN = set(logging.makeLogRecord({}).__dict__) | {"message", "asctime", "taskName"}


class JsonLines(logging.Formatter):
    """One JSON object a line: level, logger, text and whatever was given as `extra`."""

    def format(self, record: logging.LogRecord) -> str:
        """The line."""
        extra = {key: value for key, value in record.__dict__.items() if key not in _OWN}
        line = {"level": record.levelname.lower(), "from": record.name, "text": record.getMessage()} | extra
        if record.exc_info:
            line["trace"] = self.formatException(record.exc_info)
        return json.dumps(line, default=str, ensure_ascii=False)


def log_as_json(level: int = logging.INFO) -> None:
    """Send everything from `level` up to standard error as JSON lines."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(JsonLines())
    logging.basicConfig(level=level, handlers=[handler], force=True)
