"""What the search, a loading van's plan and a silence show, as typed records; `agent.dispatch.views` holds the rest.

Times are seconds since 1970 under names that end in `_s`.
"""

from __future__ import annotations

from typing import Literal

from msgspec import Struct

PlannedState = Literal["likely aboard", "heard near", "not heard", "not checked"]


class LoadingCount(Struct, frozen=True):
    """How many of the items that the plan loads where the van stands are in which state."""

    planned: int
    likely_aboard: int
    heard_near: int
    not_heard: int
    not_checked: int = 0


class PlannedLineView(Struct, frozen=True, kw_only=True):
    """One line of the plan, or the part of it that is in one state; `heard_s` is when it was last heard.

    `why` tells why a line is not checked by tag.
    """

    what: str
    epc: str | None
    state: PlannedState
    quantity: int = 1
    p: float | None = None
    heard_s: float | None = None
    unload_at: str | None = None
    line: str | None = None
    why: str | None = None


class HitView(Struct, frozen=True):
    """An item that fits what was typed, and why."""

    epc: str
    name: str
    type: str | None
    why: str
    where: str


class FoundView(Struct, frozen=True):
    """What a search found. `read_as` are the EPCs that the text may mean, `problem` what is wrong with it."""

    text: str
    hits: tuple[HitView, ...]
    more: bool = False
    exact: bool = False  # the text names one item and that one is known
    read_as: tuple[str, ...] = ()
    problem: str | None = None


class NotReadView(Struct, frozen=True):
    """What is not being read, and since when; `whole` where it is nothing at all."""

    why: str
    since_s: float | None = None
    whole: bool = True
