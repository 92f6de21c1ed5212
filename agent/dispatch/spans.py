"""The stretches of a day in which something is missing: computer off, no word from the van, tags not read. Pure.

Notices and manifests say when the computer was off and what was not read; that no word came is seen from here alone.
Those are told apart, and what follows from neither is said to be not known.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from msgspec import Struct
from msgspec.structs import replace

from agent.dispatch.views import ManifestView
from agent.dispatch.views_day import PointView, SpanView
from agent.dispatch.words import seconds_of

# A vehicle with a fix says something every 150 s, one without every 15 minutes (`agent.worth`). Judgement: a minute and
# a half more for a slow network.
QUIET_S, NO_WORD_S = 240.0, 990.0
# What is shorter is not drawn. Judgement: a manifest tells of silences from a minute on.
LEAST_S = 60.0
_OFF = "the van's computer was off"
_NUMBER = re.compile(r"\bAntenna (\d+)\b")
# Which notice ends which, and what is said in between; the second says whether nothing at all was read.
_PAIRS: dict[str, tuple[str, str, bool]] = {
    "reader-down": ("reader-up", "the reader is down", True),
    "deaf": ("hearing", "nothing is heard, not even the tag fixed in the van", True),
    "asleep": ("awake", "the reader is asleep, to spare the battery", True),
    "antenna-lost": ("antenna-back", "antenna {antenna} is lost", False),
    "antenna-silent": ("antenna-hears", "antenna {antenna} hears nothing any more", False),
    "wrong-vehicle": ("own-vehicle", "another van's own tag is heard inside", False),
}


class Word(Struct, frozen=True):
    """A row of the track: from `at_s` to `until_s` words came; `lost` where the broker said that the van is gone."""

    at_s: float
    until_s: float
    lost: bool = False
    lat: float | None = None
    lon: float | None = None
    error_m: float | None = None
    speed_mps: float | None = None


def off_spans(notices: Iterable[Mapping[str, Any]]) -> tuple[SpanView, ...]:
    """When the computer was off, by its own notices; of a start whose time was never told only what is known."""
    told: dict[tuple[float | None, float | None], SpanView] = {}
    begun: dict[float, SpanView] = {}
    for each in notices:
        code = each.get("notice")
        since_s, until_s = seconds_of(each.get("since")), seconds_of(each.get("until"))
        if code == "gap-was" and (since_s is not None or until_s is not None):
            lacks = None if since_s is not None else "when it stopped"
            lacks = "when it started again" if until_s is None else lacks
            told[since_s, until_s] = SpanView(
                kind="off", from_s=since_s, until_s=until_s, why=f"{_OFF}, or its agent had stopped", not_known=lacks
            )
        elif code == "gap" and since_s is not None:
            lacks = "when it started again: it has not told the time since"
            begun[since_s] = SpanView(kind="off", from_s=since_s, until_s=None, why=_OFF, not_known=lacks)
    known = {from_s for from_s, _ in told}
    return (*told.values(), *(each for since_s, each in begun.items() if since_s not in known))


def not_read_spans(notices: Sequence[Mapping[str, Any]], legs: Iterable[ManifestView]) -> tuple[SpanView, ...]:
    """What was not read, by the manifests, and by notices where those tell of it at a stop."""
    found: dict[tuple[str, float | None], SpanView] = {}
    for leg in legs:
        for each in leg.not_read:
            if each.why == _OFF:
                continue
            whole = "antenna" not in each.why and "heard inside" not in each.why
            span = SpanView(kind="not read", from_s=each.since_s, until_s=each.until_s, why=each.why, whole=whole)
            before = found.get((each.why, each.since_s))
            if before is None or before.until_s is None:
                found[each.why, each.since_s] = span
    spans = list(found.values())
    for span in _by_notices(notices):
        if not any(_covers(each, span) for each in spans):
            spans.append(span)
    return tuple(spans)


def _covers(told: SpanView, span: SpanView) -> bool:
    """Whether a manifest tells of the same silence: it begins within a minute of it and is said in the same words."""
    if told.from_s is None or span.from_s is None or told.whole != span.whole:
        return False
    return abs(told.from_s - span.from_s) <= LEAST_S and told.why.split(",")[0].startswith(span.why.split(",")[0])


def _by_notices(notices: Sequence[Mapping[str, Any]]) -> Iterator[SpanView]:
    dated = [(at_s, each) for each in notices if (at_s := seconds_of(each.get("at"))) is not None]
    dated.sort(key=lambda each: each[0])
    for number, (at_s, each) in enumerate(dated):
        pair = _PAIRS.get(str(each.get("notice")))
        if pair is None:
            continue
        ends, why, whole = pair
        until_s = next(
            (
                later_s
                for later_s, later in dated[number + 1 :]
                if later.get("notice") == ends and _antenna(later) == _antenna(each)
            ),
            None,
        )
        said = why.format(antenna=_antenna(each) or "not told")
        yield SpanView(kind="not read", from_s=at_s, until_s=until_s, why=said, whole=whole)


def _antenna(notice: Mapping[str, Any]) -> str | None:
    """A reader's own word names the antenna in the sentence alone."""
    number = notice.get("antenna")
    found = _NUMBER.search(str(notice.get("text", ""))) if number is None else None
    return found.group(1) if found else None if number is None else str(number)


