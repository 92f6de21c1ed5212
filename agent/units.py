"""Units and the one way times are written; floor 0."""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime, timedelta

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_RFC3339 = re.compile(r"^\d{4}-\d\d-\d\d[Tt]\d\d:\d\d:\d\d(\.\d+)?([Zz]|[+-]\d\d:\d\d)$")


def format_utc(utc_s: float) -> str:
    """Seconds since 1970 as RFC 3339 in UTC with exactly three decimals: `2026-03-02T07:01:12.000Z`."""
    milliseconds = math.floor(utc_s * 1000 + 0.5)
    moment = EPOCH + timedelta(milliseconds=milliseconds)
    return moment.strftime("%Y-%m-%dT%H:%M:%S.") + f"{milliseconds % 1000:03d}Z"


def parse_utc(text: str) -> float:
    """RFC 3339 text as seconds since 1970; raises ValueError on anything else."""
    if not _RFC3339.match(text):
        message = f"{text!r} is no RFC 3339 time such as 2026-03-02T07:01:12.000Z"
        raise ValueError(message)
    return (datetime.fromisoformat(text.upper()) - EPOCH).total_seconds()
