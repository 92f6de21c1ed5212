"""The board of a fleet: 500 vans, 50,000 items, 90 days of records; server time of its pages, and their size.

    python tests/bench/bench_board.py

The records are made by a plain generator of this file, not by the simulated world: each van leaves a depot each day,
unloads at two sites and comes home with what is left, and says so in the events, manifests and last words that the
formats prescribe. It is deterministic. They go straight into the tables that ingest would draw from them, as taking two
million records in by the front door would take hours; `bench_ingest.py` measures that door. Of the older days only the
events and manifests are made, without chains. Each page is asked for many times over by a client in the same process,
with other vans, items and words each time; the time is the application's alone, without a socket.
"""

from __future__ import annotations

import asyncio
import itertools
import random
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, NamedTuple

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

import httpx  # noqa: E402 - after the path is set, as all below
import msgspec  # noqa: E402
import numpy as np  # noqa: E402
import psutil  # noqa: E402
import sqlalchemy as sa  # noqa: E402

from agent.dispatch import schema  # noqa: E402
from agent.dispatch.board import Board, create_app  # noqa: E402
from agent.dispatch.live import Changes  # noqa: E402
from agent.dispatch.loading import plan_of  # noqa: E402
from agent.dispatch.places import Places  # noqa: E402
from agent.dispatch.queries import Queries  # noqa: E402
from agent.dispatch.store import DispatchStore, open_store  # noqa: E402
from agent.dispatch.views import BrokerLink  # noqa: E402
from agent.records import Listing, PlanRow  # noqa: E402
from agent.register import register_of  # noqa: E402
from agent.sites import parse_sites  # noqa: E402
from agent.units import format_utc, parse_utc  # noqa: E402
from tests.bench.common import SCRATCH, Figure, main, show  # noqa: E402

VANS, ITEMS, DAYS = 500, 50_000, 90
TODAY_S = parse_utc("2026-03-02T00:00:00.000Z")
NOW_S = TODAY_S + 9.5 * 3600
HOUR_S, DAY_S = 3600.0, 86_400.0
SITES = 60
MOST_MS = 150.0
KINDS = ("moving head", "cable trunk", "amplifier rack", "line array box", "dimmer case", "stage deck")


def item(number: int) -> tuple[str, str, str]:
    """EPC, tag and name of the `number`-th thing."""
    kind = KINDS[number % len(KINDS)]
    epc = f"urn:epc:id:grai:9521141.{10 + number % len(KINDS):05d}.{number}"
    return epc, f"3374{number:020X}", f"{kind} {number:05d}"


def site_id(number: int) -> str:
    """A site's id; 0 is the depot."""
    return "depot" if not number else f"venue-{number:03d}"


