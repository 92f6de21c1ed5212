"""The command `roadtally`: one sub-command a job, and help that teaches.

Each sub-command's module has `add_arguments(parser)` and `run(args) -> int` and is imported only when it is asked for:
the vehicle's computer never loads the board, and need not even have what the board is made of.
"""

from __future__ import annotations

import argparse
import importlib
import os
import sys
from collections.abc import Sequence

from agent import __version__

COMMANDS: dict[str, tuple[str, str, str]] = {
    "run": (
        "agent.run",
        "the vehicle's agent: reader and gpsd in, custody records out over MQTT",
        (
            "Runs until SIGTERM. Needs a vehicle file; waits for reader, gpsd and broker if they are not there yet. "
            "A real reader transmits only once [rf_assessment] is filled in. "
            "The smallest vehicle file: [vehicle] with id and epc; vehicle.sample.toml in agent/data has every key."
        ),
    ),
    "replay": (
        "agent.replay",
        "a recording through the same decisions, to events.jsonl, manifests.jsonl and summary.json",
        (
            "Uses the recording's times only and gives the same bytes every time. Make a recording with run --record. "
            "Example: roadtally replay day.jsonl --config vehicle.toml --sites geofences --register register.csv "
            "--out out"
        ),
    ),
    "explain": (
        "agent.explain",
        "why a thing is said to be aboard, loaded or unloaded: one tag and day as a picture and in words",
        (
            "What was heard on which antenna, where the van was, what was believed then and is now, and the decisions. "
            "Reads a recording, or a vehicle's store while the agent runs. "
            "Example: roadtally explain day.jsonl --epc 'par lamp 1' --at 08:16 --config vehicle.toml "
            "--sites geofences --register register.csv --svg why.svg"
        ),
    ),
    "verify": (
        "agent.verify",
        "walks a van's signed records; names the first that was changed, taken out, put in or signed by another key",
        (
            "Reads a vehicle's store, or with --config and --vehicle what the dispatch side keeps, also while these "
            "run. Exit code 0 when every record fits, 1 when one does not, 2 for wrong usage. Example: "
            "roadtally verify /var/lib/roadtally/vehicle.db"
        ),
    ),
    "dispatch": (
        "agent.dispatch.main",
        "the dispatch side: takes in what vehicles publish and shows what is aboard each",
        (
            "Listens on this computer only unless the configuration allows more. An empty dispatch.toml works with a "
            "broker on this computer; dispatch.sample.toml in agent/data has every key."
        ),
    ),
    "check": (
        "agent.check",
        "asks everything in the van and says what is wrong: files, reader, antennas, inputs, gpsd, broker, disk",
        (
            "Each line says ok, NOT OK or not tested, what was found and what to do. Transmits only with --walk-test "
            "--transmit-s SECONDS. Exit code 0 when nothing is not ok, 1 when something is, 2 for wrong files. "
            "Example: roadtally check --config vehicle.toml --sites geofences --register register.csv"
        ),
    ),
    "exposure": (
        "agent.exposure",
        "how far from an antenna the field falls below the limits for the general public",
        (
            "From the vehicle file's power, cable and antenna; asks no reader. Distances for free space and with "
            "reflections, which a metal cargo box is not: measure there. Example: roadtally exposure --config "
            "vehicle.toml"
        ),
    ),
    "demo": (
        "agent.demo",
        "the whole job on one machine, no hardware: a simulated van's day, with the page to watch it on",
        "Starts a broker, a simulated reader and receiver, the agent and the dispatch side, and ends them all.",
    ),
}
# What a vehicle's small installation leaves out, by command.
EXTRAS = {"demo": "demo", "dispatch": "dispatch", "verify": "dispatch"}


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line; the exit code: 0 done, 1 not as it should be, 2 wrong settings or usage, 130 Ctrl-C."""
    arguments = list(sys.argv[1:] if argv is None else argv)
    try:
        try:
            return _main(arguments)
        finally:
            sys.stdout.flush()  # here, where whoever is gone can still be noticed
    except BrokenPipeError:
        # Whoever read our output has gone (roadtally … | head); there is nobody left to tell.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1
    except KeyboardInterrupt:
        return 130


def _main(arguments: list[str]) -> int:
    from agent.errors import ConfigError, RoadtallyError  # noqa: PLC0415 - within main's reach, for a Ctrl-C at once

    parser = argparse.ArgumentParser(
        prog="roadtally",
        description="Says what is in which van: what got on and off where and when, and how sure that is.",
        epilog="roadtally COMMAND --help tells more. To see it work: roadtally demo",
    )
    parser.add_argument("--version", action="version", version=f"roadtally {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    asked = next((word for word in arguments if not word.startswith("-")), None)
    try:
        for name, (module, short, more) in COMMANDS.items():
            command = commands.add_parser(name, help=short, description=f"{short[0].upper()}{short[1:]}.", epilog=more)
            if name == asked:
                importlib.import_module(module).add_arguments(command)
        args = parser.parse_args(arguments)
        return int(importlib.import_module(COMMANDS[args.command][0]).run(args))
    except ConfigError as error:
        for problem in error.problems:
            print(f"roadtally {asked}: {problem}", file=sys.stderr)
        return 2
    except RoadtallyError as error:
        print(f"roadtally {asked}: {error}", file=sys.stderr)
        return 1
    except ModuleNotFoundError as error:
        missing = (error.name or "").partition(".")[0]
        if asked not in EXTRAS or missing in {"", "agent"}:
            raise
        extra = EXTRAS[asked]
        print(
            f"roadtally {asked} needs {missing}, which a vehicle's installation leaves out:"
            f" pip install 'roadtally[{extra}]'",
            file=sys.stderr,
        )
        return 1


if __name__ == "__main__":
    sys.exit(main())
