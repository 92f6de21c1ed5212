"""How a day that a cut has shortened differs from the uncut one in its standing events, and which gaps explain it."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from typing import Any

import msgspec

from agent.units import parse_utc
from tests.powercut.trace import Row


def near_gaps(got: Sequence[Row], uncut: Sequence[Row]) -> list[tuple[float, float]]:
    """What a gap that only the cut run states may have changed: the stop or leg that it lies in, and both beside it.

    Bounded by the uncut run's departures and arrivals.
    """

    def stated(rows: Sequence[Row], notice: str) -> list[str]:
        bodies = [msgspec.json.decode(body) for _, kind, body in rows if kind == "notice"]
        return [body["since"] for body in bodies if body["notice"] == notice and body.get("since")]

    bounds = sorted(
        parse_utc(event["eventTime"])
        for event in (msgspec.json.decode(body) for _, kind, body in uncut if kind == "event")
        if event.get("bizStep") in ("departing", "arriving")
    )
    found = []
    for since in set(stated(got, "gap")) - set(stated(uncut, "gap")):
        at = bisect_right(bounds, parse_utc(since))
        found.append((bounds[at - 2] if at >= 2 else 0.0, bounds[at + 1] if at + 1 < len(bounds) else float("inf")))
    return found


def standing(rows: Sequence[Row]) -> dict[tuple[Any, ...], float]:
    """Every event that was not taken back: step, place, item and the how-manieth of these, with its time in UTC."""
    events = [msgspec.json.decode(body) for _, kind, body in rows if kind == "event"]
    void = {event["eventID"] for event in events if "errorDeclaration" in event}
    found: dict[tuple[Any, ...], float] = {}
    for event in events:
        if event["eventID"] in void:
            continue
        place = event.get("bizLocation", event.get("readPoint", {})).get("id", "elsewhere")
        what = (event["type"], event.get("action"), event.get("bizStep"), "elsewhere" if "geo:" in place else place)
        for item in event.get("childEPCs") or event.get("epcList") or [None]:
            times = sum(key[:-1] == (*what, item) for key in found)
            found[(*what, item, times)] = parse_utc(event["eventTime"])
    return found
