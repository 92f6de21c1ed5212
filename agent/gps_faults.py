"""What is wrong between sky and fix, in words that an installer can act on; floor 1.

`fault_of` says what holds now; `tell` says it once, when it has lasted, and once more when it is over. Decides nothing
about the van: without fixes the tally goes on with what the reader hears, and no silence of a receiver is a stop.
"""

from __future__ import annotations

from typing import Literal

from msgspec import Struct
from msgspec.structs import replace

from agent.gps import NO_FIX
from agent.gpsd_devices import Gpsd

# Longer than a receiver that restarts after the engine was cranked, and than gpsd restarted by systemd. Judgement.
TELL_S = 40.0
# Under a roof there is no fix and nothing is wrong; after so long somebody may look at the antenna. Judgement.
NO_SKY_S = 1800.0
# Fixes that come again for less than this are not over yet: a loose plug comes and goes. Judgement.
OVER_S = 5.0

Code = Literal["gpsd-gone", "gpsd-stuck", "no-receiver", "receiver-silent", "receiver-unusable", "no-sky"]


class Fault(Struct, frozen=True):
    """What is wrong since `since_mono`, what was found and what to do; `text` is both as one plain sentence."""

    code: Code
    since_mono: float
    found: str
    do: str

    @property
    def text(self) -> str:
        """The sentence."""
        return f"{self.found}; {self.do}."

    @property
    def is_silence(self) -> bool:
        """Whether no receiver speaks at all."""
        return self.code not in ("receiver-unusable", "no-sky")


class Said(Struct, frozen=True):
    """One thing to tell: a fault, or `gps-back` when it is over."""

    code: str
    at_mono: float
    text: str


class Telling(Struct, frozen=True):
    """What was told and is not over, in the words of the latest look; since when it seems to be over."""

    fault: Fault | None = None
    over_since: float | None = None


def fault_of(gpsd: Gpsd, now: float, *, where: str, tell_s: float = TELL_S) -> Fault | None:
    """What is wrong and has been for `tell_s`; None where nothing is. `where` is gpsd's address, for the words."""
    heard = gpsd.heard_mono
    since = gpsd.began_mono if heard is None else heard
    if now - since >= tell_s:
        if gpsd.link == "up" and now - gpsd.link_since < tell_s:
            return None  # gpsd came back only now; its receiver has not had its time yet
        return _unheard(gpsd, since, now, where=where, is_first=heard is None)
    if gpsd.fix_mono is not None and now - gpsd.fix_mono < tell_s:
        return None
    return _unfixed(gpsd, now, tell_s=tell_s, no_sky_s=NO_SKY_S)


def fault_at_a_look(gpsd: Gpsd, now: float, *, where: str) -> Fault | None:
    """What is wrong by what was heard since we began to listen, not long ago; nothing is waited for.

    Whoever looks stands before the van: here a receiver that has no fix yet is told at once.
    """
    if gpsd.heard_mono is None:
        return _unheard(gpsd, gpsd.began_mono, now, where=where, is_first=True)
    return None if gpsd.fix_mono is not None else _unfixed(gpsd, now, tell_s=0.0, no_sky_s=0.0)


def _unfixed(gpsd: Gpsd, now: float, *, tell_s: float, no_sky_s: float) -> Fault | None:
    """Receivers speak and give no fix: since when, and is it the sky?"""
    bad = {path: device for path, device in gpsd.devices.items() if device.bad_since is not None}
    reasons = {device.why for device in bad.values() if device.why is not None and device.why != NO_FIX.reason}
    lasted_s = now - min((device.bad_since for device in bad.values() if device.bad_since is not None), default=now)
    who, lasted = _names(tuple(bad)), _long(lasted_s)
    if bad and not reasons and lasted_s >= no_sky_s:
        do = "under open sky that means its antenna: check it"
        return Fault("no-sky", now - lasted_s, f"Receiver {who} has had no fix for {lasted}", do)
    if reasons and lasted_s >= tell_s:
        found = f"Receiver {who} speaks, but gives nothing usable for {lasted} ({' and '.join(sorted(reasons))})"
        return Fault("receiver-unusable", now - lasted_s, found, "restart it or replace it")
    return None


def _unheard(gpsd: Gpsd, since: float, now: float, *, where: str, is_first: bool) -> Fault:
    """No receiver says anything: whose fault is it?"""
    lasted = _long(now - since)
    if gpsd.link == "up" and gpsd.named == () and not is_first:
        # Seen with gpsd 3.22: it lets go of a device that it cannot open again, and neither plugging it in nor a new
        # client brings it back: only gpsdctl does (udev runs it for USB receivers that it knows), or a restart.
        do = "plug it in; if that is not enough, restart gpsd (systemctl restart gpsd)"
        return Fault("no-receiver", since, f"gpsd answers, but lost its receiver {lasted} ago", do)
    if gpsd.link == "up" and gpsd.named == ():
        do = "plug it in, or name it in gpsd's DEVICES (Debian: /etc/default/gpsd), and restart gpsd"
        return Fault("no-receiver", since, f"gpsd answers, but has had no receiver for {lasted}", do)
    if gpsd.link == "up":
        who = _names(gpsd.named or tuple(gpsd.devices))
        nothing = "has not said anything yet" if is_first else "has said nothing"
        found = f"gpsd answers, but its receiver {who} {nothing} for {lasted}"
        return Fault("receiver-silent", since, found, "check the cable and its power")
    if gpsd.link == "mute":
        do = "restart it (systemctl restart gpsd)"
        return Fault("gpsd-stuck", since, f"gpsd at {where} takes connections, but has said nothing for {lasted}", do)
    if gpsd.link == "foreign":
        do = "correct [gps] host and port, or what listens there"
        return Fault("gpsd-gone", since, f"What answers at {where} is no gpsd", do)
    do = "check that it runs (systemctl status gpsd) and listens there"
    return Fault("gpsd-gone", since, f"No gpsd at {where} for {lasted}", do)


def tell(
    telling: Telling, gpsd: Gpsd, now: float, *, where: str, tell_s: float = TELL_S
) -> tuple[Telling, Said | None]:
    """What is to be told at `now`; look at least every few seconds."""
    fault, told = fault_of(gpsd, now, where=where, tell_s=tell_s), telling.fault
    if fault is not None:
        if told is not None and told.code == fault.code:
            return Telling(replace(fault, since_mono=told.since_mono)), None  # told once; by now it has lasted longer
        return Telling(fault), Said(fault.code, now, fault.text)
    if told is None:
        return telling, None
    again = gpsd.heard_mono if told.is_silence else gpsd.fix_mono
    is_back = again is not None and again > told.since_mono
    over_since = now if telling.over_since is None else telling.over_since
    if not is_back or now - over_since < OVER_S:
        return Telling(told, over_since if is_back else None), None
    fixed = gpsd.fix_mono is not None and gpsd.fix_mono > told.since_mono
    what = "Positions come again" if fixed else "The receiver speaks again, but has no fix yet"
    return Telling(), Said("gps-back", now, f"{what}, after {_long(over_since - told.since_mono)} without.")


def _names(paths: tuple[str, ...]) -> str:
    named = [path for path in paths if path]
    return " and ".join(named) if named else "(unnamed)"


def _long(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 120.0 else f"{seconds / 60.0:.0f} min"  # noqa: PLR2004 - two minutes
