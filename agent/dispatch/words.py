"""How the board says figures: probabilities, ages, clock times. The page's script says ages in the same way."""

from __future__ import annotations

from datetime import UTC, datetime, tzinfo

from agent.units import format_utc, parse_utc

_STEPS = {"loading": "loaded", "unloading": "unloaded", "departing": "departed", "arriving": "arrived"}
# The years 1970 to 9998: a vehicle's clock may be wrong by years, a calendar's ends are no place to be.
_EARLIEST_S, _LATEST_S = 0.0, 253_370_764_800.0
_MINUTE_S, _HOUR_S, _DAY_S = 60, 3600, 86400
# What a word stands for is our own choice; the figure always stands beside it.
_CONFIDENCE = (
    (0.995, "as good as certain"),
    (0.95, "very likely"),
    (0.8, "likely"),
    (0.5, "more likely than not"),
    (0.2, "doubtful"),
)
_LEAST_SAID, _FINE_FROM, _MOST_SAID = 0.01, 0.99, 0.9995
_VOID_REASONS = {"incorrect_data": "it was wrong", "did_not_occur": "it did not happen"}


def confidence(p: float | None) -> str:
    """A probability in words."""
    if p is None:
        return "not said"
    return next((text for least, text in _CONFIDENCE if p >= least), "unlikely")


def figure(p: float | None) -> str:
    """A probability as a percentage, cut off and never rounded up: `86 %`, `99.8 %`, `over 99.9 %`, `under 1 %`.

    Vehicles round to four decimals, so that not even a 1 is certainty.
    """
    if p is None:
        return ""
    if p < _LEAST_SAID:
        return "under 1 %"
    if p >= _MOST_SAID:
        return "over 99.9 %"
    tenths = int(p * 1000 + 1e-9)
    return f"{tenths / 10:.1f} %" if p >= _FINE_FROM else f"{tenths // 10} %"


def age(seconds: float) -> str:
    """How long ago or for how long: `12 s`, `4 min`, `3 h 10 min`, `2 days`."""
    whole = max(int(seconds), 0)
    if whole < 2 * _MINUTE_S:
        return f"{whole} s"
    if whole < _HOUR_S:
        return f"{whole // _MINUTE_S} min"
    if whole < _DAY_S:
        return f"{whole // _HOUR_S} h {whole % _HOUR_S // _MINUTE_S} min"
    days = whole // _DAY_S
    return f"{days} day{'s' if days > 1 else ''}"


def clock_time(utc_s: float, *, now_s: float, zone: tzinfo) -> str:
    """A moment on a clock in `zone`, with its date where that is not today's: `07:21`, `Mon 2 Mar, 07:21`."""
    if not _EARLIEST_S <= utc_s < _LATEST_S:
        return "at a time that no clock shows"
    moment, today = (datetime.fromtimestamp(each, tz=UTC).astimezone(zone) for each in (utc_s, now_s))
    text = moment.strftime("%H:%M")
    return text if moment.date() == today.date() else f"{moment:%a} {moment.day} {moment:%b %Y}, {text}"


def zone_name(moment: datetime) -> str:
    """What a clock's zone is called: `CET`, or `UTC-01` where the zone has no letters of its own."""
    name = moment.tzname() or ""
    return f"UTC{name}" if name[:1] in ("+", "-") else name


def rfc3339(utc_s: float) -> str:
    """A moment as the formats write it; nothing for one that no calendar holds."""
    return format_utc(utc_s) if _EARLIEST_S <= utc_s < _LATEST_S else ""


def step(biz_step: str) -> str:
    """An event's business step as the trade says it."""
    return _STEPS.get(biz_step, biz_step)


def void_reason(reason: str | None) -> str:
    """Why an event was taken back, in words."""
    return _VOID_REASONS.get(reason or "", reason or "no reason given")


def seconds_of(text: object) -> float | None:
    """A time of a document, None where there is none that can be read."""
    try:
        return parse_utc(text) if isinstance(text, str) else None
    except ValueError:
        return None
