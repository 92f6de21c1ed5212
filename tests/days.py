"""Little recordings made by hand: a van that stands, drives and is loaded, as a vehicle's computer hears it.

A `Scene` writes inputs in the order of their times. Every second of its own clock is a second of the boot's; rounds of
2 s follow each other while the reader is on, fixes come once a second while there is sky. Reads are drawn from a
seeded generator at each tag's own rate, so that a scene is the same every time.
"""

from __future__ import annotations

import json
import random
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from agent.epc import parse_epc
from agent.geo import Frame
from agent.pipeline import finish, step
from agent.presence.model import Model
from agent.presence.parameters import Parameters
from agent.records import Boot, Fix, Input, Inventory, Listing, PlanRow, PortInput, Read, ReaderState, Record, Tick
from agent.register import register_of
from agent.sites import SiteIndex, parse_sites, site_uri
from agent.state import Setup, State
from agent.units import format_utc
from agent.vehicle import parse_vehicle

UTC_S = 1_772_430_000.0  # 2026-03-02T05:40:00Z, a Monday
FRAME = Frame(48.31, -31.27)
EAST_M = {"depot": 0.0, "hall": 2000.0, "studio": 4000.0, "nowhere": 6000.0}
SIDE_M = 60.0
DEFAULT_DBM = -60.0


def item(number: int) -> Listing:
    """A registered item."""
    epc, tag = parse_epc(f"urn:epc:id:grai:9521141.12345.{number}")
    return Listing(epc, tag, "item", f"case {number}", type="case")


ITEMS = {f"case-{number}": item(number) for number in range(1, 9)}
BADGE = Listing(*parse_epc("urn:epc:id:gsrnp:9521141.1234567890"), "person", "Ada")
FIXTURE = Listing(*parse_epc("urn:epc:id:giai:9521141.9001"), "fixture", "van's own tag", home="van-07")
IGNORED = Listing(*parse_epc("urn:epc:id:giai:9521141.9002"), "ignore", "pallet")
STRANGER = "E2801160600002054A6B1C2D"
TAGS = {name: listing.tag for name, listing in ITEMS.items()} | {
    "badge": BADGE.tag,
    "fixture": FIXTURE.tag,
    "ignored": IGNORED.tag,
    "stranger": STRANGER,
}
EPCS = {name: listing.epc for name, listing in ITEMS.items()}
VEHICLE = """
[vehicle]
id = "van-07"
epc = "urn:epc:id:giai:9521141.70007"
home = "depot"

[inputs]
doors = 1
ignition = 2
"""


def _yard(name: str, **properties: object) -> dict[str, Any]:
    """A square site around its point of the road."""
    half = SIDE_M / 2
    corners = [(-half, -half), (half, -half), (half, half), (-half, half), (-half, -half)]
    ring = [FRAME.to_degrees(EAST_M[name] + x, y)[::-1] for x, y in corners]
    return {
        "type": "Feature",
        "id": name,
        "properties": {"name": name.title(), "timezone": "Atlantic/Azores", **properties},
        "geometry": {"type": "Polygon", "coordinates": [ring]},
    }


def setup_of(vehicle: str = VEHICLE, *, plan: Sequence[PlanRow] | None = None, radio_off: Sequence[str] = ()) -> Setup:
    """The vehicle with three sites (depot has an SGLN), eight items, a badge, a fixture and a tag to ignore."""
    sgln = {"depot": {"sgln": "urn:epc:id:sgln:9521141.00001.0"}}
    features = [
        _yard(name, **sgln.get(name, {}), **({"radio_off": True} if name in radio_off else {}))
        for name in ("depot", "hall", "studio")
    ]
    sites = parse_sites({"sites.geojson": json.dumps({"type": "FeatureCollection", "features": features})})
    return Setup(
        vehicle=parse_vehicle(vehicle, file="vehicle.toml"),
        sites=SiteIndex(sites),
        site_of={site.id: site for site in sites},
        register=register_of((*ITEMS.values(), BADGE, FIXTURE, IGNORED)),
        model=MODEL,
        plans={} if plan is None else {1: tuple(plan)},
        plan_version=None if plan is None else 1,
    )


MODEL = Model(Parameters())


