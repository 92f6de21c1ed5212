"""The evidence for one tag from what a vehicle's store keeps: its records, thinned reads, and the tally's checkpoint.

A store keeps less than a recording. Whatever of the evidence that costs is said in `missing`, in sentences.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from msgspec import Struct
from msgspec.structs import replace

from agent.checkpoint import decode
from agent.circumstances import (
    MINUTE_S,
    open_spans,
    passages_of_state,
    quiet_spans,
    radio_off_stops,
    sites_by_uri,
    untrusted,
    zone_of,
)
from agent.errors import StoreError
from agent.evidence import Evidence, Hearing, Passage, Point, Span, Strength
from agent.evidence_records import decisions_of, lines_of, passages_of, unlisted_lines
from agent.hindsight import Chapter, Subject, columns_of, looked_back
from agent.records import Listing
from agent.register import Register, register_of
from agent.state import Setup, State


class Kept(Struct, frozen=True):
    """A store's content. `offsets` is UTC minus the clock of each start of the computer, None where it is not known.

    `records` are (kind, body, start, mono) in the order in which they were made; `readings` are (start, minute, tag,
    antenna, reads, strongest dBm).
    """

    records: tuple[tuple[str, Mapping[str, Any], int, float], ...] = ()
    readings: tuple[tuple[int, int, str, int, int, float], ...] = ()
    offsets: Mapping[int, float | None] = {}
    checkpoint: bytes | None = None
    blocks: tuple[tuple[int, bytes], ...] = ()


def listings_of(kept: Kept) -> Register:
    """The things that the manifests name, for want of a register."""
    found: dict[str, Listing] = {}
    for kind, body, _, _ in kept.records:
        for entry in body["items"] if kind == "manifest" else ():
            found[entry["epc"]] = Listing(entry["epc"], entry["tag"], "item", entry["name"])
    return register_of(tuple(found.values()))


def kept_evidence(setup: Setup, subject: Subject, kept: Kept) -> tuple[Evidence, tuple[Point, ...]]:
    """The evidence, and P(aboard) looking back as far as the checkpoint reaches. Nothing of it is guessed."""
    names = {site.id: site.name for site in setup.site_of.values()}
    manifests = [body for kind, body, _, _ in kept.records if kind == "manifest"]
    events = [(_utc(kept, start, mono), body) for kind, body, start, mono in kept.records if kind == "event"]
    state, missing = _checkpoint(kept)
    known = subject.kind != "unlisted"
    tags = frozenset(tag for _, _, tag, _, _, _ in kept.readings if subject.is_it(tag)) | {subject.tag}
    strength, lost = _strength(kept, subject)
    evidence = Evidence(
        vehicle=setup.vehicle.id,
        epc=subject.epc,
        kind=subject.kind,
        name=subject.name,
        zone=zone_of(setup),
        from_s=0.0,
        to_s=0.0,
        passages=passages_of(manifests, names=names),
        doors_known=setup.vehicle.inputs.doors is not None,
        strength=strength,
        decisions=decisions_of(events, epc=subject.epc, sites=sites_by_uri(setup)),
        lines=lines_of(manifests, epc=subject.epc) if known else unlisted_lines(manifests, tags=tags),
    )
    missing += lost
    points: tuple[Point, ...] = ()
    if state is not None:
        evidence, points, short = _with_state(setup, subject, evidence, state)
        missing += short
    missing.append("A store keeps not what was believed at the time, and of each minute's reads only the strongest.")
    if not setup.site_of:
        missing.append("No sites are known: places go by what the records call them.")
    begin_s, end_s = _reach(evidence, points)
    return replace(evidence, from_s=begin_s, to_s=end_s, missing=tuple(missing)), points


def _utc(kept: Kept, start: int, mono: float) -> float | None:
    offset_s = kept.offsets.get(start)
    return None if offset_s is None else mono + offset_s


def _checkpoint(kept: Kept) -> tuple[State | None, list[str]]:
    if kept.checkpoint is None:
        return None, ["The store holds no checkpoint: rounds, doors and belief are not known."]
    try:
        return decode(kept.checkpoint, kept.blocks)[0], []
    except StoreError as error:
        return None, [f"Rounds, doors and belief are not known: {error}."]


def _strength(kept: Kept, subject: Subject) -> tuple[tuple[Strength, ...], list[str]]:
    found, unknown = [], 0
    for start, minute, tag, antenna, reads, rssi_dbm in kept.readings:
        if not subject.is_it(tag):
            continue
        at_s = _utc(kept, start, minute * MINUTE_S)
        if at_s is None:
            unknown += reads
        else:
            found.append(Strength(at_s, antenna, reads, rssi_dbm))
    lost = [f"{unknown} reads are left out: their computer never learned the time."] if unknown else []
    return tuple(sorted(found, key=lambda one: (one.at_s, one.antenna))), lost


def _with_state(
    setup: Setup, subject: Subject, evidence: Evidence, state: State
) -> tuple[Evidence, tuple[Point, ...], list[str]]:
    """What the checkpoint adds: rounds and doors since the last trip's end, and the belief looking back on them."""

    def utc(t: float) -> float:
        return state.axis.moment(state.timeline, t).utc_s

    now_t_s = state.axis.last_s
    manifest_of = {leg: str(body["manifest"]) for leg, body in state.ledger.manifests.items()}
    latest = passages_of_state(setup, state.itinerary.segments, manifest_of, utc=utc, now_t_s=now_t_s)
    hearing = _hearing(state, subject, utc)
    off = [Span(utc(gap - 0.5), utc(gap + 0.5), "power off") for gap in state.gaps_s]
    silent = quiet_spans([utc(t) for t in _rounds(state)], but=off, radio_off=radio_off_stops(setup, latest))
    points = tuple((utc(t), p) for t, p in looked_back(setup, subject, Chapter(state, now_t_s)))
    since = hearing[0].at_s if hearing else None
    missing = list(untrusted(state))
    if since is None or (evidence.passages and evidence.passages[0].from_s < since):
        missing.insert(0, "Rounds, doors and belief are kept since the last trip's end; of before the records tell.")
    return (
        replace(
            evidence,
            passages=_joined(evidence.passages, latest),
            doors=open_spans([(utc(t), is_open) for t, is_open in state.doors], end_s=utc(now_t_s)),
            unread=tuple(sorted([*off, *silent], key=lambda span: span.from_s)),
            hearing=hearing,
        ),
        points,
        missing,
    )


