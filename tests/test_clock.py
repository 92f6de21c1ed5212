"""The clocks: a simulated day's time is the same in every process, scaled, and waits for a slow consumer."""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from agent.clock import ClockMaster, SharedClock, SystemClock

START_UTC = 1_772_434_872.0  # 2026-03-02T07:01:12Z, the time that formats.md gives as its example
START_S = 5.0


class RealTime:
    """A real clock moved by hand."""

    def __init__(self) -> None:
        self.now_s = 1000.0

    def __call__(self) -> float:
        """Real seconds."""
        return self.now_s


@pytest.fixture
def real() -> RealTime:
    """Real time, which stands still until a test moves it."""
    return RealTime()


@pytest.fixture
def master(tmp_path: Path, real: RealTime) -> Iterator[ClockMaster]:
    """A clock at 60 times real time that runs at most 2 s ahead."""
    made = ClockMaster(tmp_path / "clock", start_utc=START_UTC, speed=60.0, max_lag_s=2.0, real=real)
    yield made
    made.close()


def test_simulated_time_is_real_time_times_speed(master: ClockMaster, tmp_path: Path, real: RealTime) -> None:
    """At speed 60 half a real second is half a minute."""
    clock = SharedClock(tmp_path / "clock")
    real.now_s += 0.5
    assert master.advance() == pytest.approx(30.0)
    assert clock.now() == pytest.approx(30.0)
    assert clock.utc() == pytest.approx(START_UTC + 30.0)
    clock.close()


def test_each_boot_counts_from_its_own_start(master: ClockMaster, tmp_path: Path, real: RealTime) -> None:
    """A computer that starts at minute 1 shows its offset then, and its wrong wall clock runs on from where it woke."""
    real.now_s += 1.0
    master.advance()
    clock = SharedClock(tmp_path / "clock", offset_s=START_S, wrong_utc=86_400.0)
    assert clock.mono() == pytest.approx(START_S)
    assert clock.utc() == pytest.approx(86_400.0)
    real.now_s += 1.0
    master.advance()
    assert clock.mono() == pytest.approx(START_S + 60.0)
    assert clock.utc() == pytest.approx(86_460.0)
    clock.close()


def test_time_waits_for_the_slowest_consumer(master: ClockMaster, tmp_path: Path, real: RealTime) -> None:
    """The clock stands at most max_lag_s ahead of what the slowest consumer has dealt with, and goes on once it has."""
    fast, slow = SharedClock(tmp_path / "clock"), SharedClock(tmp_path / "clock", boot_at_s=0.0, offset_s=START_S)
    fast.consumed(100.0)
    slow.consumed(START_S + 1.0)
    real.now_s += 10.0
    assert master.advance() == pytest.approx(3.0)
    real.now_s += 10.0
    assert master.advance() == pytest.approx(3.0)
    assert master.held_s == pytest.approx(10.0)
    slow.consumed(START_S + 50.0)
    real.now_s += 0.1
    assert master.advance() == pytest.approx(9.0)
    slow.close()
    fast.close()
    real.now_s += 10.0
    assert master.advance() == pytest.approx(609.0)


def test_a_dead_consumer_holds_nobody(master: ClockMaster, tmp_path: Path, real: RealTime) -> None:
    """A process that was killed, even one that nobody has reaped yet, no longer holds the clock."""
    child = subprocess.Popen(
        [
            sys.executable,
            "-c",
            "import sys, agent.clock as c\nk = c.SharedClock(sys.argv[1])\nk.consumed(0.0)\n"  # noqa: ISC004 - one script
            "print('ready', flush=True)\nsys.stdin.read()",
            str(tmp_path / "clock"),
        ],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        cwd=Path(__file__).parents[1],
    )
    assert child.stdin is not None
    assert child.stdout is not None
    try:
        assert child.stdout.readline() == b"ready\n"
        real.now_s += 1.0
        assert master.advance() == pytest.approx(2.0)
        child.kill()
        child.stdout.read()  # ends when the process has let go of its files; it stays a zombie until wait()
        deadline = time.monotonic() + 5.0
        while master.advance() < 3.0 and time.monotonic() < deadline:
            real.now_s += 1.0
        assert master.now() > 3.0
    finally:
        child.kill()
        child.wait()
        child.stdin.close()
        child.stdout.close()


def test_a_pause_is_not_made_up_for(master: ClockMaster, real: RealTime) -> None:
    """Real time that passes during a pause never comes into the day."""
    real.now_s += 1.0
    master.pause()
    real.now_s += 100.0
    assert master.advance() == pytest.approx(60.0)
    master.resume()
    real.now_s += 1.0
    assert master.advance() == pytest.approx(120.0)


def test_sleep_follows_simulated_time(tmp_path: Path) -> None:
    """At 600 times real time a minute's sleep is over in about a tenth of a second, and never early."""
    master = ClockMaster(tmp_path / "clock", start_utc=START_UTC, speed=600.0, max_lag_s=2.0).start()
    clock = SharedClock(tmp_path / "clock")
    began_s, began_real_s = clock.mono(), time.monotonic()
    assert clock.sleep(60.0) is False
    assert clock.mono() - began_s >= 60.0
    assert time.monotonic() - began_real_s < 5.0
    clock.close()
    master.close()


