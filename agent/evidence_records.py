"""What a vehicle's own records say of one tag: decisions from its events, lines from its manifests, the way it went.

Pure: the JSON bodies of events and manifests in, typed evidence out. They are the vehicle's own: their form is known.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, Literal

from msgspec.structs import replace

from agent.evidence import Decision, Line, Passage
from agent.units import parse_utc

Site = tuple[str | None, str]  # (site id, name)
NO_SITE = "a place that is no site"
_KINDS: dict[str, Literal["loaded", "unloaded"]] = {"ADD": "loaded", "DELETE": "unloaded"}


def decisions_of(
    events: Iterable[tuple[float | None, Mapping[str, Any]]], *, epc: str, sites: Mapping[str, Site]
) -> tuple[Decision, ...]:
    """Every loading and unloading of `epc`, oldest first, those taken back too.

    `events` are (UTC seconds at which it was stated, event) in the order in which they were stated; `sites` goes by
    the URI of a site (its SGLN or `urn:roadtally:site:ID`).
    """
    found: dict[str, Decision] = {}
    for said_s, event in events:
        kind = _KINDS.get(event.get("action", ""))
        if kind is None or epc not in event.get("childEPCs", ()):
            continue
        key = event["eventID"]
        error = event.get("errorDeclaration")
        if error is not None:
            if key in found:
                back_s = parse_utc(error["declarationTime"])
                found[key] = replace(found[key], taken_back_s=back_s, reason=error["reason"])
            continue
        site, place = place_of(event, sites)
        found[key] = Decision(
            event_id=key,
            kind=kind,
            at_s=parse_utc(event["eventTime"]),
            not_before_s=parse_utc(event["rt:not_before"]),
            not_after_s=parse_utc(event["rt:not_after"]),
            p=next(child["rt:p"] for child in event["rt:confidence"] if child["rt:epc"] == epc),
            place=place,
            site=site,
            revision=event.get("rt:revision", 1),
            said_s=said_s,
        )
    return tuple(sorted(found.values(), key=lambda decision: (decision.at_s, decision.revision)))


def place_of(event: Mapping[str, Any], sites: Mapping[str, Site]) -> tuple[str | None, str]:
    """(site id, name) of where an event happened; a site that is not known any more goes by its URI."""
    uri = event.get("bizLocation", {}).get("id")
    if uri is None:
        return None, NO_SITE
    return sites.get(uri, (None, str(uri)))


def lines_of(manifests: Iterable[Mapping[str, Any]], *, epc: str) -> tuple[Line, ...]:
    """What each revision of each manifest says of `epc`, item or badge, in the order given."""
    found = []
    for body in manifests:
        entry = next((e for e in (*body["items"], *body["badges"]) if e["epc"] == epc), None)
        loaded = None if entry is None else entry.get("loaded")
        found.append(
            Line(
                manifest=body["manifest"],
                revision=body["revision"],
                issued_s=parse_utc(body["issued"]),
                departed_s=parse_utc(body["departed"]["time"]),
                p=None if entry is None else entry["confidence"],
                certain=body["certain"],
                loaded_site=None if loaded is None else loaded["site"],
                loaded_s=None if loaded is None else parse_utc(loaded["time"]),
                withdrawn=bool(body.get("withdrawn")),
            )
        )
    return tuple(found)


def unlisted_lines(manifests: Iterable[Mapping[str, Any]], *, tags: frozenset[str]) -> tuple[Line, ...]:
    """The same for a tag that no register knows, by its hex; such a tag is never an item."""
    found = []
    for body in manifests:
        sure = [entry["confidence"] for entry in body["unlisted"] if entry["tag"] in tags]
        departed_s = parse_utc(body["departed"]["time"])
        issued_s = parse_utc(body["issued"])
        p = max(sure, default=None)
        withdrawn = bool(body.get("withdrawn"))
        found.append(
            Line(body["manifest"], body["revision"], issued_s, departed_s, p, body["certain"], withdrawn=withdrawn)
        )
    return tuple(found)


def passages_of(manifests: Iterable[Mapping[str, Any]], *, names: Mapping[str, str]) -> tuple[Passage, ...]:
    """The legs that manifests tell of, and the stops between them; `names` of sites by their ids.

    How probable each site was is not in a manifest: such a stop has `p` 1.
    """
    latest: dict[str, Mapping[str, Any]] = {}
    for body in manifests:
        latest[body["manifest"]] = body
    legs = sorted(
        (b for b in latest.values() if not b.get("withdrawn")), key=lambda body: parse_utc(body["departed"]["time"])
    )
    passages: list[Passage] = []
    for number, body in enumerate(legs):
        departed_s = parse_utc(body["departed"]["time"])
        next_s = parse_utc(legs[number + 1]["departed"]["time"]) if number + 1 < len(legs) else None
        arrived = body["arrived"]
        if not passages:
            passages.append(_stop(body["departed"]["site"], departed_s, departed_s, names))
        known = arrived is not None or next_s is not None
        end_s = parse_utc(arrived["time"]) if arrived is not None else departed_s if next_s is None else next_s
        passages.append(Passage("leg", departed_s, end_s, manifest=body["manifest"], ends=known))
        if arrived is not None:
            stop = _stop(arrived["site"], end_s, end_s if next_s is None else max(next_s, end_s), names)
            passages.append(replace(stop, ends=next_s is not None))
    return tuple(passages)


def _stop(site: str | None, from_s: float, to_s: float, names: Mapping[str, str]) -> Passage:
    name = NO_SITE if site is None else names.get(site, site)
    return Passage("stop", from_s, to_s, site=site, name=name, p=1.0)