class Scene:
    """The inputs of a van's day as it unfolds; `now_s` is the true time since `UTC_S`."""

    def __init__(
        self, *, at: str = "depot", seed: int = 1, wall_utc_s: float = UTC_S, first_utc_s: float = UTC_S
    ) -> None:
        self.inputs: list[Input] = []
        self.random = random.Random(seed)  # noqa: S311 - a scene is to be the same every time
        self.utc_s = first_utc_s
        self.now_s = 0.0
        self.boot_s = 0.0
        self.east_m = EAST_M[at]
        self.north_m = 0.0
        self.rates: dict[str, float] = {}
        self.dbm: dict[str, float] = {}
        self.sky = True
        self.speeds = True
        self.reads = True
        self.inputs.append(Boot(0.0, format_utc(wall_utc_s)))
        self.inputs.append(ReaderState(0.0, "up"))

    @property
    def mono(self) -> float:
        """Seconds of this boot."""
        return round(self.now_s - self.boot_s, 3)

    def hear(self, *names: str, rate: float = 0.8, dbm: float = DEFAULT_DBM) -> Scene:
        """From now on these are within earshot, at this read rate in each round."""
        for name in names:
            self.rates[name], self.dbm[name] = rate, dbm
        return self

    def lose(self, *names: str) -> Scene:
        """From now on these are out of earshot."""
        for name in names:
            del self.rates[name]
        return self

    def port(self, port: int, *, on: bool) -> Scene:
        """Doors (1) or ignition (2)."""
        self.inputs.append(PortInput(self.mono, port, on=on))
        return self

    def doors(self, *, on: bool) -> Scene:
        """The rear doors open or close."""
        return self.port(1, on=on)

    def reader(self, state: str) -> Scene:
        """The reader goes down or comes up."""
        self.reads = state == "up"
        self.inputs.append(ReaderState(self.mono, state))  # type: ignore[arg-type]
        return self

    def stay(self, seconds: int, *, speed_mps: float = 0.0) -> Scene:
        """Time passes, on the road or standing."""
        for _ in range(seconds):
            self.now_s += 1.0
            self.east_m += speed_mps
            if self.sky:
                self.inputs.append(self._fix(speed_mps))
            if self.reads and self.now_s % 2 == 0:
                self.inputs.append(self._round())
            if not self.sky and not self.reads:
                self.inputs.append(Tick(self.mono))
        return self

    def drive(self, to: str, *, speed_mps: float = 10.0) -> Scene:
        """To the middle of a site, or to the road by that name."""
        away = EAST_M[to] - self.east_m
        seconds = int(abs(away) / speed_mps)
        self.stay(seconds, speed_mps=away / seconds)
        self.east_m = EAST_M[to]
        return self

    def cut(self, seconds: float, *, wall_utc_s: float | None = None) -> Scene:
        """The power goes, and comes back: a new boot."""
        self.now_s = float(round(self.now_s + seconds))
        self.boot_s = self.now_s - 10.0
        wall = self.utc_s + self.now_s if wall_utc_s is None else wall_utc_s
        self.inputs += [Boot(self.mono, format_utc(wall)), ReaderState(self.mono, "up")]
        return self

    def _fix(self, speed_mps: float) -> Fix:
        lat, lon = FRAME.to_degrees(self.east_m, self.north_m)
        tpv = {
            "class": "TPV",
            "mode": 3,
            "time": format_utc(self.utc_s + self.now_s),
            "lat": round(lat, 7),
            "lon": round(lon, 7),
            "eph": 8.0,
        }
        if self.speeds:
            tpv["speed"] = abs(speed_mps)
        return Fix(self.mono + 0.1, tpv)

    def _round(self) -> Inventory:
        reads = tuple(
            Read(self.mono, TAGS[name], 1, self.dbm[name] + self.random.uniform(-3, 3))
            for name, rate in self.rates.items()
            if self.random.random() < rate
        )
        return Inventory(self.mono, 2.0, (1, 2), reads)

    def time(self, after_s: float) -> float:
        """UTC seconds of a moment of the scene."""
        return self.utc_s + after_s


class Told:
    """What a pipeline said of a scene."""

    def __init__(self, setup: Setup, records: Sequence[Record], state: State) -> None:
        self.setup = setup
        self.state = state
        self.records = records
        self.events = [r.body for r in records if r.kind == "event"]
        self.manifests = [r.body for r in records if r.kind == "manifest"]
        self.notices = [r.body for r in records if r.kind == "notice"]

    @property
    def standing(self) -> list[dict[str, Any]]:
        """Events that were not taken back."""
        void = {e["eventID"] for e in self.events if "errorDeclaration" in e}
        return [e for e in self.events if e["eventID"] not in void]

    def moves(self) -> list[tuple[str, str, str | None]]:
        """(load or unload, item's name, site) of every standing move, in order of time."""
        names = {epc: name for name, epc in EPCS.items()}
        sites = {site_uri(site): site.id for site in self.setup.site_of.values()}
        found = [
            (e["eventTime"], {"ADD": "load", "DELETE": "unload"}[e["action"]], names[child], self._site(e, sites))
            for e in self.standing
            if e["action"] in {"ADD", "DELETE"}
            for child in e["childEPCs"]
        ]
        return [move[1:] for move in sorted(found, key=lambda move: move[:3])]

    @staticmethod
    def _site(event: Mapping[str, Any], sites: Mapping[str, str]) -> str | None:
        location = event.get("bizLocation", {}).get("id")
        return sites.get(location, location)

    def final(self) -> list[dict[str, Any]]:
        """The last revision of each manifest, in order; withdrawn ones left out."""
        latest = {m["manifest"]: m for m in self.manifests}
        return [m for m in latest.values() if not m.get("withdrawn")]

    def items(self) -> list[set[str]]:
        """The names on each final manifest."""
        names = {epc: name for name, epc in EPCS.items()}
        return [{names[line["epc"]] for line in m["items"]} for m in self.final()]


def run(
    setup: Setup, inputs: Sequence[Input], *, state: State | None = None
) -> Iterator[tuple[State, tuple[Record, ...]]]:
    """The state after each input, with the records that it led to."""
    now = state or State()
    for one in inputs:
        now, records = step(setup, now, one)
        yield now, records


def tell(scene: Scene, setup: Setup | None = None, *, to_the_end: bool = True) -> Told:
    """What the pipeline says of a scene; `to_the_end` False leaves the record open."""
    setup = setup or setup_of()
    said: list[Record] = []
    state = State()
    for now, records in run(setup, scene.inputs):
        state = now
        said += records
    if to_the_end:
        state, records = finish(setup, state)
        said += records
    return Told(setup, said, state)
