"""A store with large pages gets small ones at a start and keeps all that is in it; whatever is in the way, it opens."""

from __future__ import annotations

import os
import shutil
import sqlite3
from contextlib import closing
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from agent.chain import KeptChain
from agent.records import Read, Record
from agent.store import Store
from agent.store_aside import set_aside_before
from agent.store_chain import kept_chain
from agent.store_connection import PAGE_BYTES, connect
from agent.store_opening import open_sound
from agent.store_pages import make_pages_small
from agent.verify import verify
from tests.diskfull.bench import SEAL
from tests.powercut.child import enlarge

opened = partial(open_sound, open_=partial(Store.open, seal=SEAL), vehicle="van-07")
TABLES = ("meta", "record", "outbox", "checkpoint", "block", "held", "boot", "reading", "epoch")


def fill(path: Path) -> None:
    """A store of an earlier release: records, raw reads and a checkpoint, in pages of 4,096 octets."""
    with Store.open(path, seal=SEAL) as store:
        for n in range(40):
            record = Record("notice", {"notice": "test", "n": n, "text": f"{n} " * 60})
            reads = [Read(60.0 * n, f"{tag:024X}", 1, -60.5, 2) for tag in range(60)]
            blocks = [(n, b"b" * 500)]
            store.append([record], boot=1, mono=60.0 * n, checkpoint=b"core" * 900, blocks=blocks, reads=reads)
        store.boot()
    enlarge(path)
    assert pages_of(path) == 4096


def pages_of(path: Path) -> int:
    """The octets of a page."""
    with closing(sqlite3.connect(path)) as look:
        return int(look.execute("PRAGMA page_size").fetchone()[0])


def content_of(path: Path) -> dict[str, list[Any]]:
    """Everything in it."""
    with closing(sqlite3.connect(path)) as look:
        return {table: look.execute(f"SELECT * FROM {table} ORDER BY 1, 2").fetchall() for table in TABLES}  # noqa: S608


def misfits(kept: KeptChain) -> list[object]:
    """What does not fit in a chain."""
    return [each.walked.misfit for each in verify(kept, key=None, source="") if each.walked.misfit is not None]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Where such a store is."""
    found = tmp_path / "vehicle.db"
    fill(found)
    return found


def test_large_pages_become_small_at_a_start(path: Path) -> None:
    """All tables are the same, in the same epoch, with a chain that fits; nothing is left beside it; once is enough."""
    before = content_of(path)
    with opened(path) as store:
        assert (store.epoch, store.last_seq) == (1, 40)
        store.append([Record("notice", {"notice": "test", "n": 41})], boot=2, mono=1.0)
    assert pages_of(path) == PAGE_BYTES
    after = content_of(path)
    assert after.pop("record")[:40] == before.pop("record")
    assert after.pop("outbox")[:40] == before.pop("outbox")
    assert after == before
    assert misfits(kept_chain(path)) == []
    assert not path.with_name("vehicle.db.small").exists()
    assert not make_pages_small(path)


def test_what_is_in_the_log_comes_along(path: Path) -> None:
    """Records that only the log of a killed process has are in the new file."""
    copy = path.with_name("killed") / "vehicle.db"
    copy.parent.mkdir()
    with Store.open(path, seal=SEAL) as store:
        store.append([Record("notice", {"notice": "test", "n": 41})], boot=1, mono=9e3)
        for part in ("", "-wal"):
            shutil.copy2(f"{path}{part}", f"{copy}{part}")
    assert Path(f"{copy}-wal").stat().st_size > 0
    with opened(copy) as store:
        assert store.last_seq == 41
    assert pages_of(copy) == PAGE_BYTES


def test_while_somebody_reads_it_stays_as_it_is(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A reader keeps its file under its eyes; the agent starts all the same, and the next start does it."""
    monkeypatch.setattr("agent.store_connection._BUSY_TIMEOUT_S", 0.05)
    with closing(connect(path, writer=False)) as reader:
        reader.execute("SELECT count(*) FROM record").fetchone()
        opened(path).close()
        assert pages_of(path) == 4096
    opened(path).close()
    assert pages_of(path) == PAGE_BYTES


@pytest.mark.parametrize("free_bytes", [0, 1_000_000])
def test_where_there_is_no_room_it_stays_as_it_is(path: Path, monkeypatch: pytest.MonkeyPatch, free_bytes: int) -> None:
    """The last free space is somebody's."""
    about = list(os.statvfs(path.parent))
    about[4] = free_bytes // about[1]
    monkeypatch.setattr("agent.store_pages.os.statvfs", lambda _: os.statvfs_result(about))
    opened(path).close()
    assert pages_of(path) == 4096


def test_damage_in_the_raw_reads_is_no_reason_not_to_start(path: Path) -> None:
    """They decide nothing and are not looked at before; the store stays as it is, and nothing of it is set aside."""
    with closing(sqlite3.connect(path)) as look:
        (page,) = look.execute("SELECT rootpage FROM sqlite_master WHERE name = 'reading'").fetchone()
    with path.open("r+b") as file:
        file.seek((page - 1) * 4096)
        file.write(bytes(range(256)) * 16)
    before = path.read_bytes()
    with opened(path) as store:
        assert (store.epoch, store.last_seq) == (1, 40)
    assert pages_of(path) == 4096
    assert path.read_bytes()[4096:] == before[4096:]
    assert set_aside_before(path) == ()
    assert not path.with_name("vehicle.db.small").exists()


def test_a_change_of_the_whole_file_that_power_cut_short_is_ended(tmp_path: Path) -> None:
    """With SQLite's journal beside it a file can only be read once that is taken back: it is no damage, and opens."""
    path, cut = tmp_path / "vehicle.db", tmp_path / "cut" / "vehicle.db"
    cut.parent.mkdir()
    fill(path)
    before = content_of(path)
    with closing(sqlite3.connect(path, isolation_level=None)) as change:
        change.execute("PRAGMA journal_mode = DELETE")
        change.execute("PRAGMA cache_size = 1")
        change.execute("BEGIN")
        change.execute("UPDATE record SET body = upper(hex(body))")
        for part in ("", "-journal"):
            shutil.copy2(f"{path}{part}", f"{cut}{part}")
        change.execute("ROLLBACK")
    assert Path(f"{cut}-journal").stat().st_size > 0
    opened(cut).close()
    assert set_aside_before(cut) == ()
    assert content_of(cut) == before
