"""The sentences with which the demo feeds a real gpsd."""

from __future__ import annotations

import json
import re
import shutil
import socket
import subprocess
import time
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from agent.broker import free_port
from agent.world.nmea import _sentence, sentences

# Bodies and checksums as printed in the encyclopaedia's article "NMEA 0183", section "Sample file".
PUBLISHED = {
    "GPGGA,092750.000,5321.6802,N,00630.3372,W,1,8,1.03,61.7,M,55.2,M,,": "76",
    "GPGSA,A,3,10,07,05,02,29,04,08,13,,,,,1.72,1.03,1.38": "0A",
    "GPRMC,092750.000,A,5321.6802,N,00630.3372,W,0.02,31.66,280511,,,A": "43",
}
EPH_STEP_M = 0.19
TPV = {
    "class": "TPV", "mode": 3, "time": "2026-03-04T08:15:33.000Z", "lat": 48.3052013, "lon": -31.1999951,
    "altHAE": 62.0, "track": 271.4, "speed": 11.5, "eph": 7.6,
}  # fmt: skip


@pytest.mark.parametrize("body", PUBLISHED)
def test_checksums_are_those_of_published_sentences(body: str) -> None:
    """The exclusive or of all characters between $ and *, in two hexadecimal digits."""
    assert _sentence(body) == f"${body}*{PUBLISHED[body]}\r\n".encode()


def test_checksums_are_those_of_real_receivers(standards: Path) -> None:
    """Every RMC and GGA of a good line in gpsd's own regression logs ends as we would end it."""
    found = set()
    for log in sorted((standards / "gps" / "logs").glob("*.log")):
        if "coldboot" not in log.name:  # that receiver's line lost octets while it woke
            found |= set(re.findall(rb"\$(GP(?:RMC|GGA),[^*\r\n]*)\*([0-9A-F]{2})", log.read_bytes()))
    assert len(found) > 100
    assert [body for body, sum_ in found if _sentence(body.decode()) != b"$" + body + b"*" + sum_ + b"\r\n"] == []


def test_minutes_never_reach_sixty() -> None:
    """A position a hair before a whole degree is written as that degree."""
    text = sentences({**TPV, "lat": 47.99999999999, "lon": -31.99999999999}).decode()
    assert ",4800.00000,N,03200.00000,W," in text
    assert "60.00000" not in text


class Gpsd:
    """A real gpsd fed over UDP, and a client of it."""

    def __init__(self) -> None:
        port, self._feed = free_port(), free_port()
        self.process = subprocess.Popen(
            ["gpsd", "-N", "-n", "-S", str(port), f"udp://127.0.0.1:{self._feed}"],
            stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        self._out = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        deadline = time.monotonic() + 10.0
        while True:
            try:
                self._client = socket.create_connection(("127.0.0.1", port), timeout=0.2)
                break
            except OSError:
                assert time.monotonic() < deadline, "gpsd did not come up"
        self._client.sendall(b'?WATCH={"enable":true,"json":true}\n')
        self._heard = b""
        self._second = 0

    def tpv_after(self, tpv: dict[str, Any], *, eph_m: float | None = None, **wanted: Any) -> dict[str, Any]:
        """Feed a fix second by second until gpsd tells a TPV with these fields and, to a hundredth of HDOP, this eph.

        gpsd tells one after each sentence, the first of a second still with the precision of the last.
        """
        deadline = time.monotonic() + 10.0
        while time.monotonic() < deadline:
            self._second += 1
            now = {"time": f"2026-03-04T08:{15 + self._second // 60:02d}:{self._second % 60:02d}.000Z"}
            self._out.sendto(sentences({**tpv, **now} if "time" in tpv else tpv), ("127.0.0.1", self._feed))
            for told in self._hear():
                is_it = told["class"] == "TPV" and all(told.get(key) == value for key, value in wanted.items())
                if is_it and (eph_m is None or abs(told.get("eph", 0.0) - eph_m) < EPH_STEP_M):
                    return told
        raise AssertionError(f"gpsd told no TPV with {wanted}")

    def _hear(self) -> list[dict[str, Any]]:
        with suppress(TimeoutError):
            self._heard += self._client.recv(65536)
        *lines, self._heard = self._heard.split(b"\n")
        return [json.loads(line) for line in lines]

    def stop(self) -> None:
        """End it."""
        self._client.close()
        self._out.close()
        self.process.terminate()
        self.process.wait(10.0)


@pytest.mark.integration
@pytest.mark.skipif(shutil.which("gpsd") is None, reason="gpsd is not installed")
def test_gpsd_understands_all_of_it() -> None:
    """Time, position, speed, track and precision come out of a real gpsd as they went in; no fix comes out as none."""
    gpsd = Gpsd()
    try:
        told = gpsd.tpv_after(TPV, eph_m=7.6, mode=3, altHAE=62.0)
        assert told["time"].startswith("2026-03-04T08:1")
        assert told["lat"] == pytest.approx(TPV["lat"], abs=1e-7)
        assert told["lon"] == pytest.approx(TPV["lon"], abs=1e-7)
        assert told["speed"] == pytest.approx(11.5, abs=0.005)  # a hundredth of a knot
        assert told["track"] == pytest.approx(271.4)
        gpsd.tpv_after({**TPV, "eph": 38.0}, eph_m=38.0, mode=3)
        gpsd.tpv_after({"class": "TPV", "mode": 1}, mode=1)
    finally:
        gpsd.stop()
