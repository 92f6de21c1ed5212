"""What the publisher sees of the store: the records that no ack has covered, by a read-only connection of its own."""

from __future__ import annotations

from pathlib import Path
from typing import Self

from msgspec import Struct

from agent.messages import OutboxRow
from agent.store_connection import connect, told

_PAGE = (
    "SELECT outbox.seq, record.kind, record.body, record.prev, record.sig FROM outbox"
    " JOIN record ON record.id = outbox.record"
    " WHERE outbox.seq > ? AND record.body IS NOT NULL ORDER BY outbox.seq LIMIT ?"
)
_STANDING = (
    "SELECT epoch, key, acked, EXISTS (SELECT 1 FROM meta WHERE key = 'settled') FROM epoch ORDER BY epoch DESC LIMIT 1"
)


class OutboxPage(Struct, frozen=True):
    """Some unacked records in order of seq, all of `epoch`. Nothing may be published as long as `settled` is false.

    `key` is the public key that signed them; None where they are not signed. All up to `acked` were acknowledged; where
    that is less than before, the dispatch side has lost some, and they are here again.
    """

    epoch: int
    settled: bool
    rows: tuple[OutboxRow, ...]
    key: str | None
    acked: int = 0


class OutboxReader:
    """Reads the outbox while the store's one writer goes on; for one thread at a time, whichever.

    Raises StoreError.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        with told(path, "opening the outbox"):
            self._connection = connect(path, writer=False)

    def page(self, *, after: int, limit: int) -> OutboxPage:
        """The first `limit` unacked records with a seq above `after`."""
        with told(self._path, "reading the outbox"):
            # One read transaction, so that the epoch is that of the rows.
            self._connection.execute("BEGIN")
            try:
                epoch, key, acked, settled = self._connection.execute(_STANDING).fetchone()
                rows = self._connection.execute(_PAGE, (after, limit)).fetchall()
            finally:
                self._connection.execute("COMMIT")
        return OutboxPage(
            epoch,
            bool(settled),
            tuple(OutboxRow(seq, kind, body.encode(), prev, sig) for seq, kind, body, prev, sig in rows),
            key,
            acked,
        )

    def newest(self) -> int:
        """The highest seq that is not acked; 0 where there is none."""
        with told(self._path, "reading the outbox"):
            (seq,) = self._connection.execute("SELECT coalesce(max(seq), 0) FROM outbox").fetchone()
        return int(seq)

    def close(self) -> None:
        """Close the connection."""
        self._connection.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
