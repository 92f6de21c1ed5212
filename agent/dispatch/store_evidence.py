"""The full evidence for an item where a copy of the vehicle's store lies in a folder of the dispatch side.

The folder holds `VEHICLE.db`, a copy of the store, and `VEHICLE.toml`, the vehicle's settings, of which `[vehicle]` is
enough. What it gives is `agent.explain`'s picture of a store. Reads only, and keeps the last few answers, as a page
asks for its words and its drawing one after the other.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from pathlib import Path

from msgspec.structs import replace

from agent.errors import ConfigError
from agent.evidence import Evidence
from agent.kept_evidence import kept_evidence, listings_of
from agent.records import Problem
from agent.register import Register
from agent.setup import read_in_use
from agent.store_view import StoreView, is_store
from agent.subject import find_subject, stretch_of
from agent.units import format_utc

_ANSWERS = 8


def kept_in(
    base: Path, folder: str | None, *, register: Register
) -> Callable[[str, str, float | None], Evidence | None] | None:
    """Answers for (vehicle, EPC, moment), raising RoadtallyError where a copy cannot be used; None without a folder."""
    if folder is None:
        return None
    where = base / folder

    @lru_cache(maxsize=_ANSWERS)
    def answer(vehicle: str, epc: str, at_s: float | None, _changed: tuple[int, int]) -> Evidence:
        return _evidence(where / f"{vehicle}.db", where / f"{vehicle}.toml", epc, at_s, register)

    def find(vehicle: str, epc: str, at_s: float | None) -> Evidence | None:
        copy = where / f"{vehicle}.db"
        if not copy.exists():
            return None
        if not is_store(copy):
            raise ConfigError([Problem(str(copy), "", "", "put a copy of the vehicle's store there", "is no store")])
        told = copy.stat()
        return answer(vehicle, epc, at_s, (told.st_mtime_ns, told.st_size))

    return find


def _evidence(copy: Path, config: Path, epc: str, at_s: float | None, listed: Register) -> Evidence:
    vehicle, in_use = read_in_use(config=config, sites=None, register=None, plan=None)
    if vehicle.id != copy.stem:
        do = "put each vehicle's own settings beside its store"
        raise ConfigError([Problem(str(config), "[vehicle] id", repr(vehicle.id), do, f"is not {copy.stem}")])
    with StoreView.open(copy) as view:
        for leaf in ("sites", "register"):
            held = view.held(leaf)
            if held is not None:
                in_use = in_use.take(held)
        kept = view.kept()
    setup = in_use.setup()
    register = setup.register if setup.register.listings else listed if epc in listed.by_epc else listings_of(kept)
    evidence, looking_back = kept_evidence(setup, find_subject(epc, register, file=str(copy)), kept)
    asked = None if at_s is None else format_utc(at_s)
    from_s, to_s, _ = stretch_of(evidence, asked, file=str(copy))
    return replace(evidence, from_s=from_s, to_s=to_s, now=looking_back)
