"""A whole day of one van, as it comes in: five stops, a dead zone, a power cut, a reader down, a correction."""

from __future__ import annotations

import contextlib
import sqlite3
from typing import Any

from agent.dispatch.store import DispatchStore
from agent.units import format_utc
from tests.dispatch.scenario import DAY_S, HOSTILE, MINUTE_S, PLACES, VanDay, item, position, status, word

END_S = DAY_S + 300 * MINUTE_S
CARGO = [item(number) for number in range(12)]
LEFT, REST = CARGO[:4], CARGO[4:]
YARD = (48.301, -31.231)
# Minutes after 06:00: the way from where to where, and the position's site there.
LEGS = (
    (60, 85, "depot", "playhouse"),
    (120, 150, "playhouse", "quay"),
    (180, 200, "quay", None),
    (215, 235, None, "hall"),
)
SILENT = (125, 143)  # on the way to the quay, under a hill: nothing comes
_MADE: dict[str, sqlite3.Connection] = {}
OFF = (160, 172)  # at the quay somebody pulled the plug


def at(minutes: float) -> float:
    """So many minutes after the day's beginning."""
    return DAY_S + minutes * MINUTE_S


def where(site: str | None) -> tuple[float, float]:
    """Latitude and longitude of a site; the yard, which is none, otherwise."""
    return YARD if site is None else (PLACES[site][3], PLACES[site][2])


def records(vehicle: str = "van-07", *, name: str | None = None, epoch: int = 1) -> VanDay:
    """All that the van's outbox holds at the end of the day; with `name`, everything in it is called that."""
    day = VanDay(vehicle, epoch=epoch)
    cargo = CARGO if name is None else [each | {"name": name} for each in CARGO]
    rest = cargo[4:]
    day.move("loading", "depot", at(20), cargo)
    day.move("departing", "depot", at(60), cargo)
    day.manifest(1, 1, ("depot", at(60)), cargo[:-1], certain=False)
    arrived = {"site": "playhouse", "time": format_utc(at(85))}
    whole = day.manifest_body(1, 2, ("depot", at(60)), cargo, arrived=arrived)
    whole["items"][0]["confidence"] = 0.86
    whole["departed"]["position"] = dict(zip(("lat", "lon"), where("depot"), strict=True))
    day.add("manifest", whole)
    day.move("unloading", "playhouse", at(95), cargo[:4])
    wrong = day.move("unloading", "playhouse", at(97), [cargo[-1]], p=0.62)
    day.take_back(wrong, at(123))
    for number, (left, came, origin, goal) in enumerate(LEGS[1:], start=2):
        told: dict[str, Any] = {"arrived": {"site": goal, "time": format_utc(at(came))}}
        if number == 2:
            silence = {"since": format_utc(at(130)), "until": format_utc(at(136)), "why": "the reader is down"}
            told["not_read"] = [silence]
        lat, lon = where(origin)
        departed = {"site": origin, "time": format_utc(at(left)), "position": {"lat": lat, "lon": lon, "error_m": 7.0}}
        body = day.manifest_body(number, 1, (origin or "depot", at(left)), rest, **told)
        day.add("manifest", body | {"departed": departed})
    day.move("unloading", "hall", at(245), rest[:3])
    since, until = (format_utc(at(each)) for each in OFF)
    day.add("notice", {"notice": "gap", "at": None, "vehicle": vehicle, "text": "It started again.", "since": since})
    text = f"Nothing is recorded from {since} to {until}: the van's computer, or its agent, had stopped."
    day.add("notice", {"notice": "gap-was", "at": since, "since": since, "until": until, "text": text})
    for code, minute in (("reader-down", 130), ("reader-up", 136), ("asleep", 250), ("awake", 270)):
        day.add("notice", {"notice": code, "at": format_utc(at(minute)), "vehicle": vehicle, "text": code})
    return day


def hear(store: DispatchStore, vehicle: str = "van-07", *, end_s: float = END_S) -> int:
    """Every position as it came live, one a minute; how many came."""
    number = 0
    moment = at(0)
    store.hear(word(status(vehicle)), received_s=moment)
    while moment < end_s:
        minute = (moment - DAY_S) / MINUTE_S
        if not (SILENT[0] < minute < SILENT[1] or OFF[0] <= minute <= OFF[1]):
            lat, lon = _place(minute)
            body = position(vehicle, at_s=moment, lat=lat, lon=lon, speed_mps=_speed(minute))
            store.hear(word(body), received_s=moment + 1)
            number += 1
        elif minute in (130, 161):
            store.hear(word({"v": 1, "vehicle": vehicle, "state": "offline"}), received_s=moment)
        moment += 60
    return number


def fill(store: DispatchStore, *, vehicle: str = "van-07") -> None:
    """The day as its end finds it: heard live where there was a network, its records all in by then.

    Made once and copied from then on, for it is hundreds of commits.
    """
    with contextlib.closing(store._engine.raw_connection()) as held:
        connection = held.driver_connection
        assert isinstance(connection, sqlite3.Connection)
        if vehicle not in _MADE:
            hear(store, vehicle)
            for batch in records(vehicle).batches():
                store.ingest(batch, received_s=END_S - 30)
            _MADE[vehicle] = sqlite3.connect(":memory:", check_same_thread=False)
            connection.backup(_MADE[vehicle])
        else:
            _MADE[vehicle].backup(connection)


def hostile(store: DispatchStore) -> None:
    """To a filled store: the same records again in a later epoch, with names, sites and reasons that nobody wants."""
    day = records(name=HOSTILE, epoch=3)
    told = day.manifest_body(
        9, 1, ("depot", at(280)), CARGO[:2], arrived={"site": HOSTILE, "time": format_utc(at(285))}
    )
    day.add("manifest", told | {"not_read": [{"since": format_utc(at(281)), "until": None, "why": HOSTILE}]})
    for batch in day.batches():
        store.ingest(batch, received_s=END_S - 20)


def _place(minute: float) -> tuple[float, float]:
    for left, came, origin, goal in LEGS:
        if minute < left:
            return where(origin)
        if minute < came:
            share = (minute - left) / (came - left)
            (south, west), (north, east) = where(origin), where(goal)
            return south + (north - south) * share, west + (east - west) * share
    return where("hall")


def _speed(minute: float) -> float:
    return 11.0 if any(left <= minute < came for left, came, _, _ in LEGS) else 0.0
