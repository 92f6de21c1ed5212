"""The demo as its own process: a whole day, Ctrl-C at any moment, a port that is taken."""

from __future__ import annotations

import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import psutil
import pytest

from agent.broker import free_port
from agent.demo_interrupt import Interrupts

pytestmark = pytest.mark.integration

ROOT = Path(__file__).resolve().parents[1]
PATIENCE_REAL_S = 60.0
# A reader, a receiver, a broker, an agent and a page's open stream, each with a real second at most.
AT_ONCE_REAL_S = 5.0


class Demo:
    """A demo that runs, what it has printed so far, and every process that it ever had."""

    def __init__(self, folder: Path, *options: str) -> None:
        self.temporary = folder / "tmp"
        self.temporary.mkdir()
        self.process = subprocess.Popen(
            [sys.executable, "-m", "agent", "demo", *options],
            cwd=folder,
            env={**os.environ, "PYTHONPATH": str(ROOT), "TMPDIR": str(self.temporary), "PYTHONUNBUFFERED": "1"},
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            start_new_session=True,
        )
        self.text = ""
        self.children: dict[int, psutil.Process] = {}
        self._reading = threading.Thread(target=self._read, daemon=True)
        self._reading.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        with self.process.stdout as out:
            for line in out:
                self.text += line

    def look(self) -> list[str]:
        """The command lines of the processes that it has now."""
        try:
            found = psutil.Process(self.process.pid).children(recursive=True)
        except psutil.NoSuchProcess:
            found = []
        self.children |= {child.pid: child for child in found}
        lines = []
        for child in found:
            try:
                lines.append(" ".join(child.cmdline()))
            except psutil.Error:
                continue  # it ended while we looked
        return lines

    def until(self, is_so: Callable[[Demo], Any], what: str, *, real_s: float = PATIENCE_REAL_S) -> None:
        """Wait, with an eye on its processes."""
        deadline = time.monotonic() + real_s
        while True:
            self.look()
            if is_so(self):
                return
            assert time.monotonic() < deadline, f"waited in vain for {what}:\n{self.text[-3000:]}"
            time.sleep(0.005)

    def end(self, *, real_s: float) -> int:
        """Wait for its end; its exit code."""
        self.until(lambda demo: demo.process.poll() is not None, "the demo's end", real_s=real_s)
        self._reading.join(5.0)
        return int(self.process.returncode)

    def left(self) -> list[psutil.Process]:
        """Processes of its that still run."""
        return [child for child in self.children.values() if child.is_running() and child.status() != "zombie"]

    def address(self) -> str:
        """The page's address, from the first line."""
        found = re.search(r"Watch it live: (\S+)", self.text)
        return found[1] if found else ""


@pytest.fixture
def demo(tmp_path: Path) -> Iterator[Callable[..., Demo]]:
    """Starts demos and leaves none of their processes behind."""
    started: list[Demo] = []

    def start(*options: str) -> Demo:
        folder = tmp_path / str(len(started))
        folder.mkdir()
        started.append(Demo(folder, *options))
        return started[-1]

    yield start
    for one in started:
        one.look()
        one.process.kill()
        one.process.wait()
        for child in one.left():
            child.kill()


def test_a_day_from_start_to_end(demo: Callable[..., Demo]) -> None:
    """In an empty folder at 600 times real time: exit code 0, with every record at the dispatch side exactly once.

    The address comes first, with the next free port for one that is taken, then the story; nothing is left behind.
    """
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        one = demo("--speed", "600", "--exit-at-end", "--seed", "1", "--port", str(port))
        one.until(lambda demo: demo.address(), "the page's address")
        assert f"Port {port} is in use; trying the next one.\n" in one.text
        assert int(one.address().rstrip("/").rpartition(":")[2]) > port
        with urllib.request.urlopen(one.address(), timeout=10.0) as page:  # noqa: S310 - http, by ourselves
            assert page.status == 200
        code = one.end(real_s=150.0)
    lines = [line for line in one.text.splitlines() if line.strip()]
    assert code == 0, one.text[-3000:]
    assert lines[1].startswith("Watch it live: http://127.0.0.1:")
    for word in ("departed from", "arrived at", "+ loaded at", "- unloaded at", "out of coverage", "power is gone"):
        assert word in one.text
    assert "every one exactly once" in one.text
    assert lines[-1] == "As it should be."
    told = [line for line in lines if re.match(r"\d\d:\d\d   \(\d+% of the day\)", line)]
    assert len(told) >= 9
    assert one.left() == []
    assert list(one.temporary.iterdir()) == []


MOMENTS: dict[str, Callable[[Demo], Any]] = {
    "while Python loads its parts": lambda demo: "_multiarray_umath" in maps(demo),
    "while the broker starts": lambda demo: any("mosquitto" in line or "Broker" in line for line in demo.look()),
    "while the agent starts": lambda demo: any("agent run" in line for line in demo.look()),
    "in mid-day": lambda demo: "(10% of the day)" in demo.text,
}


