"""What many custody records say together: where each item is, which manifest stands, which records have come in.

The dispatch side hears vehicles late, twice, in any order and with old decisions taken back. So everything here is a
function of the set of records alone: whichever order they came in, and however often, the answer is the same. Knows
nothing of databases or networks; floor 1.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Mapping
from typing import Any, Literal

from msgspec import Struct

from agent.errors import MessageError
from agent.units import parse_utc

_KNOWN_STEPS = {
    ("ADD", "loading"),
    ("DELETE", "unloading"),
    ("OBSERVE", "departing"),
    ("OBSERVE", "arriving"),
}
LONGEST_NAME = 300
"""Characters of what records are found by: ids, EPCs, places, manifests' names.

Two of them in one index row stay below what PostgreSQL takes, 2704 octets (BTMaxItemSize), at four octets each. The
longest EPC URI of TDS is under 200.
"""


class CustodyEvent(Struct, frozen=True, gc=False):
    """One record of kind `event` as the fold needs it; times in seconds since 1970.

    `epcs` are the items (none for an arrival). `place` is the EPCIS location: an SGLN, `urn:roadtally:site:ID`, or
    a `geo:` URI. `void` tells that this record takes the event `event_id` back; `reason` then says why.
    """

    vehicle: str
    epoch: int
    seq: int
    event_id: str
    time_s: float
    action: Literal["ADD", "DELETE", "OBSERVE"]
    biz_step: Literal["loading", "unloading", "departing", "arriving"]
    epcs: tuple[str, ...]
    confidence: tuple[float | None, ...]
    place: str | None = None
    not_before_s: float | None = None
    not_after_s: float | None = None
    void: bool = False
    declared_s: float | None = None
    reason: str | None = None

    @property
    def order(self) -> tuple[float, str, int, int]:
        """Where the event stands in the fold."""
        return (self.time_s, self.vehicle, self.epoch, self.seq)


class ItemState(Struct, frozen=True, gc=False):
    """Where an item is by the standing events.

    `aboard` names the vehicle, `place` the location it was unloaded at; neither where nothing standing speaks of it.
    `since_s` is when that began. `since_exact` is false where the item was already aboard when first tallied: then
    `since_s` is only the first departure that listed it. `p` is the confidence of the deciding event.
    """

    aboard: str | None = None
    place: str | None = None
    since_s: float | None = None
    since_exact: bool = True
    p: float | None = None
    vehicle: str | None = None
    event_id: str | None = None


UNKNOWN = ItemState()


def parse_event(body: Mapping[str, Any], *, vehicle: str, epoch: int, seq: int) -> CustodyEvent:
    """The fold's view of one EPCIS event of formats.md section 6; raises MessageError saying what is missing."""
    event_id, action, step = body.get("eventID"), body.get("action"), body.get("bizStep")
    if not isinstance(event_id, str) or not event_id:
        raise MessageError(f"an event needs eventID (got {event_id!r})")
    if not isinstance(action, str) or not isinstance(step, str) or (action, step) not in _KNOWN_STEPS:
        raise MessageError(f"action {action!r} with bizStep {step!r} is none of loaded, unloaded, departed, arrived")
    if body.get("type") == "AggregationEvent":
        epcs = children(body)
        if not epcs:
            raise MessageError("an AggregationEvent lists its children in childEPCs (got none)")
    elif body.get("type") == "ObjectEvent":
        epcs = ()
    else:
        raise MessageError(f"type {body.get('type')!r} is neither AggregationEvent nor ObjectEvent")
    declaration = body.get("errorDeclaration")
    if declaration is not None and not isinstance(declaration, Mapping):
        raise MessageError(f"errorDeclaration must be an object (got {declaration!r})")
    listed, place = _confidences(body.get("rt:confidence")), _place(body)
    for what, text in (("eventID", event_id), ("the place", place or ""), ("an EPC", max(epcs, key=len, default=""))):
        if len(text) > LONGEST_NAME:
            raise MessageError(f"{what} has {LONGEST_NAME} characters at most (got {len(text)})")
    time_s = _time(body, "eventTime")
    if time_s is None:
        raise MessageError("an event needs eventTime")
    return CustodyEvent(
        vehicle=vehicle,
        epoch=epoch,
        seq=seq,
        event_id=event_id,
        time_s=time_s,
        action=action,  # type: ignore[arg-type]  # one of _KNOWN_STEPS
        biz_step=step,  # type: ignore[arg-type]  # likewise
        epcs=epcs,
        confidence=tuple(map(listed.get, epcs)),
        place=place,
        not_before_s=_time(body, "rt:not_before"),
        not_after_s=_time(body, "rt:not_after"),
        void=declaration is not None,
        declared_s=None if declaration is None else _time(declaration, "declarationTime"),
        reason=None if declaration is None else str(declaration.get("reason") or "") or None,
    )


