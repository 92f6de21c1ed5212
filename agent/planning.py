"""Which plan rows count on a leg, and what they add to its manifest. Reads the state; changes nothing but that.

The comparison itself is `agent.planned`. Without a plan nothing is added and nothing is compared.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from msgspec.structs import replace

from agent.itinerary import Leg, Stop
from agent.planned import Arrived, Comparison, Departed, compare, open_rows
from agent.records import Listing, PlanRow
from agent.state import Driven, Setup, State

# Legs that a plan row may reach back over: a week of thirty stops a day.
KEEP_DRIVEN = 210


def local_date(setup: Setup, site: str | None, utc_s: float) -> str:
    """The local day at a site, or at home, or in UTC where neither has a zone."""
    for name in (site, setup.vehicle.home):
        known = setup.site_of.get(name or "")
        if known is not None and known.timezone:
            return datetime.fromtimestamp(utc_s, tz=ZoneInfo(known.timezone)).date().isoformat()
    return datetime.fromtimestamp(utc_s, tz=UTC).date().isoformat()


def driven_legs(setup: Setup, state: State, *, utc: Callable[[float], float]) -> list[Driven]:
    """Every leg that the plan may still hang on, oldest first."""
    driven = {leg.leg: leg for leg in state.driven}
    segments = state.itinerary.segments
    for i, leg in enumerate(segments):
        if not isinstance(leg, Leg):
            continue
        before = segments[i - 1] if i else None
        after = segments[i + 1] if i + 1 < len(segments) else None
        from_site = before.place.site if isinstance(before, Stop) else None
        to_site = after.place.site if isinstance(after, Stop) else None
        if leg.number in driven and before is None:
            continue  # its stop is forgotten; what was noted then stands
        driven[leg.number] = Driven(
            leg=leg.number,
            date=local_date(setup, from_site, utc(leg.from_s)),
            from_site=from_site,
            to_site=to_site,
            ends_trip=to_site is not None and to_site == setup.vehicle.home,
            plan_version=state.plan_of.get(leg.number),
        )
    return [driven[number] for number in sorted(driven)]


def compare_with_plan(
    setup: Setup,
    state: State,
    leg: Leg,
    body: Mapping[str, Any],
    *,
    aboard: Sequence[Listing],
    utc: Callable[[float], float],
) -> tuple[State, dict[str, Any]]:
    """The manifest with what the plan says of it: its version, `unload_at`, short, over, substituted, not checked."""
    version = state.plan_of.get(leg.number)
    if version is None or version not in setup.plans:
        return state, dict(body)
    history: list[Departed | Arrived] = []
    for driven in driven_legs(setup, state, utc=utc):
        if driven.leg > leg.number:
            break
        rows: tuple[PlanRow, ...] = setup.plans.get(driven.plan_version or -1, ())
        history.append(Departed(driven.from_site, driven.date, rows))
        if driven.leg < leg.number:
            history.append(Arrived(driven.to_site, ends_trip=driven.ends_trip))
    said = compare(
        planned=open_rows(setup.plans[version], history, vehicle=setup.vehicle.id),
        aboard=aboard,
        register=setup.register,
        filled_before=state.filled.get(leg.number - 1),
    )
    items = [
        line | {"unload_at": said.unload_at[line["epc"]]} if line["epc"] in said.unload_at else line
        for line in body["items"]
    ]
    planned: dict[str, Any] = {
        "plan_version": version,
        "short": list(said.short),
        "over": list(said.over),
        "substituted": list(said.substituted),
        "not_checked": list(said.not_checked),
    }
    return replace(state, filled={**state.filled, leg.number: said.filled}), {**body, "items": items, **planned}


def compare_if_left_now(
    setup: Setup, state: State, *, aboard: Sequence[Listing], now_s: float
) -> Comparison | None:
    """What the plan in use would say of these items if the van left the stop where it stands; None without a plan."""
    stop = state.itinerary.current
    if not isinstance(stop, Stop) or setup.plan_version is None:
        return None

    def utc(t_s: float) -> float:
        return state.axis.moment(state.timeline, t_s).utc_s

    history: list[Departed | Arrived] = []
    latest = 0
    for driven in driven_legs(setup, state, utc=utc):
        history.append(Departed(driven.from_site, driven.date, setup.plans.get(driven.plan_version or -1, ())))
        history.append(Arrived(driven.to_site, ends_trip=driven.ends_trip))
        latest = driven.leg
    history.append(Departed(stop.place.site, local_date(setup, stop.place.site, utc(now_s))))
    return compare(
        planned=open_rows(setup.plans[setup.plan_version], history, vehicle=setup.vehicle.id),
        aboard=aboard,
        register=setup.register,
        filled_before=state.filled.get(latest),
    )


def remember_driven(setup: Setup, state: State) -> State:
    """Note the legs for the plan before the tally forgets them."""

    def utc(t_s: float) -> float:
        return state.axis.moment(state.timeline, t_s).utc_s

    driven = tuple(driven_legs(setup, state, utc=utc))[-KEEP_DRIVEN:]
    numbers = {leg.leg for leg in driven}
    latest = max(numbers, default=0)
    return replace(
        state,
        driven=driven,
        plan_of={leg: version for leg, version in state.plan_of.items() if leg in numbers},
        filled={leg: rows for leg, rows in state.filled.items() if leg >= latest - 1},
    )
