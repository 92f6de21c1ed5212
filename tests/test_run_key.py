"""The agent's process and its key: made before the first record, kept over restarts, told of where it was damaged."""

from __future__ import annotations

import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import msgspec

from agent.identity import vehicle_key
from agent.run import opened
from agent.store_chain import kept_chain
from tests import tinyday

ROOT = Path(__file__).resolve().parents[1]


def run_until(folder: Path, query: str, *, within_s: float = 30.0) -> list[Any]:
    """Start the agent, wait until its store answers with something, end it by SIGTERM; the answer."""
    command = [sys.executable, "-m", "agent", "run", "--config", "vehicle.toml", "--store", "vehicle.db"]
    command += ["--sites", "geofences", "--register", "register.csv"]
    agent = subprocess.Popen(command, cwd=folder, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, env=ENVIRONMENT)
    found: list[Any] = []
    try:
        deadline_s = time.monotonic() + within_s
        while not found:
            assert time.monotonic() < deadline_s
            assert agent.poll() is None, agent.stderr and agent.stderr.read()
            time.sleep(0.02)  # lets the process run between two looks
            found = answer(folder / "vehicle.db", query)
    finally:
        agent.send_signal(signal.SIGTERM)
        _, said = agent.communicate(timeout=15.0)
    assert agent.returncode == 0, said
    return found


ENVIRONMENT = {"PYTHONPATH": str(ROOT), "PATH": "/usr/bin:/bin", "OPENBLAS_NUM_THREADS": "1"}


def answer(path: Path, query: str) -> list[Any]:
    """What the store says to it; nothing as long as it is not there."""
    try:
        connection = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    except sqlite3.OperationalError:
        return []
    try:
        return connection.execute(query).fetchall()
    except sqlite3.OperationalError:
        return []
    finally:
        connection.close()


def test_the_key_is_made_kept_and_its_damage_told(tmp_path: Path) -> None:
    """One key over two openings; with its file damaged the process has another, a new epoch and a notice of it."""
    tinyday.write_files(tmp_path)
    key, store = tmp_path / "vehicle.key", tmp_path / "vehicle.db"
    with opened(store, "van-07") as (_, found):
        assert found == ()
    first, whole = kept_chain(store), key.read_bytes()
    assert (first.vehicle, first.key) == ("van-07", vehicle_key(key).text)
    with opened(store, "van-07") as (again, found):
        assert (again.epoch, found) == (1, ())
    assert (kept_chain(store).key, key.read_bytes()) == (first.key, whole)
    key.write_bytes(whole[:40])
    told = run_until(tmp_path, "SELECT body FROM record WHERE body LIKE '%vehicle.key.damaged-1%'")
    assert msgspec.json.decode(told[0][0])["notice"] == "new-key"
    assert kept_chain(store).key != first.key
    assert (tmp_path / "vehicle.key.damaged-1").read_bytes() == whole[:40]
