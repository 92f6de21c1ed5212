"""What gpsd has: its receivers, when each last spoke and last gave a usable fix, and which one is followed; floor 1.

Two things that know nothing of each other. `Gpsd` is the connection's side, made from every object that gpsd sends
(`hear`); `agent.gps_faults` reads it. `Following` is the pipeline's side, made from fixes alone, so that a recording
gives the same whoever was connected: positions are those of one receiver, however many talk. Two receivers a few metres
apart would otherwise look like a van that jumps to and fro.

The one that gave the first usable fix is followed. Another takes over when the followed one has given none for
`HANDOVER_S` while the other does, and keeps it. A fix with a date that can't be true takes over from none.

Source for the objects: gpsd's client protocol ("gpsd_json": DEVICES, DEVICE, TPV).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal

from msgspec import Struct
from msgspec.structs import replace

from agent.gps import NO_FIX, Unusable, parse_tpv
from agent.records import GpsFix

# Longer than a receiver's own hiccups, shorter than what departure and arrival hang on. Judgement.
HANDOVER_S = 10.0
# A receiver speaks once a second; after a longer pause it speaks anew. Judgement.
PAUSE_S = 10.0
STANDS_STILL = "its time stands still"
# A peer that invents paths must not fill the memory; no van has so many receivers.
MOST_DEVICES = 16

Link = Literal["connecting", "up", "refused", "mute", "foreign"]


class Device(Struct, frozen=True):
    """One receiver by what it said, on the boot's clock; None: never.

    `fix_mono` is when it last gave a fix whose time had moved. Since `bad_since` it has spoken without, `why` says why;
    a receiver without sky (`NO_FIX`) and one that gives rubbish are counted apart, and so is what follows a silence.
    """

    heard_mono: float | None = None
    fix_mono: float | None = None
    utc_s: float | None = None
    why: str | None = None
    bad_since: float | None = None


class Gpsd(Struct, frozen=True):
    """The connection and what is behind it.

    `link`: nobody has tried yet, gpsd answers, nobody listens there (or the way is shut), somebody takes the connection
    and says nothing, somebody says what no gpsd says. `named` are the receivers that gpsd says it has, None before it
    has said so. `began_mono` is when we began to listen.
    """

    began_mono: float = 0.0
    link: Link = "connecting"
    link_since: float = 0.0
    named: tuple[str, ...] | None = None
    devices: Mapping[str, Device] = {}

    @property
    def heard_mono(self) -> float | None:
        """When any receiver last said anything."""
        return max((d.heard_mono for d in self.devices.values() if d.heard_mono is not None), default=None)

    @property
    def fix_mono(self) -> float | None:
        """When any receiver last gave a usable fix."""
        return max((d.fix_mono for d in self.devices.values() if d.fix_mono is not None), default=None)


def connect(gpsd: Gpsd, link: Link, mono: float) -> Gpsd:
    """How the connection is at `mono`; what gpsd has must be told anew after each."""
    if link == gpsd.link:
        return gpsd
    return replace(gpsd, link=link, link_since=mono, named=None if link == "up" else gpsd.named)


def hear(gpsd: Gpsd, document: Mapping[str, Any], mono: float) -> Gpsd:
    """Take one object of gpsd's that came at `mono`; never raises."""
    kind = document.get("class")
    if kind == "DEVICES":
        listed = document.get("devices")
        return replace(gpsd, named=_paths(listed if isinstance(listed, list) else []))
    if kind == "DEVICE":
        path = document.get("path")
        if not isinstance(path, str):
            return gpsd
        # `activated` is a time, or 0 once the device is closed.
        others = tuple(name for name in gpsd.named or () if name != path)
        return replace(gpsd, named=others if document.get("activated") == 0 else (*others, path)[:MOST_DEVICES])
    path = document.get("device")
    if kind == "TPV" and path is None:
        path = ""  # some say so little of themselves that gpsd has no name for them
    if not isinstance(path, str) or (path not in gpsd.devices and len(gpsd.devices) >= MOST_DEVICES):
        return gpsd
    was = gpsd.devices.get(path, Device())
    now = replace(was, heard_mono=mono)
    if was.heard_mono is not None and mono - was.heard_mono > PAUSE_S:
        now = replace(now, why=None, bad_since=None)
    if kind == "TPV":
        now = _judge(now, document, mono)
    return replace(gpsd, devices={**gpsd.devices, path: now})


def _judge(device: Device, tpv: Mapping[str, Any], mono: float) -> Device:
    """Take a TPV."""
    found = parse_tpv(dict(tpv), mono)
    if not isinstance(found, Unusable) and found.utc_s != device.utc_s:
        return replace(device, fix_mono=mono, utc_s=found.utc_s, why=None, bad_since=None)
    if isinstance(found, Unusable):
        why = found.reason
    elif device.fix_mono is not None and mono - device.fix_mono > PAUSE_S:
        why = STANDS_STILL
    else:
        return device  # gpsd tells a moment twice as more of it is known
    goes_on = device.why is not None and (device.why == NO_FIX.reason) == (why == NO_FIX.reason)
    return replace(device, why=why, bad_since=device.bad_since if goes_on else mono)


def _paths(listed: list[Any]) -> tuple[str, ...]:
    found = [one["path"] for one in listed if isinstance(one, dict) and isinstance(one.get("path"), str)]
    return tuple(dict.fromkeys(found))[:MOST_DEVICES]


class Following(Struct, frozen=True):
    """Whose positions are used; `good_mono` is when that receiver last gave a fix with a new date that can be true."""

    device: str | None = None
    good_mono: float = 0.0
    utc_s: float | None = None

    def take(self, fix: GpsFix, *, plausible: bool) -> Following:
        """A usable fix came: it is to be used where its device is the one followed afterwards."""
        if self.device is None:
            return Following(fix.device, fix.mono, fix.utc_s)
        if fix.device == self.device:
            return Following(fix.device, fix.mono, fix.utc_s) if plausible and fix.utc_s != self.utc_s else self
        if plausible and fix.mono - self.good_mono > HANDOVER_S:
            return Following(fix.device, fix.mono, fix.utc_s)
        return self
