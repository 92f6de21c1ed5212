"""The look at disk and store: changes nothing, and knows whether the agent runs."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from agent import probe_disk
from agent.findings import Finding
from agent.records import Record
from agent.store import Store
from agent.store_aside import set_aside
from agent.store_reserve import Reserve
from agent.store_schema import MIGRATIONS


def found(path: Path) -> dict[str, Finding]:
    """The findings by part."""
    return {finding.part: finding for finding in probe_disk.probe_disk(path, least_free_bytes=1)}


def test_a_store_that_is_not_there_is_not_made(tmp_path: Path) -> None:
    """The folder is tried and left as it was."""
    told = found(tmp_path / "vehicle.db")
    assert (told["disk"].state, told["store"].state) == ("ok", "ok")
    assert "not there yet" in told["store"].found
    assert f"SQLite {sqlite3.sqlite_version}" in told["store"].found
    assert list(tmp_path.iterdir()) == []


def test_a_missing_folder(tmp_path: Path) -> None:
    """It is told, and not made."""
    (finding,) = probe_disk.probe_disk(tmp_path / "nowhere" / "vehicle.db")
    assert finding.state == "not ok"
    assert "make the folder" in finding.do
    assert list(tmp_path.iterdir()) == []


def test_a_store_and_whether_the_agent_has_it(tmp_path: Path) -> None:
    """Records and backlog are counted; while a process holds the store's lock the agent is said to run."""
    path = tmp_path / "vehicle.db"
    assert not probe_disk.is_agent_running(path)
    with Store.open(path, seal=None) as store:
        store.append([Record("notice", {"code": "x"})], boot=store.boot(), mono=1.0)
        assert probe_disk.is_agent_running(path)
        told = found(path)["store"]
        assert told.state == "ok"
        assert "1 records, 1 of them to be published" in told.found
        assert "the agent runs" in told.found
    assert not probe_disk.is_agent_running(path)
    assert "nobody uses it now" in found(path)["store"].found
    with Store.open(path, seal=None) as store:  # the look has left nothing locked
        assert store.last_seq == 1


@pytest.mark.parametrize(
    ("version", "told"),
    [
        ((3, 51, 3), "SQLite 3.51.3 has the fix of the WAL-reset race"),
        ((3, 53, 0), "SQLite 3.53.0 has the fix of the WAL-reset race"),
        ((3, 51, 2), "SQLite 3.51.2 is older than the fix of its WAL-reset race (3.51.3)"),
    ],
)
def test_the_version_of_sqlite_is_named(version: tuple[int, int, int], told: str) -> None:
    """With whether it has the fix of 3.51.3 (sqlite.org/changes.html, 2026-03-13)."""
    assert probe_disk.library_of(version).startswith(told)


def test_what_is_no_store(tmp_path: Path) -> None:
    """A file of something else is told with what to do."""
    path = tmp_path / "vehicle.db"
    path.write_text("not a database, but long enough to be looked at as one" * 40)
    told = found(path)["store"]
    assert told.state == "not ok"
    assert "file is not a database" in told.found
    assert "move it away or set another path" in told.do


@pytest.mark.parametrize(("version", "state"), [(1, "ok"), (len(MIGRATIONS) + 1, "not ok")])
def test_a_store_of_another_version(tmp_path: Path, version: int, state: str) -> None:
    """An older one is brought up by the agent and not by the look; a newer one needs its own program."""
    path = tmp_path / "vehicle.db"
    Store.open(path, seal=None).close()
    with sqlite3.connect(path) as connection:
        connection.execute(f"PRAGMA user_version = {version}")
    connection.close()
    assert found(path)["store"].state == state
    connection = sqlite3.connect(path)
    assert connection.execute("PRAGMA user_version").fetchone() == (version,)
    connection.close()


def test_what_is_damaged_or_was_set_aside_is_told(tmp_path: Path) -> None:
    """A damaged store is named with what to do; so are those set aside before, and a reserve that was given up."""
    path = tmp_path / "vehicle.db"
    Store.open(path, seal=None).close()
    reserve = Reserve(path, size_bytes=600_000)
    assert reserve.is_whole()
    told = {each.part: each for each in probe_disk.probe_disk(path, least_free_bytes=1, reserve_bytes=600_000)}
    assert {each.state for each in told.values()} == {"ok"}
    reserve.give_up()
    path.write_bytes(b"\x00" * 8192)
    before = {file.name: file.read_bytes() for file in tmp_path.iterdir()}
    told = {each.part: each for each in probe_disk.probe_disk(path, least_free_bytes=1, reserve_bytes=600_000)}
    assert (told["store"].state, told["reserve"].state) == ("not ok", "not ok")
    assert "is damaged" in told["store"].found
    assert "sets the store aside whole" in told["store"].do
    assert {file.name: file.read_bytes() for file in tmp_path.iterdir()} == before
    set_aside(path)
    told = found(path)
    assert told["damaged"].state == "not ok"
    assert "vehicle.db.damaged-1 (0.0 MB)" in told["damaged"].found


def test_a_disk_that_is_nearly_full(tmp_path: Path) -> None:
    """Less free than the agent wants is not ok."""
    told = probe_disk.probe_disk(tmp_path / "vehicle.db", least_free_bytes=10**18)[0]
    assert (told.part, told.state) == ("disk", "not ok")
    assert "free some" in told.do