def test_a_step_ends_at_its_moment_however_late_it_is_slept(
    master: ClockMaster, tmp_path: Path, real: RealTime
) -> None:
    """The clock moves between working out how long it is until a moment, and sleeping: the sleep still ends there."""
    clock = SharedClock(tmp_path / "clock", boot_at_s=0.0, offset_s=START_S)
    next_s = clock.mono() + 1.0
    real.now_s += 1.1 / 60.0
    master.advance()
    assert clock.sleep_until(next_s) is False  # the clock stands: a length slept from here would never end
    system = SystemClock()
    assert system.sleep_until(system.mono() + 0.01) is False
    assert system.sleep_until(system.mono() - 1.0) is False
    clock.close()


def test_a_step_longer_than_the_lag_is_no_deadlock(tmp_path: Path) -> None:
    """Who sleeps is waited for until it wakes, not while it sleeps; the clock goes to that moment and no further."""
    master = ClockMaster(tmp_path / "clock", start_utc=START_UTC, speed=1000.0, max_lag_s=0.25).start()
    clock = SharedClock(tmp_path / "clock", boot_at_s=0.0, offset_s=START_S)
    clock.consumed(START_S)
    stop = threading.Event()
    guard = threading.Timer(10.0, stop.set)
    guard.start()
    for second in range(1, 8):
        assert clock.sleep_until(START_S + second, stop=stop) is False, "the clock waits for a sleeper"
        assert clock.mono() == pytest.approx(START_S + second, abs=1e-3)
        clock.consumed(START_S + second - 0.25)  # still busy with it: the clock may not go on
    guard.cancel()
    clock.close()
    master.close()


def test_a_pause_of_one_thread_does_not_answer_for_another(
    master: ClockMaster, tmp_path: Path, real: RealTime
) -> None:
    """`sleep` in a thread beside the one that deals with the inputs leaves the clock waiting for that one."""
    clock, stop = SharedClock(tmp_path / "clock"), threading.Event()
    clock.consumed(0.0)
    stop.set()
    clock.sleep(100.0, stop=stop)
    real.now_s += 10.0
    assert master.advance() == pytest.approx(2.0)
    clock.close()


def test_sleep_ends_when_stop_is_set(master: ClockMaster, tmp_path: Path) -> None:
    """A sleeper on a clock that stands still is woken by its stop event, whichever clock it is."""
    stop = threading.Event()
    clock = SharedClock(tmp_path / "clock")
    for sleeper in (clock, SystemClock()):
        stop.clear()
        ended: list[bool] = []
        thread = threading.Thread(target=lambda s=sleeper, e=ended: e.append(s.sleep(3600.0, stop=stop)))
        thread.start()
        stop.set()
        thread.join(5.0)
        assert ended == [True]
    assert master.now() == 0.0
    clock.close()


def test_no_clock_without_a_master(tmp_path: Path) -> None:
    """A missing or foreign file is refused at once."""
    with pytest.raises(FileNotFoundError):
        SharedClock(tmp_path / "clock")
    (tmp_path / "clock").write_bytes(bytes(4096))
    with pytest.raises(ValueError, match="no clock file"):
        SharedClock(tmp_path / "clock")


def test_the_places_are_bounded_and_come_back(master: ClockMaster, tmp_path: Path) -> None:
    """Sixteen consumers may register; a closed one's place is free again."""
    clocks = [SharedClock(tmp_path / "clock") for _ in range(17)]
    for clock in clocks[:16]:
        clock.register()
    with pytest.raises(RuntimeError, match="16 places"):
        clocks[16].register()
    clocks[0].close()
    clocks[16].register()
    for clock in clocks[1:]:
        clock.close()
    assert master.now() == 0.0


@pytest.mark.parametrize(("speed", "max_lag_s"), [(0.0, 1.0), (-1.0, 1.0), (1.0, 0.0), (float("nan"), 1.0)])
def test_a_clock_that_cannot_run_is_refused(tmp_path: Path, speed: float, max_lag_s: float) -> None:
    """Speed and lag must be above zero; no file is left behind."""
    with pytest.raises(ValueError, match="must be above 0"):
        ClockMaster(tmp_path / "clock", start_utc=START_UTC, speed=speed, max_lag_s=max_lag_s)
    assert not (tmp_path / "clock").exists()


def test_the_system_clock_is_the_computers(master: ClockMaster) -> None:
    """It runs with the standard library's clocks, and waits for nobody."""
    clock = SystemClock()
    before_s, before_utc = time.monotonic(), time.time()
    assert clock.sleep(0.01) is False
    clock.consumed(0.0)
    assert before_s + 0.01 <= clock.mono() <= time.monotonic()
    assert before_utc <= clock.utc() <= time.time()
    assert master.now() == 0.0
