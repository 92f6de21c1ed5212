"""Reads the files that the operator gave into a `Setup`; every problem of all of them at once."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from agent.errors import ConfigError
from agent.geofences import Site, parse_sites
from agent.holding import InUse
from agent.plan import parse_plan
from agent.presence.model import Model
from agent.presence.parameters import Parameters, parse_parameters
from agent.records import PlanRow, Problem
from agent.register import parse_register, register_of
from agent.state import Setup
from agent.vehicle import Vehicle, parse_vehicle

T = TypeVar("T")


def read_text(path: Path) -> str:
    """The file's text; a ConfigError says which file and what to do."""
    try:
        return path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise ConfigError([Problem(str(path), "", "no such file", "check the path")]) from None
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigError([Problem(str(path), "", str(error), "give a readable UTF-8 file")]) from None


def read_sites(folder: Path) -> tuple[Site, ...]:
    """Every `*.geojson` of a folder (or the one file given), read as one set of sites."""
    files = sorted(folder.glob("*.geojson")) if folder.is_dir() else [folder]
    if not files:
        raise ConfigError([Problem(str(folder), "", "no *.geojson in it", "put the sites there (RFC 7946)")])
    return parse_sites({str(path): read_text(path) for path in files})


def read_setup(*, config: Path, sites: Path, register: Path, plan: Path | None = None) -> Setup:
    """Everything from files, as the pipeline takes it; a ConfigError lists all that is wrong with all of it."""
    _, in_use = read_in_use(config=config, sites=sites, register=register, plan=plan)
    return in_use.setup()


def read_in_use(
    *, config: Path, sites: Path | None, register: Path | None, plan: Path | None
) -> tuple[Vehicle, InUse]:
    """The vehicle and what it works with; what is None stays empty, for the dispatch side to send."""
    problems: list[Problem] = []

    vehicle = _tried(lambda: parse_vehicle(read_text(config), file=str(config)), problems)
    told = len(problems)
    found = (_tried(lambda: read_sites(sites), problems) if sites is not None else None) or ()
    listed = None
    if register is not None:
        listed = _tried(lambda: parse_register(read_text(register), file=str(register)), problems)
    listings = listed or register_of(())
    known = {site.id for site in found}
    rows: tuple[PlanRow, ...] | None = None
    if plan is not None and len(problems) == told:  # what it names is known
        rows = _tried(
            lambda: parse_plan(read_text(plan), file=str(plan), sites=known, register=listings), problems
        )
    if vehicle is not None and known and vehicle.home is not None and vehicle.home not in known:
        what = f"name one of the sites: {', '.join(sorted(known))}"
        problems.append(Problem(str(config), "[vehicle] home", repr(vehicle.home), what))
    model = Model(Parameters())
    if vehicle is not None:
        try:
            model = Model(parse_parameters(vehicle.presence))
        except ValueError as error:
            problems.append(Problem(str(config), "[presence]", str(error), "leave it out for the default"))
    if problems or vehicle is None:
        raise ConfigError(problems)
    plans = {} if rows is None else {1: rows}
    return vehicle, InUse(vehicle, model, found, listings, plans, {}, {})


def _tried(read: Callable[[], T], problems: list[Problem]) -> T | None:
    """What was read; None, with its problems noted, where it cannot be used."""
    try:
        return read()
    except ConfigError as error:
        problems.extend(error.problems)
        return None
