"""The round under way, the report stream that feeds it, and what became of every report. Pure; sends nothing.

A report outside a round is counted and given to none: nothing says when its tags were heard. That is so for reports
held from before a connection, and for those that come after their round was closed. The reader's own stamps are never
used.
"""

from __future__ import annotations

from agent.llrp.messages import ROAccessReport
from agent.llrp.reports import Reports
from agent.llrp.rospec import CONTENT, ROSPEC_ID
from agent.llrp.rounds import Round, Tally
from agent.llrp.tables import ROSpecEventType
from agent.llrp.told import ReaderEventNotificationData
from agent.records import Inventory


class Listening:
    """See the module. `round` is None while none is under way; `tally` lives over connections."""

    def __init__(self) -> None:
        self.tally = Tally()
        self.round: Round | None = None
        self._reports = Reports(CONTENT)

    def begin_stream(self) -> None:
        """Another connection or another ROSpec: another report stream, which owes nothing to the one before."""
        self._reports = Reports(CONTENT)

    def start(self, now: float, *, seconds: float, antennas: tuple[int, ...]) -> None:
        """A round begins."""
        self.round = Round(started_at=now, seconds=seconds, antennas=antennas)

    def hear_report(self, report: ROAccessReport, now: float) -> None:
        """Give a report's sightings to the round, and count what became of each."""
        sightings = self._reports.sightings(report)
        self.tally.received += len(report.tag_report_data)
        for cause, count in self._reports.malformed.items():
            self.tally.bad(cause, count)
        self._reports.malformed.clear()
        if self.round is None:
            self.tally.bad("out of a round", len(sightings))
        else:
            self.round.add(sightings, now, self.tally)

    def hear_progress(self, data: ReaderEventNotificationData) -> None:
        """The end of the AISpec, then of the ROSpec that it is alone in, is the end of the round."""
        spec, whole = data.aispec_event, data.rospec_event
        if self.round is not None:
            if spec is not None and spec.rospec_id == ROSPEC_ID:
                self.round.is_ending = True
            if whole is not None and whole.rospec_id == ROSPEC_ID and whole.event_type == ROSpecEventType.End_Of_ROSpec:
                self.round.is_ending = self.round.is_over = True

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
        listened = tuple(a for a in under_way.antennas if a not in antennas_lost)
        inventory = under_way.inventory(now, listened)
        return inventory if listened or inventory.reads else None
