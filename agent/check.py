"""`roadtally check`: everything that is wrong with vehicle file, sites, register and plan, each with what to do.

Reads files only. Reader, receiver, broker and disk are not asked yet.
"""

from __future__ import annotations

import sys
from argparse import ArgumentParser, Namespace
from pathlib import Path

from agent.setup import read_in_use
from agent.vehicle import transmit_allowed


def add_arguments(parser: ArgumentParser) -> None:
    """The command's options."""
    parser.add_argument("--config", type=Path, required=True, help="the vehicle's TOML")
    parser.add_argument("--sites", type=Path, help="folder of *.geojson, or one such file")
    parser.add_argument("--register", type=Path, help="CSV of what carries which tag")
    parser.add_argument("--plan", type=Path, help="CSV of what is meant to travel (needs --sites and --register)")


def run(args: Namespace) -> int:
    """Say what was found; a ConfigError carries what is wrong, and the command line prints it."""
    vehicle, in_use = read_in_use(config=args.config, sites=args.sites, register=args.register, plan=args.plan)
    permission = transmit_allowed(vehicle)
    rows = sum(len(rows) for rows in in_use.plans.values())
    told = [
        f"vehicle   {vehicle.id}, {vehicle.epc}, home {vehicle.home or 'not set: a trip is a local day'}",
        f"transmit  {'allowed' if permission.allowed else 'not allowed'}: {permission.reason}",
    ]
    if args.sites is not None:
        told.append(f"sites     {len(in_use.sites)}: {', '.join(site.id for site in in_use.sites)}")
    if args.register is not None:
        listings = in_use.register.listings
        kinds = [f"{sum(x.kind == kind for x in listings)} {kind}" for kind in ("item", "person", "fixture", "ignore")]
        told.append(f"register  {', '.join(kinds)}")
    if args.plan is not None:
        told.append(f"plan      {rows} rows")
    sys.stdout.write("".join(f"ok  {line}\n" for line in told))
    return 0
