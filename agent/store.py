"""The vehicle's store: custody records with their outbox, the pipeline's checkpoint, and what the dispatch side sent.

One SQLite file (WAL, synchronous=FULL), one writer: the run loop's thread. `append` is the only way in for records:
they, their outbox rows and the checkpoint that already knows of them are committed together or not at all, so that a
restart goes on from the checkpoint and neither loses a record nor makes one twice. A record leaves the outbox only by
`acknowledge`, and the store never. Raw reads are kept thinned, by tag, antenna and minute, and end with `prune`.

Numbering: `(vehicle, epoch, seq)` names a record for ever, and each is sealed (`agent.chain`) as it is appended. A new
store begins with epoch 1 and seq 1, which the dispatch side may know from an earlier store of this vehicle (a replaced
card, a restored backup). Therefore nothing is published until the retained ack could have arrived (`settle`), and an
ack that does not fit what this store holds moves what no ack has covered to a new epoch (`agent.store_epochs`).
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Self

import msgspec
from msgspec import Struct

from agent.messages import Ack, DownLeaf, Downlink, OutboxRow
from agent.records import Read, Record
from agent.store_chain import Seal
from agent.store_connection import connect, overwritten, read_held, told, transaction
from agent.store_lock import take_lock
from agent.store_numbering import Numbering
from agent.store_outbox import OutboxReader
from agent.store_readings import prune_readings, thinned
from agent.store_schema import migrate

# A row of `reading` is a whole minute: it bounds only the end, from below.
_KEPT_BOOTS = (
    "SELECT boot.boot, coalesce(min(seen.first), max(seen.last), 0.0), coalesce(max(seen.last), 0.0), boot.offset_s"
    " FROM boot LEFT JOIN (SELECT boot, mono AS first, mono AS last FROM record"
    " UNION ALL SELECT boot, mono, mono FROM checkpoint"
    " UNION ALL SELECT boot, NULL, minute * 60.0 FROM reading) AS seen ON seen.boot = boot.boot"
    " WHERE boot.boot < ? GROUP BY boot.boot ORDER BY boot.boot"
)
_UPSERT_CHECKPOINT = (
    "INSERT INTO checkpoint (id, state, boot, mono, record) VALUES (1, ?, ?, ?, ?) ON CONFLICT (id) DO UPDATE SET"
    " state = excluded.state, boot = excluded.boot, mono = excluded.mono, record = excluded.record"
)
_UPSERT_READING = (
    "INSERT INTO reading (boot, minute, tag, antenna, reads, rssi_dbm) VALUES (?, ?, ?, ?, ?, ?)"
    " ON CONFLICT DO UPDATE SET reads = reads + excluded.reads, rssi_dbm = max(rssi_dbm, excluded.rssi_dbm)"
)
_UPSERT_HELD = (
    "INSERT INTO held (leaf, version, digest, content) VALUES (?, ?, ?, ?) ON CONFLICT (leaf) DO UPDATE SET"
    " version = excluded.version, digest = excluded.digest, content = excluded.content"
)


class KeptBoot(Struct, frozen=True):
    """A boot's clock as far as it is kept: `offset_s` is UTC minus it, None where no time was trusted."""

    boot: int
    first_mono: float
    last_mono: float
    offset_s: float | None


class Checkpoint(Struct, frozen=True):
    """Where the pipeline goes on from: its state, and the boot, moment and last record of when it was taken.

    `record` counts all records that the store ever made, and is not their seq.
    """

    state: bytes
    boot: int
    mono: float
    record: int


