"""`check`'s look at gpsd: connected, the device, the mode, the sky, and whether its time would be trusted; floor 3.

Listens for a while, at most as long as it is told, and ends early when everything is known. Tells no position. What is
wrong is said in the words of `agent.gps_faults`; of several receivers it judges the one that the agent would follow.
"""

from __future__ import annotations

import socket
import time
from contextlib import suppress
from typing import Any

from agent.clock import Clock
from agent.errors import GpsdError
from agent.findings import Finding
from agent.gps import MAX_LINE_BYTES, Unusable, parse_gpsd_line, parse_tpv
from agent.gps_faults import fault_at_a_look
from agent.gpsd_devices import Following, Gpsd, connect, hear
from agent.records import GpsFix
from agent.timeline import Timeline
from agent.vehicle import GpsSettings

CONNECT_S = 5.0
LISTEN_S = 20.0  # ten fixes, a second each, make the time trusted; and a SKY comes every few seconds
# Fewer used satellites than a 3D fix takes. Source: four unknowns, x, y, z and time.
FEWEST_USED = 4
# TLS certificates last for months; an hour is no reason for them to fail, a clock at 1970 is. Judgement.
CLOCK_WRONG_S = 3600.0
_SIGMAS_95 = 2.4477  # of a circle: the Rayleigh distribution, as in agent.gps
_WATCH = b'?WATCH={"enable":true,"json":true}\n'
_START = "start it: systemctl start gpsd; and look at [gps] host and port"


class Heard:
    """What has come so far."""

    def __init__(self, settings: GpsSettings, *, mono: float) -> None:
        self._settings = settings
        self.release = ""
        self.drivers: dict[str, str] = {}
        self.gpsd = Gpsd(began_mono=mono, link="mute", link_since=mono)
        self.following = Following()
        self.fix: GpsFix | None = None
        self.why: Unusable | None = None
        self.used: int | None = None
        self.seen: int | None = None
        self.timeline = Timeline().observe_boot(mono)
        self.lines = self.malformed = 0

    def take(self, line: bytes, *, mono: float) -> None:
        """One line of gpsd."""
        self.lines += 1
        try:
            document = parse_gpsd_line(line)
        except GpsdError:
            self.malformed += 1
            return
        if document is not None:
            self.gpsd = hear(self.gpsd, document, mono)
        match (document or {}).get("class"):
            case "VERSION":
                self.release = str((document or {}).get("release", ""))
                self.gpsd = connect(self.gpsd, "up", mono)
            case "DEVICES":
                self._devices(document or {})
            case "SKY":
                self._sky(document or {})
            case "TPV":
                self._tpv(document or {}, mono=mono)

    @property
    def is_complete(self) -> bool:
        """Whether there is nothing more to wait for."""
        return self.fix is not None and self.seen is not None and self.timeline.trusted

    def _devices(self, document: dict[str, Any]) -> None:
        found = document.get("devices")
        for device in found if isinstance(found, list) else []:
            if isinstance(device, dict):
                self.drivers[str(device.get("path", "?"))] = str(device.get("driver", ""))

    def _sky(self, document: dict[str, Any]) -> None:
        satellites = document.get("satellites")
        listed = [each for each in satellites if isinstance(each, dict)] if isinstance(satellites, list) else None
        seen, used = document.get("nSat"), document.get("uSat")
        if listed is not None:
            seen, used = len(listed), sum(bool(each.get("used")) for each in listed)
        if isinstance(seen, int) and isinstance(used, int):  # gpsd 3.22 also sends SKY with the precision alone
            self.seen, self.used = seen, used

    def _tpv(self, document: dict[str, Any], *, mono: float) -> None:
        found = parse_tpv(document, mono, eph_sigmas=self._settings.eph_sigmas)
        if isinstance(found, Unusable):
            if self.following.device in (None, document.get("device", "")):
                self.fix, self.why = None, found
            return
        self.following = self.following.take(found, plausible=True)
        if self.following.device == found.device:
            self.fix, self.why = found, None
            self.timeline = self.timeline.observe_fix(found)[0]

    @property
    def followed(self) -> str:
        """The receiver whose positions the agent would use, and who else is there."""
        name = self.following.device or ""
        driver = self.drivers.get(name)
        others = sorted((set(self.gpsd.named or ()) | set(self.gpsd.devices)) - {name, ""})
        beside = f" (not {', '.join(others)})" if others else ""
        return f"follows {name or 'a receiver without a name'}{f' ({driver})' if driver else ''}{beside}"


def probe_gps(
    settings: GpsSettings, clock: Clock, *, listen_s: float = LISTEN_S, is_clock_needed: bool = False
) -> list[Finding]:
    """gpsd, sky and clock. `is_clock_needed` says that TLS looks at this computer's own clock."""
    address = f"{settings.host}:{settings.port}"
    heard = Heard(settings, mono=clock.mono())
    try:
        with socket.create_connection((settings.host, settings.port), timeout=CONNECT_S) as connection:
            connection.sendall(_WATCH)
            _listen(connection, heard, clock, until_real_s=time.monotonic() + listen_s)
    except OSError as problem:
        nothing = Finding("gpsd", "not ok", f"no answer at {address}: {_words(problem)}", _START)
        return [nothing, Finding("sky", "not tested", "gpsd has to answer first"), _own_clock()]
    gpsd = _gpsd(heard, address, clock.mono())
    return [gpsd, _sky(heard, listen_s), _clock(heard, clock, is_needed=is_clock_needed)]


