"""Stored documents as views: one manifest with its revisions, one event, one notice.

A document that came in is kept whatever it holds; what cannot be shown of it is said in its place.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import msgspec
import sqlalchemy as sa
from msgspec import Struct

from agent.dispatch.places import Places
from agent.dispatch.views import (
    BadgeView,
    EventItemView,
    EventView,
    LoadedView,
    ManifestView,
    NoticeView,
    RevisionView,
)
from agent.dispatch.words import seconds_of, step, void_reason
from agent.ledger import parse_event


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


class _Manifest(Struct, frozen=True):
    departed: _Moment
    arrived: _Moment | None = None
    trip: str | None = None
    issued: str | None = None
    certain: bool = False
    items: tuple[_Item, ...] = ()
    badges: tuple[_Badge, ...] = ()
    unlisted: tuple[Any, ...] = ()
    short: tuple[dict[str, Any], ...] = ()
    over: tuple[dict[str, Any], ...] = ()


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
        unlisted=len(document.unlisted),
        short=tuple(_planned(each, names) for each in document.short),
        over=tuple(_planned(each, names) for each in document.over),
        revisions=tuple(_revision(row) for row in revisions),
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


def _revision(row: sa.Row[Any]) -> RevisionView:
    body = msgspec.json.decode(row.body)
    return RevisionView(row.revision, seconds_of(body.get("issued")), len(body["items"]), body.get("certain") is True)


def event_view(row: sa.Row[Any], places: Places, names: Names, *, only: str | None = None) -> EventView:
    """An event by its row; with `only`, of all its items just that one."""
    event = parse_event(msgspec.json.decode(row.body), vehicle=row.vehicle, epoch=row.epoch or 1, seq=row.seq or 1)
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
        voided_s=row.void_declared_s,
    )


def notice_view(text: str) -> NoticeView:
    """A notice by its body."""
    body = msgspec.json.decode(text)
    return NoticeView(
        notice=str(body.get("notice", "")), text=str(body.get("text", "")), at_s=seconds_of(body.get("at"))
    )
