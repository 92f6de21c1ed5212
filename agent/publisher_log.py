"""Sends the outbox, batch by batch, over a connection: what goes next, how much at once, and what is tried again.

The oldest records go first. While a backlog keeps that pass busy, a second one sends the newest as they come, so that
what happens now is known now. How many batches the broker has yet to confirm follows from how soon it does: on a slow
link few are on their way, so that none waits long enough to be taken for lost. Whatever is told in words about records
that do not arrive is `words`.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Sequence
from typing import Protocol

from agent.clock import Clock
from agent.errors import MessageError
from agent.messages import MAX_RECORDS, Ack, OutboxRow, pack_log
from agent.publisher_doubt import Doubt
from agent.publisher_window import FRESH_BATCHES, MOST_BATCHES, Window

_LOG = logging.getLogger(__name__)

_LINGER_REAL_S = 0.25
_FEW = 10
_LOOK_EVERY_REAL_S = 1.0
# How many batches are on their way to the broker: from a few on, one more for each that it confirms this soon, else
# half as many. Judgement: on 50 kbit/s, the slowest that still carries a shift, a batch of 12 kB takes two seconds.
_FIRST_ON_THEIR_WAY, _SOON_REAL_S = 4, 5.0


class OutboxPage(Protocol):
    """Some unacked records in order of seq, all of `epoch`; nothing may be published while `settled` is false.

    `key` is the public key that signed them, None where they are not signed. All up to `acked` were acknowledged; where
    that is less than before, the dispatch side has lost some of them.
    """

    @property
    def epoch(self) -> int: ...  # noqa: D102 - the class says it
    @property
    def settled(self) -> bool: ...  # noqa: D102
    @property
    def rows(self) -> Sequence[OutboxRow]: ...  # noqa: D102
    @property
    def key(self) -> str | None: ...  # noqa: D102
    @property
    def acked(self) -> int: ...  # noqa: D102


class Outbox(Protocol):
    """The store, as far as the publisher may see it."""

    def page(self, *, after: int, limit: int) -> OutboxPage:
        """The first `limit` unacked records with a seq above `after`."""
        ...

    def newest(self) -> int:
        """The highest seq that is not acked; 0 where there is none."""
        ...


class LogSender:
    """See the module. `publish` sends a batch and returns its number at the broker."""

    def __init__(
        self, *, vehicle: str, outbox: Outbox, publish: Callable[[bytes], int], clock: Clock, window: Window
    ) -> None:
        self._vehicle, self._outbox, self._publish, self._clock = vehicle, outbox, publish, clock
        self._window = window
        self._doubt = Doubt()
        self._most_unconfirmed = _FIRST_ON_THEIR_WAY
        self._looked_real_s = 0.0
        self._acked = 0
        self._few_since_real_s: float | None = None
        self._look = self._look_fresh = True
        self.is_settled = False
        """Whether the store says that records may be published."""
        self.published_batches = 0

    @property
    def words(self) -> str | None:
        """What an operator should know of records that do not arrive; None where all is well."""
        return self._doubt.words

    @property
    def silent_since_s(self) -> float | None:
        """Since when, on the clock, no ack comes for what the broker takes."""
        return self._doubt.silent_since_s

    def notify(self) -> None:
        """There may be more to send; from any thread."""
        self._look = self._look_fresh = True

    def begin(self) -> None:
        """A connection has come up."""
        self._window.begin()
        self._most_unconfirmed, self._few_since_real_s = _FIRST_ON_THEIR_WAY, None
        self.notify()

    def lost(self, *, by_peer: bool) -> None:
        """The connection has ended; `by_peer` where the other end closed it."""
        self._doubt.lost(self._window.unconfirmed, by_peer=by_peer, real_s=time.monotonic())

    def confirm(self, mids: Sequence[int]) -> None:
        """The broker has these."""
        now_s, real_s = self._clock.mono(), time.monotonic()
        for mid in mids:
            found = self._window.confirm(mid, now_s=now_s, real_s=real_s)
            if found is None:
                continue
            batch, took_real_s = found
            self._doubt.confirmed(batch)
            more = self._most_unconfirmed + 1 if took_real_s <= _SOON_REAL_S else self._most_unconfirmed // 2
            self._most_unconfirmed = min(max(more, 1), MOST_BATCHES)
            self._look = True

    def acknowledge(self, acks: Sequence[Ack]) -> None:
        """The dispatch side has these."""
        if self._window.acknowledge(acks, real_s=time.monotonic()):
            self._doubt.answered(self._window.covers, real_s=time.monotonic())
        else:
            self._doubt.stirred()
            self._window.be_impatient()
        self._doubt.arrived(self._window.covers)
        self.notify()

    def send(self) -> None:
        """Send what there is room for."""
        now_s, real_s = self._clock.mono(), time.monotonic()
        overdue = self._window.take_overdue(now_s=now_s, real_s=real_s)
        if overdue:
            seqs = [seq for batch in overdue for seq in batch.waiting]
            _LOG.warning(
                "records %d to %d are not acknowledged yet; sending what is missing again", min(seqs), max(seqs)
            )
            self._doubt.unanswered(overdue, answered_real_s=self._window.answered_real_s, real_s=real_s)
            self._look = True
        if self._window.is_empty and (due := self._doubt.take_due(real_s=real_s)) is not None:
            self._window.look_again(due)
            self._look = True
        if not (self._look or real_s - self._looked_real_s >= _LOOK_EVERY_REAL_S):
            return
        self._looked_real_s = real_s
        while self._has_room and self._send_next(now_s, real_s):
            pass

    @property
    def _has_room(self) -> bool:
        if self._doubt.is_careful:
            return self._window.is_empty if self._doubt.probe else not self._window.unconfirmed
        return not self._window.is_full and len(self._window.unconfirmed) < self._most_unconfirmed

    def _send_next(self, now_s: float, real_s: float) -> bool:
        """Send a batch or go on in the outbox; whether there may be more to do at once."""
        self._look = False  # before reading, so that a notify during it is not lost
        page = self._outbox.page(after=self._window.cursor, limit=MAX_RECORDS)
        self.is_settled = page.settled
        if not page.settled:
            self._look = True
            return False
        fell_back, self._acked = page.acked < self._acked, page.acked
        if fell_back and page.epoch == self._window.epoch:
            self._window.forget_acks()
        if fell_back or page.epoch != self._window.epoch:
            self._window.begin(epoch=page.epoch)
            self._doubt.begin_epoch()
            self._look = True
            return True
        if self._doubt.probe == "newest one":
            last = self._outbox.page(after=self._outbox.newest() - 1, limit=1)
            if last.epoch == self._window.epoch:
                self._send_batch(self._window.still_to_send(last.rows), last.key, now_s, real_s, is_fresh=True)
            return False
        return self._send_fresh(page, now_s, real_s) or self._send_old(page, now_s, real_s)

    def _send_old(self, page: OutboxPage, now_s: float, real_s: float) -> bool:
        """Send the oldest records, or pass over what needs no sending; whether there may be more to do at once."""
        window = self._window
        if not page.rows and not window.unconfirmed:
            self._doubt.passed()
        if not page.rows or not window.has_room_for_old:
            return False
        rows = self._sendable(page.rows)
        if self._doubt.probe == "oldest one":
            rows = rows[:1]
        self._look = True
        if rows and self._waits_for_more(rows, real_s):
            return False
        if not self._send_batch(rows, page.key, now_s, real_s, is_fresh=False):
            window.cursor = page.rows[-1].seq
        window.may_meet()
        return True

    def _send_fresh(self, page: OutboxPage, now_s: float, real_s: float) -> bool:
        """Send the newest records past a backlog; whether something was sent."""
        window = self._window
        if self._doubt.is_careful:
            return False
        if window.fresh_cursor is None:
            if len(page.rows) < MAX_RECORDS:
                return False
            newest = self._outbox.newest()
            if newest <= page.rows[-1].seq:
                return False
            window.fresh_cursor = max(newest - MAX_RECORDS, page.rows[-1].seq)
            self._look_fresh = True
        if not self._look_fresh or window.fresh_batches >= FRESH_BATCHES:
            return False
        self._look_fresh = False
        fresh = self._outbox.page(after=window.fresh_cursor, limit=MAX_RECORDS)
        rows = self._sendable(fresh.rows) if fresh.epoch == window.epoch else []
        if not rows or self._waits_for_more(rows, real_s):
            self._look_fresh = bool(rows)
            return False
        self._look_fresh = True
        return self._send_batch(rows, fresh.key, now_s, real_s, is_fresh=True)

    def _sendable(self, rows: Sequence[OutboxRow]) -> list[OutboxRow]:
        """The first of `rows` that may go now; one that was set aside goes alone."""
        found: list[OutboxRow] = []
        for row in self._window.still_to_send(rows):
            if self._doubt.is_tried(row.seq):
                return found or [row]
            if not self._doubt.is_held_back(row.seq):
                found.append(row)
        return found

    def _send_batch(
        self, rows: Sequence[OutboxRow], key: str | None, now_s: float, real_s: float, *, is_fresh: bool
    ) -> bool:
        self._few_since_real_s = None
        count = len(rows)
        while count:
            try:
                payload, taken = pack_log(vehicle=self._vehicle, epoch=self._window.epoch, rows=rows[:count], key=key)
            except MessageError as problem:
                _LOG.error("kept back: %s", problem)
                self._doubt.keep_back(rows[0], "is larger than a log batch may be")
                rows = rows[1:]
                count = len(rows)
                continue
            if len(payload) <= self._doubt.most_bytes or taken == 1:
                mid = self._publish(payload)
                self._window.sent(
                    rows[:taken], now_s=now_s, real_s=real_s, mid=mid, size_bytes=len(payload), is_fresh=is_fresh
                )
                self.published_batches += 1
                return True
            count = max(1, min(taken - 1, taken * self._doubt.most_bytes // len(payload)))
        return False

    def _waits_for_more(self, rows: Sequence[OutboxRow], real_s: float) -> bool:
        """Whether a few records wait a little for more, since others are on their way anyhow."""
        if len(rows) >= _FEW or self._window.is_empty:
            return False
        if self._few_since_real_s is None:
            self._few_since_real_s = real_s
        return real_s - self._few_since_real_s < _LINGER_REAL_S