def locate(settings: GpsSettings, clock: Clock, *, listen_s: float = LISTEN_S) -> GpsFix | None:
    """The first usable fix within `listen_s`; None where there is none, or no gpsd."""
    heard = Heard(settings, mono=clock.mono())
    with (
        suppress(OSError),
        socket.create_connection((settings.host, settings.port), timeout=CONNECT_S) as connection,
    ):
        connection.sendall(_WATCH)
        _listen(connection, heard, clock, until_real_s=time.monotonic() + listen_s, is_first_enough=True)
    return heard.fix


def _listen(
    connection: socket.socket, heard: Heard, clock: Clock, *, until_real_s: float, is_first_enough: bool = False
) -> None:
    pending = b""
    while not (heard.is_complete or (is_first_enough and heard.fix is not None)) and len(pending) <= MAX_LINE_BYTES:
        left_s = until_real_s - time.monotonic()
        if left_s <= 0.0:
            return
        connection.settimeout(left_s)
        try:
            chunk = connection.recv(65_536)
        except TimeoutError:
            return
        if not chunk:
            return
        *lines, pending = (pending + chunk).split(b"\n")
        for line in lines:
            heard.take(line, mono=clock.mono())


def _gpsd(heard: Heard, address: str, now: float) -> Finding:
    release = f"gpsd {heard.release} at {address}" if heard.release else f"{address} answers"
    if not heard.lines:
        fault = fault_at_a_look(heard.gpsd, now, where=address)
        if fault is not None:
            return Finding("gpsd", "not ok", fault.found, fault.do)
    if not heard.release:
        found = f"{release}, but not as gpsd does ({heard.lines} lines, {heard.malformed} of them no JSON)"
        return Finding("gpsd", "not ok", found, "give gpsd's host and port in [gps]")
    fault = fault_at_a_look(heard.gpsd, now, where=address)
    if fault is not None:
        more = {
            "no-sky": "; a cold start takes minutes",
            "receiver-silent": "; another program may hold the device (gpsmon, cgps)",
        }
        return Finding("gpsd", "not ok", f"{release}: {fault.found}", fault.do + more.get(fault.code, ""))
    if heard.fix is None:
        if heard.why is None:
            found = f"{release}: a receiver speaks, but tells nothing of any position"
            return Finding("gpsd", "not ok", found, "wait a minute and check again; then restart the receiver")
        found = f"{release}, {heard.followed}: it had a fix and lost it ({heard.why.reason})"
        do = "give the antenna a view of the sky and wait; if it comes and goes, look at the antenna's cable"
        return Finding("gpsd", "not ok", found, do)
    return Finding("gpsd", "ok", f"{release}, {heard.followed}, {heard.fix.mode}D fix")


def _sky(heard: Heard, listen_s: float) -> Finding:
    if heard.seen is None or heard.used is None:
        if heard.fix is None:
            return Finding("sky", "not tested", f"nothing told of satellites in {listen_s:g} s")
        found = f"a fix, good to {_error_m(heard.fix):.0f} m; nothing told of satellites in {listen_s:g} s"
        return Finding("sky", "not tested", found)
    told = f"{heard.used} satellites used of {heard.seen} seen"
    if heard.fix is None or heard.used < FEWEST_USED:
        do = "take what covers the antenna away, or drive out of the hall; then check its cable"
        return Finding("sky", "not ok", f"{told}, no 3D fix to rely on", do)
    return Finding("sky", "ok", f"{told}, good to {_error_m(heard.fix):.0f} m (95 of 100)")


def _error_m(fix: GpsFix) -> float:
    return _SIGMAS_95 * fix.sigma_m


def _clock(heard: Heard, clock: Clock, *, is_needed: bool) -> Finding:
    timeline = heard.timeline
    utc_s = timeline.utc_of(timeline.boot, clock.mono())
    if utc_s is None:
        if heard.fix is None:
            return _own_clock()
        do = "wait a minute and check again; if it stays so, the receiver's dates are wrong or jump"
        return Finding("clock", "not ok", "the receiver's time is not trusted: ten fixes have to agree", do)
    off_s = clock.utc() - utc_s
    own = f"this computer's clock is {_span(abs(off_s))} {'ahead' if off_s > 0 else 'behind'}"
    found = f"the receiver's time is trusted; {own}"
    if abs(off_s) > CLOCK_WRONG_S and is_needed:
        do = "set it, or let chrony take gpsd's time: TLS certificates are judged by this computer's clock"
        return Finding("clock", "not ok", found, do)
    return Finding("clock", "ok", found)


def _own_clock() -> Finding:
    return Finding("clock", "not tested", "without a fix there is nothing to compare with")


def _span(seconds: float) -> str:
    for unit, length_s in (("days", 86_400.0), ("hours", 3600.0), ("minutes", 60.0)):
        if seconds >= 2.0 * length_s:
            return f"{seconds / length_s:,.0f} {unit}"
    return f"{seconds:.1f} s"


def _words(problem: OSError) -> str:
    return problem.strerror or str(problem) or type(problem).__name__
