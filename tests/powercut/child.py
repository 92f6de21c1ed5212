"""The agent in a process of its own, one boot of a day: the real run loop, store and outbox, marked in the shim's log.

    python -m tests.powercut.child DAY_FOLDER STORE BOOT [--wrong HOW] [--before WHAT]

The store is opened as `roadtally run` opens it: by the key beside it, with the start's look for damage, and the agent
keeps its mark and its reserve. The clock stands still while the agent works and goes on when it says that it is done,
so that the same day is the same to the byte every time and as fast as the machine. In place of a broker what is
published is put into the log of marks (real batches from the real outbox), and the dispatch side's answer comes ten of
the day's seconds later.

Marks: B before an append (inputs taken, hash of the checkpoint), C after it returned (first and last seq), P a
batch handed to the network, A an ack handed to the agent, S a boot's begin and N the day's moment (boot, mono), D that
the card has now spoilt a page, L that the store's pages become large.

`--before` is what comes over the store before this boot: `spoilt`, a page of it is garbage; `large`, its pages are of
4,096 octets, as they were once.

`--wrong` makes the mistakes that the bench must find, here and in no product setting: `normal` and `off` are
`PRAGMA synchronous`, `second` writes outbox rows in a second transaction, `forgetful` commits records
without a checkpoint.
"""

from __future__ import annotations

import argparse
import ctypes
import hashlib
import logging
import os
import pickle
import sqlite3
import sys
import threading
from collections.abc import Callable, Iterable, Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

from agent import store as store_module
from agent.chain import content_digest, digest
from agent.messages import Ack, pack_log
from agent.publisher import Acks, Settled
from agent.records import Boot, Input, Record
from agent.run import opened
from agent.store import Store
from agent.store_folder import sync_folder
from agent.units import parse_utc
from agent.vehicle_agent import VehicleAgent
from tests.powercut.day import boots, in_use

ACK_S = 10.0
BEFORE = ("spoilt", "large")
WRONG = ("normal", "off", "second", "forgetful")
PUBLISH_EVERY_S = 2.0


class DayClock:
    """The clock of one boot: it shows the moment of what was given last, and gives more when that is dealt with."""

    speed = 100.0  # a second in which nothing comes is over in a hundredth of one

    def __init__(self, day: Sequence[Input], stop: threading.Event, *, turn: Callable[[float], None]) -> None:
        first = day[0]
        assert isinstance(first, Boot)
        self._day, self._at, self._stop, self._turn = day, 1, stop, turn
        self._mono, self._first = first.mono, first
        self.put: Callable[[Input], None] | None = None

    def mono(self) -> float:
        """Seconds of this boot."""
        return self._mono

    def utc(self) -> float:
        """What the computer's wall clock says."""
        return parse_utc(self._first.utc or "1970-01-01T00:00:12.000Z") + self._mono - self._first.mono

    def sleep(self, seconds: float, *, stop: threading.Event | None = None) -> bool:
        """Nobody sleeps."""
        raise AssertionError(seconds, stop)

    def sleep_until(self, mono_s: float, *, stop: threading.Event | None = None) -> bool:
        """Nobody sleeps."""
        raise AssertionError(mono_s, stop)

    def consumed(self, mono_s: float) -> None:
        """All that was given is dealt with: a second passes."""
        del mono_s
        if self._at >= len(self._day):
            self._stop.set()
            return
        self._mono = round(self._mono + 1.0, 3)
        self._turn(self._mono)
        assert self.put is not None
        while self._at < len(self._day) and self._day[self._at].mono <= self._mono:
            self.put(self._day[self._at])
            self._at += 1


class Link:
    """The way to the dispatch side and back: publishes what the outbox holds, hands acks to the agent."""

    def __init__(self, store: Store, vehicle: str, mark: Callable[[bytes], None]) -> None:
        self._outbox, self._vehicle, self._mark = store.outbox(), vehicle, mark
        self._after, self._epoch = 0, 0
        self._answers: list[tuple[float, Ack]] = []
        self.deliver: Callable[[Any], None] | None = None

    def turn(self, now: float) -> None:
        """Once a second of the day."""
        assert self.deliver is not None
        if self._epoch == 0:
            self._epoch = -1
            self.deliver(Settled())
        while self._answers and self._answers[0][0] <= now:
            ack = self._answers.pop(0)[1]
            self._mark(b"A" + pickle.dumps((ack.epoch, ack.seq)))
            self.deliver(Acks((ack,)))
        if now % PUBLISH_EVERY_S >= 1.0:
            return
        page = self._outbox.page(after=self._after, limit=50)
        if page.epoch != self._epoch:
            self._epoch, self._after = page.epoch, 0
            page = self._outbox.page(after=0, limit=50)
        if not page.settled or not page.rows:
            return
        payload, taken = pack_log(vehicle=self._vehicle, epoch=page.epoch, rows=page.rows, key=page.key)
        last = page.rows[taken - 1]
        self._after = last.seq
        self._mark(b"P" + payload)
        known = digest(
            vehicle=self._vehicle,
            epoch=page.epoch,
            seq=last.seq,
            kind=last.kind,
            prev=last.prev or "",
            content=content_digest(last.body),
        )
        self._answers.append((now + ACK_S, Ack(page.epoch, self._after, hash=known)))

    def close(self) -> None:
        """Close the outbox."""
        self._outbox.close()


