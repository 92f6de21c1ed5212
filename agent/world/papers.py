"""The papers of a day: vehicle file, register, plan, and what truly happened, each in the form of formats.md."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from datetime import date, datetime, timedelta
from typing import Any, Protocol
from zoneinfo import ZoneInfo

import numpy as np

from agent.units import format_utc
from agent.world.cargo import Cargo, Handling
from agent.world.goods import COMPANY, Tagged


class Stood(Protocol):
    """What is asked of a stop here."""

    @property
    def site(self) -> str | None:
        """Site id, None at a place that is no site."""

    @property
    def arrived_s(self) -> float:
        """When it began."""

    @property
    def departed_s(self) -> float:
        """When it ended."""


def date_of(seed: int) -> date:
    """The calendar day that this seed is set on: one of sixty from 2 March 2026, a Monday."""
    return date(2026, 3, 2) + timedelta(days=seed % 60)


def local_time(day: date, timezone: str) -> int:
    """Midnight of that day in an IANA zone, as seconds since 1970."""
    return int(datetime(day.year, day.month, day.day, tzinfo=ZoneInfo(timezone)).timestamp())


def vehicle_toml(vehicle: str, home: str) -> str:
    """The vehicle file (formats.md section 5) with inputs wired."""
    number = "".join(filter(str.isdigit, vehicle)) or "0"
    return (
        f'[vehicle]\nid = "{vehicle}"\nepc = "urn:epc:id:giai:{COMPANY}.7{int(number):04d}"\nhome = "{home}"\n'
        "\n[inputs]\ndoors = 1\nignition = 2\n"
    )


def register_csv(rng: np.random.Generator, tags: Sequence[Tagged], *, vehicle: str, home: str) -> str:
    """The register (section 3) of every tag that is ours, in no telling order."""
    text = io.StringIO()
    rows = csv.writer(text, lineterminator="\n")
    rows.writerow(["epc", "kind", "name", "type", "case", "home"])
    known = [tag for tag in tags if tag.kind]
    for i in rng.permutation(len(known)).tolist():
        tag = known[i]
        where = {"fixture": vehicle, "item": home}.get(tag.kind, "")
        rows.writerow([tag.epc, tag.kind, tag.name, tag.type, tag.case or "", where])
    return text.getvalue()


def plan_csv(
    cargo: Cargo, *, sites: Sequence[str | None], vehicle: str, dates: Sequence[date], trips: Sequence[int] | None
) -> str:
    """The plan (section 4): what was meant to travel. Each stop has its date and, with `trips`, its round."""
    text = io.StringIO()
    rows = csv.writer(text, lineterminator="\n")
    head = ["vehicle", "date", "load_at", "unload_at", "epc", "type", "quantity", "order", "line"]
    rows.writerow([*head, *(["trip"] if trips else [])])
    for line, wish in enumerate(sorted(cargo.wishes, key=lambda w: (w.unload, w.load)), start=1):
        what = ["", wish.type, wish.quantity] if wish.thing is None else [cargo.things[wish.thing].epc, "", ""]
        rows.writerow(
            [
                vehicle,
                dates[max(wish.load, 0)].isoformat(),
                sites[wish.load],
                sites[wish.unload],
                *what,
                f"J-{1000 + wish.unload}",
                str(line),
                *([trips[max(wish.load, 0)]] if trips else []),
            ]
        )
    return text.getvalue()


def truth(
    stops: Sequence[Stood],
    cargo: Cargo,
    timed: Sequence[Sequence[tuple[float, Handling]]],
    *,
    start_utc_s: float,
) -> dict[str, Any]:
    """Moves, manifests and stops as they were; a taking out and putting back is no move."""
    moves: list[dict[str, Any]] = []
    manifests: list[dict[str, Any]] = []
    aboard = {thing for thing, start in enumerate(cargo.start) if start < 0}
    stood: list[dict[str, Any]] = []
    for i, (stop, handlings) in enumerate(zip(stops, timed, strict=True)):
        before = set(aboard)
        for at_s, handling in handlings:
            if handling.act not in {"load", "unload"}:
                continue
            moves.append(
                {
                    "kind": handling.act,
                    "epc": cargo.things[handling.thing].epc,
                    "site": stop.site,
                    "time": format_utc(start_utc_s + at_s),
                }
            )
            (aboard.add if handling.act == "load" else aboard.remove)(handling.thing)
        last = i == len(stops) - 1
        departed = None if last else format_utc(start_utc_s + stop.departed_s)
        stood.append(
            {
                "site": stop.site,
                "arrived": format_utc(start_utc_s + stop.arrived_s) if i else None,
                "departed": departed,
                "changed": len(before ^ aboard),
            }
        )
        if not last:
            epcs = sorted(cargo.things[thing].epc for thing in aboard)
            manifests.append(
                {
                    "departed": departed,
                    "site": stop.site,
                    "arrived": format_utc(start_utc_s + stops[i + 1].arrived_s),
                    "items": epcs,
                }
            )
    return {"moves": moves, "manifests": manifests, "stops": stood}
