"""Working hours: outside them positions, badges and places are not kept. Without the section nothing is withheld."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

from agent.vehicle import Privacy

# What stands for a place that is not kept.
WITHHELD = "urn:roadtally:site:withheld"
_DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


def is_working(privacy: Privacy, utc_s: float) -> bool:
    """True within the working hours, or where none are given. Hours that end before they begin run over midnight."""
    hours = privacy.working_hours
    if hours is None:
        return True
    local = datetime.fromtimestamp(utc_s, tz=ZoneInfo(hours.timezone))
    minute = local.hour * 60 + local.minute
    today, yesterday = _DAYS[local.weekday()], _DAYS[local.weekday() - 1]
    if hours.from_min <= hours.to_min:
        return today in hours.days and hours.from_min <= minute < hours.to_min
    return (today in hours.days and minute >= hours.from_min) or (yesterday in hours.days and minute < hours.to_min)
