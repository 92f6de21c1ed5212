"""Ctrl-C for the demo: it ends everything at once, but never between the start of a program and the note of its number.

A KeyboardInterrupt that strikes inside `subprocess.Popen` would leave a child that nobody knows of.
"""

from __future__ import annotations

import contextlib
import signal
from collections.abc import Iterator
from types import FrameType
from typing import Any, Self

# A closed terminal and a polite kill end the demo as Ctrl-C does.
_SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)


class Interrupts:
    """As a context: the first of the signals raises KeyboardInterrupt in the main thread; later ones are passed over.

    Within `held()` it waits until the end of that block. To be used from the main thread.
    """

    def __init__(self) -> None:
        self._depth = 0
        self._asked = False
        self._raised = False
        self._before: dict[signal.Signals, Any] = {}

    def __enter__(self) -> Self:
        for number in _SIGNALS:
            if signal.getsignal(number) is not signal.SIG_IGN:  # nohup and background jobs of a script stay as they are
                self._before[number] = signal.signal(number, self._on_signal)
        return self

    def __exit__(self, *_: object) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)

    def _on_signal(self, _number: int, _frame: FrameType | None) -> None:
        self._asked = True
        self._raise()

    def _raise(self) -> None:
        if self._asked and not self._raised and self._depth == 0:
            self._raised = True
            raise KeyboardInterrupt

    @contextlib.contextmanager
    def held(self) -> Iterator[None]:
        """Nothing is interrupted in here; what was asked meanwhile happens at the end."""
        self._depth += 1
        try:
            yield
        finally:
            self._depth -= 1
        self._raise()
