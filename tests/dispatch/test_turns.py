"""One at a time writes to the dispatch side's SQLite file, and no checkpoint runs beside a commit."""

from __future__ import annotations

import os
import re
import signal
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
import sqlalchemy as sa

from agent.dispatch import store as stores
from agent.dispatch.store import BusyError, DispatchStore, open_store
from agent.dispatch.turns import NoTurnError, Turns, checkpoint, is_mended
from agent.dispatch.wire import LogBatch, LogRecord
from tests.dispatch.test_store import NOW_S


def notes(first: int, count: int) -> LogBatch:
    """A batch of notices, each of about 1 kB."""
    text = "x" * 1000
    return LogBatch("van-07", 1, tuple(LogRecord(n, "notice", {"text": text}) for n in range(first, first + count)))


def pages_in_log(store: DispatchStore) -> tuple[int, int]:
    """How many pages the log has, and how many of them are in the database; asking is a checkpoint."""
    return checkpoint(store._engine)[1:]


def test_no_connection_checkpoints_by_itself(tmp_path: Path) -> None:
    """https://www.sqlite.org/wal.html#walresetbug: a checkpoint beside another's commit may lose pages before 3.51.3.

    SQLite checkpoints at a commit that leaves 1000 pages in the log (pragma.html#pragma_wal_autocheckpoint), after it
    has given its lock back; 0 turns that off. The first store's pages must still be in the log alone.
    """
    store = open_store(tmp_path / "d.sqlite")
    with store.reading() as one, store.reading() as other:
        settings = [each.exec_driver_sql("PRAGMA wal_autocheckpoint").scalar() for each in (one, other)]
    store._turns._work = -(10**9)  # none is due
    store.ingest(notes(1, 4000), received_s=NOW_S)
    # The database file without its log; another process reads it, as closing it here would give SQLite's locks back.
    subprocess.run(["cp", tmp_path / "d.sqlite", tmp_path / "copy"], check=True)
    with sqlite3.connect(tmp_path / "copy") as copy:
        tables = copy.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
    copy.close()
    found = pages_in_log(store)
    store.close()
    assert settings == [0, 0]
    assert tables == 0
    assert found[0] == found[1] > 1000


def test_a_checkpoint_is_made_in_ones_own_turn(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """While one store makes its checkpoint, no other thread or process gets a turn, so none can commit; after it, yes.

    A lock by flock(2) belongs to an open file, so that a second store here is like one in another process.
    """
    path, seen = tmp_path / "d.sqlite", []
    first, second = open_store(path), open_store(path)
    real = stores.checkpoint

    def look(engine: sa.Engine) -> tuple[int, int, int]:
        with pytest.raises(NoTurnError, match="another process"), second._turns.one(wait_s=0.01):
            pass
        seen.append(real(engine))
        return seen[-1]

    monkeypatch.setattr(stores, "checkpoint", look)
    for at in (1, 501):
        first.ingest(notes(at, 500), received_s=NOW_S)
    with second._turns.one(wait_s=0.01):
        pass
    first.close()
    second.close()
    assert len(seen) == 1
    busy, pages, brought = seen[0]
    assert (busy, brought) == (0, pages)


def test_every_transaction_that_writes_has_a_turn(tmp_path: Path) -> None:
    """With its turn taken by another, nothing is written, and it is worth another try."""
    path = tmp_path / "d.sqlite"
    store, other = open_store(path), Turns(path)
    store._turns.one = lambda: Turns.one(store._turns, wait_s=0.01)  # type: ignore[method-assign]
    writes = (
        lambda: store.ingest(notes(1, 1), received_s=NOW_S),
        lambda: store.keep_unreadable(topic="t", payload=b"", reason="r", received_s=NOW_S),
        lambda: store.version_of("sites", "a", now_s=NOW_S),
        lambda: store.forget(records_before_s=0.0, badges_before_s=0.0),
    )
    with other.one():
        for write in writes:
            with pytest.raises(BusyError, match="another process has been writing"):
                write()
    for write in writes:
        write()
    other.close()
    store.close()


def test_a_turn_ends_with_its_process(tmp_path: Path) -> None:
    """A process that is killed in its turn holds nobody up."""
    path = tmp_path / "d.sqlite"
    code = (
        "import sys, time; from pathlib import Path; from agent.dispatch.turns import Turns\n"
        "with Turns(Path(sys.argv[1])).one(): print('mine', flush=True); sys.stdin.read()"
    )
    pipe = subprocess.PIPE
    turns = Turns(path)
    with subprocess.Popen([sys.executable, "-c", code, str(path)], stdin=pipe, stdout=pipe) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == b"mine\n"
        with pytest.raises(NoTurnError), turns.one(wait_s=0.01):
            pass
        os.kill(holder.pid, signal.SIGKILL)
        holder.wait(timeout=10)
        with turns.one(wait_s=0.01):
            pass
    turns.close()


def test_the_log_does_not_grow_for_ever(tmp_path: Path) -> None:
    """After a checkpoint of all of it the next transaction begins the log anew: it grows no longer."""
    path, sizes = tmp_path / "d.sqlite", []
    store = open_store(path)
    for at in range(1, 5000, 500):
        store.ingest(notes(at, 500), received_s=NOW_S)
        sizes.append(path.with_name("d.sqlite-wal").stat().st_size)
    store.close()
    assert max(sizes) < 1.5 * max(sizes[:2])


def test_which_sqlite_it_is(tmp_path: Path) -> None:
    """Whoever looks after it is told the version, and whether that has the bug."""
    store = open_store(tmp_path / "d.sqlite")
    text = store.about
    store.close()
    assert re.match(rf"SQLite {re.escape(sqlite3.sqlite_version)} \(with(out)? the WAL-reset bug", text)


@pytest.mark.parametrize(
    ("version", "safe"),
    [
        ((3, 45, 1), False),
        ((3, 44, 6), True),
        ((3, 50, 6), False),
        ((3, 50, 7), True),
        ((3, 51, 2), False),
        ((3, 51, 3), True),
        ((3, 53, 0), True),
    ],
)
def test_which_versions_have_the_bug(version: tuple[int, int, int], *, safe: bool) -> None:
    """Fixed in 3.51.3, and in 3.44.6 and 3.50.7 of older lines: https://www.sqlite.org/wal.html#walresetbug."""
    assert is_mended(version) == safe
