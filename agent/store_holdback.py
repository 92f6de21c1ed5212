"""The run loop's way into the store, which a full disk does not end: what it refuses waits in memory, in order.

    kept = Holdback(store, Reserve(path, size_bytes=…), boot=…, tell=…)
    if kept.commit(records, mono=…, checkpoint=…, …): …   # False: it waits, and goes with the next that succeeds
    kept.write("settled", store.settle, mono=…)            # the same for small writes, the newest of a name

On a full disk custody records come first: they are tried without the raw reads, and pieces of the reserve are given up
for them. Records that wait are never dropped and are committed in one transaction with a checkpoint that knows of all
of them, so that a process that dies meanwhile goes on from the last committed moment: it loses what was only in memory,
states that time as a gap, and makes nothing twice. Raw reads wait thinned, so many rows of them; the oldest go and are
counted. Once there is space again everything is committed together with a record that says from when to when it was
full and what was not kept.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Sequence

from msgspec import Struct

from agent.errors import DiskFullError
from agent.records import Read, Record
from agent.store import Store
from agent.store_readings import merged
from agent.store_reserve import Reserve

_LOG = logging.getLogger(__name__)
# Rows of thinned reads (tag, antenna, minute) that wait in memory at most, some 20 MB: four hours with a hundred tags
# on two antennas. Judgement.
MOST_ROWS = 50_000
# How often it is looked whether a reserve that was given up at the start, or could not be made, can be made whole.
# Judgement.
LOOK_EVERY_S = 1800.0


class Outage(Struct, frozen=True):
    """The disk is, or was, full: since when (the boot's clock), how many records wait, how many raw reads were dropped.

    `spared` are records that were committed meanwhile, by the reserve or by what little space there was.
    """

    since_mono: float
    waiting: int = 0
    spared: int = 0
    reads_dropped: int = 0


class Holdback:
    """For one thread, the store's own. Raises StoreError for whatever is not a full disk."""

    def __init__(
        self,
        store: Store,
        reserve: Reserve,
        *,
        boot: int,
        tell: Callable[[Outage, float], Record],
        most_rows: int = MOST_ROWS,
    ) -> None:
        self._store, self._reserve, self._boot, self._tell = store, reserve, boot, tell
        self._most_rows = most_rows
        self._waiting: list[tuple[Record, float]] = []
        self._writes: dict[str, Callable[[], object]] = {}
        self._reads: dict[tuple[int, str, int], Read] = {}
        self._since_mono: float | None = None
        self._spared = self._dropped = 0
        self._looked_mono: float | None = None
        reserve.is_whole()

    @property
    def outage(self) -> Outage | None:
        """What is to be told while the disk is full; None while it is not."""
        if self._since_mono is None:
            return None
        return Outage(self._since_mono, len(self._waiting), self._spared, self._dropped)

    def commit(
        self,
        records: Sequence[Record] = (),
        *,
        mono: float,
        checkpoint: bytes | None = None,
        blocks: Sequence[tuple[int, bytes]] = (),
        drop_blocks_below: int | None = None,
        reads: Iterable[Read] = (),
    ) -> bool:
        """As `Store.append`, with all that waits before it; whether it is on disk now.

        Where it is not, records and reads wait here, but checkpoint and blocks do not: give newer ones next time, with
        every block that is not on disk yet.
        """
        self._waiting += [(record, mono) for record in records]
        merged(reads, into=self._reads)

        def append(*, with_reads: bool, more: Sequence[tuple[Record, float]] = ()) -> None:
            made = [*self._waiting, *more]
            self._store.append(
                [record for record, _ in made],
                made_at=[at for _, at in made],
                boot=self._boot,
                mono=mono,
                checkpoint=checkpoint,
                blocks=blocks,
                drop_blocks_below=drop_blocks_below,
                reads=self._reads.values() if with_reads else (),
            )
            self._waiting.clear()
            if with_reads:
                self._reads.clear()

        if self._since_mono is None:
            try:
                append(with_reads=True)
            except DiskFullError as error:
                self._begin(mono, error)
            else:
                self._look(mono)
                return True
        return self._ends(append, mono) or self._custody_first(append)

    def _look(self, mono: float) -> None:
        """Now and then make the reserve whole where it is not: a start may have given up some, and there is space."""
        if self._looked_mono is None or mono < self._looked_mono:
            self._looked_mono = mono
        elif mono - self._looked_mono >= LOOK_EVERY_S:
            self._looked_mono = mono
            self._reserve.is_whole()

    def write(self, what: str, do: Callable[[], object], *, mono: float) -> None:
        """A small write of the store; on a full disk it is done later, the newest under a name only."""
        self._writes.pop(what, None)
        if self._since_mono is None:
            try:
                do()
            except DiskFullError as error:
                self._begin(mono, error)
            else:
                return
        self._writes[what] = do

    def _begin(self, mono: float, error: DiskFullError) -> None:
        self._since_mono, self._spared, self._dropped = mono, 0, 0
        _LOG.error("disk-full", extra={"error": str(error), "reserve_bytes": self._reserve.left_bytes})

    def _ends(self, append: Callable[..., None], mono: float) -> bool:
        """Whether there is space again: the reserve could be made whole, and everything is committed."""
        outage = self.outage
        assert outage is not None  # noqa: S101 - the caller looked
        if not self._reserve.is_whole():
            return False
        try:
            append(with_reads=True, more=[(self._tell(outage, mono), mono)])
        except DiskFullError:
            return False
        self._since_mono = None
        _LOG.warning("disk-space-again", extra={"waited": outage.waiting, "reads_dropped": outage.reads_dropped})
        for what, do in tuple(self._writes.items()):
            self.write(what, do, mono=mono)
        return True

    def _custody_first(self, append: Callable[..., None]) -> bool:
        while True:
            count = len(self._waiting)
            try:
                append(with_reads=False)
            except DiskFullError:
                if count and self._reserve.give_up():
                    continue
                self._bound()
                return False
            self._spared += count
            self._bound()
            return True

    def _bound(self) -> None:
        """Let the oldest of the reads go that are more than may wait."""
        for key in sorted(self._reads)[: max(len(self._reads) - self._most_rows, 0)]:
            self._dropped += self._reads.pop(key).count