def children(body: Mapping[str, Any]) -> tuple[str, ...]:
    """The items that an event lists, each once, however long their names; raises MessageError where it is no list."""
    return _texts(body.get("childEPCs"), "childEPCs") if body.get("type") == "AggregationEvent" else ()


def standing(events: Iterable[CustodyEvent]) -> tuple[CustodyEvent, ...]:
    """The events that stand, each once, in the order of the fold; a vehicle takes back only what it stated itself.

    An eventID is a hash of what its event says, so an id that comes with two contents is no second event but a fault of
    its vehicle: what it said first under that id, by epoch and seq, is what counts. Taken back, an id never comes back.
    """
    taken_back: set[tuple[str, str]] = set()
    first: dict[tuple[str, str], CustodyEvent] = {}
    for event in events:
        name = (event.vehicle, event.event_id)
        if event.void:
            taken_back.add(name)
        elif name not in first or (event.epoch, event.seq) < (first[name].epoch, first[name].seq):
            first[name] = event
    return tuple(sorted((e for name, e in first.items() if name not in taken_back), key=lambda event: event.order))


def fold_item(epc: str, events: Iterable[CustodyEvent]) -> ItemState:
    """Where one item is by all records that may speak of it, in any order, voided ones and declarations included."""
    state = UNKNOWN
    for event in standing(events):
        state = step_item(epc, state, event)
    return state


def step_item(epc: str, state: ItemState, event: CustodyEvent) -> ItemState:
    """The state after one more standing event; right only for an event that comes after all others in the fold."""
    return next_state(state, event, event.confidence[event.epcs.index(epc)]) if epc in event.epcs else state


def fold_items(events: Iterable[CustodyEvent]) -> dict[str, ItemState]:
    """`fold_item` for every item that a standing event names."""
    states: dict[str, ItemState] = {}
    for event in standing(events):
        for epc, p in zip(event.epcs, event.confidence, strict=True):
            states[epc] = next_state(states.get(epc, UNKNOWN), event, p)
    return states


def next_state(state: ItemState, event: CustodyEvent, p: float | None) -> ItemState:
    """`step_item` for an item that the event lists with confidence `p`."""
    if event.action == "DELETE":
        # Handed from van to van, the unloading may be dated after the loading although it came first. Another van's
        # unloading counts only where the whole interval of it lies after the present van's claim began.
        earliest_s = event.time_s if event.not_before_s is None else event.not_before_s
        held_elsewhere = state.aboard not in (None, event.vehicle)
        if held_elsewhere and state.since_s is not None and earliest_s <= state.since_s:
            return state
        aboard, place, exact = None, event.place, True
    elif event.action == "OBSERVE" and state.aboard == event.vehicle:
        return state
    else:
        aboard, place, exact = event.vehicle, None, event.action == "ADD"
    return ItemState(
        aboard=aboard,
        place=place,
        since_s=event.time_s,
        since_exact=exact,
        p=p,
        vehicle=event.vehicle,
        event_id=event.event_id,
    )


class ManifestRevision(Struct, frozen=True):
    """One revision of one manifest as it came in; `body` is the document."""

    vehicle: str
    manifest: str
    revision: int
    epoch: int
    seq: int
    withdrawn: bool
    body: Mapping[str, Any]

    @property
    def order(self) -> tuple[int, int, int]:
        """The highest revision stands; told twice, the later record does."""
        return (self.revision, self.epoch, self.seq)


def parse_manifest(body: Mapping[str, Any], *, vehicle: str, epoch: int, seq: int) -> ManifestRevision:
    """One line of formats.md section 7; raises MessageError where it cannot be told apart or placed in time."""
    name, revision = body.get("manifest"), body.get("revision")
    if not isinstance(name, str) or not name.startswith(f"{vehicle}/"):
        raise MessageError(f"a manifest of {vehicle} is called {vehicle}/DATE/LEG (got {name!r})")
    if len(name) > LONGEST_NAME:
        raise MessageError(f"a manifest's name has {LONGEST_NAME} characters at most (got {len(name)})")
    if not isinstance(revision, int) or isinstance(revision, bool) or not 1 <= revision < 2**31:
        raise MessageError(f"{name}: revision counts from 1 (got {revision!r})")
    departed = body.get("departed")
    if not isinstance(departed, Mapping) or _time(departed, "time") is None:
        raise MessageError(f"{name}: departed.time is missing")
    if not isinstance(body.get("items"), list):
        raise MessageError(f"{name}: items must be a list (got {body.get('items')!r})")
    return ManifestRevision(
        vehicle=vehicle,
        manifest=name,
        revision=revision,
        epoch=epoch,
        seq=seq,
        withdrawn=body.get("withdrawn") is True,
        body=body,
    )


