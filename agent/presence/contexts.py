"""What the van is doing, as far as it decides which changes the presence model holds for possible."""

from __future__ import annotations

from enum import IntEnum


class Context(IntEnum):
    """What the van was doing while time passed; decides which changes are possible.

    `AGAIN`: at home, or at a site where it has been before on this trip, so that what was left there may come back.
    `HOME`: come home from a trip a short while ago; a van is emptied then.
    """

    MOVING = 0
    DOORS_OPEN = 1
    DOORS_CLOSED = 2
    DOORS_UNKNOWN = 3
    GAP = 4
    DOORS_OPEN_AGAIN = 5
    DOORS_CLOSED_AGAIN = 6
    DOORS_UNKNOWN_AGAIN = 7
    GAP_AGAIN = 8
    DOORS_OPEN_HOME = 9
    DOORS_CLOSED_HOME = 10
    DOORS_UNKNOWN_HOME = 11
    GAP_HOME = 12


class Visit(IntEnum):
    """Has the van been at this place before?"""

    FIRST = 0
    AGAIN = 1
    HOMECOMING = 2


_KINDS = 4  # doors open, closed, not known, gap: in this order for each visit


def doors_of(context: Context) -> Context:
    """The same on a first visit; what the doors do is all that is left of it."""
    return context if context is Context.MOVING else Context((context - 1) % _KINDS + 1)


def visit_of(context: Context) -> Visit:
    """Which visit a standing context is of."""
    return Visit.FIRST if context is Context.MOVING else Visit((context - 1) // _KINDS)


def on_visit(context: Context, visit: Visit) -> Context:
    """The same on another visit."""
    return context if context is Context.MOVING else Context(doors_of(context) + _KINDS * visit)