class Marked(Store):
    """The real store, with a mark before each append and after it."""

    mark: Callable[[bytes], None] = staticmethod(lambda _: None)
    taken: Callable[[], int] = staticmethod(lambda: 0)

    def append(self, records: Sequence[Record] = (), **more: Any) -> range:
        """See Store."""
        state = more.get("checkpoint") or b""
        self.mark(b"B" + pickle.dumps((self.taken(), hashlib.sha256(state).hexdigest(), len(state))))
        seqs = super().append(records, **more)
        self.mark(b"C" + pickle.dumps((seqs.start, seqs.stop - 1)))
        return seqs


class Late:
    """A connection that writes outbox rows only after the transaction in which they belong."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        self._rows: list[tuple[str, list[Any]]] = []

    def __getattr__(self, name: str) -> Any:
        return getattr(self._connection, name)

    def executemany(self, sql: str, rows: Iterable[Any]) -> Any:
        """Put the outbox's rows aside."""
        if "INTO outbox" in sql:
            self._rows.append((sql, list(rows)))
            return None
        return self._connection.executemany(sql, rows)

    def execute(self, sql: str, *values: Any) -> Any:
        """After a commit, write what was put aside."""
        done = self._connection.execute(sql, *values)
        if sql == "COMMIT" and any(rows for _, rows in self._rows):
            self._connection.execute("BEGIN IMMEDIATE")
            for late, rows in self._rows:
                self._connection.executemany(late, rows)
            self._connection.execute("COMMIT")
        if sql == "COMMIT":
            self._rows.clear()
        return done


def go_wrong(how: str) -> None:
    """Make a mistake in this process."""
    connect = store_module.connect

    def wrong(path: Path, *, writer: bool) -> Any:
        connection = connect(path, writer=writer)
        if writer and how in ("normal", "off"):
            connection.execute(f"PRAGMA synchronous = {how}")
        return Late(connection) if writer and how == "second" else connection

    setattr(store_module, "connect", wrong)  # noqa: B010 - a product module is changed in this process alone
    if how == "forgetful":
        append = Store.append

        def without(self: Store, records: Sequence[Record] = (), **more: Any) -> range:
            return append(self, records, **(more | {"checkpoint": None} if records else more))

        setattr(Store, "append", without)  # noqa: B010 - as above


def live(day: Sequence[Input], folder: Path, path: Path, *, mark: Callable[[bytes], None], boot: int) -> list[Input]:
    """One boot, from the store's opening to its end in order; every input that the agent took."""
    took: list[Input] = []
    stop = threading.Event()
    mark(b"S" + pickle.dumps((boot, day[0].mono)))
    used = in_use(folder)
    with opened(path, used.vehicle.id, open_=Marked.open) as (store, first):
        store.mark, store.taken = mark, lambda: len(took)  # type: ignore[attr-defined]
        link = Link(store, used.vehicle.id, mark)

        def turn(now: float) -> None:
            mark(b"N" + pickle.dumps((boot, now)))
            link.turn(now)

        clock = DayClock(day, stop, turn=turn)
        agent = VehicleAgent(in_use=used, store=store, clock=clock, program="powercut", record=took.append)
        if first:
            agent.tell(first)
        clock.put, link.deliver = agent.put, agent.deliver
        agent.run(stop)
        link.close()
    return took


def spoil(path: Path) -> None:
    """The page of an index is garbage: SQLite says so at the next look, and every record can still be read."""
    with closing(sqlite3.connect(path)) as look:
        (size,) = look.execute("PRAGMA page_size").fetchone()
        (page,) = look.execute("SELECT rootpage FROM sqlite_master WHERE name = 'record_name'").fetchone()
    file = os.open(path, os.O_WRONLY)
    os.pwrite(file, bytes(range(256)) * (size // 256), (page - 1) * size)
    os.fsync(file)
    os.close(file)
    sync_folder(path.parent)  # else the last boot's log may come back, and heals it


def enlarge(path: Path) -> None:
    """Give the store the pages that it had in earlier releases."""
    with closing(sqlite3.connect(path, isolation_level=None)) as store:
        for statement in ("journal_mode = DELETE", "synchronous = FULL", "page_size = 4096"):
            store.execute(f"PRAGMA {statement}")
        store.execute("VACUUM")
        store.execute("PRAGMA journal_mode = WAL")


def leave_a_log(path: Path) -> None:
    """As a process does that is killed: what it committed last stands in the log alone.

    Such a log beside another file in the old one's place would be taken for its own.
    """
    if (child := os.fork()) == 0:
        store = sqlite3.connect(path, isolation_level=None)
        store.execute("PRAGMA synchronous = FULL")
        store.execute("INSERT INTO meta (key, value) VALUES ('left', 'in the log')")
        os._exit(0)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0


def main() -> int:
    """Live the boot that the command line names."""
    parser = argparse.ArgumentParser()
    parser.add_argument("day", type=Path)
    parser.add_argument("store", type=Path)
    parser.add_argument("boot", type=int)
    parser.add_argument("--wrong", choices=WRONG)
    parser.add_argument("--before", choices=BEFORE)
    args = parser.parse_args()
    logging.disable(logging.CRITICAL)
    shim = ctypes.CDLL(None)

    def mark(data: bytes) -> None:
        shim.powercut_mark(data, ctypes.c_size_t(len(data)))

    if args.wrong:
        go_wrong(args.wrong)
    if args.before == "spoilt":
        spoil(args.store)
        mark(b"D")
    elif args.before == "large":
        mark(b"L")
        enlarge(args.store)
        leave_a_log(args.store)
    took = live(boots(args.day)[args.boot], args.day, args.store, mark=mark, boot=args.boot)
    (args.day / f"took-{args.boot}.pickle").write_bytes(pickle.dumps(took))
    return 0


if __name__ == "__main__":
    sys.exit(main())
