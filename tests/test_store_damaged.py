"""A damaged store is set aside whole, and the new one goes on in a higher epoch with all that could be read."""

from __future__ import annotations

import os
import random
import shutil
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Callable
from functools import cache, partial
from pathlib import Path
from typing import Any

import msgspec
import pytest

from agent import store_opening
from agent.canonical import digest_of
from agent.checkpoint import Written, encode
from agent.errors import StoreDamagedError, StoreError
from agent.messages import Ack, Downlink
from agent.records import Record
from agent.state import State
from agent.store import Store
from agent.store_aside import damage_of, note_damage, set_aside_before
from agent.store_connection import PAGE_BYTES, look
from agent.store_folder import sync_folder
from agent.store_mark import Mark, mark_of, read_mark, write_mark
from agent.store_opening import open_sound
from tests.diskfull.bench import SEAL

RECORDS, ACKED = 400, 100
PLAN = Downlink("plan", 3, digest_of("vehicle,date\n"), "vehicle,date\n")
AT = "2026-03-04T09:00:00.000Z"
opened = partial(open_sound, open_=partial(Store.open, seal=SEAL), vehicle="van-07")


def body(n: int) -> dict[str, Any]:
    """Long enough that records stand on many pages."""
    return {"notice": "test", "n": n, "text": f"{n} " * 40}


def fill(path: Path) -> None:
    """A store with acked and unacked records, a checkpoint and a plan, closed, and the mark beside it."""
    path.write_bytes(filled())
    write_mark(path, Mark(AT, 1, RECORDS, 1))


@cache
def filled() -> bytes:
    """The file of such a store; its log is emptied into it."""
    with tempfile.TemporaryDirectory() as folder:
        _make(Path(folder) / "vehicle.db")
        return (Path(folder) / "vehicle.db").read_bytes()


def _make(path: Path) -> None:
    core, blocks, _ = encode(State(), Written())
    with Store.open(path, seal=SEAL) as store:
        boot = store.boot()
        store.trust_time(boot=boot, offset_s=1000.0)
        store.hold(PLAN)
        for n in range(RECORDS):
            store.append([Record("notice", body(n))], boot=boot, mono=float(n), checkpoint=core, blocks=blocks)
        store.settle()
        store.acknowledge([Ack(1, ACKED)])


def told(store: Store) -> list[dict[str, Any]]:
    """What waits to be published."""
    return [msgspec.json.decode(row.body) for row in store.unacked(limit=10_000)]


def rescued(store: Store) -> list[int]:
    """The numbers in the bodies of the records that were rescued."""
    return [each["n"] for each in told(store) if each["notice"] == "test"]


def page_of(path: Path, table: str) -> list[int]:
    """The pages of a table, by SQLite's own word."""
    connection = sqlite3.connect(path)
    try:
        return [row[0] for row in connection.execute("SELECT pageno FROM dbstat WHERE name = ? ORDER BY 1", (table,))]
    except sqlite3.OperationalError:
        pytest.skip("this SQLite has no dbstat")
    finally:
        connection.close()


def spoil(path: Path, pages: list[int]) -> None:
    """Garbage over whole pages."""
    with path.open("r+b") as file:
        for page in pages:
            file.seek((page - 1) * PAGE_BYTES)
            file.write(os.urandom(PAGE_BYTES))


