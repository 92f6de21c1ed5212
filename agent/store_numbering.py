"""How the store's records are numbered and sealed, and numbered anew when an ack does not fit; for the store alone.

Every record stands in one epoch under one seq. A move takes all of the newest epoch that lies beyond what was
acknowledged, in the order in which it was made, to a new epoch: what stays behind is a whole chain, and what was made
is published again under names that nobody has used. The event ids in it are the same, so that no fact is doubled.
"""

from __future__ import annotations

import logging
import sqlite3
from collections.abc import Sequence

import msgspec
from msgspec import Struct

from agent.messages import Ack
from agent.records import Record
from agent.store_chain import Epoch, Seal, contents, digest_at, epochs, sealed_from
from agent.store_connection import transaction
from agent.store_epochs import Move, Standing, falls_short, judged

_LOG = logging.getLogger(__name__)
_INSERT_RECORD = (
    "INSERT INTO record (id, epoch, seq, kind, body, boot, mono, content, prev, sig)"
    " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"
)
_INSERT_OUTBOX = "INSERT INTO outbox (seq, record) VALUES (?, ?)"
_DELETE_RANGE = "DELETE FROM outbox WHERE seq BETWEEN ? AND ?"
_BEYOND = "SELECT id, kind, content FROM record WHERE epoch = ? AND seq > ? ORDER BY seq"
_ACKED = "UPDATE epoch SET acked = ?1, digest = ?2 WHERE epoch = ?3 AND (acked < ?1 OR (acked = ?1 AND digest IS NULL))"
_SIGNED = "SELECT 1 FROM record WHERE epoch = ? AND sig IS NOT NULL LIMIT 1"
_SET_META = "INSERT INTO meta (key, value) VALUES (?, ?) ON CONFLICT (key) DO UPDATE SET value = excluded.value"
# A dispatch side that is wrong, or two copies of a card that speak at once, could make a store move its records without
# end, all of them over the mobile link each time. Judgement.
_MOVES_IN_A_ROW, _PAUSE_S = 3, 600.0
# A dispatch side that was restored from a backup lacks what it once acknowledged. An ack that says less than an earlier
# one may also be late: so it counts once another says so too, this long after it, and none in between covered all. What
# is sent again at the dispatch side is known by its number and harms nothing, but costs on the mobile link: therefore
# not more often than this. Judgement.
_SHORT_FOR_S, _AGAIN_AFTER_S = 60.0, 3600.0
_AGAIN = (
    "INSERT OR IGNORE INTO outbox (seq, record)"
    " SELECT seq, id FROM record WHERE epoch = ?1 AND seq > ?2 AND body IS NOT NULL"
)


class Numbered(Struct, frozen=True):
    """Records as they were inserted: their seqs, and the id and digest of the last one in the store."""

    seqs: range
    last_id: int
    tip: str


