"""A van's day put together: manifests become stops and legs, events what got on and off at each stop. Pure.

A leg is a manifest as it stands; between the arrival of one and the departure of the next the van stood. Where an
arrival never came in the stop is known by its departure alone, and that is said.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence

from msgspec import Struct
from msgspec.structs import replace

from agent.dispatch.views import EventView, ManifestView
from agent.dispatch.views_day import LegView, PointView, SpanView, SpotView, StopView

# Moves are dated to within a minute or so, and may so lie a little outside the stop they belong to. Judgement.
BESIDE_S = 300.0
# A position this long before a stop's beginning or after its end still tells where it was. Judgement: a slow halt.
NEAR_S = 120.0
_HOUR_S = 3600.0


class Told(Struct, frozen=True):
    """A leg as its manifest tells it, with where it departed and the site ids that the view does not hold."""

    manifest: ManifestView
    from_site: str | None = None
    to_site: str | None = None
    departed: SpotView | None = None


class Window(Struct, frozen=True):
    """The day from midnight to midnight, and how far it has come."""

    from_s: float
    until_s: float
    now_s: float

    @property
    def end_s(self) -> float:
        """The day's end, or now."""
        return min(self.until_s, max(self.now_s, self.from_s))


def stops_of(told: Sequence[Told], window: Window) -> tuple[StopView, ...]:
    """The day's stops in order, by the legs of the day and those just before and after it."""
    found: list[StopView] = []
    for index in range(len(told) + 1):
        before = told[index - 1] if index else None
        after = told[index] if index < len(told) else None
        stop = _stop(before, after, window)
        if stop is not None:
            found.append(replace(stop, number=len(found) + 1))
    return tuple(found)


def _stop(before: Told | None, after: Told | None, window: Window) -> StopView | None:
    arrived_s = None if before is None else before.manifest.arrived_s
    departed_s = None if after is None else after.manifest.departed_s
    if (before is None or before.manifest.arrived_at is None) and after is None:
        return None  # on its way
    begins_s = arrived_s if arrived_s is not None else departed_s
    if begins_s is None:
        begins_s = window.from_s
    if begins_s >= window.end_s or (departed_s is not None and departed_s < window.from_s):
        return None
    place, site, departs_as = _place(before, after)
    return StopView(
        number=0,
        place=place,
        site=site,
        from_s=arrived_s,
        until_s=departed_s,
        before_day=arrived_s is not None and arrived_s < window.from_s,
        spot=None if after is None else after.departed,
        departs_as=departs_as,
        loaded=0,
        unloaded=0,
        events=(),
        taken_back=(),
    )


def _place(before: Told | None, after: Told | None) -> tuple[str, str | None, str | None]:
    if before is not None and before.manifest.arrived_at is not None:
        place, site = before.manifest.arrived_at, before.to_site
        named = None if after is None else after.manifest.departed_from
        return place, site, None if named == place else named
    assert after is not None  # noqa: S101 - else there is no stop
    return after.manifest.departed_from, after.from_site, None


def with_spots(
    stops: Sequence[StopView],
    track: Sequence[PointView],
    outline: Callable[[str], tuple[float, float] | None],
) -> tuple[StopView, ...]:
    """Each stop with a position: its departure's, else an event's, else the track's, else its site's outline's."""
    return tuple(each if each.spot is not None else replace(each, spot=_spot(each, track, outline)) for each in stops)


def _spot(
    stop: StopView, track: Sequence[PointView], outline: Callable[[str], tuple[float, float] | None]
) -> SpotView | None:
    for event in stop.events:
        where = geo_of(event.location)
        if where is not None:
            return SpotView(*where, by="event")
    low_s = stop.from_s if stop.from_s is not None else stop.until_s
    if low_s is not None:
        high_s = stop.until_s if stop.until_s is not None else math.inf
        inside = [each for each in track if each.at_s <= high_s + NEAR_S and each.until_s >= low_s - NEAR_S]
        best = max(inside, key=lambda each: _overlap_s(each, low_s, high_s), default=None)
        if best is not None:
            return SpotView(best.lat, best.lon, best.error_m, by="track")
    centre = None if stop.site is None else outline(stop.site)
    return None if centre is None else SpotView(*centre, None, by="outline")


def _overlap_s(point: PointView, low_s: float, high_s: float) -> float:
    """For how long a position held within a stop; below nothing, how far outside of it."""
    return min(point.until_s, high_s) - max(point.at_s, low_s)


def geo_of(location: str | None) -> tuple[float, float, float | None] | None:
    """Latitude, longitude and uncertainty of a `geo:` URI (RFC 5870); None where it is none that can be read."""
    if location is None or not location.startswith("geo:"):
        return None
    numbers, _, more = location.removeprefix("geo:").partition(";")
    try:
        lat, lon = (float(each) for each in numbers.split(",")[:2])
        u = next((float(each[2:]) for each in more.split(";") if each.startswith("u=")), None)
    except ValueError:
        return None
    return (lat, lon, u) if abs(lat) <= 90.0 and abs(lon) <= 180.0 else None  # noqa: PLR2004 - degrees


