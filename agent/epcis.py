"""EPCIS 2.0 events of what happens to a van's cargo: loaded, unloaded, departed, arrived; and an event taken back.

Each builder gives one bare event as a JSON-ready dict, exactly as formats.md section 6 says, with its `eventID` (the
CBV 2.0 hash) set. What happened, when and how sure that is are the caller's; nothing is inferred here, nothing is kept.

Source: GS1 EPCIS 2.0 (events, error declaration, JSON-LD form), CBV 2.0 (business steps and dispositions),
RFC 5870 (`geo:` URIs).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any, Literal
from zoneinfo import ZoneInfo

from msgspec import Struct

from agent.eventhash import event_hash
from agent.units import format_utc

CONTEXT_URI = "https://ref.gs1.org/standards/epcis/2.0.0/epcis-context.jsonld"
EXTENSION_NAMESPACE = "https://roadtally.example/ns/1/"

Reason = Literal["did_not_occur", "incorrect_data"]


class Confident(Struct, frozen=True):
    """An EPC (pure identity or raw URI) and the probability, 0 to 1, that what is said of it is so."""

    epc: str
    p: float


class Place(Struct, frozen=True):
    """Where: a site's URI, or (at a place that is no site) a position with its error; and the offset of local time."""

    location_uri: str | None = None
    timezone_offset: str = "+00:00"
    geo: tuple[float, float, float] | None = None
    """Latitude and longitude in degrees (WGS 84), and the radius in metres that holds the true place."""


def place_at_site(site_uri: str, timezone: str | None, utc_s: float) -> Place:
    """The place of a site, with the offset that its zone (an IANA name; UTC where None) has at that time."""
    return Place(location_uri=site_uri, timezone_offset=timezone_offset(timezone, utc_s))


def place_at_position(lat: float, lon: float, error_m: float) -> Place:
    """A place that is no site."""
    return Place(geo=(lat, lon, error_m))


def timezone_offset(timezone: str | None, utc_s: float) -> str:
    """`+01:00` and the like; offsets with seconds, which only old dates have, are cut to the minute."""
    if timezone is None:
        return "+00:00"
    offset = datetime.fromtimestamp(utc_s, UTC).astimezone(ZoneInfo(timezone)).utcoffset() or timedelta()
    minutes = int(offset.total_seconds() / 60)
    return f"{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"


def geo_uri(lat: float, lon: float, error_m: float) -> str:
    """RFC 5870: `geo:50.123456,-4.200000;u=12.0`; degrees to about 0.1 m, the uncertainty in metres."""
    # + 0.0 turns a negative zero, which RFC 5870 has no use for, into zero.
    return f"geo:{round(lat, 6) + 0.0:.6f},{round(lon, 6) + 0.0:.6f};u={max(error_m, 0.0):.1f}"


def loaded(
    *,
    vehicle_epc: str,
    children: Sequence[Confident],
    event_time_s: float,
    not_before_s: float,
    not_after_s: float,
    badges: Sequence[Confident] = (),
    place: Place,
    revision: int | None = None,
) -> dict[str, Any]:
    """Items put aboard at one moment. Times in seconds UTC; the interval holds the true time, 95 in 100.

    Raises ValueError (here as in the others) for no children, an EPC twice, or an estimate outside its interval.
    """
    around = _Around(event_time_s, not_before_s, not_after_s, badges, place, revision)
    return _aggregation("ADD", "loading", "in_progress", vehicle_epc, children, around=around)


def unloaded(
    *,
    vehicle_epc: str,
    children: Sequence[Confident],
    event_time_s: float,
    not_before_s: float,
    not_after_s: float,
    badges: Sequence[Confident] = (),
    place: Place,
    revision: int | None = None,
) -> dict[str, Any]:
    """Items taken off at one moment; children are always listed, for a DELETE without any would empty the van."""
    around = _Around(event_time_s, not_before_s, not_after_s, badges, place, revision)
    return _aggregation("DELETE", "unloading", "in_progress", vehicle_epc, children, around=around)


