"""How moments, probabilities, counts and decisions are told in plain words. Knows nothing of what they rest on."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

from msgspec import Struct

from agent.evidence import Decision, Evidence


class Clock(Struct, frozen=True):
    """Tells moments in one time zone."""

    zone: str

    def local(self, at_s: float) -> datetime:
        """The moment as a local time."""
        return datetime.fromtimestamp(at_s, tz=ZoneInfo(self.zone))

    def hm(self, at_s: float) -> str:
        """`08:16`."""
        return self.local(at_s).strftime("%H:%M")

    def hms(self, at_s: float) -> str:
        """`08:16:40`."""
        return self.local(at_s).strftime("%H:%M:%S")

    def beside(self, at_s: float, other_s: float) -> str:
        """`08:16`, or `Thu 08:16` where that is not the day of the other moment."""
        moment = self.local(at_s)
        return moment.strftime("%H:%M" if moment.date() == self.local(other_s).date() else "%a %H:%M")

    def day(self, at_s: float) -> str:
        """`Tuesday 2026-03-03`."""
        return self.local(at_s).strftime("%A %Y-%m-%d")


def sure(p: float) -> str:
    """A probability to three decimals; never a plain 0 or 1."""
    if p >= 0.9995:  # noqa: PLR2004 - what would round to 1.000
        return "over 0.999"
    return "under 0.001" if p < 0.0005 else f"{p:.3f}"  # noqa: PLR2004 - what would round to 0.000


def of_rounds(counts: tuple[int, int]) -> str:
    """`52 of 60 rounds`."""
    heard, rounds = counts
    return f"{heard} of {rounds} round{'' if rounds == 1 else 's'}"


def title(evidence: Evidence) -> str:
    """The thing by the name people know, or its EPC."""
    return evidence.name or evidence.epc


def head_line(decision: Decision, clock: Clock) -> str:
    """`Loaded at Gull Lane Theatre, 08:16 (between 08:15 and 08:18), 0.998`."""
    what = f"{decision.kind.capitalize()} at {decision.place}"
    at = clock.hm(decision.at_s)
    low, high = (clock.beside(t, decision.at_s) for t in (decision.not_before_s, decision.not_after_s))
    between = "within that minute" if low == high else f"between {low} and {high}"
    again = f", revision {decision.revision}" if decision.revision > 1 else ""
    return f"{what}, {at} ({between}), {sure(decision.p)}{again}"


def sentence(text: str) -> str:
    """The text with a capital and a full stop."""
    return f"{text[:1].upper()}{text[1:]}."
