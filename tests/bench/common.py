"""What the benchmarks share: the machine in a line, medians, and a table of figures beside their targets."""

from __future__ import annotations

import argparse
import os
import platform
import signal
import statistics
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import NamedTuple

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
RUNS = 5
# On a real file system, whatever /tmp is: what the store waits for is the disk.
SCRATCH = Path("/var/tmp")  # noqa: S108 - the folders made in it have names that cannot be guessed


class Figure(NamedTuple):
    """One measured figure. `runs` are its values, `most` or `least` its target where the project has set one."""

    name: str
    unit: str
    runs: Sequence[float]
    most: float | None = None
    least: float | None = None

    @property
    def median(self) -> float:
        """The middle one of the runs."""
        return statistics.median(self.runs)

    @property
    def is_met(self) -> bool:
        """Whether the median reaches the target; true where there is none."""
        return (self.most is None or self.median < self.most) and (self.least is None or self.median >= self.least)

    @property
    def target(self) -> str:
        """The target in words, empty where there is none."""
        if self.most is not None:
            return f"under {number(self.most)}"
        return f"{number(self.least)} or more" if self.least is not None else ""


def number(value: float) -> str:
    """Three figures that count, with the thousands set apart."""
    digits = 0 if abs(value) >= 100 else 1 if abs(value) >= 10 else 2
    return f"{value:,.{digits}f}"


def machine() -> str:
    """Cores, processor, versions, and how busy the machine was: a figure means nothing without them."""
    load = ", ".join(f"{each:.1f}" for each in os.getloadavg())
    return (
        f"{os.cpu_count()} cores, {_processor()}, {platform.system()} {platform.machine()}, "
        f"Python {platform.python_version()}, numpy {np.__version__}; load before: {load} (1, 5, 15 min)"
    )


def _processor() -> str:
    try:
        lines = Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines()
    except OSError:
        lines = []
    names = [line.partition(":")[2].strip() for line in lines if line.startswith("model name")]
    return names[0] if names else platform.processor() or "processor unknown"


def show(title: str, figures: Sequence[Figure], *, notes: Sequence[str] = ()) -> None:
    """Print a table: name, median, range of the runs, target, and whether it is met."""
    print(f"\n{title}")
    for each in figures:
        spread = "one run"
        if len(each.runs) > 1:
            spread = f"{number(min(each.runs))} to {number(max(each.runs))}, {len(each.runs)} runs"
        verdict = f"  {each.target}: {'met' if each.is_met else 'MISSED'}" if each.target else ""
        print(f"  {each.name:<44} {number(each.median):>9} {each.unit:<10} ({spread}){verdict}")
    for note in notes:
        print(f"    {note}")
    sys.stdout.flush()


def options(description: str | None) -> argparse.Namespace:
    """The command line of a benchmark: `--quick` runs it once and briefly, to see that it works."""
    parser = argparse.ArgumentParser(description=description)
    parser.add_argument("--quick", action="store_true", help="once and briefly: the figures mean nothing")
    parser.add_argument("--strict", action="store_true", help="exit code 1 where a target is missed")
    return parser.parse_args()


def main(description: str | None, measure: Callable[[bool], Sequence[Figure]]) -> None:
    """Say the machine, measure and print; `measure(quick)` prints its own tables by `show`."""
    args = options(description)
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))  # so that what was started is ended as well
    print(f"\n{(description or '').splitlines()[0]}\n  {machine()}")
    figures = measure(args.quick)
    if args.strict and not all(each.is_met for each in figures):
        sys.exit(1)
