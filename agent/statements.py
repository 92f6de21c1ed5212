"""What has been stated, and what must be taken back: facts become records once, and change only by declaration.

A fact has a key (an item loaded at a stop, a leg's departure …). Stated anew with something that matters changed, the
old event is voided by an `errorDeclaration` and a successor follows; a fact that no longer holds is only voided. A
manifest changes by a higher revision. Nothing here decides; it compares.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Literal

from msgspec import Struct
from msgspec.structs import replace

from agent import epcis
from agent.records import Record
from agent.units import format_utc, parse_utc

# A fact keeps its event while a better estimate of its time differs by no more than this, or stays in the interval.
SAME_TIME_S = 30.0
# A line's confidence is stated anew when it moved by this much. Judgement: what a dispatcher would act on.
SAME_P = 0.05

Key = tuple[str | int, ...]


class Draft(Struct, frozen=True):
    """An event to be stated: everything but its revision and its id. Times are UTC seconds."""

    key: Key
    kind: Literal["loaded", "unloaded", "departed", "arrived"]
    at_s: float
    not_before_s: float
    not_after_s: float
    place: epcis.Place
    children: tuple[epcis.Confident, ...] = ()
    badges: tuple[epcis.Confident, ...] = ()


class Stated(Struct, frozen=True):
    """A standing event and the draft that it was made from."""

    draft: Draft
    body: dict[str, Any]


class Ledger(Struct, frozen=True):
    """Standing events by key, how often each key was stated, and each leg's latest manifest."""

    events: Mapping[Key, Stated] = {}
    times: Mapping[Key, int] = {}
    manifests: Mapping[int, dict[str, Any]] = {}


def same_fact(old: Draft, new: Draft) -> bool:
    """True when nothing that matters changed."""
    if {c.epc for c in old.children} != {c.epc for c in new.children}:
        return False
    if old.place.location_uri != new.place.location_uri:
        return False
    if old.place.location_uri is None and old.place.geo is None and new.place.geo is not None:
        return False
    if abs(old.at_s - new.at_s) <= SAME_TIME_S:
        return True
    return old.kind in {"loaded", "unloaded"} and old.not_before_s <= new.at_s <= old.not_after_s


def state_events(
    ledger: Ledger, drafts: Sequence[Draft], *, withdraw: Sequence[Key], vehicle_epc: str, issued_s: float
) -> tuple[Ledger, tuple[Record, ...]]:
    """Bring the standing events in line with `drafts`; facts named in `withdraw` and not drafted are taken back."""
    events, times = dict(ledger.events), dict(ledger.times)
    wanted = {draft.key for draft in drafts}
    fallen = [key for key in dict.fromkeys(withdraw) if key not in wanted and key in events]
    records = [_void(events.pop(key), issued_s=issued_s, reason="did_not_occur") for key in fallen]
    for draft in drafts:
        old = events.get(draft.key)
        if old is not None and same_fact(old.draft, draft):
            continue
        count = times.get(draft.key, 0) + 1
        body = _event(draft, vehicle_epc=vehicle_epc, revision=count if count > 1 else None)
        if old is not None:
            records.append(_void(old, issued_s=issued_s, reason="incorrect_data", successor=body["eventID"]))
        records.append(Record("event", body))
        events[draft.key] = Stated(draft, body)
        times[draft.key] = count
    return replace(ledger, events=events, times=times), tuple(records)


def _event(draft: Draft, *, vehicle_epc: str, revision: int | None) -> dict[str, Any]:
    around: dict[str, Any] = {
        "vehicle_epc": vehicle_epc,
        "event_time_s": draft.at_s,
        "not_before_s": draft.not_before_s,
        "not_after_s": draft.not_after_s,
        "badges": draft.badges,
        "place": draft.place,
        "revision": revision,
    }
    if draft.kind == "arrived":
        return epcis.arrived(**around)
    if draft.kind == "departed":
        return epcis.departed(aboard=draft.children, **around)
    build = {"loaded": epcis.loaded, "unloaded": epcis.unloaded}[draft.kind]
    return build(children=draft.children, **around)


def _void(stated: Stated, *, issued_s: float, reason: epcis.Reason, successor: str | None = None) -> Record:
    after = (successor,) if successor else ()
    return Record("event", epcis.voided(stated.body, declared_at=issued_s, reason=reason, corrective_ids=after))


