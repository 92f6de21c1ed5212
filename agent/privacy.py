"""Working hours: outside them positions, badges and places are not kept. Without the section nothing is withheld."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from zoneinfo import ZoneInfo

from agent.geofences import WITHHELD_ID
from agent.records import Read
from agent.register import Register
from agent.vehicle import Privacy

# What stands for a place that is not kept.
WITHHELD = f"urn:roadtally:site:{WITHHELD_ID}"
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


def without_badges(reads: Iterable[Read], register: Register) -> tuple[Read, ...]:
    """The reads that speak of things alone: those of badges, which speak of people, are left out."""
    listings = ((read, register.find(read.epc)) for read in reads)
    return tuple(read for read, listing in listings if listing is None or listing.kind != "person")