class Store:
    """An open store; made by `Store.open`. Every method raises StoreError where the disk fails."""

    def __init__(self, path: Path, connection: sqlite3.Connection, lock: int, seal: Seal | None) -> None:
        self._path = path
        self._connection = connection
        self._lock = lock
        self._settled = self.meta("settled") is not None
        boot: int = connection.execute("SELECT coalesce(max(boot), 0) FROM boot").fetchone()[0]
        self._at = (boot, 0.0)  # the boot and the last moment of it that this store was told
        self._numbering = Numbering(connection, seal=seal, boot=boot)

    @classmethod
    def open(cls, path: Path | str, *, seal: Seal | None) -> Self:
        """Open the store, or begin one; an older one is brought up to date.

        With None for `seal` records are not signed, and a store that has signed ones can only be looked at. Another
        vehicle's or key's seal than the newest epoch's begins a new epoch. Raises StoreError where the store cannot be
        used or another process uses it.
        """
        path = Path(path)
        lock = take_lock(path)
        connection = None
        try:
            with told(path, "opening the store"):
                connection = connect(path, writer=True)
                migrate(connection, path=str(path))
                return cls(path, connection, lock, seal)
        except BaseException:
            if connection is not None:
                connection.close()
            os.close(lock)
            raise

    def close(self) -> None:
        """Close the store; everything appended is already safe. Closing it twice is no mistake."""
        self._connection.close()
        lock, self._lock = self._lock, -1
        if lock >= 0:
            os.close(lock)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @property
    def path(self) -> Path:
        """Where it is."""
        return self._path

    @property
    def epoch(self) -> int:
        """The epoch that new records belong to."""
        return self._numbering.now.epoch

    @property
    def last_seq(self) -> int:
        """The seq of the newest record of this epoch; 0 where there is none."""
        return self._numbering.last_seq

    def boot(self) -> int:
        """Count a start of the computer; its number, from 1."""
        with told(self._path, "counting the boot"), transaction(self._connection):
            cursor = self._connection.execute("INSERT INTO boot (boot) SELECT coalesce(max(boot), 0) + 1 FROM boot")
            if cursor.lastrowid is None:
                raise AssertionError("SQLite gave a row no number")
            self._at = (cursor.lastrowid, 0.0)
            return cursor.lastrowid

    def trust_time(self, *, boot: int, offset_s: float) -> None:
        """Note UTC minus the monotonic clock of a boot, so that its reads have an age."""
        with told(self._path, "noting a boot's time"):
            self._connection.execute("UPDATE boot SET offset_s = ? WHERE boot = ?", (offset_s, boot))

    def boots(self, *, before: int) -> tuple[KeptBoot, ...]:
        """What is kept of the clocks of the boots before that one, oldest first."""
        with told(self._path, "reading the boots' times"):
            return tuple(KeptBoot(*row) for row in self._connection.execute(_KEPT_BOOTS, (before,)))

    def append(
        self,
        records: Sequence[Record] = (),
        *,
        boot: int,
        mono: float,
        made_at: Sequence[float] | None = None,
        checkpoint: bytes | None = None,
        blocks: Sequence[tuple[int, bytes]] = (),
        drop_blocks_below: int | None = None,
        reads: Iterable[Read] = (),
    ) -> range:
        """Commit all of it in one transaction; the seqs of `records`, in their order.

        `checkpoint` is the pipeline's state after these records; `blocks` are new pieces of its history by their id
        (one that is there already is replaced), of which those below `drop_blocks_below` go. Where records had to wait,
        `made_at` says when each was made; else it was at `mono`. Returns once on disk.
        """
        readings = [(boot, *reading) for reading in thinned(reads)]
        execute, executemany = self._connection.execute, self._connection.executemany
        with told(self._path, f"storing {len(records)} records"), transaction(self._connection):
            numbered = self._numbering.insert(records, boot=boot, made_at=made_at or [mono] * len(records))
            if checkpoint is not None:
                execute(_UPSERT_CHECKPOINT, (checkpoint, boot, mono, numbered.last_id))
            executemany("INSERT OR REPLACE INTO block (id, data) VALUES (?, ?)", blocks)
            if drop_blocks_below is not None:
                with overwritten(self._connection):
                    execute("DELETE FROM block WHERE id < ?", (drop_blocks_below,))
            executemany(_UPSERT_READING, readings)
        self._numbering.take(numbered)
        self._at = (boot, mono)
        return numbered.seqs

    def checkpoint(self) -> Checkpoint | None:
        """The last checkpoint; None where none was ever taken."""
        with told(self._path, "reading the checkpoint"):
            row = self._connection.execute("SELECT state, boot, mono, record FROM checkpoint").fetchone()
        return None if row is None else Checkpoint(*row)

    def blocks(self) -> tuple[tuple[int, bytes], ...]:
        """The pieces of the pipeline's history that are kept, by id."""
        with told(self._path, "reading the history"):
            return tuple(self._connection.execute("SELECT id, data FROM block ORDER BY id"))

    def unacked(self, *, after: int = 0, limit: int = 50) -> tuple[OutboxRow, ...]:
        """The first `limit` records above `after` that no ack has covered."""
        with self.outbox() as reader:
            return reader.page(after=after, limit=limit).rows

    def outbox(self) -> OutboxReader:
        """A view of the outbox for the publisher's thread, with its own connection; whoever asks closes it."""
        return OutboxReader(self._path)

    def backlog(self) -> int:
        """How many records no ack has covered."""
        with told(self._path, "counting the outbox"):
            (count,) = self._connection.execute("SELECT count(*) FROM outbox").fetchone()
        return int(count)

    def settle(self) -> None:
        """The publisher is connected and has heard any retained ack: from now on records may be published."""
        if not self._settled:
            self.set_meta("settled", "1")
            self._settled = True

    def acknowledge(self, acks: Sequence[Ack], *, mono: float | None = None, at: str | None = None) -> int:
        """Take what an ack message covers off the outbox; how many records that were. The records themselves stay.

        An ack of an earlier epoch, or one from the past, changes nothing; one that does not fit moves what no ack has
        covered to a new epoch, with a notice that says so. `mono` and `at` are its moment on this boot's clock and in
        UTC, as far as they are known.
        """
        moment = (self._at[0], self._at[1] if mono is None else mono)
        with told(self._path, "taking in an ack"):
            return self._numbering.acknowledge(acks, settled=self._settled, moment=moment, at=at)

    def hold(self, downlink: Downlink) -> None:
        """Keep this version as the last good one of its leaf; call it only for what has proved usable."""
        content = msgspec.json.encode(downlink.content).decode()
        with told(self._path, f"keeping {downlink.leaf}"):
            self._connection.execute(_UPSERT_HELD, (downlink.leaf, downlink.version, downlink.digest, content))

    def held(self, leaf: DownLeaf) -> Downlink | None:
        """The last good version of a leaf; None where none was ever kept."""
        with told(self._path, f"reading {leaf}"):
            return read_held(self._connection, leaf)

    def meta(self, key: str) -> str | None:
        """A small fact kept under a name; None where there is none."""
        with told(self._path, f"reading {key}"):
            row = self._connection.execute("SELECT value FROM meta WHERE key = ?", (key,)).fetchone()
        return None if row is None else str(row[0])

    def set_meta(self, key: str, value: str) -> None:
        """Keep a small fact under a name."""
        with told(self._path, f"keeping {key}"):
            self._connection.execute(
                "INSERT INTO meta (key, value) VALUES (?, ?) ON CONFLICT (key) DO UPDATE SET value = excluded.value",
                (key, value),
            )

    def prune(self, *, before_utc_s: float, most_readings: int = 10_000_000, most_bytes: int = 2**40) -> int:
        """Drop the thinned reads older than `before_utc_s`, and the oldest beyond so many rows or bytes; how many rows.

        Custody records are not touched.
        """
        with told(self._path, "pruning reads"), overwritten(self._connection), transaction(self._connection):
            return prune_readings(
                self._connection, before_utc_s=before_utc_s, most_readings=most_readings, most_bytes=most_bytes
            )