def with_events(
    stops: Sequence[StopView], events: Iterable[EventView], window: Window
) -> tuple[tuple[StopView, ...], tuple[EventView, ...]]:
    """Each stop with what got on and off there, and the day's moves that belong to no stop.

    A move belongs to the stop of its place whose time is nearest; a stop of another place takes only what lies in it.
    """
    given: list[list[EventView]] = [[] for _ in stops]
    unplaced = []
    for event in sorted(events, key=lambda each: (each.time_s, each.event_id)):
        if event.step not in ("loaded", "unloaded"):
            continue
        fits = [
            (away_s, not _is_there(event, stop), number)
            for number, stop in enumerate(stops)
            if (away_s := _away_s(stop, event.time_s, window)) <= BESIDE_S
        ]
        same = [each for each in fits if not each[1]]
        choice = min(same or [each for each in fits if each[0] == 0.0], default=None)
        if choice is not None:
            given[choice[2]].append(event)
        elif window.from_s <= event.time_s < window.until_s:
            unplaced.append(event)
    filled = tuple(_filled(stop, moves) for stop, moves in zip(stops, given, strict=True))
    return filled, tuple(unplaced)


def _is_there(event: EventView, stop: StopView) -> bool:
    if stop.site is None and geo_of(event.location) is not None:
        return True  # at no site, both of them
    return event.place in (stop.place, stop.departs_as)


def _away_s(stop: StopView, at_s: float, window: Window) -> float:
    """How far outside a stop a moment is. One without an arrival began by its departure at the latest."""
    low_s = stop.from_s if stop.from_s is not None else window.from_s if stop.number == 1 else stop.until_s
    high_s = stop.until_s if stop.until_s is not None else window.end_s
    return max((low_s if low_s is not None else at_s) - at_s, at_s - high_s, 0.0)


def _filled(stop: StopView, moves: Sequence[EventView]) -> StopView:
    stands = tuple(each for each in moves if not each.voided)
    return replace(
        stop,
        events=stands,
        taken_back=tuple(each for each in moves if each.voided),
        loaded=sum(len(each.items) for each in stands if each.step == "loaded"),
        unloaded=sum(len(each.items) for each in stands if each.step == "unloaded"),
    )


def legs_of(told: Sequence[Told], stops: Sequence[StopView], window: Window) -> tuple[LegView, ...]:
    """The day's legs, each between the numbers of its stops."""
    departs = {stop.until_s: stop.number for stop in stops if stop.until_s is not None}
    arrives = {stop.from_s: stop.number for stop in stops if stop.from_s is not None}
    found: list[LegView] = []
    for index, each in enumerate(told):
        leg = each.manifest
        next_s = told[index + 1].manifest.departed_s if index + 1 < len(told) else window.now_s
        known_until_s = leg.arrived_s if leg.arrived_s is not None else max(next_s, leg.departed_s)
        if leg.departed_s >= window.end_s or known_until_s <= window.from_s:
            continue
        ends_at = arrives.get(leg.arrived_s) if leg.arrived_s is not None else None
        if leg.arrived_s is None and index + 1 < len(told):
            ends_at = departs.get(next_s)
        found.append(
            LegView(
                number=len(found) + 1,
                from_stop=departs.get(leg.departed_s),
                to_stop=ends_at,
                from_s=leg.departed_s,
                until_s=leg.arrived_s,
                known_until_s=known_until_s,
                manifest=leg,
            )
        )
    return tuple(found)


def shown(
    window: Window,
    *,
    stops: Sequence[StopView],
    legs: Sequence[LegView],
    spans: Sequence[SpanView],
    track: Sequence[PointView],
) -> tuple[float, float]:
    """From which full hour to which the strip is drawn: what happened, with a quarter of an hour at both ends.

    Hours before the first move and after the last one in which a van only stood are left out.
    """
    moments = [at_s for leg in legs for at_s in (leg.from_s, leg.until_s or leg.known_until_s)]
    moments += [event.time_s for stop in stops for event in (*stop.events, *stop.taken_back)]
    moments += [at_s for span in spans for at_s in (span.from_s, span.until_s) if at_s is not None]
    moments += [point.at_s for point in track if point.speed_mps]
    inside = [at_s for at_s in moments if window.from_s <= at_s <= window.end_s]
    if not inside:
        return window.from_s, window.until_s
    # In full hours of the day's own clock: a zone may stand at half an hour.
    low_h = int((min(inside) - 900.0 - window.from_s) // _HOUR_S)
    high_h = -int((max(inside) + 900.0 - window.from_s) // -_HOUR_S)
    return max(window.from_s + low_h * _HOUR_S, window.from_s), min(window.from_s + high_h * _HOUR_S, window.until_s)
