"""Which records the publisher has sent and still waits for: the only memory it has beside the outbox.

A batch stays in the window until the dispatch side's acks cover all of it; a broker's PUBACK does not count. Whatever
is not covered in time is sent again, with growing patience, and everything is after a reconnect. Knows nothing of MQTT.
"""

from __future__ import annotations

from collections.abc import Sequence

from msgspec import Struct

from agent.messages import Ack, OutboxRow, merge_acks

MOST_BATCHES = 20
_LONGEST_PATIENCE_FACTOR = 20.0


class _Batch(Struct):
    waiting: set[int]
    sent_s: float
    sent_real_s: float


class Window:
    """At most twenty batches without an ack.

    A batch is overdue when both `patience_s` on the clock and `patience_real_s` in real time have passed: broker and
    dispatch side answer in real time even where the day is a simulated one that runs faster.
    """

    def __init__(self, *, patience_s: float, patience_real_s: float) -> None:
        self.cursor = 0
        """The highest seq that has been looked at in this pass through the outbox."""
        self._patience_s, self._patience_real_s, self._factor = patience_s, patience_real_s, 1.0
        self._epoch = 0
        self._batches: list[_Batch] = []
        self._acked: dict[int, Ack] = {}

    def begin(self, *, epoch: int | None = None) -> None:
        """Start over at the oldest record: after a reconnect, or in a new epoch."""
        self._batches.clear()
        self.cursor = 0
        if epoch is not None:
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

    def still_to_send(self, rows: Sequence[OutboxRow]) -> list[OutboxRow]:
        """Those of `rows` that neither an ack covers nor a batch in the window holds."""
        ack = self._acked.get(self._epoch)
        return [
            row
            for row in rows
            if not (ack is not None and ack.covers(row.seq))
            and not any(row.seq in each.waiting for each in self._batches)
        ]

    def sent(self, rows: Sequence[OutboxRow], *, now_s: float, real_s: float) -> None:
        """These went out as one batch."""
        self._batches.append(_Batch({row.seq for row in rows}, now_s, real_s))
        self.cursor = max(self.cursor, rows[-1].seq)

    def acknowledge(self, acks: Sequence[Ack]) -> bool:
        """Take in an ack; whether it covered anything that was waited for. One from the past changes nothing."""
        for ack in acks:
            known = self._acked.get(ack.epoch)
            self._acked[ack.epoch] = ack if known is None else merge_acks(known, ack)
        ack_now = self._acked.get(self._epoch)
        if ack_now is None:
            return False
        before = sum(len(batch.waiting) for batch in self._batches)
        for batch in self._batches:
            batch.waiting = {seq for seq in batch.waiting if not ack_now.covers(seq)}
        self._batches = [batch for batch in self._batches if batch.waiting]
        covered = sum(len(batch.waiting) for batch in self._batches) < before
        if covered:
            self._factor = 1.0
        return covered

    def take_overdue(self, *, now_s: float, real_s: float) -> tuple[int, int] | None:
        """Give up on the batches that are overdue, so that they are sent again; the lowest and highest seq of them."""
        patience_s, patience_real_s = self._patience_s * self._factor, self._patience_real_s * self._factor
        overdue = [
            batch
            for batch in self._batches
            if now_s - batch.sent_s >= patience_s and real_s - batch.sent_real_s >= patience_real_s
        ]
        if not overdue:
            return None
        self._batches = [batch for batch in self._batches if batch not in overdue]
        self._factor = min(self._factor * 2.0, _LONGEST_PATIENCE_FACTOR)
        lowest = min(min(batch.waiting) for batch in overdue)
        self.cursor = min(self.cursor, lowest - 1)
        return lowest, max(max(batch.waiting) for batch in overdue)
