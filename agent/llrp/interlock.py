"""What keeps a session from transmitting whatever the plan says: inputs of the reader, and a word that must come first.

Here and not in the plan, for the plan is made elsewhere from what was told a moment ago; between a door that opens, or
a connection that comes back, and a new plan a round could begin. Pure.

It is a convenience of control, no safety device: who may be in the field, and how a switch is wired, a competent person
decides by local rules.
"""

from __future__ import annotations

from collections.abc import Callable

from msgspec import Struct


class Interlock(Struct, frozen=True):
    """`waits`: after each connect nothing starts before `Session.release`.

    `silent_while_on` are inputs that silence the reader while they are on, `silent_unless_off` such that silence it
    also while the reader has not told their level in this connection.
    """

    waits: bool = False
    silent_while_on: tuple[int, ...] = ()
    silent_unless_off: tuple[int, ...] = ()

    def silences(self, level: Callable[[int], bool | None]) -> bool:
        """Whether the inputs at these levels silence the reader; None is a level not told."""
        return bool(self.causes(level))

    def causes(self, level: Callable[[int], bool | None]) -> tuple[int, ...]:
        """The inputs that silence the reader at these levels."""
        return tuple(port for port in self.silent_while_on if level(port) is True) + self.not_off(level)

    def not_off(self, level: Callable[[int], bool | None]) -> tuple[int, ...]:
        """The inputs that must be off and are on or not told."""
        return tuple(port for port in self.silent_unless_off if level(port) is not False)

    def complaints(self, level: Callable[[int], bool | None]) -> list[str]:
        """What keeps the reader silent and nobody would see."""
        untold = (port for port in self.silent_unless_off if level(port) is None)
        return [f"input {port} must be off to read and is not told; silent" for port in untold]