def _rounds(state: State) -> list[float]:
    belief = state.belief
    if belief is None:
        return []
    return [at for slot in belief.slots for at in (slot.from_s, slot.to_s)] + [item.to_s for item in belief.open]


def _hearing(state: State, subject: Subject, utc: Any) -> tuple[Hearing, ...]:  # noqa: ANN401 - a function of seconds
    belief = state.belief
    if belief is None:
        return ()
    mine = {number for number in columns_of(belief, subject) if number}
    found = []
    for slot in belief.slots:
        heard = [int(k) for number, k in zip(slot.tags.tolist(), slot.heard.tolist(), strict=True) if number in mine]
        found.append(Hearing(utc(slot.to_s), slot.rounds, min(slot.rounds, sum(heard))))
    found += [Hearing(utc(item.to_s), 1, int(bool(mine & item.rssi_dbm.keys()))) for item in belief.open]
    return tuple(sorted(found, key=lambda one: one.at_s))


def _joined(older: Sequence[Passage], latest: Sequence[Passage]) -> tuple[Passage, ...]:
    """Passages from manifests up to where the state's own begin, then those."""
    if not latest:
        return tuple(older)
    edge_s = latest[0].from_s
    before = [replace(p, to_s=min(p.to_s, edge_s)) for p in older if p.from_s < edge_s - 1.0]
    return (*before, *latest)


def _reach(evidence: Evidence, points: Iterable[Point]) -> tuple[float, float]:
    moments = [at for passage in evidence.passages for at in (passage.from_s, passage.to_s)]
    moments += [one.at_s for one in evidence.strength] + [one.at_s for one in evidence.hearing]
    moments += [at for at, _ in points]
    return min(moments, default=0.0), max(moments, default=1.0)
