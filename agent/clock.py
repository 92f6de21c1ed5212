"""What time it is, as an argument that everything on floor 3 and above takes; itself floor 3.

`SystemClock` is the computer's own. `SharedClock` is a simulated day's: one process (`ClockMaster`) moves it, any
number of processes read it through a small mapped file, so that agent, reader and receiver keep one scaled time,
deadlines included. A process that must not be left behind registers and says how far it has got (`consumed`); the
master then never runs more than `max_lag_s` ahead of the slowest one that is alive: on a slow machine simulated time
waits.

The file is a page of 8-byte aligned doubles, each written whole by a single store, so that no reader sees half of one.
A value is only ever written by one side.
"""

from __future__ import annotations

import mmap
import os
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Protocol, Self

_FILE_BYTES = 4096
_MAGIC = 952_000_002.0  # this layout; another layout gets another number
_MAGIC_AT, _START_UTC_AT, _SPEED_AT, _NOW_AT, _PAUSED_AT, _MAX_LAG_AT = range(6)
# Each slot: its owner's process id (0: free), then what it has consumed, in seconds as `now` counts them.
_FIRST_SLOT_AT, _SLOTS = 8, 16
_LONGEST_POLL_S, _SHORTEST_POLL_S = 0.05, 0.001
_ROUNDED_S = 1e-6  # what adding and taking away an offset or a lag may cost a moment of the day
_CONSUMERS_CHECKED_EVERY_S = 0.25


class Clock(Protocol):
    """The time, and a way to wait for it."""

    def mono(self) -> float:
        """Seconds on this boot's monotonic clock; never goes back."""
        ...

    def utc(self) -> float:
        """The wall clock in seconds since 1970; may be wrong by years, and may jump."""
        ...

    def sleep(self, seconds: float, *, stop: threading.Event | None = None) -> bool:
        """Wait until `seconds` have passed or `stop` is set; True if it is set."""
        ...

    def sleep_until(self, mono_s: float, *, stop: threading.Event | None = None) -> bool:
        """Wait until `mono()` shows `mono_s` or `stop` is set; True if it is set. For whoever goes from step to step.

        A length worked out from `mono()` and then slept ends late by what the clock did between the two.
        """
        ...


class PacedClock(Clock, Protocol):
    """A clock that can be told how far its user has got; what the run loop holds."""

    def consumed(self, mono_s: float) -> None:
        """Everything that arrived up to `mono_s` has been dealt with; say so also when nothing arrived."""
        ...


class SystemClock:
    """The computer's own clocks."""

    def mono(self) -> float:
        """Seconds since this computer started."""
        return time.monotonic()

    def utc(self) -> float:
        """The computer's wall clock, right or wrong."""
        return time.time()

    def sleep(self, seconds: float, *, stop: threading.Event | None = None) -> bool:
        """Wait; True if `stop` was set before the time was over, or is set now."""
        if stop is not None:
            return stop.wait(max(seconds, 0.0))
        time.sleep(max(seconds, 0.0))
        return False

    def sleep_until(self, mono_s: float, *, stop: threading.Event | None = None) -> bool:
        """Wait for that moment; True if `stop` was set before it, or is set now."""
        return self.sleep(mono_s - self.mono(), stop=stop)

    def consumed(self, mono_s: float) -> None:
        """Real time waits for nobody."""


class _Page:
    """The mapped file as a row of doubles."""

    def __init__(self, path: Path, *, create: bool) -> None:
        flags = os.O_RDWR | (os.O_CREAT if create else 0)
        descriptor = os.open(path, flags, 0o600)
        try:
            if create:
                os.ftruncate(descriptor, _FILE_BYTES)
            self._map = mmap.mmap(descriptor, _FILE_BYTES)
        finally:
            os.close(descriptor)
        # The cast view stores and loads a native double by one aligned 8-byte move; struct's "<d" may go byte by byte.
        self.doubles = memoryview(self._map).cast("d")

    def close(self) -> None:
        self.doubles.release()
        self._map.close()


