"""Why an item is said to be aboard, loaded or unloaded, as far as the dispatch side can show it. Reads only.

It holds what vehicles said - events and manifests - and not the reads they said it from. So the picture shows places,
decisions with the interval they fell in, and confidence from revision to revision; what is missing is said in words.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Literal

import msgspec
import sqlalchemy as sa
from msgspec.structs import replace

from agent.dispatch import schema
from agent.dispatch.places import Places
from agent.dispatch.store import DispatchStore
from agent.evidence import Decision, Evidence, Line, Passage
from agent.evidence_records import lines_of, passages_of

_AROUND_S = 36 * 3600.0  # a day and what reaches into it from both sides
_MARGIN_S = 900.0
_MOST_ROWS = 400
_KINDS: dict[str, Literal["loaded", "unloaded"]] = {"ADD": "loaded", "DELETE": "unloaded"}
NO_READS = (
    "The dispatch side is not sent the reads: which antenna heard the tag, when and how strongly, the rear doors, and"
    " what was believed from round to round are kept in the van alone."
)


class SiteNames(Mapping[str, str]):
    """What sites are called, by their ids, for whoever wants a mapping."""

    def __init__(self, places: Places) -> None:
        self._places = places

    def __getitem__(self, site: str) -> str:
        return self._places.name(site)

    def __iter__(self) -> Any:  # noqa: ANN401 - nobody asks for all of them
        return iter(())

    def __len__(self) -> int:
        return 0


class ToldEvidence:
    """See the module."""

    def __init__(self, store: DispatchStore, places: Places, zone: str) -> None:
        self._store, self._places, self._zone = store, places, zone

    def of(self, vehicle: str, epc: str, *, name: str, at_s: float | None) -> Evidence | None:
        """The evidence around a moment, or around the last event there is; None where the van never named the item."""
        event, listed, manifest = schema.event.c, schema.event_item.c, schema.manifest.c
        with self._store.reading() as connection:
            query = (
                sa.select(schema.event, listed.p)
                .join(schema.event_item, sa.and_(listed.vehicle == event.vehicle, listed.event_id == event.event_id))
                .where(listed.epc == epc, listed.vehicle == vehicle)
                .order_by(event.time_s.desc())
            )
            newest = connection.execute(query.limit(1)).first()
            if newest is None:
                return None
            at_s = newest.time_s if at_s is None else at_s
            around = sa.between(event.time_s, at_s - _AROUND_S, at_s + _AROUND_S)
            events = connection.execute(query.where(around).limit(_MOST_ROWS)).all()
            legs = sa.select(manifest.body).where(
                manifest.vehicle == vehicle, sa.between(manifest.departed_s, at_s - _AROUND_S, at_s + _AROUND_S)
            )
            order = (manifest.departed_s, manifest.revision, manifest.epoch, manifest.seq)
            bodies = connection.execute(legs.order_by(*order).limit(_MOST_ROWS)).scalars().all()
        decisions = tuple(sorted((d for row in events if (d := self._decision(row))), key=lambda each: each.at_s))
        passages, lines, unfit = self._manifests(bodies, epc)
        low, high = _stretch(at_s, decisions, passages)
        missing = [NO_READS]
        if unfit:
            missing.append(f"{unfit} of the manifests cannot be read and are left out.")
        if len(events) == _MOST_ROWS or len(bodies) == _MOST_ROWS:
            missing.append("More was said around this time than is shown.")
        return Evidence(
            vehicle=vehicle,
            epc=epc,
            kind="item",
            name=name,
            zone=self._zone,
            from_s=low,
            to_s=high,
            passages=passages,
            decisions=decisions,
            lines=lines,
            missing=tuple(missing),
        )

    def _decision(self, row: sa.Row[Any]) -> Decision | None:
        kind = _KINDS.get(row.action)
        if kind is None:
            return None
        return Decision(
            event_id=row.event_id,
            kind=kind,
            at_s=row.time_s,
            not_before_s=row.time_s if row.not_before_s is None else row.not_before_s,
            not_after_s=row.time_s if row.not_after_s is None else row.not_after_s,
            p=row.p or 0.0,
            place=self._places.name_of_location(row.place),
            taken_back_s=(row.void_declared_s or row.time_s) if row.voided else None,
            reason=(row.void_reason or "") if row.voided else "",
        )

    def _manifests(self, texts: Sequence[str], epc: str) -> tuple[tuple[Passage, ...], tuple[Line, ...], int]:
        names, good = SiteNames(self._places), []
        lines: list[Line] = []
        for text in texts:
            body = msgspec.json.decode(text)
            try:
                passages_of([body], names=names)
                lines += lines_of([body], epc=epc)
            except (KeyError, TypeError, ValueError, AttributeError):
                continue  # kept as it came, in whatever form
            good.append(body)
        named = {line.manifest for line in lines if line.p is not None}
        kept = tuple(line for line in lines if line.manifest in named)
        return passages_of(good, names=names), kept, len(texts) - len(good)


def _stretch(at_s: float, decisions: Sequence[Decision], passages: Sequence[Passage]) -> tuple[float, float]:
    """From the stop or decision before the moment to the one after it, with a little around."""
    half_s = _AROUND_S / 3
    near = [d.at_s for d in decisions if abs(d.at_s - at_s) < half_s]
    for each in passages:
        if each.to_s > at_s - half_s and each.from_s < at_s + half_s:
            near += [max(each.from_s, at_s - half_s), min(each.to_s, at_s + half_s)]
    return min(near, default=at_s) - _MARGIN_S, max(near, default=at_s) + _MARGIN_S


def with_way(evidence: Evidence, sentence: str) -> Evidence:
    """The same with one more sentence on what is missing."""
    return replace(evidence, missing=(*evidence.missing, sentence))