def geojson() -> str:
    """The sites, on a grid."""
    features = []
    for number in range(SITES):
        lon, lat = -31.3 + 0.02 * (number % 10), 48.2 + 0.02 * (number // 10)
        ring = [[lon + dx, lat + dy] for dx, dy in ((0, 0), (0.002, 0), (0.002, 0.001), (0, 0.001), (0, 0))]
        properties = {"name": f"Venue {number:03d}" if number else "Ostrand hire depot", "timezone": "Etc/UTC"}
        geometry = {"type": "Polygon", "coordinates": [ring]}
        features.append({"type": "Feature", "id": site_id(number), "properties": properties, "geometry": geometry})
    return msgspec.json.encode({"type": "FeatureCollection", "features": features}).decode()


class Maker:
    """Makes the rows of one van's days."""

    def __init__(self, number: int, per_van: int, seed: int) -> None:
        self.vehicle = f"van-{number:03d}"
        self.own = [item(n) for n in range(number * per_van, (number + 1) * per_van)]
        self._dice = random.Random(seed * 1000 + number)  # noqa: S311 - a bench's dice
        self._seq = 0
        self.events: list[dict[str, Any]] = []
        self.listed: list[dict[str, Any]] = []
        self.manifests: list[dict[str, Any]] = []
        self.records: list[dict[str, Any]] = []
        self.last: dict[str, dict[str, Any]] = {}
        self.leg = ""
        self.aboard: list[tuple[str, str, str]] = []

    def day(self, begin_s: float, until_s: float) -> None:
        """Out at about seven, two sites, home; nothing after `until_s` has happened."""
        cargo = self._dice.sample(self.own, max(len(self.own) // 3, 1))
        left = cargo[: len(cargo) // 2]
        at_s = begin_s + 6.5 * HOUR_S + self._dice.uniform(0, 1200)
        stops = [0, self._dice.randrange(1, SITES), self._dice.randrange(1, SITES), 0]
        date = format_utc(begin_s)[:10]
        self.aboard = []
        for leg, (here, there) in enumerate(itertools.pairwise(stops), 1):
            goods = cargo if leg == 1 else left if leg == 3 else []
            off = [each for each in self.aboard if each in left] if leg == 2 else list(self.aboard) if leg == 3 else []
            for step, moved in (("unloading", off), ("loading", goods if leg != 2 else [])):
                if moved and at_s <= until_s:
                    self._event(step, here, at_s, moved)
                    self.aboard = [x for x in self.aboard if x not in moved] + (moved if step == "loading" else [])
                    at_s += 300
            at_s += 600
            if at_s > until_s:
                return
            drive_s = self._dice.uniform(1500, 3000)
            self._event("departing", here, at_s, self.aboard)
            self.leg = f"{self.vehicle}/{date}/{leg}"
            for revision in (1, 2):
                self._manifest(revision, here, there if revision == 2 else None, (at_s, at_s + drive_s))
            at_s += drive_s

    def _event(self, step: str, site: int, at_s: float, items: Sequence[tuple[str, str, str]]) -> None:
        self._seq += 1
        action = {"loading": "ADD", "unloading": "DELETE", "departing": "OBSERVE"}[step]
        name = f"ni:///sha-256;{self.vehicle}{self._seq:057d}?ver=CBV2.0"
        place = f"urn:roadtally:site:{site_id(site)}"
        body = {
            "type": "AggregationEvent", "eventID": name, "eventTime": format_utc(at_s),
            "eventTimeZoneOffset": "+00:00", "parentID": "urn:epc:id:giai:9521141.7",
            "childEPCs": [x[0] for x in items],
            "action": action, "bizStep": step, "bizLocation": {"id": place},
            "rt:not_before": format_utc(at_s - 30), "rt:not_after": format_utc(at_s + 30),
            "rt:confidence": [{"rt:epc": x[0], "rt:p": 0.99} for x in items], "rt:badges": [],
        }  # fmt: skip
        self.events.append(
            {
                "vehicle": self.vehicle, "event_id": name, "epoch": 1, "seq": self._seq, "time_s": at_s,
                "not_before_s": at_s - 30, "not_after_s": at_s + 30, "action": action, "biz_step": step,
                "place": place, "voided": False, "body": self._kept("event", body, at_s),
            }
        )  # fmt: skip
        for epc, _, _ in items:
            self.listed.append({"epc": epc, "vehicle": self.vehicle, "event_id": name, "time_s": at_s, "p": 0.99})
            aboard = self.vehicle if step != "unloading" else None
            at = None if aboard else place
            if step != "departing":
                self.last[epc] = {
                    "aboard": aboard, "place": at, "since_s": at_s, "p": 0.99, "vehicle": self.vehicle,
                    "event_id": name, "last_s": at_s, "last_vehicle": self.vehicle, "last_epoch": 1,
                    "last_seq": self._seq,
                }  # fmt: skip

    def _kept(self, kind: str, body: dict[str, Any], at_s: float) -> str:
        text = msgspec.json.encode(body).decode()
        self.records.append(
            {
                "vehicle": self.vehicle, "epoch": 1, "seq": self._seq, "kind": kind, "body": text, "sha256": "0" * 64,
                "received_s": at_s + 5,
            }
        )  # fmt: skip
        return text

    def _manifest(self, revision: int, here: int, there: int | None, drive: tuple[float, float]) -> None:
        at_s, end_s = drive
        self._seq += 1
        arrived = None if there is None else {"site": site_id(there), "time": format_utc(end_s)}
        loaded = {"site": site_id(here), "time": format_utc(at_s - 300)}
        body = {
            "manifest": self.leg, "revision": revision, "issued": format_utc(at_s + 150 * revision),
            "vehicle": self.vehicle, "trip": self.leg.rpartition("/")[0], "badges": [],
            "departed": {"site": site_id(here), "time": format_utc(at_s)}, "arrived": arrived, "certain": revision == 2,
            "items": [
                {"epc": epc, "tag": tag, "name": name, "confidence": 0.99, "loaded": loaded}
                for epc, tag, name in self.aboard
            ],
            "unlisted": [],
        }  # fmt: skip
        self.manifests.append(
            {
                "vehicle": self.vehicle, "manifest": self.leg, "revision": revision, "epoch": 1, "seq": self._seq,
                "departed_s": at_s, "withdrawn": False, "body": self._kept("manifest", body, at_s),
            }
        )  # fmt: skip

    def vehicle_row(self, number: int) -> dict[str, Any]:
        """The last words: three in five on the way, one in twenty silent, one in ten with something not read."""
        moving, heard_s = number % 5 < 3, NOW_S - (1800 if number % 20 == 0 else number % 50)
        heard = {"since": format_utc(NOW_S - 900), "why": "the reader does not answer"} if number % 10 == 1 else None
        loaded = {"site": "depot", "time": format_utc(TODAY_S + 6.6 * HOUR_S)}
        near = [each for each in self.own if each not in self.aboard][:6]
        rows = [
            {"epc": epc, "tag": tag, "name": name, "p": 0.9987, "state": "aboard", "heard_s": 12.5, "loaded": loaded}
            for epc, tag, name in self.aboard
        ] + [{"epc": epc, "tag": t, "name": n, "p": 0.2, "state": "near", "heard_s": 90.0} for epc, t, n in near]
        aboard = {
            "v": 1, "vehicle": self.vehicle, "at": format_utc(heard_s), "trip": self.leg.rpartition("/")[0],
            "leg": self.leg, "state": "moving" if moving else "stopped",
            "site": None if moving else site_id(number % 7),
            "since": format_utc(NOW_S - 1200), "certain": True, "items": rows, "badges": [], "not_read": heard,
        }  # fmt: skip
        status = {
            "v": 1, "vehicle": self.vehicle, "state": "online", "boot": 2, "program": "0.2.0",
            "since": format_utc(TODAY_S), "reader": {"state": "up"}, "gps": {"state": "ok"}, "backlog": 0,
        }  # fmt: skip
        lat, lon = 48.2 + 0.0002 * number, -31.3 + 0.0004 * number
        position = {"v": 1, "vehicle": self.vehicle, "at": format_utc(heard_s), "lat": lat, "lon": lon, "error_m": 6.0}
        text = {key: msgspec.json.encode(each).decode() for key, each in
                (("aboard", aboard), ("status", status), ("position", position))}  # fmt: skip
        return {
            "vehicle": self.vehicle, "heard_s": heard_s, "link": "online", "link_since_s": TODAY_S,
            "aboard_s": heard_s, "position_s": heard_s, **text,
        }  # fmt: skip


def fill(store: DispatchStore, *, vans: int, items: int, days: int, seed: int = 1) -> int:
    """Write it all; returns how many records there are."""
    per_van, count = items // vans, 0
    with store._writing() as connection:
        for number in range(vans):
            maker = Maker(number, per_van, seed)
            for day in range(days - 1, -1, -1):
                begin_s = TODAY_S - day * DAY_S
                maker.day(begin_s, NOW_S if not day else begin_s + DAY_S)
            for table, rows in (
                (schema.record, maker.records), (schema.event, maker.events), (schema.event_item, maker.listed),
                (schema.manifest, maker.manifests),
            ):  # fmt: skip
                connection.execute(sa.insert(table), rows)
            blank = dict.fromkeys(next(iter(maker.last.values())))
            connection.execute(
                sa.insert(schema.item),
                [
                    {**blank, **maker.last.get(epc, {}), "epc": epc, "tag": tag, "name": name, "since_exact": True}
                    for epc, tag, name in maker.own
                ],
            )
            connection.execute(sa.insert(schema.vehicle), [maker.vehicle_row(number)])
            seen = maker.records[-1]["seq"]
            # One van in twenty has a gap.
            ranges = f"[[1,{seen - 9}],[{seen - 6},{seen}]]" if number % 20 == 3 else f"[[1,{seen}]]"
            connection.execute(sa.insert(schema.cursor), [{"vehicle": maker.vehicle, "epoch": 1, "ranges": ranges}])
            count += len(maker.records)
    return count


def board_of(store: DispatchStore, *, vans: int, items: int) -> Board:
    """The board with its register and a plan of twenty lines for every van, from every site it may stand at."""
    listings = tuple(
        Listing(epc, tag, "item", name, type=KINDS[number % len(KINDS)])
        for number, (epc, tag, name) in ((n, item(n)) for n in range(items))
    )
    per_van = items // vans
    date = format_utc(TODAY_S)[:10]
    rows = [
        PlanRow(f"van-{van:03d}", date, site_id(van % 7), site_id(9), epc=item(van * per_van + n)[0], line_no=n, trip=t)
        for van in range(vans)
        for n in range(min(20, per_van))
        for t in (1, 2)
    ]
    places = Places(parse_sites({"sites.geojson": geojson()}))
    names = {each.epc: each.name for each in listings}
    queries = Queries(store, places=places, names=names, plan=plan_of(rows, register_of(listings)))
    link = BrokerLink(connected=True, since_s=TODAY_S)
    return Board(queries=queries, places=places, clock=_Still(), changes=Changes(), broker=lambda: link)


class _Still:
    """A clock that shows one moment."""

    def mono(self) -> float:
        return 0.0

    def utc(self) -> float:
        return NOW_S

    def sleep(self, _seconds: float, *, stop: Any = None) -> bool:  # noqa: ARG002 - the protocol's
        raise AssertionError

    def sleep_until(self, _mono_s: float, *, stop: Any = None) -> bool:  # noqa: ARG002 - the protocol's
        raise AssertionError


def pages(vans: int, items: int) -> dict[str, Iterator[str]]:
    """The pages that are asked for, each without end and other every time."""
    dice = random.Random(7)  # noqa: S311 - a bench's dice

    def of(make: Any) -> Iterator[str]:
        while True:
            yield make()

    def epc() -> str:
        return item(dice.randrange(items))[0]

    def van() -> str:
        return f"van-{dice.randrange(vans):03d}"

    def evidence() -> str:
        number = dice.randrange(items)
        return f"/evidence/van-{number // (items // vans):03d}/{item(number)[0]}"

    words = ("amplifier", "head 0", "trunk 04", "stage deck", "nothing called so", "9521141.00012")
    return {
        "vans": of(lambda: "/"),
        "vans, narrowed and by age": of(lambda: f"/?sort=heard&show=look&find=venue+{dice.randrange(60):03d}"),
        "a van": of(lambda: f"/van/{van()}"),
        "what is loaded into a van": of(lambda: f"/loading/{van()}"),
        "an item": of(lambda: f"/item/{epc()}"),
        "evidence for an item": of(evidence),
        "search by words": of(lambda: f"/search?q={dice.choice(words)}"),
        "search by a tag's EPC": of(lambda: f"/search?q={epc()}"),
        "the map's data": of(lambda: "/api/map"),
    }  # fmt: skip


class Asked(NamedTuple):
    """Of one page: milliseconds by the clock and by the processor's time, and the largest answer's bytes."""

    took: list[float]
    used: list[float]
    size: int


async def asked(board: Board, wanted: dict[str, Iterator[str]], times: int) -> dict[str, Asked]:
    """Ask for each page `times` times."""
    transport = httpx.ASGITransport(app=create_app(board))
    found: dict[str, Asked] = {}
    async with httpx.AsyncClient(transport=transport, base_url="http://localhost") as client:
        for name, addresses in wanted.items():
            took, used, size = [], [], 0
            for turn in range(times + 2):
                address = next(addresses)
                began_s, cpu_s = time.perf_counter(), time.process_time()
                answer = await client.get(address)
                if turn >= 2:  # templates and statements are compiled once
                    took.append(1000 * (time.perf_counter() - began_s))
                    used.append(1000 * (time.process_time() - cpu_s))
                size = max(size, len(answer.content))
                if answer.status_code not in (200, 303) and not address.startswith("/evidence/"):
                    raise RuntimeError(f"{address} gave {answer.status_code}: {answer.text[:300]}")
            found[name] = Asked(took, used, size)
    return found


def measure(quick: bool) -> Sequence[Figure]:  # noqa: FBT001 - what common.main calls
    """All figures, printed."""
    vans, items, days, times = (20, 400, 2, 2) if quick else (VANS, ITEMS, DAYS, 60)
    with tempfile.TemporaryDirectory(dir=SCRATCH) as folder:
        path = Path(folder) / "dispatch.db"
        store = open_store(path)
        began_s = time.perf_counter()
        count = fill(store, vans=vans, items=items, days=days)
        filled_s = time.perf_counter() - began_s
        board = board_of(store, vans=vans, items=items)
        found = asyncio.run(asked(board, pages(vans, items), times))
        megabytes = path.stat().st_size / 2**20
        memory = psutil.Process().memory_info().rss / 2**20
        store.close()
    figures = []
    for name, each in found.items():
        most = None if quick else MOST_MS
        figures.append(Figure(f"{name}: median", "ms", [float(np.median(each.took))]))
        figures.append(Figure("  95th percentile", "ms", [float(np.percentile(each.took, 95))], most=most))
        figures.append(Figure("  the same by the processor's time", "ms", [float(np.percentile(each.used, 95))]))
    show(
        f"board, {vans} vans, {items} items, {days} days, {times} times each",
        figures,
        notes=[
            f"{count} records, {megabytes:.0f} MB of SQLite, made in {filled_s:.0f} s",
            f"memory of this process {memory:.0f} MB, generator and register of {items} items included",
            "bytes: " + ", ".join(f"{name} {size:,}" for name, (_, _, size) in found.items()),
        ],
    )
    return figures


if __name__ == "__main__":
    main(__doc__, measure)
