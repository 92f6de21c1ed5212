"""A van's day in rows: what the strip draws, in words, in order of time. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from msgspec import Struct

from agent.dispatch.views_day import DayView, LegView, SpanView, StopView

_KINDS = {"off": "Computer off", "no word": "No word", "quiet": "No word", "not read": "Not read"}


class Row(Struct, frozen=True, kw_only=True):
    """One row. `from_s` or `until_s` null where not known, or where it lasts: `from_word` and `until_word` say which.

    `target` is the id of what tells more on the page; `kind` is the strip's.
    """

    kind: str
    what: str
    from_s: float | None
    until_s: float | None
    from_word: str
    until_word: str
    where: str
    more: tuple[str, ...]
    target: str | None = None


def rows_of(day: DayView) -> tuple[Row, ...]:
    """Every stop, leg and missing stretch of the day, by when it began."""
    rows = [*map(_stop, day.stops), *(_leg(day, leg) for leg in day.legs), *(_spans(day))]
    order = {"stop": 0, "leg": 1}
    return tuple(sorted(rows, key=lambda row: (_begin(day, row), order.get(row.kind, 2))))


def _begin(day: DayView, row: Row) -> float:
    if row.from_s is not None:
        return row.from_s
    return day.from_s if row.kind == "stop" and row.target == "stop-1" else row.until_s or day.from_s


def _stop(stop: StopView) -> Row:
    more = []
    if stop.unloaded or stop.loaded:
        more.append(f"{stop.unloaded} unloaded, {stop.loaded} loaded")
    else:
        more.append("nothing known to have got on or off")
    if stop.taken_back:
        more.append(f"{len(stop.taken_back)} taken back")
    if stop.departs_as is not None:
        more.append(f"the next leg says that it departed from {stop.departs_as}")
    return Row(
        kind="stop",
        what=f"Stop {stop.number}",
        from_s=stop.from_s,
        until_s=stop.until_s,
        from_word="no arrival known",
        until_word="stands there still, as far as told",
        where=stop.place,
        more=tuple(more),
        target=f"stop-{stop.number}",
    )


def _leg(day: DayView, leg: LegView) -> Row:
    manifest = leg.manifest
    number = len(manifest.items)
    to = manifest.arrived_at or ("not yet arrived" if leg.known_until_s >= day.now_s else "no arrival known")
    return Row(
        kind="leg",
        what=f"Leg {leg.number}",
        from_s=leg.from_s,
        until_s=leg.until_s,
        from_word="",
        until_word=to,
        where=f"{manifest.departed_from} to {manifest.arrived_at}"
        if manifest.arrived_at
        else f"from {manifest.departed_from}",
        more=(f"{number} item{'' if number == 1 else 's'}, {'certain' if manifest.certain else 'not yet sure'}",),
        target=f"leg-{leg.number}",
    )


def _spans(day: DayView) -> Iterator[Row]:
    for span in day.spans:
        yield Row(
            kind=span.kind,
            what=_KINDS[span.kind] + ("" if span.whole else " in part"),
            from_s=span.from_s,
            until_s=span.until_s,
            from_word="when it began is not known",
            until_word=_until_word(span),
            where="",
            more=(span.why, *((f"not known: {span.not_known}",) if span.not_known else ())),
        )


def _until_word(span: SpanView) -> str:
    return "not told" if span.kind == "off" else "lasts, as far as told"
