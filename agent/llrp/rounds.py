"""When to read: a plan of inventory rounds, and one round as it goes on. Pure; times are monotonic seconds."""

from __future__ import annotations

import math

from msgspec import Struct, field

from agent.llrp.reports import Sighting
from agent.records import Inventory, Read


class ReadingPlan(Struct, frozen=True):
    """Bursts of rounds. `burst_rounds` None means without end, 0 none at all.

    `gap_s` stands between the rounds of a burst, `pause_s` between the end of a burst and the next one; the carrier is
    off in both.
    """

    round_s: float = 2.0
    gap_s: float = 0.0
    burst_rounds: int | None = None
    pause_s: float = 0.0


PARKED = ReadingPlan()
"""Back to back: loading and unloading happen now."""
SWEEP = ReadingPlan()
"""Back to back after a departure, when what is heard is aboard; the plan's user ends it after 120 s."""
MOVING = ReadingPlan(burst_rounds=2, pause_s=16.0)
"""Two rounds every 20 s: nothing gets on or off, the battery is spared."""
OFF = ReadingPlan(burst_rounds=0)
"""The reader does not transmit."""


class Timetable:
    """When the next round of a plan is due; `next_at` is infinite where there is none."""

    def __init__(self, plan: ReadingPlan) -> None:
        self.plan = OFF
        self.next_at = math.inf
        self._left: int | None = 0
        self.adopt(plan, -math.inf)

    def adopt(self, plan: ReadingPlan, now: float) -> None:
        """Follow another plan, beginning with a round at once; the same plan again changes nothing."""
        if plan != self.plan:
            self.plan = plan
            self._left = plan.burst_rounds
            self.next_at = math.inf if plan.burst_rounds == 0 else now

    def round_ended(self, now: float) -> None:
        """A round is over, whether it went well or not."""
        if self._left is not None:
            self._left -= 1
        if self.plan.burst_rounds == 0:
            self.next_at = math.inf
        elif self._left is None or self._left > 0:
            self.next_at = now + self.plan.gap_s
        else:
            self._left = self.plan.burst_rounds
            self.next_at = now + self.plan.pause_s


class Tally(Struct):
    """What became of the tag reports: received = used + duplicate + the sum of malformed."""

    received: int = 0
    used: int = 0
    duplicate: int = 0
    malformed: dict[str, int] = field(default_factory=dict)

    def bad(self, cause: str, count: int) -> None:
        """Count what could not be used."""
        if count:
            self.malformed[cause] = self.malformed.get(cause, 0) + count

    def good_after_all(self, cause: str, count: int) -> None:
        """Take back what was counted by `bad`."""
        self.malformed[cause] -= count
        if not self.malformed[cause]:
            del self.malformed[cause]


class Round:
    """One inventory round from its start to its end."""

    def __init__(self, *, started_at: float, seconds: float, antennas: tuple[int, ...]) -> None:
        self.started_at = started_at
        self.seconds = seconds
        self.antennas = antennas
        self.has_report = False
        self.used = 0
        self.is_ending = False  # the AISpec is over, or the ROSpec
        self.is_over = False  # the ROSpec is
        self.stopped_at: float | None = None
        self._reads: dict[tuple[str, int], Read] = {}
        self._taken: set[Sighting] = set()

    def add(self, sightings: list[Sighting], now: float, tally: Tally) -> None:
        """Take the sightings of one report; the same tag on the same antenna again adds to its count.

        The same report again, which is alike to the stamp, adds nothing: it was sent twice.
        """
        self.has_report = True
        for seen in sightings:
            key = (seen.tag, seen.antenna)
            before = self._reads.get(key)
            is_again = seen in self._taken
            if seen.stamps is not None:
                self._taken.add(seen)
            if before is None:
                self._reads[key] = Read(now, seen.tag, seen.antenna, float(seen.rssi_dbm), seen.count, seen.channel)
                tally.used += 1
                self.used += 1
                continue
            tally.duplicate += 1
            if is_again:
                continue
            louder = seen.rssi_dbm > before.rssi
            self._reads[key] = Read(
                before.mono,
                seen.tag,
                seen.antenna,
                float(seen.rssi_dbm) if louder else before.rssi,
                before.count + seen.count,
                seen.channel if louder else before.channel,
            )

    def inventory(self, now: float, antennas: tuple[int, ...]) -> Inventory:
        """The round with its reads, as delivered at `now`; `antennas` are those that took part in it to the end."""
        seconds = self.seconds
        if self.stopped_at is not None:
            seconds = min(seconds, max(self.stopped_at - self.started_at, 0.0))
        return Inventory(now, round(seconds, 3), antennas, tuple(self._reads.values()))
