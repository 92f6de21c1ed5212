"""`roadtally check`: asks everything in the van, a line each: ok, not ok or not tested, what was found, what to do.

Wiring only: the files are read by `agent.setup`, the rest is asked by the probes (`agent.probe_…`) and told by
`agent.findings`. Nothing is changed, and nothing transmitted but in a walk test (`agent.walk`). Wrong files end it at
once with everything that is wrong in them, for without them there is nobody to ask.
"""

from __future__ import annotations

import argparse
import json
import ssl
import sys
from argparse import ArgumentParser, Namespace
from collections.abc import Collection, Iterator
from contextlib import suppress
from pathlib import Path

from agent.check_words import (
    agent_finding,
    content_findings,
    file_findings,
    reader_away,
    reader_findings,
    untold,
)
from agent.clock import SystemClock
from agent.errors import ConfigError, StoreError
from agent.findings import Finding, as_document, as_lines, is_well, summary
from agent.holding import InUse
from agent.messages import DownLeaf
from agent.probe_broker import probe_broker
from agent.probe_disk import is_agent_running, probe_disk
from agent.probe_gps import LISTEN_S, locate, probe_gps
from agent.probe_reader import MOST_TRANSMIT_S, ReaderAwayError, ask_reader
from agent.reader_tls import reader_tls
from agent.records import Problem
from agent.setup import read_in_use
from agent.sites import SiteIndex
from agent.store_view import StoreView, is_store
from agent.terminal import paper_of
from agent.vehicle import Vehicle
from agent.vehicle_radio import power_in_use_dbm
from agent.vehicle_sections import MB
from agent.walk import radio_off_refusal, refusal, run_walk

_LEAVES: tuple[DownLeaf, ...] = ("sites", "register", "plan")


def add_arguments(parser: ArgumentParser) -> None:
    """The command's options."""
    parser.add_argument("--config", type=Path, required=True, help="the vehicle's TOML")
    parser.add_argument("--sites", type=Path, help="folder of *.geojson, or one such file")
    parser.add_argument("--register", type=Path, help="CSV of what carries which tag")
    parser.add_argument("--plan", type=Path, help="CSV of what is meant to travel (needs --sites and --register)")
    parser.add_argument("--store", type=Path, help="the vehicle's database; default: [store] path of the config")
    parser.add_argument("--files-only", action="store_true", help="look at the files alone; ask nothing and nobody")
    parser.add_argument("--json", action="store_true", help="for machines")
    parser.add_argument(
        "--walk-test",
        action="store_true",
        help="supervised: the reader TRANSMITS and counts tags on each antenna port; needs --transmit-s",
    )
    parser.add_argument(
        "--transmit-s",
        type=_transmit_s,
        metavar="SECONDS",
        help=f"with --walk-test: yes, transmit, for so long (at most {MOST_TRANSMIT_S:g})",
    )
    parser.set_defaults(usage_error=parser.error)


