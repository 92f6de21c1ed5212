"""Tells systemd how the process fares: ready, making progress, stopping. Does nothing where nobody asked to be told.

The protocol is sd_notify(3): one datagram of `KEY=VALUE` lines to the socket that `NOTIFY_SOCKET` names (a leading `@`
means an abstract name). The twenty lines that we need of it stand here rather than a library with C in it.

The watchdog is tied to progress: whoever moves the work along calls `alive()` after a piece of it, never a timer
thread, which would go on saying so while the work hangs.
"""

from __future__ import annotations

import os
import socket
from collections.abc import Mapping

SEND_TIMEOUT_S = 1.0


class Notifier:
    """One process's line to its service manager. `missed` counts what could not be handed over.

    Args:
        environ: where `NOTIFY_SOCKET`, `WATCHDOG_USEC` and `WATCHDOG_PID` are looked up; the process's own by default.
    """

    def __init__(self, environ: Mapping[str, str] | None = None) -> None:
        found = os.environ if environ is None else environ
        self.address = found.get("NOTIFY_SOCKET", "")
        self.missed = 0
        self._watchdog_usec = found.get("WATCHDOG_USEC", "")
        self._watchdog_pid = found.get("WATCHDOG_PID", "")

    @property
    def is_listened_to(self) -> bool:
        """True where a service manager asked to be told."""
        return bool(self.address)

    @property
    def watchdog_s(self) -> float | None:
        """Seconds after which silence ends this process, or None; call `alive()` at least twice in that time."""
        if not self._watchdog_usec.isdecimal() or int(self._watchdog_usec) == 0:
            return None
        if self._watchdog_pid and self._watchdog_pid != str(os.getpid()):
            return None
        return int(self._watchdog_usec) / 1e6

    def ready(self, status: str = "") -> None:
        """Start-up is done; `status` is one line that `systemctl status` shows."""
        self._send("READY=1", status)

    def alive(self, status: str = "") -> None:
        """A piece of work was done."""
        self._send("WATCHDOG=1", status)

    def stopping(self, status: str = "") -> None:
        """The end has begun: what is left is committed and closed."""
        self._send("STOPPING=1", status)

    def _send(self, state: str, status: str) -> None:
        if not self.address:
            return
        one_line = " ".join(status.split())
        message = f"{state}\nSTATUS={one_line}" if one_line else state
        address = "\0" + self.address[1:] if self.address.startswith("@") else self.address
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as line:
                line.settimeout(SEND_TIMEOUT_S)
                line.sendto(message.encode(), address)
        except OSError:
            # A manager that cannot listen now is its own trouble: the tally must not stop for it. A WATCHDOG=1 that is
            # missed for good has the process restarted, which is the manager's decision to take.
            self.missed += 1
