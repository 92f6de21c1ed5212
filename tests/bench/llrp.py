"""How long a tag report takes out of the simulated reader and into the client; `python -m tests.bench.llrp`."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable

from agent.llrp.codec import LlrpStream, encode
from agent.llrp.messages import ROAccessReport
from agent.llrp.params import RFTransmitter, ROSpec
from agent.llrp.reports import Reports
from agent.llrp.rospec import CONTENT, add_round
from agent.llrp.rounds import Round, Tally
from agent.llrp.simulated.inventory import Running
from agent.llrp.simulated.setup import Setup
from tests.llrp.tcp import Room

TAGS, REPEATS, RUNS = 100, 200, 7


def _median_us(step: Callable[[], object]) -> float:
    """Microseconds for one tag report, the median of several runs."""
    runs = []
    for _ in range(RUNS):
        began = time.perf_counter()
        for _ in range(REPEATS):
            step()
        runs.append((time.perf_counter() - began) / REPEATS / TAGS * 1e6)
    return statistics.median(runs)


def measure() -> dict[str, float]:
    """Microseconds a tag report: `out` from a source's read to octets, `in` from octets to a Read in a round."""
    spec: ROSpec = add_round(round_s=2.0, antennas=(1, 2), power=RFTransmitter(0, 1, 35), tag_population=TAGS).rospec
    setup = Setup(antennas=(1, 2), inputs=())
    room = Room(tags=TAGS // 2)

    def out() -> bytes:
        running = Running(spec, now=0.0, source=room, default_report=setup.report, epoch_s=0.0)
        running.listen(2.0, antennas=(1, 2), power_index=setup.power_index)
        return b"".join(encode(ROAccessReport(tags)) for tags in running.reports(aispec_over=True))

    octets = out()

    def into() -> None:
        stream = LlrpStream()
        stream.receive(octets)
        round_, reports, tally = Round(started_at=0.0, seconds=2.0, antennas=(1, 2)), Reports(CONTENT), Tally()
        for message in stream.messages():
            if isinstance(message, ROAccessReport):
                round_.add(reports.sightings(message), 2.0, tally)
        if len(round_.inventory(2.0, (1, 2)).reads) != TAGS:
            raise AssertionError

    return {"out": _median_us(out), "in": _median_us(into)}


if __name__ == "__main__":
    for way, us in measure().items():
        print(f"LLRP tag report, {way}: {us:.2f} us")
