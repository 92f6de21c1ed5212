"""`roadtally demo`: the whole job on one machine, with no hardware and no root.

A simulated van's day in an invented region: broker, simulated reader (LLRP over TCP), gpsd or its stand-in, the agent
as a process of its own that loses power as a van's does, the dispatch side with its page; a story in the terminal as
the day unfolds, and at the end what the tally said beside what truly happened.
"""

from __future__ import annotations

import io
import shutil
import sys
import tempfile
import threading
import webbrowser
from argparse import ArgumentParser, ArgumentTypeError, Namespace
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from rich.console import Console

from agent.demo_day import DemoDay, StartFailed
from agent.demo_interrupt import Interrupts
from agent.demo_story import Story
from agent.demo_verdict import judge, show
from agent.errors import ConfigError
from agent.records import Problem

N = TypeVar("N", int, float)

# A day is about six hours: at this speed it takes four minutes.
DEFAULT_SPEED = 90.0
MAX_SPEED = 2000.0


def add_arguments(parser: ArgumentParser) -> None:
    """The command's options."""
    parser.add_argument(
        "--speed",
        type=_number(float, 1.0, MAX_SPEED),
        default=DEFAULT_SPEED,
        metavar="N",
        help="simulated seconds in a real one (default %(default)g)",
    )
    parser.add_argument(
        "--seed",
        type=_number(int, 0, 2**31),
        default=1,
        metavar="N",
        help="which day; the same seed is the same day (default 1)",
    )
    parser.add_argument(
        "--port",
        type=_number(int, 1, 65_535),
        default=8470,
        metavar="N",
        help="the page's port; the next free one if it is taken (default %(default)s)",
    )
    parser.add_argument(
        "--exit-at-end",
        action="store_true",
        help="end with the day: exit code 0 only if every standing event reached the dispatch side exactly once and at"
        " least 97 in 100 item-legs of the final manifests are right",
    )
    parser.add_argument("--open", action="store_true", help="open the page in a browser")
    parser.add_argument("--keep", type=Path, metavar="DIR", help="keep the day's files and databases in this folder")


def _number(kind: Callable[[str], N], least: N, most: N) -> Callable[[str], N]:
    def read(text: str) -> N:
        try:
            value = kind(text)
        except ValueError:
            raise ArgumentTypeError(f"{text!r} is no number; from {least:g} to {most:g}") from None
        if not least <= value <= most:
            raise ArgumentTypeError(f"{text} is out of range; from {least:g} to {most:g}")
        return value

    return read


def run(args: Namespace) -> int:
    """Run the day; 0 when it went as it should, 1 when not, 130 after Ctrl-C."""
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="replace")  # a terminal without the story's marks shows a question mark
    console = Console(highlight=False, soft_wrap=not sys.stdout.isatty())
    story = Story(console)
    with Interrupts() as interrupts:
        folder = _folder(args.keep)
        day: DemoDay | None = None
        try:
            day = DemoDay(
                folder=folder, seed=args.seed, speed=args.speed, port=args.port, story=story, held=interrupts.held
            )
            return _live(day, story, console, args)
        except StartFailed as error:
            story.close()
            console.print("The demo could not go on: ", end="")
            console.print(str(error), markup=False)
            return 1
        except KeyboardInterrupt:
            story.close()
            console.print("Ended.")
            return 130
        finally:
            with interrupts.held():
                story.close()
                if day is not None:
                    day.stop()
                if args.keep is None:
                    shutil.rmtree(folder, ignore_errors=True)


def _folder(keep: Path | None) -> Path:
    """Where the day's files go. Raises ConfigError for a place that cannot hold them."""
    if keep is None:
        return Path(tempfile.mkdtemp(prefix="roadtally-demo-"))
    try:
        keep.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ConfigError([Problem(str(keep), "--keep", str(error.strerror), "give a folder")]) from None
    return keep


def _live(day: DemoDay, story: Story, console: Console, args: Namespace) -> int:
    day.start()
    story.opening(day)
    if args.open:
        webbrowser.open(day.address)
    day.live_through()
    verdict = judge(day)
    story.close()
    show(console, verdict, day)
    if not args.exit_at_end:
        console.print(f"\nThe page stays up at [bold]{day.address}[/bold]. Ctrl-C ends everything.")
        threading.Event().wait()
    return 0 if verdict.passed else 1
