"""What the publisher makes of batches that do not arrive: too large, a record that nobody takes, or nobody there.

MQTT 3.1.1 has no word for any of it. A broker that finds a message too large closes the connection, or confirms and
drops it; one whose rules forbid the topic confirms and drops all of it; a dispatch side that is down says nothing. What
can be seen is which batch was on its way alone when the connection was closed, and which one stayed without an ack
while others got theirs. Twice so, and batches of that size are halved; a single record that fails so often is set aside
and tried again now and then, so that it never blocks the rest. Where nobody gets an ack, one batch at a time asks.

Pure: times are the caller's real seconds.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from math import isfinite
from typing import Literal

from msgspec import Struct

from agent.messages import MAX_PACKED_BYTES, OutboxRow
from agent.publisher_window import Sent

# All Judgement. Two strikes, since one loss may be the link's own; four for a single record, which then waits.
_STRIKES, _STRIKES_OF_ONE = 2, 4
_AGAIN_REAL_S, _AGAIN_AT_MOST_REAL_S = 600.0, 6 * 3600.0
# After this long without a refusal larger batches are tried again: the broker's settings may have been mended.
_LARGER_AFTER_REAL_S = 3600.0
_SMALLEST_BYTES = 64
_MOST_NAMED = 3
_NEVER_ACKNOWLEDGED = "is taken by the broker but never acknowledged"

Probe = Literal["oldest", "newest one", "oldest one"]
_PROBES: tuple[Probe, ...] = ("oldest", "newest one", "oldest one")


class _Aside(Struct):
    what: str
    why: str
    times: int
    due_real_s: float


class Doubt:
    """What is known of refusals on this link; see the module."""

    def __init__(self) -> None:
        self.most_bytes = MAX_PACKED_BYTES
        """How large a batch of more than one record may be."""
        self.silent_since_s: float | None = None
        """Since when, on the clock, the broker takes batches and nobody acknowledges; None where acks come."""
        self._shrunk_real_s = 0.0
        self._probes = 0
        self._strikes: dict[int, int] = {}
        self._suspects: set[int] = set()
        self._aside: dict[int, _Aside] = {}
        self._trying: int | None = None
        self._unheard: Sent | None = None

    def begin_epoch(self) -> None:
        """All numbers have changed."""
        self._strikes.clear()
        self._suspects.clear()
        self._aside.clear()
        self._trying = self._unheard = None

    @property
    def is_careful(self) -> bool:
        """Whether only one batch may be on its way, so that it is known which one fails."""
        return bool(self._suspects) or self._trying is not None or self.silent_since_s is not None

    @property
    def probe(self) -> Probe | None:
        """Into the silence: what to ask with next; None where acks come."""
        return None if self.silent_since_s is None else _PROBES[self._probes % len(_PROBES)]

    @property
    def words(self) -> str | None:
        """What an operator should know; None where all is well."""
        if self.silent_since_s is not None:
            return "the broker takes records but no acknowledgement comes from the dispatch side"
        if not self._aside:
            return None
        first = list(self._aside.items())[:_MOST_NAMED]
        named = "; ".join(f"record {seq} ({each.what}) {each.why}" for seq, each in first)
        more = f"; and {len(self._aside) - _MOST_NAMED} more" if len(self._aside) > _MOST_NAMED else ""
        again = ", and tried again now and then" if any(isfinite(e.due_real_s) for e in self._aside.values()) else ""
        return f"{named}{more}; kept{again}"

    def is_held_back(self, seq: int) -> bool:
        """Whether this record is set aside just now."""
        return seq in self._aside and seq != self._trying

    def is_tried(self, seq: int) -> bool:
        """Whether this record was set aside and is tried again now."""
        return seq == self._trying

    def lost(self, unconfirmed: Sequence[Sent], *, by_peer: bool, real_s: float) -> None:
        """The connection ended with these on their way; `by_peer` where it was closed, not where nothing came."""
        if len(unconfirmed) == 1:
            self._strike(unconfirmed[0], real_s=real_s, aside=by_peer, why="makes the broker close the connection")
        self._suspects.update(seq for batch in unconfirmed for seq in batch.waiting if seq not in self._aside)
        self._trying = None

    def unanswered(self, overdue: Sequence[Sent], *, answered_real_s: float, real_s: float) -> None:
        """The broker confirmed these and no ack came; `answered_real_s` is when one last came for any other."""
        if self._trying is not None and any(self._trying in batch.waiting for batch in overdue):
            self._put_off(self._trying, real_s=real_s)
            return
        struck = [batch for batch in overdue if answered_real_s > batch.sent_real_s]
        for batch in struck:
            self._strike(batch, real_s=real_s, aside=True, why=_NEVER_ACKNOWLEDGED)
        if struck:
            return
        if self.silent_since_s is None:
            self.silent_since_s, self._probes = min(batch.sent_s for batch in overdue), 0
        else:
            self._probes += 1
        self._unheard = min(overdue, key=lambda batch: batch.first)

    def confirmed(self, batch: Sent) -> None:
        """The broker has this batch: it was not the one that ended the connection."""
        self._suspects.difference_update(batch.waiting)

    def answered(self, is_covered: Callable[[int], bool], *, real_s: float) -> None:
        """An ack covered something that was waited for: the dispatch side is there."""
        unheard, self._unheard = self._unheard, None
        # A small one was heard in what seemed a silence, and the one before it was not: so that is what it is about.
        if self.silent_since_s is not None and self._probes and unheard is not None and not is_covered(unheard.first):
            for _ in range(_STRIKES):
                self._strike(unheard, real_s=real_s, aside=True, why=_NEVER_ACKNOWLEDGED)
        self.silent_since_s, self._probes = None, 0

    def stirred(self) -> None:
        """An ack came, though it covered nothing new: the next probe begins anew."""
        self._probes = 0

    def arrived(self, is_covered: Callable[[int], bool]) -> None:
        """Forget all doubts about what an ack covers."""
        self._aside = {seq: each for seq, each in self._aside.items() if not is_covered(seq)}
        self._strikes = {seq: each for seq, each in self._strikes.items() if not is_covered(seq)}
        self._suspects = {seq for seq in self._suspects if not is_covered(seq)}
        if self._trying is not None and is_covered(self._trying):
            self._trying = None

    def passed(self) -> None:
        """The whole outbox has been gone through and all of it is confirmed: nobody is suspected any more."""
        self._suspects.clear()

    def keep_back(self, row: OutboxRow, why: str) -> None:
        """This one can never be sent by any broker."""
        self._aside[row.seq] = _Aside(_what(row.kind, len(row.body)), why, 0, float("inf"))

    def take_due(self, *, real_s: float) -> int | None:
        """A record that was set aside and may be tried again now, alone; None where there is none."""
        if real_s - self._shrunk_real_s >= _LARGER_AFTER_REAL_S and self.most_bytes < MAX_PACKED_BYTES:
            self.most_bytes, self._shrunk_real_s = min(2 * self.most_bytes, MAX_PACKED_BYTES), real_s
        if self.is_careful:
            return None
        due = min(self._aside, key=lambda seq: self._aside[seq].due_real_s, default=None)
        if due is None or self._aside[due].due_real_s > real_s:
            return None
        self._trying = due
        return due

    def _put_off(self, seq: int, *, real_s: float) -> None:
        self._trying = None
        each = self._aside[seq]
        each.times += 1
        each.due_real_s = real_s + min(_AGAIN_REAL_S * 2.0**each.times, _AGAIN_AT_MOST_REAL_S)

    def _strike(self, batch: Sent, *, real_s: float, aside: bool, why: str) -> None:
        if batch.first in self._aside:
            if batch.first == self._trying:
                self._put_off(batch.first, real_s=real_s)
            return
        self._strikes[batch.first] = strikes = self._strikes.get(batch.first, 0) + 1
        if batch.records > 1 and strikes >= _STRIKES:
            self.most_bytes, self._shrunk_real_s = max(_SMALLEST_BYTES, batch.size_bytes // 2), real_s
            del self._strikes[batch.first]
        elif batch.records == 1 and strikes >= _STRIKES_OF_ONE and aside:
            del self._strikes[batch.first]
            self._suspects.discard(batch.first)
            self._aside[batch.first] = _Aside(_what("", batch.size_bytes), why, 0, real_s + _AGAIN_REAL_S)


def _what(kind: str, size_bytes: int) -> str:
    return f"{kind}, {size_bytes} bytes" if kind else f"{size_bytes} bytes packed"
