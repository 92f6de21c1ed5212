"""The round under way, the report stream that feeds it, and what became of every report. Pure; sends nothing.

A report outside a round is counted and given to none: nothing says when its tags were heard. That is so for reports
held from before a connection, and for those that come after their round was closed. One that comes inside a round is
taken as heard when it arrives, unless its own stamps are clearly older than the round (`readerclock.py`). Those wait
for the end of the round, when the reader's clock is known to have gone steadily: then they are passed over as well,
as a duplicate where the very same stamps were used before, else as out of a round. Where it is not known they are used.
Stamps that were used in an earlier round wait likewise, however young they are.
"""

from __future__ import annotations

from agent.llrp.messages import ROAccessReport
from agent.llrp.params import Uptime
from agent.llrp.readerclock import ReaderClock, Stamps
from agent.llrp.reports import Reports, Sighting
from agent.llrp.rospec import CONTENT, ROSPEC_ID
from agent.llrp.rounds import Round, Tally
from agent.llrp.tables import ROSpecEventType
from agent.llrp.told import ReaderEventNotificationData
from agent.records import Inventory

OUT_OF_A_ROUND = "out of a round"
EARLY = 0.5  # an end that comes before so much of the round is over may be another's. Judgement
REMEMBERED = 4096  # stamps of used reports, so that one sent again is known: some rounds of a full van


class Listening:
    """See the module. `round` is None while none is under way; `tally` lives over connections."""

    def __init__(self) -> None:
        self.tally = Tally()
        self.round: Round | None = None
        self._used: dict[tuple[str, int, Stamps], float] = {}  # in the order of their use
        self.begin_connection()

    def begin_connection(self) -> None:
        """Nothing is known of the reader's clock, and no round is under way."""
        self.round = None
        self._clock = ReaderClock()
        self._doubted: list[tuple[float, Sighting]] = []
        self.begin_stream()

    def begin_stream(self) -> None:
        """Another connection or another ROSpec: another report stream, which owes nothing to the one before."""
        self._reports = Reports(CONTENT)

    def start(self, now: float, *, seconds: float, antennas: tuple[int, ...]) -> None:
        """A round begins."""
        self.round = Round(started_at=now, seconds=seconds, antennas=antennas)
        self._clock.begin_round()
        self._doubted.clear()

    def hear_report(self, report: ROAccessReport, now: float) -> None:
        """Give a report's sightings to the round, and count what became of each."""
        sightings = self._reports.sightings(report)
        self.tally.received += len(report.tag_report_data)
        for cause, count in self._reports.malformed.items():
            self.tally.bad(cause, count)
        self._reports.malformed.clear()
        if self.round is None:
            self._pass_over(sightings)
            return
        began = self.round.started_at
        fresh = [seen for seen in sightings if not self._is_old(seen, began)]
        if len(fresh) < len(sightings):
            doubted = [(now, seen) for seen in sightings if self._is_old(seen, began)]
            self._doubted += doubted
            self.tally.bad(OUT_OF_A_ROUND, len(doubted))
        if fresh or not sightings:
            self._use(self.round, fresh, now)

    def _use(self, under_way: Round, sightings: list[Sighting], now: float) -> None:
        under_way.add(sightings, now, self.tally)
        for seen in sightings:
            if seen.stamps is not None:
                self._used[seen.tag, seen.antenna, seen.stamps] = under_way.started_at
        while len(self._used) > REMEMBERED:
            del self._used[next(iter(self._used))]

    def _used_in(self, seen: Sighting) -> float | None:
        """When the last round began in which these very stamps were used."""
        return None if seen.stamps is None else self._used.get((seen.tag, seen.antenna, seen.stamps))

    def _is_old(self, seen: Sighting, began: float) -> bool:
        """Whether it is older than the round, if the clock has not jumped: clearly so, or sent again."""
        if self._clock.looks_old(seen.stamps, began):
            return True
        before = self._used_in(seen)
        return before is not None and before < began and seen.stamps is not None and seen.stamps.is_fine

    def _pass_over(self, sightings: list[Sighting]) -> None:
        again = sum(self._used_in(seen) is not None for seen in sightings)
        self.tally.duplicate += again
        self.tally.bad(OUT_OF_A_ROUND, len(sightings) - again)

    def _judge(self, under_way: Round) -> None:
        """At the end of a round: pass over what is older than it, if the reader's clock can be believed."""
        doubted, self._doubted = self._doubted, []
        if doubted:
            self.tally.good_after_all(OUT_OF_A_ROUND, len(doubted))
        is_known = under_way.is_ending and self._clock.is_steady  # its end told what the clock said then
        for now, seen in doubted:
            if is_known and self._is_old(seen, under_way.started_at):
                self._pass_over([seen])
            else:
                self._use(under_way, [seen], now)

    def hear_progress(self, data: ReaderEventNotificationData, now: float) -> None:
        """Every event tells what the reader's clock says; the AISpec's end, then the ROSpec's, is that of the round.

        But not one that was held back from an earlier round: it says nothing of this one.
        """
        spec, whole = data.aispec_event, data.rospec_event
        if self._is_held_back(data, now):
            return
        self._clock.hear(data.timestamp, now)
        if self.round is not None:
            if spec is not None and spec.rospec_id == ROSPEC_ID:
                self.round.is_ending = True
            if whole is not None and whole.rospec_id == ROSPEC_ID and whole.event_type == ROSpecEventType.End_Of_ROSpec:
                self.round.is_ending = self.round.is_over = True
                self._judge(self.round)

    def _is_held_back(self, data: ReaderEventNotificationData, now: float) -> bool:
        """Whether it tells the end of something, by its stamp before this round began and too early to be its end.

        A clock that was set back makes the round's own end look as old; but that comes when the round is over.
        """
        if self.round is None or (data.aispec_event is None and data.rospec_event is None):
            return False
        if data.rospec_event is not None and data.rospec_event.event_type != ROSpecEventType.End_Of_ROSpec:
            return False
        stamp = data.timestamp
        told = Stamps(isinstance(stamp, Uptime), None, stamp.microseconds)
        is_early = now < self.round.started_at + self.round.seconds * EARLY
        return is_early and self._clock.looks_old(told, self.round.started_at)

    def let_go(self) -> None:
        """Forget a round that cannot be told: its reads have not all come, or nobody knows when it ended."""
        if self.round is not None:
            self.tally.used -= self.round.used
            self.tally.bad("round cut off", self.round.used)
        self.round = None

    def end(self, now: float, *, antennas_lost: frozenset[int]) -> Inventory | None:
        """The round is over; None for one that no antenna took part in, which says nothing."""
        under_way, self.round = self.round, None
        if under_way is None:
            return None
        self._judge(under_way)
        listened = tuple(a for a in under_way.antennas if a not in antennas_lost)
        inventory = under_way.inventory(now, listened)
        return inventory if listened or inventory.reads else None
