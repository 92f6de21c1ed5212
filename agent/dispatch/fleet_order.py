"""Which vans a dispatcher has to look at and why, and how their lines are narrowed and put into an order; pure.

A line's place in the order is decided when a page is made and not again: rows move only when asked.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Literal

from msgspec import Struct

from agent.dispatch.views import VanLine

Sort = Literal["urgent", "van", "place", "heard", "aboard"]
SORTS: dict[Sort, str] = {
    "urgent": "what is urgent first",
    "van": "by van",
    "place": "by place",
    "heard": "longest not heard first",
    "aboard": "most aboard first",
}
SHOWN: dict[str, str] = {"": "every van", "look": "those to look at", "urgent": "the urgent ones"}
OTHER_PLACES = {"~way": "on the way", "~halt": "standing at no site", "~unknown": "place not known"}
_KINDS = {"~way": "way", "~halt": "halt", "~unknown": "unknown"}
# What speaks against trusting anything else that the line says; the rest can wait for a quiet minute. Judgement.
_GRAVE = ("clash", "key", "chain")


class Reason(Struct, frozen=True):
    """Why a van is to be looked at, in words, and since when."""

    text: str
    urgent: bool = False
    since_s: float | None = None
    last: bool = False  # `since_s` is when it was last so


class Look(Struct, frozen=True, kw_only=True):
    """What a page was asked to show: in which order, and of which vans."""

    sort: Sort = "urgent"
    place: str = ""
    shown: str = ""
    text: str = ""

    @property
    def is_narrowed(self) -> bool:
        """Whether some vans may be left out."""
        return bool(self.place or self.shown or self.text)


def look_of(query: Mapping[str, str]) -> Look:
    """What a query string asks for; what it asks wrongly counts as not asked."""
    sort: Any = query.get("sort", "")
    shown = query.get("show", "")
    return Look(
        sort=sort if sort in SORTS else "urgent",
        place=query.get("place", "")[:60],
        shown=shown if shown in SHOWN else "",
        text=" ".join(query.get("find", "").split())[:120],
    )


def reasons(line: VanLine) -> tuple[Reason, ...]:
    """All that is to be looked at about a van, the urgent things first."""
    carries = line.aboard > 0 or line.place.kind == "way"
    found = []
    if line.link == "offline":
        found.append(Reason("offline", carries, line.link_since_s))
    elif line.link == "quiet":
        found.append(Reason("not heard", carries, line.heard_s))
    found += [Reason(f"not read: {each.why}", each.whole, each.since_s) for each in line.not_read]
    if line.short:
        found.append(Reason(f"{line.short} short against the plan", urgent=True))
    if line.over:
        found.append(Reason(f"{line.over} over against the plan"))
    found += [
        Reason(each.short, each.kind in _GRAVE, each.since_s, each.kind == "unread") for each in line.discrepancies
    ]
    return tuple(sorted(found, key=lambda each: not each.urgent))


def trouble(found: Sequence[Reason]) -> int:
    """2 where something is urgent, 1 where there is something to look at, else 0."""
    return 0 if not found else 2 if found[0].urgent else 1


def ordered(lines: Sequence[VanLine], look: Look) -> tuple[tuple[VanLine, tuple[Reason, ...]], ...]:
    """The lines that `look` asks for with what is to be looked at, in its order; ties go by van."""
    told = [(line, reasons(line)) for line in lines]
    kept = [each for each in told if _fits(*each, look)]
    return tuple(sorted(kept, key=_KEYS[look.sort]))


def _fits(line: VanLine, found: tuple[Reason, ...], look: Look) -> bool:
    if look.place in _KINDS:
        if line.place.kind != _KINDS[look.place]:
            return False
    elif look.place and line.place.site != look.place:
        return False
    if look.shown and trouble(found) < (2 if look.shown == "urgent" else 1):
        return False
    words = " ".join((line.vehicle, line.place.text, *(each.text for each in found))).casefold()
    return all(each in words for each in look.text.casefold().split())


_Told = tuple[VanLine, tuple[Reason, ...]]
_KEYS: dict[Sort, Callable[[_Told], Any]] = {
    "urgent": lambda told: (-trouble(told[1]), told[0].vehicle),
    "van": lambda told: told[0].vehicle,
    "place": lambda told: (told[0].place.kind != "site", told[0].place.text.casefold(), told[0].vehicle),
    "heard": lambda told: (told[0].heard_s or 0.0, told[0].vehicle),
    "aboard": lambda told: (-told[0].aboard, told[0].vehicle),
}
