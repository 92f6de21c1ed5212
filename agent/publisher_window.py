"""Which records the publisher has sent and still waits for: the only memory it has beside the outbox.

A batch stays in the window until the dispatch side's acks cover all of it; a broker's PUBACK does not count, but the
wait for an ack only begins with it, so that a slow link is no reason to send twice. Whatever is not covered in time is
sent again, with growing patience; after a reconnect only what the broker had not confirmed is. Knows nothing of MQTT.

Two passes go through the outbox. The old one begins at the oldest record; while a backlog keeps it busy, a fresh one
goes on from the newest, and some of the batches are kept for it.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence

from msgspec import Struct

from agent.messages import Ack, OutboxRow, merge_acks

MOST_BATCHES = 20
FRESH_BATCHES = 4
"""How many of them the old pass leaves to the fresh one. Judgement: enough for 200 records at once."""
_LONGEST_PATIENCE_FACTOR = 20.0


class Sent(Struct):
    """One batch on its way; `mid` is its number at the broker until that confirms it."""

    waiting: set[int]
    first: int
    records: int
    size_bytes: int
    sent_s: float
    sent_real_s: float
    mid: int | None
    is_fresh: bool

    @property
    def is_confirmed(self) -> bool:
        """Whether the broker has it."""
        return self.mid is None


class Window:
    """At most twenty batches without an ack.

    A batch is overdue when both `patience_s` on the clock and `patience_real_s` in real time have passed: broker and
    dispatch side answer in real time even where the day is a simulated one that runs faster.
    """

    def __init__(self, *, patience_s: float, patience_real_s: float) -> None:
        self.cursor = 0
        """The highest seq that the old pass has looked at."""
        self.fresh_cursor: int | None = None
        """The same of the fresh pass; None where one pass is enough."""
        self._patience_s, self._patience_real_s, self._factor = patience_s, patience_real_s, 1.0
        self._epoch = 0
        self._batches: list[Sent] = []
        self._acked: dict[int, Ack] = {}
        self.answered_real_s = 0.0
        """When an ack last covered something that was waited for."""

    def begin(self, *, epoch: int | None = None) -> None:
        """Start over at the oldest record: after a reconnect with what the broker did not confirm, or a new epoch."""
        self.cursor, self.fresh_cursor = 0, None
        if epoch is None:
            self._batches = [batch for batch in self._batches if batch.is_confirmed]
        else:
            self._batches.clear()
            self._epoch = epoch

    @property
    def epoch(self) -> int:
        """The epoch of what is being sent; 0 before anything is known."""
        return self._epoch

    @property
    def is_full(self) -> bool:
        """Whether nothing more may be sent before an ack comes."""
        return len(self._batches) >= MOST_BATCHES

    @property
    def is_empty(self) -> bool:
        """Whether nothing is waited for."""
        return not self._batches

    @property
    def has_room_for_old(self) -> bool:
        """Whether the old pass may send another; it leaves some to the fresh one, where there is one."""
        kept = 0 if self.fresh_cursor is None else FRESH_BATCHES
        return sum(not batch.is_fresh for batch in self._batches) < MOST_BATCHES - kept and not self.is_full

    @property
    def fresh_batches(self) -> int:
        """How many of the fresh pass are on their way."""
        return sum(batch.is_fresh for batch in self._batches)

    @property
    def unconfirmed(self) -> tuple[Sent, ...]:
        """The batches that the broker has not confirmed, oldest first."""
        return tuple(batch for batch in self._batches if not batch.is_confirmed)

    def still_to_send(self, rows: Sequence[OutboxRow]) -> list[OutboxRow]:
        """Those of `rows` that neither an ack covers nor a batch in the window holds."""
        waiting = set().union(*(batch.waiting for batch in self._batches))
        is_covered = _Covered(self._acked.get(self._epoch))
        return [row for row in rows if row.seq not in waiting and row.seq not in is_covered]

    def sent(
        self,
        rows: Sequence[OutboxRow],
        *,
        now_s: float,
        real_s: float,
        mid: int | None = None,
        size_bytes: int = 0,
        is_fresh: bool = False,
    ) -> None:
        """These went out as one batch, which the broker confirms by `mid` (None: it need not)."""
        first = rows[0].seq
        seqs = {row.seq for row in rows}
        self._batches.append(Sent(seqs, first, len(rows), size_bytes, now_s, real_s, mid, is_fresh))
        if not is_fresh:
            self.cursor = max(self.cursor, rows[-1].seq)
        elif self.fresh_cursor is not None:
            self.fresh_cursor = max(self.fresh_cursor, rows[-1].seq)

    def confirm(self, mid: int, *, now_s: float, real_s: float) -> tuple[Sent, float] | None:
        """The broker has a batch: the wait for its ack begins. The batch, and how long the broker took."""
        for batch in self._batches:
            if batch.mid == mid:
                took_real_s = real_s - batch.sent_real_s
                batch.mid, batch.sent_s, batch.sent_real_s = None, now_s, real_s
                return batch, took_real_s
        return None

    def acknowledge(self, acks: Sequence[Ack], *, real_s: float = 0.0) -> bool:
        """Take in an ack; whether it covered anything that was waited for. One from the past changes nothing."""
        for ack in acks:
            known = self._acked.get(ack.epoch)
            self._acked[ack.epoch] = ack if known is None else merge_acks(known, ack)
        is_covered = _Covered(self._acked.get(self._epoch))
        before = sum(len(batch.waiting) for batch in self._batches)
        for batch in self._batches:
            batch.waiting = {seq for seq in batch.waiting if seq not in is_covered}
        self._batches = [batch for batch in self._batches if batch.waiting]
        if sum(len(batch.waiting) for batch in self._batches) == before:
            return False
        self._factor, self.answered_real_s = 1.0, real_s
        return True

    def forget_acks(self) -> None:
        """What the acks of this epoch covered is not there any more."""
        self._acked.pop(self._epoch, None)

    def covers(self, seq: int) -> bool:
        """Whether an ack covers this record of the epoch."""
        return seq in _Covered(self._acked.get(self._epoch))

    def be_impatient(self) -> None:
        """The dispatch side gave a sign of life: wait for its acks no longer than at first."""
        self._factor = 1.0

    def take_overdue(self, *, now_s: float, real_s: float) -> tuple[Sent, ...]:
        """Give up on the batches that are overdue, so that they are sent again; those given up."""
        patience_s, patience_real_s = self._patience_s * self._factor, self._patience_real_s * self._factor
        overdue = [
            batch
            for batch in self._batches
            if batch.is_confirmed
            and now_s - batch.sent_s >= patience_s
            and real_s - batch.sent_real_s >= patience_real_s
        ]
        if overdue:
            self._batches = [batch for batch in self._batches if batch not in overdue]
            self._factor = min(self._factor * 2.0, _LONGEST_PATIENCE_FACTOR)
            self.look_again(min(min(batch.waiting) for batch in overdue))
        return tuple(overdue)

    def look_again(self, seq: int) -> None:
        """Let the old pass, or the fresh one where it is that one's, come by this record again."""
        self.cursor = min(self.cursor, seq - 1)

    def may_meet(self) -> None:
        """End the fresh pass where the old one has reached it."""
        if self.fresh_cursor is not None and self.cursor >= self.fresh_cursor:
            self.fresh_cursor = None


class _Covered:
    """Whether an ack covers a seq, quickly however many ranges it has."""

    def __init__(self, ack: Ack | None) -> None:
        ranges: Iterable[tuple[int, int]] = () if ack is None else sorted([(0, ack.seq), *ack.also])
        self._firsts: list[int] = []
        self._lasts: list[int] = []
        for first, last in ranges:
            self._firsts.append(first)
            self._lasts.append(max(last, self._lasts[-1]) if self._lasts else last)

    def __contains__(self, seq: int) -> bool:
        found = bisect_right(self._firsts, seq) - 1
        return found >= 0 and seq <= self._lasts[found]