def departed(
    *,
    vehicle_epc: str,
    aboard: Sequence[Confident],
    event_time_s: float,
    not_before_s: float,
    not_after_s: float,
    badges: Sequence[Confident] = (),
    place: Place,
    revision: int | None = None,
) -> dict[str, Any]:
    """The vehicle left with all of `aboard`; with nothing aboard it is an event of the vehicle alone."""
    around = _Around(event_time_s, not_before_s, not_after_s, badges, place, revision)
    if aboard:
        return _aggregation("OBSERVE", "departing", "in_transit", vehicle_epc, aboard, around=around)
    what = {"epcList": [vehicle_epc], "action": "OBSERVE", "bizStep": "departing", "disposition": "in_transit"}
    return _event("ObjectEvent", what, [], around)


def arrived(
    *,
    vehicle_epc: str,
    event_time_s: float,
    not_before_s: float,
    not_after_s: float,
    badges: Sequence[Confident] = (),
    place: Place,
    revision: int | None = None,
) -> dict[str, Any]:
    """The vehicle came to stand at a place."""
    around = _Around(event_time_s, not_before_s, not_after_s, badges, place, revision)
    return _event("ObjectEvent", {"epcList": [vehicle_epc], "action": "OBSERVE", "bizStep": "arriving"}, [], around)


def voided(
    event: Mapping[str, Any], *, declared_at: float, reason: Reason, corrective_ids: Sequence[str] = ()
) -> dict[str, Any]:
    """The same event, every field and the `eventID` repeated, declared to be wrong at `declared_at` (seconds UTC).

    `did_not_occur` where nothing of the kind happened; `incorrect_data` where it did, but not so, and then
    `corrective_ids` names the events that stand in its place, if these exist already.
    """
    if "errorDeclaration" in event:
        raise ValueError(f"{event['eventID']} is taken back already")
    declaration: dict[str, Any] = {"declarationTime": format_utc(declared_at), "reason": reason}
    if corrective_ids:
        declaration["correctiveEventIDs"] = list(corrective_ids)
    return {**event, "errorDeclaration": declaration}


class _Around(Struct, frozen=True):
    """What every event has, whatever happened."""

    event_time_s: float
    not_before_s: float
    not_after_s: float
    badges: Sequence[Confident]
    place: Place
    revision: int | None


def _aggregation(
    action: str, step: str, disposition: str, vehicle_epc: str, children: Sequence[Confident], *, around: _Around
) -> dict[str, Any]:
    sure = _listed(children, "children")
    if not sure:
        raise ValueError(f"a {step} event needs at least one child; a {action} without any would mean all of them")
    what = {
        "parentID": vehicle_epc,
        "childEPCs": [child["rt:epc"] for child in sure],
        "action": action,
        "bizStep": step,
        "disposition": disposition,
    }
    return _event("AggregationEvent", what, sure, around)


def _event(kind: str, what: dict[str, Any], sure: list[dict[str, Any]], around: _Around) -> dict[str, Any]:
    if not around.not_before_s <= around.event_time_s <= around.not_after_s:
        raise ValueError(f"{around} has its best estimate outside its own interval")
    place = around.place
    body: dict[str, Any] = {
        "eventTime": format_utc(around.event_time_s),
        "eventTimeZoneOffset": place.timezone_offset,
        **what,
    }
    if place.location_uri is not None:
        body["bizLocation"] = {"id": place.location_uri}
    elif place.geo is not None:
        body["readPoint"] = {"id": geo_uri(*place.geo)}
    body["rt:not_before"] = format_utc(around.not_before_s)
    body["rt:not_after"] = format_utc(around.not_after_s)
    if sure:
        body["rt:confidence"] = sure
    if around.badges:
        body["rt:badges"] = _listed(around.badges, "badges")
    if around.revision is not None:
        body["rt:revision"] = around.revision
    head = {"@context": [CONTEXT_URI, {"rt": EXTENSION_NAMESPACE}], "type": kind}
    return {**head, "eventID": event_hash({**head, **body}), **body}


def _listed(members: Sequence[Confident], what: str) -> list[dict[str, Any]]:
    """Sorted by EPC, so that the same fact is the same bytes; each EPC once."""
    if len({member.epc for member in members}) != len(members):
        raise ValueError(f"an EPC stands twice among the {what}: {[member.epc for member in members]}")
    return [{"rt:epc": member.epc, "rt:p": round(member.p, 4)} for member in sorted(members, key=lambda m: m.epc)]