class SharedClock:
    """One process's view of a simulated day's clock.

    `boot_at_s` is the moment of the day at which this boot began (default: when this object is made) and `offset_s`
    what its monotonic clock showed then. `wrong_utc` is the wall clock at that moment, for a computer without a battery
    clock; without it the wall clock is right. `speed` only decides how long to sleep between looks at the file.

    Raises OSError or ValueError where there is no clock file at `path`.
    """

    def __init__(
        self, path: Path | str, *, boot_at_s: float | None = None, offset_s: float = 0.0, wrong_utc: float | None = None
    ) -> None:
        self._page = _Page(Path(path), create=False)
        if self._page.doubles[_MAGIC_AT] != _MAGIC:
            self._page.close()
            raise ValueError(f"{path} is no clock file of this version; start the clock's master first")
        self._boot_at_s = self.now() if boot_at_s is None else boot_at_s
        self._offset_s = offset_s
        self._wrong_utc = wrong_utc
        self._slot_at: int | None = None

    def now(self) -> float:
        """Seconds of the simulated day, the same in every process."""
        return self._page.doubles[_NOW_AT]

    @property
    def speed(self) -> float:
        """Simulated seconds in a real one, as long as nobody lags."""
        return self._page.doubles[_SPEED_AT]

    def mono(self) -> float:
        """Seconds on this boot's monotonic clock."""
        return self.now() - self._boot_at_s + self._offset_s

    def utc(self) -> float:
        """The simulated wall clock, seconds since 1970."""
        if self._wrong_utc is not None:
            return self._wrong_utc + self.now() - self._boot_at_s
        return self._page.doubles[_START_UTC_AT] + self.now()

    def sleep(self, seconds: float, *, stop: threading.Event | None = None) -> bool:
        """Wait until the simulated time has passed, looking at the file every 1 to 50 ms; True if `stop` is set.

        Says nothing to the master, for another thread may be the one that it waits for.
        """
        return self._sleep_until(self.now() + seconds, stop)

    def sleep_until(self, mono_s: float, *, stop: threading.Event | None = None) -> bool:
        """Wait for a moment of this boot; True if `stop` is set. For the one thread that this clock is registered for.

        Whoever sleeps has nothing to deal with before it wakes: a registered clock says so, and the day goes on to
        that very moment, also where it lies further off than the master may run ahead.
        """
        until_s = mono_s - self._offset_s + self._boot_at_s
        if self._slot_at is not None:
            doubles, consumed_at = self._page.doubles, self._slot_at + 1
            enough_s = until_s - doubles[_MAX_LAG_AT] + _ROUNDED_S
            doubles[consumed_at] = max(doubles[consumed_at], enough_s)
        return self._sleep_until(until_s, stop)

    def _sleep_until(self, until_s: float, stop: threading.Event | None) -> bool:
        while not (stop is not None and stop.is_set()):
            left_s = until_s - self.now()
            if left_s <= 0.0:
                return False
            real_s = min(max(left_s / self.speed, _SHORTEST_POLL_S), _LONGEST_POLL_S)
            if stop is None:
                time.sleep(real_s)
            else:
                stop.wait(real_s)
        return True

    def register(self) -> None:
        """From now on the master waits for this process: `consumed` must be called at least every `max_lag_s`.

        Raises RuntimeError where every place is taken.
        """
        if self._slot_at is not None:
            return
        for slot_at in _slots():
            owner = int(self._page.doubles[slot_at])
            if owner == 0 or not _is_alive(owner):
                self._page.doubles[slot_at + 1] = self.now()
                self._page.doubles[slot_at] = float(os.getpid())
                self._slot_at = slot_at
                return
        raise RuntimeError(f"all {_SLOTS} places of the simulated clock are taken; end a process that uses it")

    def consumed(self, mono_s: float) -> None:
        """Everything that arrived up to `mono_s` has been dealt with; registers at the first call."""
        if self._slot_at is None:
            self.register()
        if self._slot_at is not None:
            self._page.doubles[self._slot_at + 1] = mono_s - self._offset_s + self._boot_at_s

    def close(self) -> None:
        """Give back the place, so that the master waits no longer, and unmap the file."""
        if self._slot_at is not None:
            self._page.doubles[self._slot_at] = 0.0
            self._slot_at = None
        self._page.close()


