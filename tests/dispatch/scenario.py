"""A stage-and-sound hire depot's day as its vans publish it: invented names, EPCs under GS1's example prefix, 952."""

from __future__ import annotations

import hashlib
import itertools
import json
import zlib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import msgspec
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from agent.bodies import Aboard, Body, Position, Status
from agent.chain import content_digest, digest, key_text, sign
from agent.dispatch.store import DispatchStore
from agent.dispatch.wire import LogBatch, LogRecord
from agent.units import format_utc, parse_utc

DAY_S = parse_utc("2026-03-02T06:00:00.000Z")
HOUR_S, MINUTE_S = 3600.0, 60.0
CONTEXT = ["https://ref.gs1.org/standards/epcis/2.0.0/epcis-context.jsonld", {"rt": "https://roadtally.example/ns/1/"}]
PLACES = {
    "depot": ("Ostrand hire depot", "urn:epc:id:sgln:9521141.00001.0", -31.270, 48.310),
    "playhouse": ("Tern Street Playhouse", None, -31.216, 48.322),
    "quay": ("Quay Seven stage", None, -31.189, 48.296),
    "hall": ("Corn Hall, rear dock", None, -31.243, 48.283),
}
VEHICLES = {"van-03": "urn:epc:id:giai:9521141.70003", "van-07": "urn:epc:id:giai:9521141.70007"}
BADGE = {"epc": "urn:epc:id:gsrnp:9521141.0000000042", "name": "A. Ferrow"}


def item(number: int) -> dict[str, str]:
    """The `number`-th thing of the depot: moving heads, cable trunks, amplifier racks in turn."""
    kind, asset = (("moving head", "00012"), ("cable trunk", "00014"), ("amplifier rack", "00017"))[number % 3]
    return {
        "epc": f"urn:epc:id:grai:9521141.{asset}.{100 + number}",
        "tag": f"3376{number:020X}",
        "name": f"{kind} {100 + number}",
    }


def location(site: str) -> str:
    """What an event calls a site."""
    return PLACES[site][1] or f"urn:roadtally:site:{site}"