def _transmit_s(text: str) -> float:
    try:
        seconds = float(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no number") from None
    if not 1.0 <= seconds <= MOST_TRANSMIT_S:
        raise argparse.ArgumentTypeError(f"{text} is out of range; from 1 to {MOST_TRANSMIT_S:g}")
    return seconds


def run(args: Namespace) -> int:
    """Tell each line as it is found; 0 when nothing is not ok, 1 otherwise, 2 (a ConfigError's) for wrong files."""
    if args.walk_test is not (args.transmit_s is not None):
        args.usage_error("--walk-test and --transmit-s go together: the reader transmits, say for how long")
    try:
        vehicle, in_use = read_in_use(config=args.config, sites=args.sites, register=args.register, plan=args.plan)
    except ConfigError as error:
        if not args.json:
            raise
        wrong = [Finding("files", "not ok", str(problem), problem.do) for problem in error.problems]
        sys.stdout.write(json.dumps(as_document(wrong), indent=2) + "\n")
        return 2
    paper = paper_of(sys.stdout)
    findings: list[Finding] = []
    for finding in _findings(args, vehicle, in_use):
        findings.append(finding)
        if not args.json:
            sys.stdout.write("\n".join(as_lines(finding, paper)) + "\n")
            sys.stdout.flush()
    if args.json:
        sys.stdout.write(json.dumps({"vehicle": vehicle.id, **as_document(findings)}, indent=2) + "\n")
    else:
        sys.stdout.write(f"\n{summary(findings, paper)}\n")
    return 0 if is_well(findings) else 1


def _findings(args: Namespace, vehicle: Vehicle, in_use: InUse) -> Iterator[Finding]:
    given = {leaf for leaf in _LEAVES if getattr(args, leaf) is not None}
    yield from file_findings(vehicle)
    path = args.store or Path(vehicle.store.path)
    in_use, held = _with_held(in_use, path, given=given)
    if not args.files_only:
        yield from _asked(args, vehicle, path, quiet=SiteIndex(in_use.sites).radio_off)
    yield from content_findings(vehicle, in_use, given=given, held=held)


def _with_held(in_use: InUse, path: Path, *, given: Collection[str]) -> tuple[InUse, dict[str, str]]:
    """What the dispatch side last sent, for all that was not given as a file; and what is wrong with it, "" if nothing.

    A store that cannot be read holds nothing here; the line STORE says what is the matter with it.
    """
    held: dict[str, str] = {}
    if not is_store(path):
        return in_use, held
    with suppress(StoreError), StoreView.open(path) as store:
        for leaf in _LEAVES:
            downlink = None if leaf in given else store.held(leaf)
            if downlink is not None:
                try:
                    in_use, held[leaf] = in_use.take(downlink), ""
                except ConfigError as error:
                    held[leaf] = str(error.problems[0])
    return in_use, held


def _asked(args: Namespace, vehicle: Vehicle, path: Path, *, quiet: SiteIndex | None) -> Iterator[Finding]:
    is_running = is_agent_running(path)
    yield agent_finding(is_running=is_running)
    yield from probe_disk(path, reserve_bytes=vehicle.store.reserve_mb * MB)
    try:
        tls, wrong = reader_tls(vehicle.reader), None
    except ConfigError as error:
        tls, wrong = None, error.problems[0]
    yield from _reader(vehicle, is_running=is_running, tls=tls, wrong=wrong)
    if args.walk_test:
        refused = refusal(vehicle, is_agent_running=is_running, has_tls=wrong is None)
        if refused is None and quiet is not None:
            _say(f"asking gpsd where the van is, up to {LISTEN_S:g} s ...")
            refused = radio_off_refusal(locate(vehicle.gps, SystemClock(), listen_s=LISTEN_S), quiet)
        if refused is not None:
            yield refused
        else:
            # The machine that reads the JSON is not the person who walks.
            stream = sys.stderr if args.json else sys.stdout
            yield from run_walk(
                vehicle, SystemClock(), seconds=args.transmit_s, stream=stream, paper=paper_of(stream), tls=tls
            )
    _say(f"listening to gpsd, up to {LISTEN_S:g} s ...")
    is_clock_needed = vehicle.mqtt.tls or vehicle.reader.tls
    yield from probe_gps(vehicle.gps, SystemClock(), listen_s=LISTEN_S, is_clock_needed=is_clock_needed)
    yield from probe_broker(vehicle.id, vehicle.mqtt, is_agent_running=is_running)


def _reader(
    vehicle: Vehicle, *, is_running: bool, tls: ssl.SSLContext | None, wrong: Problem | None
) -> Iterator[Finding]:
    if vehicle.reader.host is None:
        found = "no [reader] host in the vehicle file: nothing is read"
        yield Finding("reader", "not tested", found, "give the reader's address")
        return
    if wrong is not None:
        yield Finding("reader", "not ok", f"not asked: {wrong.where} {wrong.got}", wrong.do)
        yield from untold(vehicle)
        return
    try:
        answer = ask_reader(vehicle.reader, SystemClock(), power_dbm=power_in_use_dbm(vehicle), tls=tls)
    except ReaderAwayError as problem:
        yield from reader_away(vehicle, problem, is_running=is_running)
    else:
        yield from reader_findings(vehicle, answer)


def _say(text: str) -> None:
    """A line for who waits; it goes where it disturbs no output."""
    if sys.stderr.isatty():
        sys.stderr.write(f"  {text}\n")
        sys.stderr.flush()
