"""`roadtally explain`: why is it said to be aboard, loaded or unloaded? One tag and day as a picture and in words.

A recording goes through the pipeline itself and the tally's own smoothing, so that what is shown is what was decided
on. A vehicle's store is read beside its writer; it holds less, and what is missing is said.
"""

from __future__ import annotations

import os
import shutil
import sys
from argparse import ArgumentParser, Namespace
from collections.abc import Mapping
from pathlib import Path
from typing import TextIO

from msgspec.structs import replace

from agent.blocks import Screen, draw_blocks
from agent.errors import ConfigError
from agent.evidence import Evidence
from agent.hindsight import Subject, Watch
from agent.kept_evidence import kept_evidence, listings_of
from agent.picture import draw_page
from agent.pipeline import finish, step
from agent.recording import Lines
from agent.records import Problem
from agent.replay import read_lines
from agent.setup import read_in_use, read_setup
from agent.state import Setup, State
from agent.store_view import StoreView, is_store
from agent.subject import days_of, find_subject, stretch_of

NO_TERMINAL_WIDTH, LEAST_WIDTH, MOST_WIDTH = 80, 60, 160
UNICODE_TRIAL = "▁█▲┄»"

def add_arguments(parser: ArgumentParser) -> None:
    """The command's options."""
    parser.add_argument("source", type=Path, help="recording (.jsonl, .jsonl.gz) or a vehicle's store (SQLite)")
    parser.add_argument("--epc", required=True, help="EPC as URI or hex, or the thing's name in the register")
    parser.add_argument("--at", help="a time (2026-03-02T07:01:12Z, or local: 08:16) or a day; else the latest day")
    parser.add_argument("--config", type=Path, required=True, help="the vehicle's TOML; [vehicle] is enough")
    parser.add_argument("--sites", type=Path, help="folder of *.geojson, or one such file; a recording needs it")
    parser.add_argument("--register", type=Path, help="CSV of what carries which tag; a recording needs it")
    parser.add_argument("--svg", type=Path, metavar="FILE", help="write the picture there instead of on the terminal")


def run(args: Namespace) -> int:
    """Explain as the options say; 0 when done."""
    evidence, at_s = explain(args, progress=sys.stderr.isatty())
    if args.svg is not None:
        try:
            args.svg.write_text(draw_page(evidence, at_s=at_s), encoding="utf-8")
        except OSError as error:
            what = error.strerror or str(error)
            raise ConfigError([Problem(str(args.svg), "--svg", what, "give a file that can be written")]) from None
        sys.stdout.write(f"Written to {args.svg}.\n")
        return 0
    sys.stdout.write(draw_blocks(evidence, screen=screen_of(sys.stdout, os.environ), at_s=at_s))
    days = days_of(evidence)
    if len(days) > 1:
        sys.stdout.write(f"\nThere are {len(days)} days, {days[0]} to {days[-1]}: choose one by --at.\n")
    return 0


def screen_of(stream: TextIO, environment: Mapping[str, str]) -> Screen:
    """What the stream can show: colour on a terminal that has any, unless NO_COLOR is set; 80 columns elsewhere."""
    terminal = stream.isatty()
    width = shutil.get_terminal_size((NO_TERMINAL_WIDTH, 24)).columns if terminal else NO_TERMINAL_WIDTH
    colour = terminal and not environment.get("NO_COLOR") and environment.get("TERM", "") not in {"", "dumb"}
    try:
        UNICODE_TRIAL.encode(stream.encoding or "ascii")
        unicode = True
    except (UnicodeEncodeError, LookupError):
        unicode = False
    return Screen(width=min(MOST_WIDTH, max(LEAST_WIDTH, width)), colour=colour, unicode=unicode)


def explain(args: Namespace, *, progress: bool = False) -> tuple[Evidence, float | None]:
    """The evidence that the options ask for, and the moment they name if they do. Raises ConfigError, StoreError."""
    if is_store(args.source):
        return _from_store(args)
    missing = [f"--{name}" for name in ("sites", "register") if getattr(args, name) is None]
    if missing:
        do = "give them, as for roadtally replay"
        raise ConfigError([Problem(str(args.source), " and ".join(missing), "", do, "a recording does not hold these")])
    setup = read_setup(config=args.config, sites=args.sites, register=args.register)
    subject = find_subject(args.epc, setup.register, file=str(args.register))
    watch = watch_recording(setup, subject, args.source, progress=progress)
    evidence = watch.evidence()
    if subject.kind == "unlisted" and not evidence.strength:
        do = "give an EPC or name of the register, or a tag that was heard"
        what = "is not in the register, and the recording never heard it"
        raise ConfigError([Problem(str(args.source), "--epc", repr(args.epc), do, what)])
    from_s, to_s, at_s = stretch_of(evidence, args.at, file=str(args.source))
    return replace(evidence, from_s=from_s, to_s=to_s, now=watch.looking_back(from_s, to_s)), at_s


def watch_recording(setup: Setup, subject: Subject, recording: Path, *, progress: bool = False) -> Watch:
    """Run a recording through the pipeline, watching one tag."""
    watch = Watch(setup, subject)
    state = State()
    for item in Lines().inputs(read_lines(recording, progress=progress)):
        before = state
        state, records = step(setup, before, item)
        watch.take(item, before, state, records)
    state, records = finish(setup, state)
    watch.finish(state, records)
    return watch


def _from_store(args: Namespace) -> tuple[Evidence, float | None]:
    _, in_use = read_in_use(config=args.config, sites=args.sites, register=args.register, plan=None)
    with StoreView.open(args.source) as view:
        for leaf in ("sites", "register"):
            held = view.held(leaf)
            if held is not None and getattr(args, leaf) is None:
                in_use = in_use.take(held)
        kept = view.kept()
    setup = in_use.setup()
    register = setup.register if setup.register.listings else listings_of(kept)
    subject = find_subject(args.epc, register, file=str(args.register or args.source))
    evidence, looking_back = kept_evidence(setup, subject, kept)
    if subject.kind == "unlisted" and not evidence.strength and not evidence.lines:
        do = "give an EPC or name of the register, or a tag that was heard"
        what = "is not in the register, and the store never heard it"
        raise ConfigError([Problem(str(args.source), "--epc", repr(args.epc), do, what)])
    from_s, to_s, at_s = stretch_of(evidence, args.at, file=str(args.source))
    return replace(evidence, from_s=from_s, to_s=to_s, now=looking_back), at_s
