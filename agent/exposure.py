"""`roadtally exposure`: how far from an antenna the field falls below the limits for the general public.

Arithmetic from the vehicle file alone, by `agent.radio_rules`; asks no reader. It replaces no measurement, and says so.
"""

from __future__ import annotations

import json
import math
import sys
import textwrap
from argparse import ArgumentParser, Namespace
from pathlib import Path
from typing import Any

from agent.errors import ConfigError
from agent.findings import Paper
from agent.radio_rules import (
    EXPOSURE_LIMITS,
    FREE_SPACE,
    FULL_REFLECTION,
    GROUND_REFLECTION,
    distance_m,
    watts_of,
)
from agent.readingplan import costs, most_duty
from agent.records import Problem
from agent.setup import read_text
from agent.terminal import paper_of
from agent.vehicle import Vehicle, parse_vehicle
from agent.vehicle_radio import power_in_use_dbm, radiated, radio_verdict

SURROUNDINGS = {
    "free space": FREE_SPACE,
    "ground reflection (power x2.56)": GROUND_REFLECTION,
    "full reflection (power x4)": FULL_REFLECTION,
}
CAUTION = """\
These distances are for one antenna, in its strongest direction, in the far field and with nothing around. Within some \
decimetres of a panel antenna that does not hold: the field there can be stronger.
A van's metal cargo box is a cavity. The field in it can be far stronger than any line here, anywhere in it. Measure \
there, and keep the reader off while people are inside unless a competent person has assessed it ([rf_assessment]).
Averages over 30 minutes do not help who stays longer than the pauses last, and the plans follow one another within \
them. Build on the first table.
Medical implants, electrically fired effects, fuel and anything else that radio can disturb or set off need a \
specialist's assessment; these limits are not made for them.
The local rules decide, not this program.
""".splitlines()


def add_arguments(parser: ArgumentParser) -> None:
    """The command's options."""
    parser.add_argument("--config", type=Path, required=True, help="the vehicle's TOML")
    parser.add_argument("--json", action="store_true", help="for machines")


def run(args: Namespace) -> int:
    """Print the tables; raises ConfigError where the file does not say enough for the sum."""
    vehicle = parse_vehicle(read_text(args.config), file=str(args.config))
    told = exposure(vehicle, file=str(args.config))
    if args.json:
        sys.stdout.write(json.dumps(told, indent=2) + "\n")
    else:
        sys.stdout.write(as_text(told, paper_of(sys.stdout)))
    return 0


def exposure(vehicle: Vehicle, *, file: str) -> dict[str, Any]:
    """Sum, limits and distances as plain values. Raises ConfigError where power or gain is not in the file."""
    found = radiated(vehicle)
    if found is None:
        needed = {
            "[reader] power_dbm": (power_in_use_dbm(vehicle), "give it, or fill in [rf_assessment]"),
            "[reader] antenna_gain_dbi": (vehicle.reader.antenna_gain_dbi, "give the gain that its maker says"),
        }
        raise ConfigError(
            Problem(file, where, "", do, what="missing, and needed for the sum")
            for where, (value, do) in needed.items()
            if value is None
        )
    verdict = radio_verdict(vehicle)
    reader = vehicle.reader
    eirp_w, mhz = watts_of(found.eirp_dbm), reader.lowest_mhz
    limits = {limit.name: limit.density_w_m2(mhz) for limit in EXPOSURE_LIMITS}
    return {
        "vehicle": vehicle.id,
        "sum": str(found),
        "eirp_dbm": round(found.eirp_dbm, 2),
        "eirp_w": round(eirp_w, 3),
        "radio_rules": None if verdict is None else verdict.text.removeprefix(f"{found}; "),
        "frequency_mhz": mhz,
        "frequency_given": reader.frequency_mhz is not None,
        "limits": [
            {"limit": limit.name, "source": limit.source, "w_per_m2": round(limits[limit.name], 2)}
            for limit in EXPOSURE_LIMITS
        ],
        "distances_m": [
            {"surroundings": name, **{key: up(eirp_w, s, reflection=factor) for key, s in limits.items()}}
            for name, factor in SURROUNDINGS.items()
        ],
        "plans": [
            {
                "plan": cost.name,
                "when": cost.when,
                "duty": round(cost.duty, 3),
                **{
                    limit.name: up(
                        eirp_w,
                        limits[limit.name],
                        duty=most_duty(vehicle.reading.plan(cost.name), 60.0 * limit.averaged_min),
                        reflection=GROUND_REFLECTION,
                    )
                    for limit in EXPOSURE_LIMITS
                },
            }
            for cost in costs(vehicle.reading)
            if cost.duty
        ],
        "caution": CAUTION,
    }


def up(eirp_w: float, density_w_m2: float, *, duty: float = 1.0, reflection: float = FREE_SPACE) -> float:
    """The distance rounded up to a centimetre: never told shorter than it is."""
    metres = distance_m(eirp_w, density_w_m2, duty=duty, reflection=reflection)
    return math.ceil(round(metres * 100.0, 6)) / 100.0


def as_text(told: dict[str, Any], paper: Paper) -> str:
    """The tables for people."""
    names = [limit["limit"] for limit in told["limits"]]
    given = "" if told["frequency_given"] else " (not given; the lowest possible, with the strictest limit)"
    sources = "; ".join(f"{limit['limit']}: {limit['source']}" for limit in told["limits"])
    lines = [
        paper.loud(f"RADIO EXPOSURE  {told['vehicle']}"),
        "",
        f"  {told['sum']}, that is {told['eirp_w']:.2f} W",
        f"  {told['radio_rules'] or 'allowed: not known; set region in [reader], so that the sum is held to it'}",
        f"  {told['frequency_mhz']:g} MHz{given}",
        "",
        f"{paper.loud('DISTANCE TO THE LIMIT')}  without a pause; in a metal box this says nothing",
        "",
        _row("", names),
        _row("limit for the general public", [f"{limit['w_per_m2']:.2f} W/m²" for limit in told["limits"]]),
        *(
            paper.loud(_row(row["surroundings"], [f"{row[name]:.2f} m" for name in names]))
            for row in told["distances_m"]
        ),
        "",
        "Average over 30 minutes, the busiest of each plan, with ground reflection:",
        "",
        *(
            _row(
                f"{plan['plan'].replace('_', ' ')}, {plan['duty']:.0%} on the air",
                [f"{plan[name]:.2f} m" for name in names],
            )
            for plan in told["plans"]
        ),
        "",
        paper.loud("CAUTION"),
    ]
    for sentence in told["caution"]:
        lines += textwrap.wrap(sentence, paper.width - 4, initial_indent="  - ", subsequent_indent="    ")
    lines += [
        "",
        *textwrap.wrap(
            f"Sources: {sources}; reflections: FCC OET Bulletin 65 (97-01), section 2.",
            paper.width,
        ),
    ]
    return "\n".join(lines) + "\n"


def _row(name: str, cells: list[str]) -> str:
    return f"  {name:<42}" + "".join(f"{cell:>12}" for cell in cells)
