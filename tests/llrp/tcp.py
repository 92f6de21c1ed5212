"""What the tests of both ends of a reader's connection share: a clock that runs fast, a room of tags, a collector."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

DEADLINE_REAL_S = 10.0


class FastClock:
    """Real time, `speed` times over."""

    def __init__(self, speed: float) -> None:
        self.speed = speed
        self._began = time.monotonic()

    def mono(self) -> float:
        """Seconds of this clock."""
        return (time.monotonic() - self._began) * self.speed

    def utc(self) -> float:
        """A wall clock that began in 1970."""
        return self.mono()

    def sleep(self, seconds: float, *, stop: threading.Event | None = None) -> bool:
        """Wait in this clock's seconds."""
        return (stop or threading.Event()).wait(seconds / self.speed)

    def sleep_until(self, mono_s: float, *, stop: threading.Event | None = None) -> bool:
        """Wait for a moment of this clock."""
        return self.sleep(mono_s - self.mono(), stop=stop)


@dataclass
class Heard:
    """One tag on one antenna."""

    tag: str
    antenna: int
    rssi_dbm: float = -60.0
    count: int = 2


@dataclass
class Room:
    """A source: `tags` tags on every antenna."""

    tags: int = 3
    asked: list[tuple[float, float, tuple[int, ...], float]] = field(default_factory=list)

    def inventory(
        self, *, started_s: float, seconds: float, antennas: tuple[int, ...], power_dbm: float
    ) -> Sequence[Heard]:
        """All of them."""
        self.asked.append((started_s, seconds, antennas, power_dbm))
        return [Heard(f"3074257BF7194E40{tag:08X}", antenna) for tag in range(self.tags) for antenna in antennas]


class Collected:
    """Records as they come; `wait` until something is true of them."""

    def __init__(self) -> None:
        self.records: list[Any] = []
        self._changed = threading.Condition()

    def put(self, record: Any) -> None:
        """Take one; called from the reader's thread."""
        with self._changed:
            self.records.append(record)
            self._changed.notify_all()

    def of(self, kind: type, **fields: Any) -> list[Any]:
        """Those of a kind with these fields."""
        return [
            record
            for record in list(self.records)
            if isinstance(record, kind) and all(getattr(record, name) == value for name, value in fields.items())
        ]

    def wait(self, is_there: Callable[[], object], what: str) -> None:
        """Until `is_there` gives something true; an error naming `what` when it does not come."""
        with self._changed:
            assert self._changed.wait_for(is_there, DEADLINE_REAL_S), f"{what} did not come: {self.records[-5:]}"


def until(is_true: Callable[[], object], what: str) -> None:
    """Look again and again until it is true; an error naming `what` when it does not become so."""
    deadline = time.monotonic() + DEADLINE_REAL_S
    while not is_true():
        assert time.monotonic() < deadline, f"{what} did not happen"
        time.sleep(0.002)