def state_manifest(
    ledger: Ledger, leg: int, body: dict[str, Any], *, issued_s: float
) -> tuple[Ledger, tuple[Record, ...]]:
    """Issue `body` (without `revision` and `issued`) as this leg's next revision, if a line of it changed."""
    old = ledger.manifests.get(leg)
    revision = 1
    if old is not None:
        if same_manifest(old, body):
            return ledger, ()
        revision = int(old["revision"]) + 1
        issued_s = max(issued_s, parse_utc(old["issued"]))
        if _near(old["departed"]["time"], body["departed"]["time"], seconds=2.0):
            body = {**body, "departed": {**body["departed"], "time": old["departed"]["time"]}}
    whole = {"manifest": body["manifest"], "revision": revision, "issued": format_utc(issued_s)}
    whole |= {key: value for key, value in body.items() if key != "manifest"}
    return replace(ledger, manifests={**ledger.manifests, leg: whole}), (Record("manifest", whole),)


def withdraw_manifest(ledger: Ledger, leg: int, *, issued_s: float) -> tuple[Ledger, tuple[Record, ...]]:
    """The leg proved to be none: its last revision says so."""
    old = ledger.manifests.get(leg)
    if old is None or old.get("withdrawn"):
        return ledger, ()
    issued_s = max(issued_s, parse_utc(old["issued"]))
    whole = {**old, "revision": old["revision"] + 1, "issued": format_utc(issued_s), "withdrawn": True}
    return replace(ledger, manifests={**ledger.manifests, leg: whole}), (Record("manifest", whole),)


def same_manifest(old: Mapping[str, Any], new: Mapping[str, Any]) -> bool:
    """True when no line changed: sets, sites, `certain`, silences, times within half a minute, confidences within 0.05.

    What a plan adds is left out: it hangs on nothing but these, and must not make a revision of its own.
    """
    if old["certain"] != new["certain"] or old.get("withdrawn"):
        return False
    return (
        _same_end(old["departed"], new["departed"], seconds=2.0)
        and _same_end(old["arrived"], new["arrived"], seconds=SAME_TIME_S)
        and _same_lines(old["items"], new["items"], name="epc")
        and _same_lines(old["badges"], new["badges"], name="epc")
        and _same_lines(old["unlisted"], new["unlisted"], name="tag")
        and _same_silences(old.get("not_read", ()), new.get("not_read", ()))
    )


def _same_silences(old: Sequence[Mapping[str, Any]], new: Sequence[Mapping[str, Any]]) -> bool:
    """Why and from when to when, within half a minute."""
    return len(old) == len(new) and all(
        was["why"] == line["why"]
        and _near(was["since"], line["since"], seconds=SAME_TIME_S)
        and (was["until"] is None) is (line["until"] is None)
        and (line["until"] is None or _near(was["until"], line["until"], seconds=SAME_TIME_S))
        for was, line in zip(old, new, strict=True)
    )


def _same_end(old: Mapping[str, Any] | None, new: Mapping[str, Any] | None, *, seconds: float) -> bool:
    if old is None or new is None:
        return old is None and new is None
    return old["site"] == new["site"] and _near(old["time"], new["time"], seconds=seconds)


def _near(old: str, new: str, *, seconds: float) -> bool:
    return abs(parse_utc(old) - parse_utc(new)) <= seconds


def _same_lines(old: Sequence[Mapping[str, Any]], new: Sequence[Mapping[str, Any]], *, name: str) -> bool:
    before = {line[name]: line for line in old}
    if before.keys() != {line[name] for line in new}:
        return False
    for line in new:
        was = before[line[name]]
        if abs(was["confidence"] - line["confidence"]) > SAME_P:
            return False
        if not _same_end(was.get("loaded"), line.get("loaded"), seconds=SAME_TIME_S):
            return False
    return True


def forget(
    ledger: Ledger, *, keep_events: Sequence[Key], keep_times: Sequence[Key], keep_legs: Sequence[int]
) -> Ledger:
    """Let go of what can no longer change.

    `keep_times` are facts that do not stand but may be stated yet: how often they were must be known then, for a voided
    id never comes back.
    """
    events = {key: ledger.events[key] for key in keep_events if key in ledger.events}
    return Ledger(
        events,
        {key: count for key, count in ledger.times.items() if key in events or key in keep_times},
        {leg: ledger.manifests[leg] for leg in keep_legs if leg in ledger.manifests},
    )
