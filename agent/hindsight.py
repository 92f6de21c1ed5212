"""Watches one tag while the pipeline runs, and looks back on it with the very smoothing that the tally decides by.

The pipeline forgets a trip once it is told. A `Watch` sees the state before and after each step, keeps what is about to
be forgotten, and at the end gives the `Evidence`. It changes nothing and decides nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from agent.circumstances import (
    by_minute,
    open_spans,
    passages_of_state,
    quiet_spans,
    radio_off_stops,
    reader_spans,
    sites_by_uri,
    untrusted,
    zone_of,
)
from agent.epc import decode_tag
from agent.evidence import Evidence, Hearing, Line, Point, Span
from agent.evidence_records import decisions_of, lines_of, unlisted_lines
from agent.itinerary import Itinerary, Segment
from agent.presence.belief import Assessment, Belief
from agent.privacy import is_working
from agent.records import Boot, Input, Inventory, PortInput, Read, ReaderState, Record
from agent.state import Setup, State
from agent.window import lay_window, smooth_window


class Subject(Struct, frozen=True):
    """Whom the question is about: a tag by its pure identity, with what the register says of it."""

    epc: str
    tag: str
    name: str = ""
    kind: str = "unlisted"

    def is_it(self, tag_hex: str) -> bool:
        """True for any tag that carries this identity, whatever its filter value."""
        return tag_hex == self.tag or decode_tag(tag_hex) == self.epc


class Chapter(Struct, frozen=True, eq=False):
    """A state as the tally looked back on it, before it let go of what was told; `now_s` is when it did."""

    state: State
    now_s: float


def look_back(setup: Setup, chapter: Chapter) -> tuple[Belief, Assessment] | None:
    """The whole chapter smoothed by the tally's own window at a trip's end; None where there is nothing to smooth."""
    state, now_s = chapter.state, chapter.now_s
    if state.belief is None or not state.itinerary.segments:
        return None
    return smooth_window(setup, state, lay_window(state, now_s=now_s, settle=True, whole=True), now_s=now_s)


def unforgotten(before: State, after: State) -> State:
    """The state between the two: a step's outcome, with what it let go of put back."""
    segments: dict[tuple[type, int], Segment] = {}
    for segment in (*before.itinerary.segments, *after.itinerary.segments):
        segments[type(segment), segment.number] = segment
    return replace(
        after,
        itinerary=Itinerary(tuple(sorted(segments.values(), key=lambda s: s.from_s))),
        belief=before.belief,
        axis=replace(after.axis, bases=tuple(dict.fromkeys((*before.axis.bases, *after.axis.bases)))),
        doors=tuple(dict.fromkeys((*before.doors, *after.doors))),
        gaps_s=tuple(dict.fromkeys((*before.gaps_s, *after.gaps_s))),
        begin_s=before.begin_s,
        visited=before.visited,
    )


def columns_of(belief: Belief, subject: Subject) -> list[int]:
    """The columns of a belief that are this tag; column 0, never heard, where there is none."""
    return [number for tag, number in belief.numbers.items() if subject.is_it(tag)] or [0]


