"""The errors this project raises, split by who must act; floor 0.

    RoadtallyError
    ├── ConfigError      the operator: a file, an option or a port is wrong; lists every problem at once
    ├── ProtocolError    the peer: it sent what the standard does not allow; close, and connect again
    │   ├── LlrpError
    │   ├── GpsdError
    │   └── MessageError (an MQTT payload)
    └── StoreError       the disk: the record could not be kept
        ├── DiskFullError      whoever can free space; what is stored is whole, and more can be stored later
        └── StoreDamagedError  nobody at once: the next start sets the file aside and begins a new store

Anything else is a bug of ours and ends the process, for systemd to start it again.
"""

from __future__ import annotations

from collections.abc import Iterable

from agent.records import Problem


class RoadtallyError(Exception):
    """What every error of this project is."""


class ConfigError(RoadtallyError):
    """What the operator gave cannot be used; `problems` lists all of it, one line each in `str()`."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


class ProtocolError(RoadtallyError):
    """A peer broke its protocol."""


class LlrpError(ProtocolError):
    """A reader sent bytes that LLRP does not allow, or refused a request."""


class GpsdError(ProtocolError):
    """A gpsd sent what its protocol does not allow."""


class MessageError(ProtocolError):
    """An MQTT payload does not hold what its topic promises."""


class StoreError(RoadtallyError):
    """The store could not keep or give back a record."""


class DiskFullError(StoreError):
    """There is no space for it; what was stored before is whole."""


class StoreDamagedError(StoreError):
    """The store's file is damaged."""
