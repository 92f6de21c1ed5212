"""sllurp's client reads tags from our simulated reader: a client that others wrote, against what we take for a reader.

sllurp is under the GPL: it is never imported by the project nor named in its lock. It runs as a process of its own,
in a virtual environment that the test makes in a temporary folder and throws away.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from agent.simreader import SimulatedReader
from tests.llrp.tcp import FastClock, Room

pytestmark = pytest.mark.integration

TAGS = 3
PATIENCE_REAL_S = 60.0
# What the other process does: connect, read for some seconds, say which tags it was told of. It asks for its reports at
# the end of the ROSpec, so they come when it takes leave; the seconds are for its own set-up on a slow machine.
CLIENT = """
import json, sys, time
from sllurp.llrp import LLRPReaderClient, LLRPReaderConfig
seen = []
config = LLRPReaderConfig({"antennas": [1, 2], "tx_power": 0, "start_inventory": True,
                           "mode_identifier": 0, "session": 0,
                           "tag_content_selector": {"EnableAntennaID": True, "EnablePeakRSSI": True,
                                                    "EnableTagSeenCount": True}})
reader = LLRPReaderClient("127.0.0.1", int(sys.argv[1]), config)
reader.add_tag_report_callback(lambda _, tags: seen.extend(tags))
reader.connect()
until = time.monotonic() + 6
while time.monotonic() < until and len(seen) < 12:
    time.sleep(0.05)
reader.disconnect()
reader.join(5)
text = lambda value: value.decode() if isinstance(value, bytes) else value
print(json.dumps([{"epc": text(tag.get("EPC", tag.get("EPC-96"))), "antenna": tag.get("AntennaID"),
                   "rssi": tag.get("PeakRSSI")} for tag in seen]))
"""


@pytest.fixture(scope="module")
def python(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The interpreter of an environment with sllurp in it, outside the project."""
    folder = tmp_path_factory.mktemp("sllurp")
    subprocess.run([sys.executable, "-m", "venv", folder / "env"], check=True, timeout=PATIENCE_REAL_S)
    found = folder / "env" / "bin" / "python"
    command = [found, "-m", "pip", "install", "--quiet", "--no-input", "--disable-pip-version-check", "sllurp==3.0.5"]
    try:
        done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=PATIENCE_REAL_S)
    except subprocess.TimeoutExpired:
        pytest.skip("sllurp cannot be installed here: the package index does not answer")
    if done.returncode:
        pytest.skip(f"sllurp cannot be installed here: {done.stderr.strip()[-200:]}")
    return found


@pytest.fixture
def simulated() -> Iterator[SimulatedReader]:
    """A reader with a few tags on two antennas."""
    reader = SimulatedReader(Room(tags=TAGS), FastClock(1.0)).start()
    yield reader
    reader.stop()


def test_its_client_reads_our_reader(python: Path, simulated: SimulatedReader) -> None:
    """Every tag on both antennas, with EPC, antenna and strength as our source has them; then it can take leave."""
    done = subprocess.run(
        [python, "-c", CLIENT, str(simulated.port)],
        capture_output=True,
        text=True,
        check=False,
        timeout=PATIENCE_REAL_S,
    )
    assert done.returncode == 0, done.stderr[-2000:]
    seen = json.loads(done.stdout.splitlines()[-1])
    heard = {(tag["epc"].upper(), tag["antenna"], tag["rssi"]) for tag in seen}
    assert heard == {(f"3074257BF7194E40{n:08X}", antenna, -60) for n in range(TAGS) for antenna in (1, 2)}, done.stderr
