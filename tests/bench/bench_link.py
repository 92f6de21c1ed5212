"""Small parts, each alone: LLRP, EPCs, geofences, the tally's checkpoint, and the dispatch side's intake.

    python tests/bench/bench_link.py

What the store commits and how a backlog drains through the broker is `bench_store.py`'s. Records, checkpoint and
positions are those of the day that `bench_replay.py` replays.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

import msgspec  # noqa: E402 - after the path is set, as all below

from agent import checkpoint  # noqa: E402
from agent.dispatch.store import open_store  # noqa: E402
from agent.dispatch.wire import decode_batch  # noqa: E402
from agent.epc import decode_tag, encode_uri  # noqa: E402
from agent.llrp.codec import LlrpStream, encode  # noqa: E402
from agent.llrp.messages import ROAccessReport  # noqa: E402
from agent.llrp.reports import Reports  # noqa: E402
from agent.llrp.rospec import CONTENT  # noqa: E402
from agent.llrp.tagreport import TagReportData  # noqa: E402
from agent.messages import OutboxRow, pack_log  # noqa: E402
from agent.pipeline import finish, step  # noqa: E402
from agent.recording import Lines  # noqa: E402
from agent.records import Fix, Record  # noqa: E402
from agent.replay import read_lines  # noqa: E402
from agent.setup import read_setup  # noqa: E402
from agent.state import Setup, State  # noqa: E402
from tests.bench.bench_replay import LONG, SHORT, record  # noqa: E402
from tests.bench.common import RUNS, SCRATCH, Figure, main, show  # noqa: E402

VEHICLE, TAGS, RUN_S = "van-07", 100, 0.2
EPCS = tuple(encode_uri(f"urn:epc:id:grai:9521141.00020.{number}") for number in range(TAGS))


def times(job: Callable[[], int], *, runs: int) -> list[float]:
    """Seconds for one of the things that `job` does each time it is called; it says how many those were."""
    job()
    found = []
    within_s = RUN_S if runs > 1 else RUN_S / 20
    for _ in range(runs):
        done, began_s = 0, time.perf_counter()
        while time.perf_counter() - began_s < within_s:
            done += job()
        found.append((time.perf_counter() - began_s) / done)
    return found


def codec(runs: int) -> list[Figure]:
    """LLRP both ways, and tags to URIs."""
    tags = tuple(
        TagReportData(
            bytes.fromhex(tag),
            antenna_id=1 + number % 2,
            peak_rssi=-50 - number % 20,
            channel_index=1,
            first_seen_timestamp_utc=1_772_434_800_000_000 + number,
            tag_seen_count=2,
        )
        for number, tag in enumerate(EPCS)
    )
    octets = encode(ROAccessReport(tags))

    def write() -> int:
        return TAGS if encode(ROAccessReport(tags)) == octets else 0

    def read() -> int:
        stream, reports = LlrpStream(), Reports(CONTENT)
        stream.receive(octets)
        return sum(len(reports.sightings(each)) for each in stream.messages() if isinstance(each, ROAccessReport))

    def name() -> int:
        decode_tag.cache_clear()
        return sum(decode_tag(tag).startswith("urn:epc:id:grai:") for tag in EPCS)

    return [
        Figure("LLRP, a tag report to octets", "us", [each * 1e6 for each in times(write, runs=runs)]),
        Figure("LLRP, octets to a sighting", "us", [each * 1e6 for each in times(read, runs=runs)]),
        Figure("tags to URIs", "/s", [1 / each for each in times(name, runs=runs)]),
    ]


class Lived:
    """A day gone through: its records, its positions, and its state where that was largest."""

    def __init__(self, setup: Setup, recording: Path) -> None:
        self.records: list[Record] = []
        self.places: list[tuple[float, float]] = []
        self.fullest = state = State()
        for item in Lines().inputs(read_lines(recording)):
            state, said = step(setup, state, item)
            self.records += said
            if isinstance(item, Fix) and "lat" in item.tpv:
                self.places.append((item.tpv["lat"], item.tpv["lon"]))
            if state.belief is not None and len(state.belief.slots) >= _slots(self.fullest):
                self.fullest = state
        self.records += finish(setup, state)[1]


def _slots(state: State) -> int:
    return 0 if state.belief is None else len(state.belief.slots)


def vehicle(setup: Setup, lived: Lived, runs: int) -> list[Figure]:
    """Where a position is, and the tally written down."""
    places = lived.places[:: max(1, len(lived.places) // 500)]

    def look() -> int:
        for lat, lon in places:
            setup.sites.near(lat, lon, 4.0)
        return len(places)

    _, _, written = checkpoint.encode(lived.fullest, checkpoint.Written())

    def keep() -> int:
        checkpoint.encode(lived.fullest, written)
        return 1

    core, _, _ = checkpoint.encode(lived.fullest, written)
    return [
        Figure("geofences near a position", "us", [each * 1e6 for each in times(look, runs=runs)]),
        Figure("checkpoint, at its largest", "ms", [each * 1e3 for each in times(keep, runs=runs)]),
        Figure("  its size", "kB", [len(core) / 1e3]),
    ]


def intake(lived: Lived, runs: int) -> list[Figure]:
    """Records a second into the dispatch side's tables, batch by batch, each committed."""
    rows = [OutboxRow(n, each.kind, msgspec.json.encode(each.body)) for n, each in enumerate(lived.records, 1)]
    payloads = []
    while rows:
        payload, taken = pack_log(vehicle=VEHICLE, epoch=1, rows=rows[:50])
        payloads.append(payload)
        rows = rows[taken:]
    rates = []
    for _ in range(runs):
        with tempfile.TemporaryDirectory(dir=SCRATCH) as folder:
            store = open_store(Path(folder) / "dispatch.db")
            try:
                began_s = time.perf_counter()
                fresh = 0
                for payload in payloads:
                    taken_in = store.ingest(decode_batch(payload, vehicle=VEHICLE), received_s=time.time())
                    fresh += taken_in.fresh - taken_in.refused
                rates.append(len(lived.records) / (time.perf_counter() - began_s))
            finally:
                store.close()
        if fresh != len(lived.records):
            raise RuntimeError(f"{fresh} of {len(lived.records)} records were taken in")
    size = sum(map(len, payloads))
    return [
        Figure("dispatch, records taken in and committed", "/s", rates),
        Figure("  a day on the wire", "kB", [size / 1e3]),
    ]


def measure(quick: bool) -> Sequence[Figure]:  # noqa: FBT001 - what common.main calls
    """All figures, printed."""
    runs = 1 if quick else RUNS
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        record(folder, *(SHORT if quick else LONG))
        setup = read_setup(
            config=folder / "vehicle.toml",
            sites=folder / "sites.geojson",
            register=folder / "register.csv",
            plan=folder / "plan.csv",
        )
        lived = Lived(setup, folder / "recording.jsonl")
    figures = [*codec(runs), *vehicle(setup, lived, runs), *intake(lived, runs)]
    show("parts", figures, notes=[f"{TAGS} tags a report; {len(lived.records)} custody records in the day"])
    return figures


if __name__ == "__main__":
    main(__doc__, measure)