class ClockMaster:
    """The one that moves a simulated day's clock.

    Call `advance` every millisecond or two, or let `start` do so from a thread. `real` gives real seconds.
    Raises ValueError for a speed or a lag that is not above zero.
    """

    def __init__(
        self,
        path: Path | str,
        *,
        start_utc: float,
        speed: float,
        max_lag_s: float,
        real: Callable[[], float] = time.monotonic,
    ) -> None:
        if not (speed > 0.0 and max_lag_s > 0.0):
            raise ValueError(f"speed ({speed}) and max_lag_s ({max_lag_s}) must be above 0")
        path = Path(path)
        path.unlink(missing_ok=True)  # a process that still maps an older file keeps that one and is not confused
        self._page = _Page(path, create=True)
        self._page.doubles[_START_UTC_AT] = start_utc
        self._page.doubles[_SPEED_AT] = speed
        self._page.doubles[_MAX_LAG_AT] = max_lag_s
        self._page.doubles[_MAGIC_AT] = _MAGIC
        self._max_lag_s = max_lag_s
        self._real = real
        self._last_real_s = real()
        self._alive: dict[int, bool] = {}
        self._checked_real_s = self._last_real_s
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self.held_s = 0.0
        """Real seconds for which the clock stood still because a consumer lagged."""

    def now(self) -> float:
        """Seconds of the simulated day."""
        return self._page.doubles[_NOW_AT]

    def advance(self) -> float:
        """Move on by the real time since the last call, as far as the slowest consumer allows; the new `now`."""
        with self._lock:
            real_s = self._real()
            elapsed_s, self._last_real_s = real_s - self._last_real_s, real_s
            now_s = self.now()
            if self._page.doubles[_PAUSED_AT]:
                return now_s
            wanted_s = now_s + elapsed_s * self._page.doubles[_SPEED_AT]
            if real_s - self._checked_real_s >= _CONSUMERS_CHECKED_EVERY_S:
                self._alive.clear()
                self._checked_real_s = real_s
            slowest_s = min(self._consumed(), default=None)
            if slowest_s is not None and slowest_s + self._max_lag_s < wanted_s:
                wanted_s = max(now_s, slowest_s + self._max_lag_s)
                self.held_s += elapsed_s if wanted_s == now_s else 0.0
            self._page.doubles[_NOW_AT] = wanted_s
            return wanted_s

    def _consumed(self) -> Iterator[float]:
        doubles = self._page.doubles
        for slot_at in _slots():
            owner = int(doubles[slot_at])
            if owner:
                if owner not in self._alive:
                    self._alive[owner] = _is_alive(owner)
                if self._alive[owner]:
                    yield doubles[slot_at + 1]

    def pause(self) -> None:
        """Stop the clock; real time that passes now is not made up for."""
        self.advance()
        self._page.doubles[_PAUSED_AT] = 1.0

    def resume(self) -> None:
        """Let the clock run on from where it stopped."""
        self.advance()
        self._page.doubles[_PAUSED_AT] = 0.0

    def start(self, *, tick_s: float = 0.002) -> Self:
        """Advance from a thread every `tick_s` real seconds until `close`."""

        def run() -> None:
            while not self._stop.wait(tick_s):
                self.advance()

        self._last_real_s = self._real()
        self._thread = threading.Thread(target=run, name="clock", daemon=True)
        self._thread.start()
        return self

    def close(self) -> None:
        """Stop the thread and unmap the file; clocks in other processes stand still from now on."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join()
            self._thread = None
        self._page.close()


def _slots() -> range:
    return range(_FIRST_SLOT_AT, _FIRST_SLOT_AT + 2 * _SLOTS, 2)


def _is_alive(pid: int) -> bool:
    """Whether a process runs; one that has died and waits to be reaped does not."""
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    try:
        # The state follows the name, which stands in parentheses and may hold anything.
        return Path(f"/proc/{pid}/stat").read_bytes().rpartition(b")")[2].split()[0] not in (b"Z", b"X")
    except OSError:
        return True  # no /proc here: what kill(2) says must do