class Watch:
    """Give it every input with the state before and after and the records; then ask `evidence`."""

    def __init__(self, setup: Setup, subject: Subject) -> None:
        self.setup = setup
        self.subject = subject
        self.chapters: list[Chapter] = []
        self._is_it: dict[str, bool] = {}
        self._bases: dict[tuple[int, float, float], None] = {}
        self._rounds: list[tuple[float, bool]] = []
        self._reads: list[tuple[float, Read]] = []
        self._doors: list[tuple[float, bool | None]] = []
        self._power: list[tuple[float, float]] = []
        self._reader: list[tuple[float, ReaderState]] = []
        self._live: list[tuple[float, float]] = []
        self._segments: dict[tuple[type, int], Segment] = {}
        self._manifest_of: dict[int, str] = {}
        self._events: list[tuple[float, Mapping[str, Any]]] = []
        self._manifests: list[Mapping[str, Any]] = []
        self._forward: object = None

    def take(self, item: Input, before: State, after: State, records: Sequence[Record]) -> None:
        """One step of the pipeline."""
        t = after.axis.last_s
        self._bases.update(dict.fromkeys(after.axis.bases))
        if isinstance(item, Inventory):
            mine = [read for read in item.reads if self._mine(read.epc)]
            self._rounds.append((t, bool(mine)))
            self._reads += [(t, read) for read in mine]
        elif isinstance(item, PortInput) and item.port == self.setup.vehicle.inputs.doors:
            self._doors.append((t, item.on))
        elif isinstance(item, ReaderState):
            self._reader.append((t, item))
        elif isinstance(item, Boot) and before.axis.bases:
            self._power.append((before.axis.last_s, t))
            self._doors.append((t, None))
        self._sample(after)
        if before.belief is not None and after.belief is not None and before.belief.era != after.belief.era:
            whole = unforgotten(before, after)
            self.chapters.append(Chapter(whole, t))
            self._note(whole)
        self._hear(after, records)

    def finish(self, after: State, records: Sequence[Record]) -> None:
        """The record ends here, in this state."""
        self._hear(after, records)
        self._note(after)
        self.chapters.append(Chapter(after, after.axis.last_s))

    def _mine(self, tag: str) -> bool:
        known = self._is_it.get(tag)
        if known is None:
            known = self._is_it[tag] = self.subject.is_it(tag)
        return known

    def _sample(self, state: State) -> None:
        belief = state.belief
        if belief is None or belief.forward is self._forward:
            return
        self._forward = belief.forward
        known = [belief.numbers[tag] for tag, mine in self._is_it.items() if mine and tag in belief.numbers]
        forward = belief.forward[known or [0]]
        self._live.append((belief.at_s, float(forward[:, self.setup.model.is_aboard].sum(axis=1).max())))

    def _hear(self, state: State, records: Sequence[Record]) -> None:
        for record in records:
            if record.kind == "event":
                self._events.append((state.axis.last_s, record.body))
            elif record.kind == "manifest":
                self._manifests.append(record.body)
        if any(record.kind == "manifest" for record in records):
            self._manifest_of.update({leg: body["manifest"] for leg, body in state.ledger.manifests.items()})

    def _note(self, state: State) -> None:
        for segment in state.itinerary.segments:
            self._segments[type(segment), segment.number] = segment

    def evidence(self) -> Evidence:
        """Everything but the belief looking back; call `finish` first."""
        last = self.chapters[-1].state
        state = replace(last, axis=replace(last.axis, bases=tuple(self._bases)))

        def utc(t: float) -> float:
            return state.axis.moment(state.timeline, t).utc_s

        setup, subject = self.setup, self.subject
        keep = self._kept
        events = [(utc(t), body) for t, body in self._events]
        segments = sorted(self._segments.values(), key=lambda segment: segment.from_s)
        doors = [(utc(t), on) for t, on in self._doors]
        begin_s = utc(min((t for _, t, _ in self._bases), default=0.0))
        end_s = utc(state.axis.last_s)
        rounds_s = [utc(t) for t, _ in self._rounds]
        off = [Span(utc(a), utc(b), "power off") for a, b in self._power]
        off += reader_spans([(utc(t), item) for t, item in self._reader], end_s=end_s)
        told = passages_of_state(setup, segments, self._manifest_of, utc=utc, now_t_s=state.axis.last_s)
        silent = quiet_spans(
            [begin_s, *rounds_s, end_s],
            but=[span for span in off if "antenna" not in span.why],
            radio_off=radio_off_stops(setup, told),
        )
        return Evidence(
            vehicle=setup.vehicle.id,
            epc=subject.epc,
            kind=subject.kind,
            name=subject.name,
            zone=zone_of(setup),
            from_s=begin_s,
            to_s=end_s,
            passages=told,
            doors=open_spans(doors, end_s=end_s),
            doors_known=setup.vehicle.inputs.doors is not None,
            unread=tuple(sorted([*off, *silent], key=lambda span: span.from_s)),
            hearing=tuple(keep([Hearing(utc(t), 1, int(heard)) for t, heard in self._rounds])),
            strength=tuple(keep(by_minute([(utc(t), read) for t, read in self._reads]))),
            live=tuple(keep([(utc(t), p) for t, p in self._live], when=_of_point)),
            decisions=decisions_of(events, epc=subject.epc, sites=sites_by_uri(setup)),
            lines=self._lines(),
            missing=untrusted(state),
        )

    def _lines(self) -> tuple[Line, ...]:
        if self.subject.kind != "unlisted":
            return lines_of(self._manifests, epc=self.subject.epc)
        return unlisted_lines(self._manifests, tags=frozenset(tag for tag, mine in self._is_it.items() if mine))

    def looking_back(self, from_s: float, to_s: float) -> tuple[Point, ...]:
        """P(aboard) as it is believed now, for the chapters that touch this stretch (UTC seconds)."""
        axis = replace(self.chapters[-1].state.axis, bases=tuple(self._bases))
        timeline = self.chapters[-1].state.timeline
        points: list[Point] = []
        for chapter in self.chapters:
            seen = looked_back(self.setup, self.subject, chapter)
            found = [(axis.moment(timeline, t).utc_s, p) for t, p in seen]
            if found and found[-1][0] >= from_s and found[0][0] <= to_s:
                # What the next chapter knows of the same moments rests on more.
                points = [point for point in points if point[0] < found[0][0]] + found
        return tuple(self._kept(points, when=_of_point))

    def _kept(self, items: Iterable[Any], *, when: Callable[[Any], float] = lambda item: item.at_s) -> list[Any]:
        """Without what is not kept of a person outside working hours."""
        privacy = self.setup.vehicle.privacy
        if self.subject.kind != "person" or privacy.working_hours is None:
            return list(items)
        return [item for item in items if is_working(privacy, when(item))]


def _of_point(point: Point) -> float:
    return point[0]


def looked_back(setup: Setup, subject: Subject, chapter: Chapter) -> list[Point]:
    """(moment on the tally's axis, P(aboard)) for each step of a chapter, looking back on all of it."""
    found = look_back(setup, chapter)
    if found is None:
        return []
    belief, assessment = found
    aboard = assessment.aboard[:, columns_of(belief, subject)].max(axis=1)
    return [(float(at), float(p)) for at, p in zip(assessment.at_s, np.asarray(aboard), strict=True)]