def write_sites(folder: Path) -> Path:
    """The sites as a GeoJSON file in `folder`; returns the folder."""
    folder.mkdir(parents=True, exist_ok=True)
    features = []
    for site, (name, sgln, lon, lat) in PLACES.items():
        east, north = 0.0016, 0.0009
        ring = [
            [lon - east, lat - north],
            [lon + east, lat - north],
            [lon + east, lat + north],
            [lon - east, lat + north],
        ]
        properties = {"name": name, "timezone": "Etc/UTC"} | ({"sgln": sgln} if sgln else {})
        geometry: dict[str, Any] = {"type": "Polygon", "coordinates": [[*ring, ring[0]]]}
        if site == "quay":
            geometry, properties["radius_m"] = {"type": "Point", "coordinates": [lon, lat]}, 90
        features.append({"type": "Feature", "id": site, "properties": properties, "geometry": geometry})
    (folder / "sites.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    return folder


def _digest(*parts: object) -> str:
    return hashlib.sha256(repr(parts).encode()).hexdigest()


Items = list[dict[str, str]]


class VanDay:
    """Makes the records of one van's day, numbered as its outbox would."""

    def __init__(self, vehicle: str = "van-07", *, epoch: int = 1, after_seq: int = 0) -> None:
        self.vehicle, self.epoch = vehicle, epoch
        self.records: list[LogRecord] = []
        self._seq = itertools.count(after_seq + 1)

    def add(self, kind: str, body: Any) -> Any:
        """Number a record and keep it; returns its body."""
        self.records.append(LogRecord(next(self._seq), kind, body))
        return body

    def move(self, step: str, site: str, at_s: float, items: Items, *, p: float = 0.9876) -> Any:
        """A loading or an unloading."""
        body = {
            "@context": CONTEXT,
            "type": "AggregationEvent",
            "eventID": f"ni:///sha-256;{_digest(self.vehicle, step, site, at_s)}?ver=CBV2.0",
            "eventTime": format_utc(at_s),
            "eventTimeZoneOffset": "+00:00",
            "parentID": VEHICLES[self.vehicle],
            "childEPCs": [each["epc"] for each in items],
            "action": {"loading": "ADD", "unloading": "DELETE", "departing": "OBSERVE"}[step],
            "bizStep": step,
            "disposition": "in_transit" if step == "departing" else "in_progress",
            "bizLocation": {"id": location(site)},
            "rt:not_before": format_utc(at_s - 25),
            "rt:not_after": format_utc(at_s + 20),
            "rt:confidence": [{"rt:epc": each["epc"], "rt:p": p} for each in items],
            "rt:badges": [{"rt:epc": BADGE["epc"], "rt:p": 0.97}],
        }
        return self.add("event", body)

    def take_back(self, event: dict[str, Any], at_s: float) -> Any:
        """The error declaration of an event."""
        declaration = {"declarationTime": format_utc(at_s), "reason": "incorrect_data"}
        return self.add("event", event | {"errorDeclaration": declaration})

    def manifest_body(
        self, leg: int, revision: int, departed: tuple[str, float], items: Items, **more: Any
    ) -> dict[str, Any]:
        """A revision of a leg's manifest: all loaded at the depot at 06:20, but nobody saw the last one loaded."""
        loaded = {"site": "depot", "time": format_utc(DAY_S + 20 * MINUTE_S)}
        loaded |= {"not_before": format_utc(DAY_S + 19 * MINUTE_S), "not_after": format_utc(DAY_S + 21 * MINUTE_S)}
        rows = [each | {"confidence": 0.998, "loaded": loaded} for each in items]
        if len(rows) > 1:
            rows[-1] |= {"loaded": None, "confidence": 0.81}
        site, at_s = departed
        body = {
            "manifest": f"{self.vehicle}/2026-03-02/{leg}",
            "revision": revision,
            "issued": format_utc(at_s + 150 + revision),
            "vehicle": self.vehicle,
            "trip": f"{self.vehicle}/2026-03-02",
            "badges": [BADGE | {"confidence": 0.99}],
            "departed": {
                "site": site,
                "time": format_utc(at_s),
                "position": {"lat": 48.3, "lon": -31.2, "error_m": 6.0},
            },
            "arrived": None,
            "certain": True,
            "items": rows,
            "unlisted": [{"tag": "300833B2DDD9014000000000", "confidence": 0.71}],
        }
        return body | more

    def manifest(self, leg: int, revision: int, departed: tuple[str, float], items: Items, **more: Any) -> Any:
        """The same as a record."""
        return self.add("manifest", self.manifest_body(leg, revision, departed, items, **more))

    def batches(self, size: int = 50) -> list[LogBatch]:
        """All records so far, `size` to a batch."""
        starts = range(0, len(self.records), size)
        return [LogBatch(self.vehicle, self.epoch, tuple(self.records[at : at + size])) for at in starts]


def word(body: dict[str, Any]) -> Body:
    """A body as it arrives."""
    kind = Status if "boot" in body or body.get("state") == "offline" else Aboard if "items" in body else Position
    return msgspec.convert(body, kind)


def pack(batch: LogBatch) -> bytes:
    """A batch as a `log` payload, with its seals where it has any."""
    records = [
        {"seq": each.seq, "kind": each.kind, "body": msgspec.Raw(each.octets)}
        | ({} if each.sig is None else {"prev": each.prev, "sig": each.sig})
        for each in batch.records
    ]
    frame = {"v": 1, "vehicle": batch.vehicle, "epoch": batch.epoch, "records": records}
    return zlib.compress(msgspec.json.encode(frame if batch.key is None else frame | {"key": batch.key}))


def key_of(name: str) -> Ed25519PrivateKey:
    """A vehicle's key, the same for a name every time."""
    return Ed25519PrivateKey.from_private_bytes(hashlib.sha256(name.encode()).digest())


def text_of_key(key: Ed25519PrivateKey) -> str:
    """Its public half as it travels."""
    return key_text(key.public_key().public_bytes_raw())


def sealed(
    records: Sequence[LogRecord], *, key: Ed25519PrivateKey, vehicle: str = "van-07", epoch: int = 1, prev: str = ""
) -> list[LogRecord]:
    """The records as the vehicle's store seals them, one after the other."""
    found = []
    for each in records:
        own = digest(
            vehicle=vehicle, epoch=epoch, seq=each.seq, kind=each.kind, prev=prev, content=content_digest(each.octets)
        )
        found.append(msgspec.structs.replace(each, text=each.document, prev=prev, sig=sign(own, by=key.sign)))
        prev = own
    return found


def digest_of_record(each: LogRecord, *, vehicle: str = "van-07", epoch: int = 1) -> str:
    """The digest of a sealed record."""
    content = content_digest(each.octets)
    return digest(vehicle=vehicle, epoch=epoch, seq=each.seq, kind=each.kind, prev=each.prev or "", content=content)


def full_day(vehicle: str = "van-07", *, items: int = 12) -> VanDay:
    """Loaded at the depot, a third left at the playhouse, one unloading taken back, now on the way to the quay."""
    day = VanDay(vehicle)
    cargo = [item(number) for number in range(items)]
    left = cargo[: items // 3]
    day.move("loading", "depot", DAY_S + 20 * MINUTE_S, cargo)
    day.move("departing", "depot", DAY_S + 60 * MINUTE_S, cargo)
    day.manifest(1, 1, ("depot", DAY_S + 60 * MINUTE_S), cargo, certain=False)
    arrived = {"site": "playhouse", "time": format_utc(DAY_S + 85 * MINUTE_S)}
    day.manifest(1, 2, ("depot", DAY_S + 60 * MINUTE_S), cargo, arrived=arrived)
    day.move("unloading", "playhouse", DAY_S + 95 * MINUTE_S, left)
    wrong = day.move("unloading", "playhouse", DAY_S + 97 * MINUTE_S, [cargo[-1]], p=0.62)
    rest = cargo[items // 3 :]
    day.move("departing", "playhouse", DAY_S + 120 * MINUTE_S, rest)
    day.take_back(wrong, DAY_S + 123 * MINUTE_S)
    day.manifest(2, 1, ("playhouse", DAY_S + 120 * MINUTE_S), rest)
    day.add(
        "notice",
        {"notice": "gap", "at": format_utc(DAY_S + 70 * MINUTE_S), "vehicle": vehicle, "text": "Power was cut."},
    )
    return day


def status(vehicle: str, *, state: str = "online", **more: Any) -> dict[str, Any]:
    """A `status` payload."""
    body: dict[str, Any] = {
        "v": 1,
        "vehicle": vehicle,
        "state": state,
        "boot": 2,
        "program": "0.1.0",
        "since": format_utc(DAY_S),
        "holding": {"sites": {"version": 3}, "register": {"version": 1}, "plan": {"version": None}, "refused": []},
        "reader": {"state": "up", "not_read_since": None, "antennas_lost": []},
        "gps": {"state": "ok", "last_fix": format_utc(DAY_S + 125 * MINUTE_S)},
        "backlog": 0,
    }
    return body | more


def aboard(vehicle: str, items: Items, *, at_s: float, **more: Any) -> dict[str, Any]:
    """An `aboard` payload of a van on the way: all aboard but the last, which is only heard near."""
    loaded = {"site": "depot", "time": format_utc(DAY_S + 20 * MINUTE_S)}
    rows: list[dict[str, Any]] = [
        each | {"p": 0.9987, "state": "aboard", "heard_s": 12.0 + n, "loaded": loaded} for n, each in enumerate(items)
    ]
    if len(rows) > 2:
        rows[-1] |= {"p": 0.31, "state": "near", "loaded": None}
        rows[-2] |= {"p": 0.86, "state": "not heard", "heard_s": 900.0}
    body = {
        "v": 1,
        "vehicle": vehicle,
        "at": format_utc(at_s),
        "trip": f"{vehicle}/2026-03-02",
        "leg": f"{vehicle}/2026-03-02/2",
        "state": "moving",
        "site": None,
        "since": format_utc(at_s - 300),
        "certain": True,
        "items": rows,
        "badges": [BADGE | {"p": 0.98}],
        "not_read": None,
    }
    return body | more


def position(vehicle: str, *, at_s: float, lat: float = 48.309, lon: float = -31.205, **more: Any) -> dict[str, Any]:
    """A `position` payload."""
    body = {
        "v": 1,
        "vehicle": vehicle,
        "at": format_utc(at_s),
        "lat": lat,
        "lon": lon,
        "error_m": 6.4,
        "speed_mps": 12.5,
    }
    return body | {"site": None, "leg": f"{vehicle}/2026-03-02/2"} | more


HOSTILE = "<script>alert(1)</script><img src=x onerror=alert(2)>\"'&\u202eevil\u202c 🎪 " + "W" * 10_000


def fill(store: DispatchStore, *, now_s: float) -> None:
    """Two vans as a dispatcher finds them at `now_s`: one on the way, one at the depot whose reader is down."""
    for batch in full_day("van-07").batches():
        store.ingest(batch, received_s=now_s - 40)
    store.hear(word(status("van-07")), received_s=now_s - 40)
    store.hear(word(aboard("van-07", [item(n) for n in range(4, 12)], at_s=now_s - 5)), received_s=now_s - 5)
    store.hear(word(position("van-07", at_s=now_s - 5)), received_s=now_s - 5)
    reader = {"state": "down", "not_read_since": format_utc(now_s - 1500), "antennas_lost": [2]}
    store.hear(word(status("van-03", reader=reader)), received_s=now_s - 700)
    here: dict[str, Any] = {"state": "stopped", "site": "depot", "since": format_utc(now_s - 5000), "certain": False}
    why = {"since": format_utc(now_s - 1500), "why": "the reader does not answer"}
    held = aboard("van-03", [item(20), item(21)], at_s=now_s - 700, not_read=why, badges=[], **here)
    store.hear(word(held), received_s=now_s - 700)
    store.hear(word(position("van-03", at_s=now_s - 700, lat=48.31, lon=-31.27, site="depot")), received_s=now_s - 700)
    records = tuple(LogRecord(seq, "notice", {"notice": "gap", "text": "Power was cut."}) for seq in (1, 2, 6))
    store.ingest(LogBatch("van-03", 1, records), received_s=now_s - 700)
