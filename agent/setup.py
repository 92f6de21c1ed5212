"""Reads the files that the operator gave into a `Setup`; every problem of all of them at once."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from agent.errors import ConfigError
from agent.geofences import Site, parse_sites
from agent.plan import parse_plan
from agent.presence.model import Model, Parameters
from agent.records import PlanRow, Problem
from agent.register import Register, parse_register
from agent.sites import SiteIndex
from agent.state import Setup
from agent.vehicle import Vehicle, parse_vehicle


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


def build_setup(
    *,
    vehicle: Vehicle,
    sites: Sequence[Site],
    register: Register,
    plan: tuple[PlanRow, ...] | None = None,
    plan_version: int | None = None,
) -> Setup:
    """A setup from parsed parts."""
    return Setup(
        vehicle=vehicle,
        sites=SiteIndex(sites),
        site_of={site.id: site for site in sites},
        register=register,
        model=Model(Parameters()),
        plans={} if plan is None or plan_version is None else {plan_version: plan},
        plan_version=plan_version,
    )


def read_setup(*, config: Path, sites: Path, register: Path, plan: Path | None = None) -> Setup:
    """Read everything; a ConfigError lists all that is wrong with all of it."""
    problems: list[Problem] = []

    vehicle = found_sites = found_register = None
    try:
        vehicle = parse_vehicle(read_text(config), file=str(config))
    except ConfigError as error:
        problems.extend(error.problems)
    try:
        found_sites = read_sites(sites)
    except ConfigError as error:
        problems.extend(error.problems)
    try:
        found_register = parse_register(read_text(register), file=str(register))
    except ConfigError as error:
        problems.extend(error.problems)
    rows = None
    if plan is not None and found_sites is not None and found_register is not None:
        try:
            rows = parse_plan(read_text(plan), file=str(plan), sites={site.id for site in found_sites}, register=found_register)
        except ConfigError as error:
            problems.extend(error.problems)
    if vehicle is not None and found_sites is not None and vehicle.home is not None:
        known = {site.id for site in found_sites}
        if vehicle.home not in known:
            problems.append(
                Problem(str(config), "[vehicle] home", repr(vehicle.home), f"name one of the sites: {', '.join(sorted(known))}")
            )
    if problems or vehicle is None or found_sites is None or found_register is None:
        raise ConfigError(problems)
    return build_setup(
        vehicle=vehicle,
        sites=found_sites,
        register=found_register,
        plan=rows,
        plan_version=1 if rows is not None else None,
    )