def truncated(path: Path) -> None:
    """A third of the file is missing."""
    os.truncate(path, path.stat().st_size // 3 // PAGE_BYTES * PAGE_BYTES)


def no_database(path: Path) -> None:
    """Its first page is garbage."""
    spoil(path, [1])


def emptied(path: Path) -> None:
    """Nothing is left of it."""
    os.truncate(path, 0)


def one_leaf(path: Path) -> None:
    """One page of records is garbage."""
    spoil(path, page_of(path, "record")[-3:-2])


def outbox(path: Path) -> None:
    """The outbox is garbage."""
    spoil(path, page_of(path, "outbox"))


def checkpoint(path: Path) -> None:
    """The checkpoint is garbage."""
    spoil(path, page_of(path, "checkpoint"))


def noted(path: Path) -> None:
    """Damage was found while running, where no look at the start would find it."""
    note_damage(path, "database disk image is malformed")


DAMAGES: dict[str, tuple[Callable[[Path], None], range | None]] = {
    "truncated": (truncated, None),
    "first page": (no_database, range(0)),
    "empty": (emptied, range(0)),
    "a page of records": (one_leaf, None),
    "outbox": (outbox, range(RECORDS)),
    "checkpoint": (checkpoint, range(ACKED, RECORDS)),
    "noted": (noted, range(ACKED, RECORDS)),
}


@pytest.mark.parametrize("how", DAMAGES)
def test_a_damaged_store_is_set_aside_and_a_new_one_begins_higher(tmp_path: Path, how: str) -> None:
    """The old file keeps every octet, what can be read comes along in order, and a notice counts what does not."""
    path = tmp_path / "vehicle.db"
    fill(path)
    damage, expected = DAMAGES[how]
    damage(path)
    octets = path.read_bytes()
    with opened(path) as store:
        assert store.epoch == 2
        found, notice = rescued(store), told(store)[-1]
        held = store.held("plan")
        kept = store.checkpoint()
        store.append([Record("notice", body(-1))], boot=store.boot(), mono=1.0)
    (aside,) = set_aside_before(path)
    assert aside.read_bytes() == octets
    assert (notice["notice"], notice["since"]) == ("store-damaged", AT)
    assert found == sorted(set(found))
    if expected is not None:
        assert found == list(expected)
    elif how == "a page of records":
        # A few records stand on a page; the ones beside it are all there.
        assert RECORDS - ACKED - 10 < len(found) < RECORDS - ACKED
        assert len(found) + notice["unread"] == RECORDS - ACKED
    assert held == (PLAN if how not in {"first page", "empty", "truncated"} else held)
    assert (kept is not None) == (how in {"outbox", "noted"})
    assert notice["memory"] == (kept is not None)
    with opened(path) as store:
        assert store.epoch == 2  # it is sound, and stays
    assert len(set_aside_before(path)) == 1


@pytest.mark.parametrize("seed", range(12))
def test_garbage_anywhere_ends_no_start_and_invents_nothing(tmp_path: Path, seed: int) -> None:
    """Wherever octets are spoilt a store opens and goes on; what it sends is what was written, each once, in order.

    Spoilt octets of an acknowledged record, or of raw reads, are left to `roadtally verify`.
    """
    rng = random.Random(seed)  # noqa: S311 - a draw that can be repeated
    path = tmp_path / "vehicle.db"
    fill(path)
    octets = bytearray(path.read_bytes())
    for _ in range(rng.choice((1, 1, 3, 20))):
        at, size = rng.randrange(len(octets)), rng.choice((1, 16, 512, 4096))
        octets[at : at + size] = rng.randbytes(min(size, len(octets) - at))
    path.write_bytes(octets)
    with opened(path) as store:
        said = [each for each in told(store) if each.get("notice") == "test"]
        store.append([Record("notice", body(-1))], boot=store.boot(), mono=1.0)
        assert told(store)[-1] == body(-1)
        assert all(each == body(each["n"]) for each in said)
        assert [each["n"] for each in said] == sorted({each["n"] for each in said})
        if store.epoch > 1:
            (aside,) = set_aside_before(path)
            assert aside.read_bytes() == octets
        else:
            assert damage_of(path) is None


def test_the_log_is_set_aside_with_its_file(tmp_path: Path) -> None:
    """Of a killed process the log is left; it keeps its octets too, and what it holds is rescued."""
    path = tmp_path / "vehicle.db"
    fill(path)
    script = (
        "import os, sys\nfrom agent.store import Store\nfrom agent.records import Record\n"
        "from tests.diskfull.bench import SEAL\nstore = Store.open(sys.argv[1], seal=SEAL)\n"
        "store.append([Record('notice', {'notice': 'test', 'n': 400})], boot=1, mono=500.0)\nos._exit(9)\n"
    )
    subprocess.run([sys.executable, "-c", script, str(path)], check=False, cwd=Path(__file__).parents[1])
    log = path.with_name("vehicle.db-wal")
    octets = log.read_bytes()
    assert octets
    note_damage(path, "as found while running")
    with opened(path) as store:
        assert rescued(store) == list(range(ACKED, RECORDS + 1))
    assert path.with_name("vehicle.db.damaged-1-wal").read_bytes() == octets
    assert not log.exists() or log.stat().st_size < len(octets)


@pytest.mark.parametrize("how", ["garbage", "a folder"])
def test_a_log_that_cannot_be_read(tmp_path: Path, how: str) -> None:
    """What was committed to it is lost, which is told; the file beside it is not taken for the whole store."""
    path, log = tmp_path / "vehicle.db", tmp_path / "vehicle.db-wal"
    fill(path)
    if how == "garbage":
        log.write_bytes(os.urandom(40_000))
    else:
        log.mkdir()
    assert damage_of(path) is not None
    with opened(path) as store:
        assert store.epoch == 2
        assert told(store)[-1]["notice"] == "store-damaged"


def test_a_log_of_zeros_is_none(tmp_path: Path) -> None:
    """A power cut may leave a log that was made and never written to; nothing was committed to it."""
    path = tmp_path / "vehicle.db"
    fill(path)
    path.with_name("vehicle.db-wal").write_bytes(bytes(4096))
    with opened(path) as store:
        assert (store.epoch, store.last_seq) == (1, RECORDS)


def test_a_store_that_is_gone_or_set_back_begins_no_epoch_again(tmp_path: Path) -> None:
    """The mark beside it knows how far it had come: the next epoch is higher, also with nothing else left to tell."""
    path, copy = tmp_path / "vehicle.db", tmp_path / "copy.db"
    with Store.open(path, seal=SEAL) as store:
        store.append([Record("notice", body(0))], boot=store.boot(), mono=1.0)
    shutil.copy(path, copy)
    path.unlink()
    fill(path)
    path.unlink()
    with opened(path) as store:
        assert (store.epoch, rescued(store)) == (2, [])
        assert "the file is gone" in told(store)[0]["text"]
        write_mark(path, Mark(AT, store.epoch, store.last_seq, 1))
    path.unlink()
    shutil.copy(copy, path)
    with opened(path) as store:
        assert (store.epoch, rescued(store)) == (3, [0])
        assert "but had record 1 of epoch 2" in told(store)[-1]["text"]


def test_a_disk_that_fails_for_once_takes_no_store_away(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the last record cannot be read for a reason that may pass the start fails, and the next one finds all."""
    path = tmp_path / "vehicle.db"
    fill(path)

    def failing(file: Path) -> sqlite3.Connection:
        connection = look(file)
        connection.set_progress_handler(lambda: 1, 1)  # SQLITE_INTERRUPT, as an I/O error would come
        return connection

    with monkeypatch.context() as patch:
        patch.setattr(store_opening, "look", failing)
        with pytest.raises(StoreError, match="INTERRUPT"):
            opened(path)
    with opened(path) as store:
        assert (store.epoch, rescued(store)) == (1, list(range(ACKED, RECORDS)))
    assert set_aside_before(path) == ()


def test_the_new_store_is_certain_before_the_old_one_is_moved(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its name is synced first: else a power cut could keep the renaming of the log alone, without a store for it."""
    path = tmp_path / "vehicle.db"
    fill(path)
    path.with_name("vehicle.db-wal").write_bytes(b"")
    note_damage(path, "as found while running")
    done: list[str] = []
    rename = Path.rename

    def renamed(self: Path, target: Path) -> Path:
        done.append(self.name)
        return rename(self, target)

    def synced(folder: Path) -> None:
        done.append("sync")
        sync_folder(folder)

    monkeypatch.setattr(Path, "rename", renamed)
    monkeypatch.setattr(store_opening, "sync_folder", synced)
    opened(path).close()
    assert done[done.index("vehicle.db.building") :][:3] == ["vehicle.db.building", "sync", "vehicle.db-wal"]


def test_a_new_van_begins_with_epoch_one(tmp_path: Path) -> None:
    """Nothing there and no mark: nothing was lost, and nothing is told."""
    with opened(tmp_path / "vehicle.db") as store:
        assert (store.epoch, told(store)) == (1, [])


@pytest.mark.parametrize("cut", range(1, 8))
def test_a_power_cut_while_it_is_set_aside(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, cut: int) -> None:
    """Cut before any renaming, the next start goes on: one store set aside, one new, and the log with its own file."""
    path = tmp_path / "vehicle.db"
    fill(path)
    path.with_name("vehicle.db-wal").write_bytes(b"")
    octets = path.read_bytes()
    note_damage(path, "as found while running")
    count = 0
    rename = Path.rename

    def cut_before(self: Path, target: Path) -> Path:
        nonlocal count
        count += 1
        if count == cut:
            raise KeyboardInterrupt
        return rename(self, target)

    with monkeypatch.context() as patch:
        patch.setattr(Path, "rename", cut_before)
        try:
            opened(path).close()
        except KeyboardInterrupt:
            pass
        else:
            assert cut > 5
    with opened(path) as store:
        assert (store.epoch, rescued(store)) == (2, list(range(ACKED, RECORDS)))
        assert [each["notice"] for each in told(store)].count("store-damaged") == 1
    assert [each.read_bytes() for each in set_aside_before(path)] == [octets]
    assert {file.name for file in tmp_path.iterdir()} <= {
        "vehicle.db", "vehicle.db.lock", "vehicle.db.mark", "vehicle.db.damaged-1", "vehicle.db.damaged-1-wal",
        "vehicle.db.damaged-1-shm",
    }  # fmt: skip


def test_a_store_in_use_is_let_alone(tmp_path: Path) -> None:
    """A second process sets nothing aside under the first one's hands."""
    path = tmp_path / "vehicle.db"
    fill(path)
    with Store.open(path, seal=SEAL) as store:
        note_damage(path, "a lie")
        with pytest.raises(StoreError, match="another process uses this store"):
            opened(path)
        assert store.last_seq == RECORDS


def test_damage_that_shows_while_running_is_named(tmp_path: Path) -> None:
    """What SQLite finds later is an error of its own kind, for the run loop to end with."""
    path = tmp_path / "vehicle.db"
    fill(path)
    pages = page_of(path, "record")
    with Store.open(path, seal=SEAL) as store:
        spoil(path, pages[1:])
        with pytest.raises(StoreDamagedError, match="next start sets it aside"):
            store.unacked(limit=500)


def test_a_mark_is_whole_or_not_there(tmp_path: Path) -> None:
    """What is no mark tells nothing, and does not stand in the way of the next."""
    path = tmp_path / "vehicle.db"
    assert read_mark(path) is None
    mark_of(path).write_bytes(b'{"at": null, "epo')
    assert read_mark(path) is None
    assert write_mark(path, Mark(None, 2, 3, 4))
    assert read_mark(path) == Mark(None, 2, 3, 4)
    assert store_opening._went_back(path, read_mark(path)) == "the file is gone"


def test_of_very_many_records_those_still_to_be_sent_are_looked_at(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Years of records would take seconds at every start; a spoilt one that nobody has taken in yet is found still.

    An acknowledged one is left to `roadtally verify`.
    """
    monkeypatch.setattr("agent.store_aside._MANY", RECORDS - 1)
    path = tmp_path / "vehicle.db"
    for n, is_found in ((ACKED - 50, False), (ACKED + 50, True)):
        fill(path)
        octets = path.read_bytes()
        assert octets.count(f'"text":"{n} '.encode()) == 1
        path.write_bytes(octets.replace(f'"text":"{n} '.encode(), f'"text":"{n}?'.encode()))
        assert (damage_of(path) == f"record {n + 1} is not as it was written") == is_found
