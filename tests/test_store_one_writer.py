"""SQLite's WAL-reset race needs two connections that write or checkpoint: the store has one, whoever else looks.

The race and its fix in 3.51.3: https://sqlite.org/wal.html. Every connection of the house to a store is made by
`agent.store_connection.connect`.
"""

from __future__ import annotations

import ast
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from agent.probe_disk import probe_disk
from agent.records import Record
from agent.store import Store
from agent.store_chain import kept_chain
from agent.store_connection import connect
from agent.store_outbox import OutboxReader
from agent.store_view import StoreView
from tests.delivery import SEAL

ROOT = Path(__file__).resolve().parents[1]
LARGE = [Record("notice", {"notice": "gap", "text": "x" * 3000})] * 40


def look_at_the_outbox(path: Path) -> None:
    """As the publisher does."""
    with OutboxReader(path) as outbox:
        outbox.page(after=0, limit=50)


def look_at_all(path: Path) -> None:
    """As `explain` does."""
    with StoreView.open(path) as view:
        view.kept()


LOOKS: dict[str, Callable[[Path], object]] = {
    "publisher": look_at_the_outbox,
    "explain": look_at_all,
    "verify": kept_chain,
    "check": lambda path: probe_disk(path, least_free_bytes=1),
}


@pytest.fixture(scope="module")
def cut_off(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store as a power cut leaves it: its log holds more than SQLite's own threshold for a checkpoint."""
    path = tmp_path_factory.mktemp("cut") / "store.db"
    program = (
        "import os, sys, sqlite3; from pathlib import Path; from tests.test_store_one_writer import LARGE;"
        "from tests.delivery import SEAL; from agent.store import Store;"
        "store = Store.open(sys.argv[1], seal=SEAL);"
        "store._connection.execute('PRAGMA wal_autocheckpoint = 0');"
        "[store.append(LARGE, boot=1, mono=1.0) for _ in range(34)]; os._exit(9)"
    )
    assert subprocess.run([sys.executable, "-c", program, str(path)], cwd=ROOT, check=False).returncode == 9
    assert log_of(path).stat().st_size > 1000 * 4096
    return path


@pytest.fixture
def path(cut_off: Path, tmp_path: Path) -> Path:
    """A copy of it."""
    shutil.copy(cut_off, tmp_path)
    shutil.copy(log_of(cut_off), tmp_path)
    return tmp_path / cut_off.name


def log_of(path: Path) -> Path:
    """SQLite's write-ahead log."""
    return path.with_name(path.name + "-wal")


@pytest.mark.parametrize("name", LOOKS)
def test_who_reads_never_writes_nor_checkpoints(path: Path, name: str) -> None:
    """Neither while it looks nor when it closes as the last one: database and log keep every octet."""
    before = path.read_bytes(), log_of(path).read_bytes()
    for _ in range(2):
        LOOKS[name](path)
    assert (path.read_bytes(), log_of(path).read_bytes()) == before
    connection = sqlite3.connect(path)  # any other connection would do it: this test can fail
    connection.execute("SELECT count(*) FROM record").fetchone()
    connection.close()
    assert path.read_bytes() != before[0]


def test_a_reader_that_asks_for_it_is_refused(path: Path) -> None:
    """A checkpoint or a write by a reader's connection is an error or does nothing."""
    before = path.read_bytes(), log_of(path).read_bytes()
    connection = connect(path, writer=False)
    assert connection.execute("PRAGMA wal_autocheckpoint").fetchone() == (0,)
    for statement in ("DELETE FROM outbox", "PRAGMA wal_checkpoint(TRUNCATE)", "PRAGMA user_version = 5"):
        with pytest.raises(sqlite3.OperationalError, match=r"readonly|disk I/O"):
            connection.execute(statement).fetchall()
    connection.execute("PRAGMA query_only = OFF")
    with pytest.raises(sqlite3.OperationalError, match="readonly"):
        connection.execute("DELETE FROM outbox")
    connection.close()
    assert (path.read_bytes(), log_of(path).read_bytes()) == before


def test_a_reader_makes_no_store(tmp_path: Path) -> None:
    """Where there is no file there is none afterwards."""
    with pytest.raises(sqlite3.OperationalError, match="unable to open"):
        connect(tmp_path / "store.db", writer=False).execute("SELECT 1 FROM record")
    assert list(tmp_path.iterdir()) == []


def test_a_second_writer_is_refused_in_any_process(path: Path) -> None:
    """While one has the store, another process's opening ends with an error and leaves no connection."""
    program = "import sys; from agent.store import Store; Store.open(sys.argv[1], seal=None)"
    with Store.open(path, seal=SEAL):
        second = subprocess.run(
            [sys.executable, "-c", program, str(path)], cwd=ROOT, check=False, capture_output=True, text=True
        )
        held = [each.readlink() for each in Path("/proc/self/fd").iterdir() if each.is_symlink()]
    assert "another process uses this store" in second.stderr
    assert held.count(path) == 1


def test_nothing_else_of_the_house_opens_a_store() -> None:
    """`sqlite3.connect` is called for a store in one place; a writer's connection is asked for by the store alone.

    `store_opening` and `store_pages` write a store that is not in its place yet, under the lock of the one that it
    replaces, which nobody has open.
    """
    calls: set[tuple[str, str]] = set()
    for file in sorted((ROOT / "agent").glob("*.py")):
        for node in ast.walk(ast.parse(file.read_text())):
            if isinstance(node, ast.Call) and ast.unparse(node.func) in ("sqlite3.connect", "connect"):
                kind = " writer" if "writer=True" in ast.unparse(node) else ""
                calls.add((file.stem, ast.unparse(node.func) + kind))
    assert {where for where, what in calls if what == "connect writer"} == {"store", "store_opening", "store_pages"}
    direct = {where for where, what in calls if what == "sqlite3.connect"}
    assert direct == {"store_connection", "demo_verdict"}  # the demo's verdict reads, `mode=ro`