class Numbering:
    """The numbers and the chain of one open store, by the writer's connection. Raises sqlite3.Error.

    `boot` is the last one counted. Without a seal records are not signed, and a store with signed ones cannot be
    written.
    """

    def __init__(self, connection: sqlite3.Connection, *, seal: Seal | None, boot: int) -> None:
        self._connection, self._seal = connection, seal
        (self._last_id,) = connection.execute("SELECT coalesce(max(id), 0) FROM record").fetchone()
        row = connection.execute("SELECT value FROM meta WHERE key = 'heard'").fetchone()
        self._heard = 0 if row is None else int(row[0])
        self._moves, self._moved_mono = 0, 0.0
        self._short: tuple[int, float] | None = None  # the epoch whose acks fall short, and since when
        self._again_mono: float | None = None
        self.now: Epoch = epochs(connection)[-1]
        self.last_seq = 0
        self._tip = ""
        self._stand()
        if seal is not None:
            self._take_up(seal, boot=boot)

    def insert(self, records: Sequence[Record], *, boot: int, made_at: Sequence[float]) -> Numbered:
        """Write new records inside the caller's transaction; give the result to `take` once that is committed.

        `made_at` are their moments of that boot.
        """
        at = [(boot, mono) for mono in made_at]
        return self._insert(records, epoch=self.now.epoch, after=(self.last_seq, self._tip), at=at)

    def take(self, numbered: Numbered) -> None:
        """What `insert` wrote is committed."""
        self.last_seq, self._last_id, self._tip = numbered.seqs.stop - 1, numbered.last_id, numbered.tip

    def acknowledge(self, acks: Sequence[Ack], *, settled: bool, moment: tuple[int, float], at: str | None) -> int:
        """Trim the outbox by an ack message or, where it does not fit, begin an epoch; how many records were trimmed.

        `moment` is (boot, mono), `at` the same in UTC; `settled`: records may have been published.
        """
        standing = Standing(self.now.epoch, self.last_seq, settled, self._heard)
        found = judged(acks, at=standing, digest_of=self._digest)
        self._hear(acks)
        trimmed = 0 if found.ack is None else self._trim(found.ack)
        if found.move is None:
            self._mind_shortfall(acks, mono=moment[1])
            self._moves = 0 if found.ack is not None else self._moves
        elif self._moves < _MOVES_IN_A_ROW or moment[1] - self._moved_mono >= _PAUSE_S:
            self._move(found.move, notice="epoch", moment=moment, at=at)
        return trimmed

    def _mind_shortfall(self, acks: Sequence[Ack], *, mono: float) -> None:
        """Put back into the outbox what the dispatch side once had and, by more than one ack, has no more."""
        here = self.now
        short = falls_short(acks, epoch=here.epoch, acked=here.acked)
        if short is None:
            self._short = None if acks else self._short
        elif self._short is None or self._short[0] != here.epoch:
            self._short = (here.epoch, mono)
        elif mono - self._short[1] >= _SHORT_FOR_S and (
            self._again_mono is None or mono - self._again_mono >= _AGAIN_AFTER_S
        ):
            execute = self._connection.execute
            with transaction(self._connection):
                again = execute(_AGAIN, (here.epoch, short.seq)).rowcount
                for first, last in short.also:
                    again -= execute(_DELETE_RANGE, (first, last)).rowcount
                execute("UPDATE epoch SET acked = ?, digest = ? WHERE epoch = ?", (short.seq, short.hash, here.epoch))
            _LOG.warning(
                "The dispatch side had all up to record %d of epoch %d and now has all up to %d; %d are sent again.",
                *(here.acked, here.epoch, short.seq, again),
            )
            self._short, self._again_mono = None, mono
            self.now = epochs(self._connection)[-1]

    def _trim(self, ack: Ack) -> int:
        here, execute = self.now, self._connection.execute
        if ack.seq <= here.acked and not ack.also and (here.digest is not None or ack.hash is None):
            return 0
        with transaction(self._connection):
            trimmed = execute("DELETE FROM outbox WHERE seq <= ?", (ack.seq,)).rowcount
            for first, last in ack.also:
                trimmed += execute(_DELETE_RANGE, (first, last)).rowcount
            execute(_ACKED, (ack.seq, ack.hash, here.epoch))
        self.now = epochs(self._connection)[-1]
        return trimmed

    def _insert(
        self, records: Sequence[Record], *, epoch: int, after: tuple[int, str], at: Sequence[tuple[int, float]]
    ) -> Numbered:
        if records and self._seal is None and self.now.key is not None:
            raise ValueError("the records of this store are signed: open it with the vehicle's seal to append")
        bodies = [msgspec.json.encode(record.body).decode() for record in records]
        made, tip = sealed_from(
            zip((record.kind for record in records), contents(bodies), strict=True),
            seal=self._seal,
            epoch=epoch,
            seq=after[0] + 1,
            tip=after[1],
        )
        ids = range(self._last_id + 1, self._last_id + 1 + len(made))
        self._connection.executemany(
            _INSERT_RECORD,
            [
                (record, epoch, each.seq, each.kind, body, *moment, each.content, each.prev, each.sig)
                for record, each, body, moment in zip(ids, made, bodies, at, strict=True)
            ],
        )
        self._connection.executemany(
            _INSERT_OUTBOX, [(each.seq, record) for record, each in zip(ids, made, strict=True)]
        )
        return Numbered(range(after[0] + 1, after[0] + 1 + len(made)), ids.stop - 1, tip)

    def _hear(self, acks: Sequence[Ack]) -> None:
        heard = max((ack.epoch for ack in acks if ack.highest > 0), default=0)
        if heard > max(self._heard, self.now.epoch):
            self._connection.execute(_SET_META, ("heard", str(heard)))
            self._heard = heard

    def _digest(self, seq: int) -> str | None:
        if self.now.vehicle is None:
            return None
        return digest_at(self._connection, vehicle=self.now.vehicle, epoch=self.now.epoch, seq=seq)

    def _stand(self) -> None:
        """Go on behind the newest record of the newest epoch."""
        self.now = epochs(self._connection)[-1]
        (self.last_seq,) = self._connection.execute(
            "SELECT coalesce(max(seq), 0) FROM record WHERE epoch = ?", (self.now.epoch,)
        ).fetchone()
        self._tip = self._digest(self.last_seq) or ""

    def _take_up(self, seal: Seal, *, boot: int) -> None:
        """Sign with `seal` from now on: in the newest epoch where it began that or nobody signed, else in a new one."""
        here = self.now
        if (here.vehicle, here.key) == (seal.vehicle, seal.key):
            return
        signed = self._connection.execute(_SIGNED, (here.epoch,)).fetchone() is not None
        if not signed and here.vehicle in (None, seal.vehicle):
            self._connection.execute(
                "UPDATE epoch SET vehicle = ?, key = ? WHERE epoch = ?", (seal.vehicle, seal.key, here.epoch)
            )
            self._stand()
            return
        notice, why = "new-key", "The van's computer has another key than the one that signed its records until now."
        if here.vehicle != seal.vehicle:
            notice = "epoch"
            why = f"This computer's records were those of {here.vehicle} until now; its file names {seal.vehicle}."
        moment = (boot, 0.0)
        self._move(Move(max(here.epoch, self._heard) + 1, why), notice=notice, moment=moment, at=None)

    def _move(self, move: Move, *, notice: str, moment: tuple[int, float], at: str | None) -> None:
        """Number anew what no ack has covered, and tell whoever runs the fleet; all of it or nothing."""
        here, seal = self.now, self._seal
        if seal is None and here.key is not None:
            return  # whoever only looks at the store changes nothing
        vehicle = here.vehicle if seal is None else seal.vehicle
        with transaction(self._connection):
            moved, tip = self._renumber(here, move.epoch, vehicle)
            text = f"{move.why} From here on its records are those of epoch {move.epoch}; {moved} are sent anew in it."
            body = {"notice": notice, "at": at, "vehicle": vehicle, "text": text, "epoch": move.epoch, "moved": moved}
            numbered = self._insert([Record("notice", body)], epoch=move.epoch, after=(moved, tip), at=[moment])
        _LOG.warning("%s", text)
        self._last_id = numbered.last_id
        self._moves, self._moved_mono = self._moves + 1, moment[1]
        self._stand()

    def _renumber(self, old: Epoch, new: int, vehicle: str | None) -> tuple[int, str]:
        """All of `old` beyond what was acknowledged, from 1 in `new`, in the outbox; how many, and the last digest."""
        rows = self._connection.execute(_BEYOND, (old.epoch, old.acked)).fetchall()
        bodies = ((kind, content) for _, kind, content in rows)
        made, tip = sealed_from(bodies, seal=self._seal, epoch=new, seq=1, tip="")
        self._connection.execute(
            "INSERT INTO epoch (epoch, vehicle, key) VALUES (?, ?, ?)",
            (new, vehicle, None if self._seal is None else self._seal.key),
        )
        self._connection.execute("DELETE FROM outbox")
        self._connection.executemany(
            "UPDATE record SET epoch = ?, seq = ?, prev = ?, sig = ? WHERE id = ?",
            [(new, each.seq, each.prev, each.sig, row[0]) for each, row in zip(made, rows, strict=True)],
        )
        self._connection.executemany(_INSERT_OUTBOX, [(each.seq, row[0]) for each, row in zip(made, rows, strict=True)])
        return len(rows), tip