def no_word_spans(
    words: Sequence[Word],
    *,
    off: Sequence[SpanView],
    recorded_s: Sequence[float],
    from_s: float,
    until_s: float,
    now_s: float,
) -> tuple[SpanView, ...]:
    """Where no word came between two moments, without the time that the computer was off.

    `recorded_s` are the times of what the van has told since of the day: one inside proves that its computer ran.
    """
    found = []
    for begin_s, end_s, lost in _silences(words, now_s=now_s):
        for low_s, high_s in _without(begin_s, end_s, off):
            long_s = high_s - low_s
            if long_s < QUIET_S or high_s <= from_s or low_s >= until_s:
                continue
            inside = sum(low_s < each < high_s for each in recorded_s)
            ran = (
                f"its computer ran: {inside} record{'' if inside == 1 else 's'} of that time came later"
                if inside
                else None
            )
            why = (
                "nothing came from the van"
                + (", and the broker lost the connection" if lost else "")
                + (f"; {ran}" if ran else "")
            )
            lacks = None if ran else "whether its computer ran"
            if lost or long_s >= NO_WORD_S or end_s >= now_s:
                found.append(
                    SpanView(kind="no word", from_s=low_s, until_s=_end(high_s, now_s), why=why, not_known=lacks)
                )
            else:
                lacks = "whether it was the network, or a receiver without a fix"
                found.append(
                    SpanView(kind="quiet", from_s=low_s, until_s=_end(high_s, now_s), why=why, not_known=lacks)
                )
    return tuple(found)


def _end(high_s: float, now_s: float) -> float | None:
    return None if high_s >= now_s else high_s


def _silences(words: Sequence[Word], *, now_s: float) -> Iterator[tuple[float, float, bool]]:
    heard = [each for each in words if not each.lost]
    if not heard:
        return
    ends = [each.at_s for each in heard[1:]] + [now_s]
    lost_s = [each.at_s for each in words if each.lost]
    for each, end_s in zip(heard, ends, strict=True):
        yield each.until_s, end_s, any(each.at_s <= at_s <= end_s for at_s in lost_s)


def _without(begin_s: float, end_s: float, off: Iterable[SpanView]) -> Iterator[tuple[float, float]]:
    """What is left of a stretch; an `off` whose begin is not known takes nothing away but its end."""
    low_s = begin_s
    for each in sorted(off, key=lambda span: span.from_s or span.until_s or 0.0):
        if each.from_s is None or each.from_s >= end_s or (each.until_s is not None and each.until_s <= low_s):
            continue
        if each.from_s > low_s:
            yield low_s, each.from_s
        # one whose end was never told lasts at least until a word comes again
        low_s = end_s if each.until_s is None else max(low_s, each.until_s)
    if low_s < end_s:
        yield low_s, end_s


def bounded(span: SpanView, *, words: Sequence[Word]) -> SpanView:
    """A computer that was off and has not told since when it runs again was off until the next word at the latest."""
    if span.kind != "off" or span.until_s is not None or span.from_s is None:
        return span
    next_s = next((each.at_s for each in words if each.at_s > span.from_s and not each.lost), None)
    if next_s is None:
        return span
    return replace(span, until_s=next_s, not_known="when exactly it started again; a word came then")


def points(words: Sequence[Word]) -> tuple[PointView, ...]:
    """The track; a way between two positions is known where they are not too long apart."""
    found: list[PointView] = []
    for each in words:
        if each.lat is None or each.lon is None:
            continue
        apart = bool(found) and each.at_s - found[-1].until_s > QUIET_S
        found.append(PointView(each.lat, each.lon, each.at_s, each.until_s, each.error_m, each.speed_mps, apart=apart))
    return tuple(found)