def latest_manifests(revisions: Iterable[ManifestRevision]) -> dict[tuple[str, str], ManifestRevision]:
    """By (vehicle, manifest) the highest revision; a leg whose highest revision withdraws it drops out."""
    highest: dict[tuple[str, str], ManifestRevision] = {}
    for revision in revisions:
        name = (revision.vehicle, revision.manifest)
        if name not in highest or revision.order > highest[name].order:
            highest[name] = revision
    return {name: revision for name, revision in highest.items() if not revision.withdrawn}


class SeqRanges(Struct, frozen=True):
    """Which seqs of one (vehicle, epoch) are committed: sorted, apart, both ends included. They count from 1."""

    ranges: tuple[tuple[int, int], ...] = ()

    def add(self, seq: int) -> SeqRanges:
        """With `seq` among them; raises ValueError below 1."""
        return self.add_all((seq,))

    def add_all(self, seqs: Iterable[int]) -> SeqRanges:
        """With all of `seqs` among them; raises ValueError below 1."""
        wanted = sorted(set(seqs))
        if wanted and wanted[0] < 1:
            raise ValueError(f"seq counts from 1 (got {wanted[0]})")
        merged: list[tuple[int, int]] = []
        for low, high in sorted((*self.ranges, *((seq, seq) for seq in wanted))):
            if merged and low <= merged[-1][1] + 1:
                merged[-1] = (merged[-1][0], max(merged[-1][1], high))
            else:
                merged.append((low, high))
        return SeqRanges(tuple(merged))

    def __contains__(self, seq: int) -> bool:
        at = bisect_right(self.ranges, seq, key=lambda each: each[0])
        return at > 0 and seq <= self.ranges[at - 1][1]

    @property
    def up_to(self) -> int:
        """All of 1 to this one are there; 0 where the first is missing."""
        return self.ranges[0][1] if self.ranges and self.ranges[0][0] == 1 else 0

    @property
    def also(self) -> tuple[tuple[int, int], ...]:
        """The ranges beyond `up_to`."""
        return self.ranges[1:] if self.up_to else self.ranges

    @property
    def gaps(self) -> tuple[tuple[int, int], ...]:
        """What is missing below the highest seq."""
        starts = (1, *(high + 1 for _, high in self.ranges))
        found = ((start, low - 1) for start, (low, _) in zip(starts, self.ranges, strict=False))
        return tuple((start, end) for start, end in found if start <= end)

    @property
    def count(self) -> int:
        """How many are there."""
        return sum(high - low + 1 for low, high in self.ranges)


def _texts(value: object, key: str) -> tuple[str, ...]:
    if value is None:
        return ()
    if not isinstance(value, list) or not (set(map(type, value)) <= {str} and all(value)):
        raise MessageError(f"{key} must be a list of EPC URIs (got {value!r})")
    return tuple(dict.fromkeys(value))


def _confidences(value: object) -> dict[str, float]:
    listed: dict[str, float] = {}
    for each in value if isinstance(value, list) else ():
        if isinstance(each, dict):
            epc, p = each.get("rt:epc"), each.get("rt:p")
            # A bool is no number here; nor is what lies outside 0 to 1 a probability, and it need not fit a float.
            if isinstance(epc, str) and (type(p) is float or type(p) is int) and 0 <= p <= 1:
                listed[epc] = float(p)
    return listed


def _place(body: Mapping[str, Any]) -> str | None:
    for key in ("bizLocation", "readPoint"):
        location = body.get(key)
        if isinstance(location, Mapping) and isinstance(location.get("id"), str):
            return str(location["id"])
    return None


def _time(body: Mapping[str, Any], key: str) -> float | None:
    text = body.get(key)
    if text is None:
        return None
    try:
        return parse_utc(text)
    except (TypeError, ValueError) as error:
        raise MessageError(f"{key} must be a time such as 2026-03-02T07:01:12.000Z (got {text!r})") from error
