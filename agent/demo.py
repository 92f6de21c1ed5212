"""`roadtally demo`: the whole job on one machine, with no hardware and no root.

A simulated van's day in an invented region: broker, simulated reader (LLRP over TCP), gpsd or its stand-in, the agent as
a process of its own that loses power as a van's does, the dispatch side with its page; a story in the terminal as
the day unfolds, and at the end what the tally said beside what truly happened.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
import threading
import webbrowser
from argparse import ArgumentParser, Namespace
from pathlib import Path

from rich.console import Console

from agent.demo_day import DemoDay, StartFailed
from agent.demo_story import Story
from agent.demo_verdict import judge, show

# A day is about six hours: at this speed it takes four minutes.
DEFAULT_SPEED = 90.0
MAX_SPEED = 2000.0


def add_arguments(parser: ArgumentParser) -> None:
    """The command's options."""
    parser.add_argument(
        "--speed", type=_speed, default=DEFAULT_SPEED, help="simulated seconds in a real one (default %(default)g)"
    )
    parser.add_argument("--seed", type=int, default=1, help="which day; the same seed is the same day (default 1)")
    parser.add_argument("--port", type=int, default=8470, help="the page's port; the next free one if it is taken")
    parser.add_argument(
        "--exit-at-end",
        action="store_true",
        help="end with the day: exit code 0 only if every standing event reached the dispatch side exactly once and at"
        " least 97 in 100 item-legs of the final manifests are right",
    )
    parser.add_argument("--open", action="store_true", help="open the page in a browser")
    parser.add_argument("--keep", type=Path, metavar="DIR", help="keep the day's files and databases in this folder")


def _speed(text: str) -> float:
    value = float(text)
    if not 1.0 <= value <= MAX_SPEED:
        raise ValueError(f"speed {text}: from 1 to {MAX_SPEED:g}")
    return value


def run(args: Namespace) -> int:
    """Run the day; 0 when it went as it should, 1 when not, 130 after Ctrl-C."""
    console = Console(highlight=False, soft_wrap=not sys.stdout.isatty())
    folder = args.keep or Path(tempfile.mkdtemp(prefix="roadtally-demo-"))
    folder.mkdir(parents=True, exist_ok=True)
    story = Story(console)
    day: DemoDay | None = None
    try:
        day = DemoDay(folder=folder, seed=args.seed, speed=args.speed, port=args.port, story=story)
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
    except StartFailed as error:
        story.close()
        console.print(f"[bold]The demo could not go on:[/bold] {error}")
        return 1
    except KeyboardInterrupt:
        story.close()
        console.print("Ended.")
        return 130
    else:
        return 0 if verdict.passed else 1
    finally:
        story.close()
        if day is not None:
            day.stop()
        if args.keep is None:
            shutil.rmtree(folder, ignore_errors=True)
