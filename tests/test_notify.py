"""sd_notify against real datagram sockets, as sd_notify(3) and sd_watchdog_enabled(3) describe the protocol."""

from __future__ import annotations

import os
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from agent.notify import Notifier


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[socket.socket]:
    """A service manager's end: a bound datagram socket."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind(str(tmp_path / "notify"))
        listening.settimeout(5.0)
        yield listening


def test_each_state_is_one_datagram(manager: socket.socket) -> None:
    """READY, WATCHDOG and STOPPING arrive as they are written in sd_notify(3), the status on a line of its own."""
    notifier = Notifier({"NOTIFY_SOCKET": manager.getsockname()})
    notifier.ready("reading since 07:01,\nno fix yet")
    notifier.alive()
    notifier.stopping()
    assert manager.recv(4096) == b"READY=1\nSTATUS=reading since 07:01, no fix yet"
    assert manager.recv(4096) == b"WATCHDOG=1"
    assert manager.recv(4096) == b"STOPPING=1"
    assert notifier.is_listened_to
    assert notifier.missed == 0


def test_an_abstract_name_begins_with_at() -> None:
    """`@name` is a socket in the abstract namespace: the `@` stands for a zero byte."""
    name = f"roadtally-test-{os.getpid()}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind("\0" + name)
        listening.settimeout(5.0)
        Notifier({"NOTIFY_SOCKET": "@" + name}).ready()
        assert listening.recv(4096) == b"READY=1"


def test_without_a_manager_nothing_happens() -> None:
    """Started by hand, there is nobody to tell and nothing is counted as missed."""
    notifier = Notifier({})
    notifier.ready()
    notifier.alive()
    assert not notifier.is_listened_to
    assert notifier.missed == 0
    assert notifier.watchdog_s is None


def test_a_manager_that_went_away_is_counted(manager: socket.socket) -> None:
    """What could not be handed over is counted and stops nothing."""
    notifier = Notifier({"NOTIFY_SOCKET": manager.getsockname() + "-gone"})
    notifier.alive()
    notifier.alive()
    assert notifier.missed == 2


@pytest.mark.parametrize(
    ("usec", "pid", "seconds"),
    [
        ("60000000", None, 60.0),
        ("1500000", "own", 1.5),
        ("60000000", "1", None),
        ("0", None, None),
        ("soon", None, None),
    ],
)
def test_the_watchdog_time_is_ours_alone(usec: str, pid: str | None, seconds: float | None) -> None:
    """WATCHDOG_USEC is microseconds, and counts only where WATCHDOG_PID is unset or names this process."""
    environ = {"WATCHDOG_USEC": usec}
    if pid is not None:
        environ["WATCHDOG_PID"] = str(os.getpid()) if pid == "own" else pid
    assert Notifier(environ).watchdog_s == seconds
