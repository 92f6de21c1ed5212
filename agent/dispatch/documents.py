"""Stored documents as views: one manifest with its revisions, one event, one notice.

A document that came in is kept whatever it holds; what cannot be shown of it is said in its place.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import msgspec
import sqlalchemy as sa
from msgspec import Struct

from agent.bodies import Status
from agent.dispatch.places import Places
from agent.dispatch.views import (
    BadgeView,
    ComputerView,
    EventItemView,
    EventView,
    LoadedView,
    ManifestView,
    NoticeView,
    RefusedView,
    RevisionView,
    SilenceView,
    UnlistedView,
    VisitView,
)
from agent.dispatch.words import seconds_of, step, void_reason
from agent.ledger import parse_event

_RECEIVER = {"ok": "has a fix", "no fix": "has no fix", "silent": "is silent"}


class Names:
    """What items are called; an item without a name goes by its EPC."""

    def __init__(self, names: Mapping[str, str]) -> None:
        self._names = names

    def of(self, epc: str, told: str | None = None) -> str:
        """The name by register, else the one told with it, else the EPC."""
        return self._names.get(epc) or told or epc


class _Moment(Struct, frozen=True):
    site: str | None = None
    time: str | None = None
    not_before: str | None = None
    not_after: str | None = None


class _Badge(Struct, frozen=True):
    epc: str
    name: str = ""
    confidence: float | None = None


class _Item(Struct, frozen=True):
    epc: str
    name: str = ""
    confidence: float | None = None
    loaded: _Moment | None = None


class _Unlisted(Struct, frozen=True):
    tag: str
    confidence: float | None = None


class _Silence(Struct, frozen=True):
    why: str
    since: str | None = None
    until: str | None = None


class _Manifest(Struct, frozen=True):
    departed: _Moment
    arrived: _Moment | None = None
    trip: str | None = None
    issued: str | None = None
    certain: bool = False
    items: tuple[_Item, ...] = ()
    badges: tuple[_Badge, ...] = ()
    unlisted: tuple[_Unlisted, ...] = ()
    plan_version: int | None = None
    short: tuple[dict[str, Any], ...] = ()
    over: tuple[dict[str, Any], ...] = ()
    substituted: tuple[dict[str, Any], ...] = ()
    not_checked: tuple[dict[str, Any], ...] = ()
    not_read: tuple[_Silence, ...] = ()


def manifest_view(revisions: Sequence[sa.Row[Any]], places: Places, names: Names) -> ManifestView:
    """A leg by the rows of its revisions, the highest last."""
    last = revisions[-1]
    problem = None
    try:
        document = msgspec.json.decode(last.body, type=_Manifest)
    except msgspec.ValidationError as error:
        problem, document = f"this manifest cannot be shown: {error}", _Manifest(_Moment())
    return ManifestView(
        vehicle=last.vehicle,
        manifest=last.manifest,
        leg=last.manifest.rpartition("/")[2],
        trip=document.trip,
        revision=last.revision,
        departed_from=_site(document.departed, places),
        departed_s=last.departed_s,
        arrived_at=None if document.arrived is None else _site(document.arrived, places),
        arrived_s=None if document.arrived is None else seconds_of(document.arrived.time),
        certain=document.certain,
        items=tuple(_loaded(each, places, names) for each in sorted(document.items, key=lambda each: each.name)),
        badges=tuple(BadgeView(each.epc, each.name or each.epc, each.confidence) for each in document.badges),
        unlisted=tuple(UnlistedView(each.tag, each.confidence) for each in document.unlisted),
        plan_version=document.plan_version,
        short=tuple(_planned(each, names) for each in document.short),
        over=tuple(_planned(each, names) for each in document.over),
        substituted=tuple(_substituted(each, names) for each in document.substituted),
        not_checked=tuple(_not_checked(each, names) for each in document.not_checked),
        not_read=tuple(
            SilenceView(each.why, seconds_of(each.since), seconds_of(each.until)) for each in document.not_read
        ),
        revisions=tuple(_revision(row) for row in {(row.revision, row.body): row for row in revisions}.values()),
        problem=problem,
    )


def _site(moment: _Moment, places: Places) -> str:
    return "a place that is no site" if moment.site is None else places.name(moment.site)


def _loaded(each: _Item, places: Places, names: Names) -> LoadedView:
    loaded = each.loaded
    return LoadedView(
        epc=each.epc,
        name=names.of(each.epc, each.name),
        p=each.confidence,
        site=None if loaded is None else _site(loaded, places),
        time_s=None if loaded is None else seconds_of(loaded.time),
        not_before_s=None if loaded is None else seconds_of(loaded.not_before),
        not_after_s=None if loaded is None else seconds_of(loaded.not_after),
    )


def _planned(each: Mapping[str, Any], names: Names) -> str:
    epc = each.get("epc")
    if isinstance(epc, str):
        return names.of(epc, str(each.get("name") or ""))
    return f"{each.get('quantity', 1)} × {each.get('type', 'not told')}"  # noqa: RUF001 - times, as one writes it


def _substituted(each: Mapping[str, Any], names: Names) -> str:
    stands_in, wanted = (names.of(str(each.get(key) or "not told")) for key in ("epc", "for"))
    return f"{stands_in} for {wanted}"


def _not_checked(each: Mapping[str, Any], names: Names) -> str:
    what = _planned(each, names) if "epc" in each or "type" in each else f"line {each.get('line') or 'not told'}"
    return f"{what} ({each.get('why') or 'no reason told'})"


def _revision(row: sa.Row[Any]) -> RevisionView:
    body = msgspec.json.decode(row.body)
    return RevisionView(row.revision, seconds_of(body.get("issued")), len(body["items"]), body.get("certain") is True)


def event_view(row: sa.Row[Any], places: Places, names: Names, *, only: str | None = None) -> EventView:
    """An event by its row; with `only`, of all its items just that one."""
    body = msgspec.json.decode(row.body)
    event = parse_event(body, vehicle=row.vehicle, epoch=row.epoch or 1, seq=row.seq or 1)
    listed = zip(event.epcs, event.confidence, strict=True)
    return EventView(
        vehicle=row.vehicle,
        event_id=row.event_id,
        step=step(row.biz_step),
        place=places.name_of_location(row.place),
        time_s=row.time_s,
        not_before_s=row.not_before_s,
        not_after_s=row.not_after_s,
        items=tuple(EventItemView(epc, names.of(epc), p) for epc, p in listed if only in (None, epc)),
        voided=row.voided,
        void_reason=void_reason(row.void_reason) if row.voided else None,
        declared_s=row.void_declared_s,
        location=row.place,
        badges=tuple(_badges(body, names)),
    )


def _badges(body: Mapping[str, Any], names: Names) -> Iterator[BadgeView]:
    """The badges aboard at an event, as far as it tells them in the form that vehicles do."""
    told = body.get("rt:badges")
    for each in told if isinstance(told, list) else ():
        epc, p = (each.get("rt:epc"), each.get("rt:p")) if isinstance(each, dict) else (None, None)
        if isinstance(epc, str):
            yield BadgeView(epc, names.of(epc), p if isinstance(p, float) and 0.0 <= p <= 1.0 else None)


def visits(events: Sequence[EventView]) -> tuple[VisitView, ...]:
    """Events by stays at a place, all newest first; an arrival or another place begins a new stay."""
    groups: list[list[EventView]] = []
    for event in sorted(events, key=lambda each: (each.time_s, each.step != "arrived", each.step == "departed")):
        begins = not groups or event.place != groups[-1][-1].place or (event.step == "arrived" and not event.voided)
        if begins:
            groups.append([])
        groups[-1].append(event)
    return tuple(_visit(tuple(reversed(group))) for group in reversed(groups))


def _visit(group: tuple[EventView, ...]) -> VisitView:
    stands = tuple(event for event in group if not event.voided)
    return VisitView(
        place=group[0].place,
        from_s=(stands or group)[-1].time_s,
        to_s=(stands or group)[0].time_s,
        loaded=sum(len(event.items) for event in stands if event.step == "loaded"),
        unloaded=sum(len(event.items) for event in stands if event.step == "unloaded"),
        events=stands,
        taken_back=tuple(event for event in group if event.voided),
    )


def computer_view(status: Status) -> ComputerView:
    """What a `status` body says of the van's computer."""
    holding = status.holding
    held = {"sites": holding.sites, "register": holding.register, "plan": holding.plan, "settings": holding.settings}
    reader, gps = status.reader, status.gps
    return ComputerView(
        program=status.program,
        boot=status.boot,
        started_s=seconds_of(status.since),
        reader=None if reader is None else reader.state,
        fixture_s=None if reader is None else seconds_of(reader.fixture_heard),
        receiver=None if gps is None else _RECEIVER[gps.state],
        last_fix_s=None if gps is None else seconds_of(gps.last_fix),
        receiver_fault=None if gps is None else gps.fault,
        disk=None if status.disk is None else status.disk.text,
        backlog=status.backlog,
        holds=tuple(f"{what} version {each.version}" for what, each in held.items() if each.version is not None),
        refused=tuple(RefusedView(each.what, each.version, each.reasons) for each in holding.refused),
    )


def notice_view(text: str, numbers: tuple[tuple[int, int], ...] = ()) -> NoticeView:
    """A notice by its body, and the numbers under which it came."""
    body = msgspec.json.decode(text)
    notice, words = (str(body.get(key, "")) for key in ("notice", "text"))
    return NoticeView(notice, words, seconds_of(body.get("at")), numbers)