def maps(demo: Demo) -> str:
    """The files that the process has loaded."""
    try:
        return Path(f"/proc/{demo.process.pid}/maps").read_text()
    except OSError:
        return ""


@pytest.mark.parametrize(
    ("number", "moment"),
    [*((signal.SIGINT, moment) for moment in MOMENTS), (signal.SIGTERM, "while the agent starts")],
)
def test_it_ends_at_once_and_whole(demo: Callable[..., Demo], moment: str, number: signal.Signals) -> None:
    """Ctrl-C, or a polite kill, at any moment: no traceback, nothing that it started is left, no file either."""
    one = demo("--speed", "600", "--port", str(free_port()))
    one.until(MOMENTS[moment], moment)
    asked = time.monotonic()
    one.process.send_signal(number)
    assert one.end(real_s=AT_ONCE_REAL_S) == 130, one.text
    assert time.monotonic() - asked < AT_ONCE_REAL_S
    assert "Traceback" not in one.text
    assert one.left() == []
    assert [path for path in one.temporary.iterdir() if path.name.startswith("roadtally-demo-")] == []


def test_two_ctrl_c_with_an_open_page_and_a_kept_folder(demo: Callable[..., Demo], tmp_path: Path) -> None:
    """With a page's event stream open, two Ctrl-C in a row end it all the same, without a traceback.

    `--keep` leaves the day's files there, and a database of somebody else's as it was.
    """
    kept = tmp_path / "kept"
    kept.mkdir()
    (kept / "mine.db").write_text("mine")
    one = demo("--speed", "600", "--port", str(free_port()), "--keep", str(kept))
    one.until(lambda demo: "the van's computer is up" in demo.text, "the day to be under way")
    with urllib.request.urlopen(f"{one.address()}live", timeout=10.0) as stream:  # noqa: S310 - http, by ourselves
        assert stream.headers["content-type"].startswith("text/event-stream")
        one.process.send_signal(signal.SIGINT)
        one.until(lambda demo: "Ended." in demo.text or demo.process.poll() is not None, "the word that it ends")
        one.process.send_signal(signal.SIGINT)
        assert one.end(real_s=AT_ONCE_REAL_S) == 130
    assert "Traceback" not in one.text
    assert one.left() == []
    assert (kept / "mine.db").read_text() == "mine"
    assert {path.name for path in kept.iterdir()} >= {"vehicle.db", "dispatch.db", "recording.jsonl", "truth.json"}


def test_a_place_that_cannot_keep_is_told(demo: Callable[..., Demo], tmp_path: Path) -> None:
    """A file where the folder should be: one line, exit code 2."""
    (tmp_path / "file").write_text("")
    one = demo("--keep", str(tmp_path / "file"))
    assert one.end(real_s=PATIENCE_REAL_S) == 2
    assert re.fullmatch(r"roadtally demo: \S*file, --keep \(got File exists\); give a folder\.\n", one.text)


@pytest.mark.skipif(shutil.which("gpsd", path="/usr/sbin:/usr/bin") is None, reason="gpsd is not installed")
def test_at_sixty_times_real_time_a_real_gpsd_is_in_between(demo: Callable[..., Demo], tmp_path: Path) -> None:
    """Fixes arrive through a gpsd process: the recording has its device, and one fix at least for each second."""
    kept = tmp_path / "kept"
    one = demo("--speed", "60", "--port", str(free_port()), "--keep", str(kept))
    recording = kept / "recording.jsonl"
    one.until(lambda _: recording.is_file() and recording.read_bytes().count(b'"eph"') > 200, "two hundred fixes")
    assert any("gpsd -N" in line for line in one.look())
    assert "receiver: gpsd;" in one.text
    lines = recording.read_bytes().splitlines()[:-1]
    times = {found[1] for line in lines if (found := re.search(rb'"time":"([^"]+)"', line))}
    assert all(b'"device":"udp://' in line for line in lines if b'"kind":"fix"' in line)
    assert len(times) >= 100
    one.process.send_signal(signal.SIGINT)
    assert one.end(real_s=AT_ONCE_REAL_S) == 130
    assert one.left() == []


def test_a_signal_waits_while_a_program_is_being_started() -> None:
    """Within held() nothing is interrupted; at its end what was asked happens, once."""
    reached = []
    with Interrupts() as interrupts:

        def start() -> None:
            with interrupts.held():
                os.kill(os.getpid(), signal.SIGINT)
                reached.append("the block's end")

        with pytest.raises(KeyboardInterrupt):
            start()
        os.kill(os.getpid(), signal.SIGINT)  # it is ending already
    assert reached
