"""How the vehicle's agent keeps what it decides: at once, or in memory while the disk is full; and what it tells of it.

Also looks after the store now and then: raw reads are held to their age and size, and the mark beside it is renewed.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from agent import checkpoint
from agent.bodies import DiskStatus
from agent.errors import DiskFullError
from agent.notices import disk_notice
from agent.records import Read, Record
from agent.state import Setup, State
from agent.store import Store
from agent.store_holdback import Holdback, Outage
from agent.store_mark import Mark, read_mark, write_mark
from agent.store_reserve import Reserve
from agent.units import format_utc
from agent.vehicle_sections import MB
from agent.vehicle_shown import Dues

PRUNE_S = 6 * 3600.0
MARK_S = 1800.0
AGAIN_S = 300.0


class Keeping:
    """For the run loop's thread. `state` is asked for what the time is."""

    def __init__(
        self, store: Store, *, boot: int, setup: Callable[[], Setup], state: Callable[[], State], dues: Dues
    ) -> None:
        self._store, self._boot, self._setup, self._state, self._dues = store, boot, setup, state, dues
        reserve = Reserve(store.path, size_bytes=setup().vehicle.store.reserve_mb * MB)
        self._holdback = Holdback(store, reserve, boot=boot, tell=self._tell)
        self.write = self._holdback.write

    def commit(
        self,
        records: Sequence[Record],
        state: State,
        written: checkpoint.Written,
        *,
        mono: float,
        reads: Sequence[Read],
    ) -> checkpoint.Written:
        """Commit records with the state that knows of them; how much of the state's history is on disk now."""
        was_full = self._holdback.outage is not None
        core, blocks, then = checkpoint.encode(state, written)
        kept = self._holdback.commit(
            records, mono=mono, checkpoint=core, blocks=blocks, drop_blocks_below=then.first_block, reads=reads
        )
        if was_full != (self._holdback.outage is not None):
            self._dues.soon("status")
        return then if kept else written

    def look_after(self, now: float) -> None:
        """Prune and renew the mark, where due."""
        timeline = self._state().timeline
        utc_s = timeline.utc_of(timeline.boot, now)
        if timeline.trusted and utc_s is not None and self._dues.is_due("prune", now, PRUNE_S):
            vehicle = self._setup().vehicle
            before_utc_s = utc_s - vehicle.privacy.keep_reads_days * 86_400.0
            try:
                self._store.prune(before_utc_s=before_utc_s, most_bytes=vehicle.store.most_reads_mb * MB)
            except DiskFullError:
                self._dues.done("prune", now + AGAIN_S)  # even deleting needs room for the log; tried again soon
        if self._holdback.outage is None and self._dues.is_due("mark", now, MARK_S):
            self.mark(now)

    def mark(self, now: float) -> None:
        """Note beside the store that it is good now."""
        at = self._utc(now)
        if at is None:  # what was known before a start that has no time yet is better than nothing
            before = read_mark(self._store.path)
            at = None if before is None else before.at
        write_mark(self._store.path, Mark(at, self._store.epoch, self._store.last_seq, self._boot))

    def status(self) -> DiskStatus:
        """For the vehicle's status."""
        outage = self._holdback.outage
        if outage is None:
            return DiskStatus("ok")
        text = "The disk is full: free some space. " + (
            f"{outage.waiting} records are in memory alone and are lost if the power goes."
            if outage.waiting
            else "Custody records are stored still; raw reads are not."
        )
        return DiskStatus("full", self._utc(outage.since_mono), outage.waiting, outage.reads_dropped, text)

    def _tell(self, outage: Outage, mono: float) -> Record:
        return disk_notice(
            self._setup(),
            since=self._utc(outage.since_mono),
            until=self._utc(mono),
            spared=outage.spared,
            waited=outage.waiting,
            dropped=outage.reads_dropped,
        )

    def _utc(self, mono: float) -> str | None:
        timeline = self._state().timeline
        utc_s = timeline.utc_of(timeline.boot, mono) if timeline.trusted else None
        return None if utc_s is None else format_utc(utc_s)
