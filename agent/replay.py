"""`roadtally replay`: a recording through the same pipeline as a van's, to events, manifests and a summary.

Uses the recording's times only and gives the same bytes every time, but for `seconds`.
"""

from __future__ import annotations

import gzip
import sys
import time
import zlib
from argparse import ArgumentParser, Namespace
from collections.abc import Iterator
from pathlib import Path
from typing import IO, Any

import msgspec

from agent.errors import ConfigError
from agent.pipeline import finish, step
from agent.recording import Lines
from agent.records import Problem, Record
from agent.setup import read_setup
from agent.state import Setup, State

_PROGRESS_BYTES = 1 << 16


def add_arguments(parser: ArgumentParser) -> None:
    """The command's options."""
    parser.add_argument("recording", type=Path, help="recording of one vehicle: .jsonl or .jsonl.gz")
    parser.add_argument("--config", type=Path, required=True, help="the vehicle's TOML; [vehicle] is enough")
    parser.add_argument("--sites", type=Path, required=True, help="folder of *.geojson, or one such file")
    parser.add_argument("--register", type=Path, required=True, help="CSV of what carries which tag")
    parser.add_argument("--plan", type=Path, help="CSV of what is meant to travel; only compared, never believed")
    parser.add_argument("--out", type=Path, required=True, help="folder for the output; made if missing")


def run(args: Namespace) -> int:
    """Replay as the options say; 0 when done."""
    setup = read_setup(config=args.config, sites=args.sites, register=args.register, plan=args.plan)
    summary = replay(setup, args.recording, args.out, progress=sys.stderr.isatty())
    skipped = sum(summary["skipped"].values())
    print(  # noqa: T201 - a command prints
        f"{summary['lines']} lines ({skipped} skipped): {summary['reads']} reads, {summary['rounds']} rounds, "
        f"{summary['fixes']} fixes; {summary['stops']} stops, {summary['legs']} legs in {summary['seconds']:.1f} s. "
        f"Written to {args.out}."
    )
    return 0


def replay(setup: Setup, recording: Path, out: Path, *, progress: bool = False) -> dict[str, Any]:
    """Replay one recording into a folder; returns what `summary.json` holds."""
    began = time.monotonic()
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        what = error.strerror or str(error)
        raise ConfigError([Problem(str(out), "", what, "give a folder that can be made or written to")]) from None
    source = read_lines(recording, progress=progress)
    lines = Lines()
    state = State()
    legs: set[str] = set()
    stops = 0
    with (out / "events.jsonl").open("wb") as events, (out / "manifests.jsonl").open("wb") as manifests:

        def write(records: tuple[Record, ...]) -> None:
            for record in records:
                if record.kind == "event":
                    events.write(msgspec.json.encode(record.body) + b"\n")
                elif record.kind == "manifest":
                    manifests.write(msgspec.json.encode(record.body) + b"\n")
                    legs.add(record.body["manifest"])
                    if record.body.get("withdrawn"):
                        legs.discard(record.body["manifest"])

        for item in lines.inputs(source):
            state, records = step(setup, state, item)
            if records:
                write(records)
        state, records = finish(setup, state)
        write(records)
        stops = state.itinerary.stops
    summary: dict[str, Any] = {
        "lines": lines.lines,
        "skipped": dict(sorted(lines.skipped.items())),
        "reads": lines.reads,
        "rounds": lines.rounds,
        "fixes": lines.fixes,
        "stops": stops,
        "legs": len(legs),
        "seconds": round(time.monotonic() - began, 3),
    }
    (out / "summary.json").write_bytes(msgspec.json.format(msgspec.json.encode(summary), indent=1) + b"\n")
    return summary


def read_lines(path: Path, *, progress: bool = False) -> Iterator[bytes]:
    """The lines of a recording, plain or gzipped, with a bar on standard error if asked; raises ConfigError at once.

    A gzip file that ends too early raises it too, after the lines that it does hold.
    """
    try:
        raw: IO[bytes] = path.open("rb")
    except OSError as error:
        raise ConfigError([Problem(str(path), "", error.strerror or str(error), "check the path")]) from None
    return _lines(raw, path, progress=progress)


def _lines(raw: IO[bytes], path: Path, *, progress: bool) -> Iterator[bytes]:
    bar: Any = None
    if progress:
        from tqdm import tqdm  # noqa: PLC0415 - only where somebody looks on

        bar = tqdm(total=path.stat().st_size, unit="B", unit_scale=True, desc=path.name, leave=False)
    seen = 0
    with raw:
        lines: IO[bytes] = gzip.GzipFile(fileobj=raw) if path.suffix == ".gz" else raw  # type: ignore[assignment]
        try:
            for line in lines:
                yield line
                if bar is not None and raw.tell() - seen > _PROGRESS_BYTES:
                    bar.update(raw.tell() - seen)
                    seen = raw.tell()
        except (gzip.BadGzipFile, zlib.error, EOFError) as error:
            raise ConfigError([Problem(str(path), "", str(error), "give a whole gzip file, or unpack it")]) from None
    if bar is not None:
        bar.close()
