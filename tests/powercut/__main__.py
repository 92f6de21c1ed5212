"""`make faults`: a day in the agent's real process, power cut at random writes, and what came of it.

    python -m tests.powercut [--cuts 1000] [--day short] [--seed 1] [--processes 2] [--life 20]
        [--wrong normal] [--before spoilt]

A cut is named by its number in the log and its seed; the same seed draws the same cuts. `--wrong` makes one of the
mistakes that the bench is there to find; `--before` lets the day's second boot find a store that the card has spoilt,
or one with the pages of earlier releases, and cuts from there to its first ack. Exit code 1 where anything did not
hold.
"""

from __future__ import annotations

import argparse
import multiprocessing
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from tests.powercut.bench import MEMORY, Verdict, draw, judged_part
from tests.powercut.child import BEFORE, WRONG
from tests.powercut.day import DAYS
from tests.powercut.disk import Shape
from tests.powercut.trace import compiler, lived

_PART = 25
_FOUND_SHOWN = 20
# Between the first mark of one kind and the next of the other.
WITHIN = {"spoilt": (b"D", b"A"), "large": (b"L", b"A")}


def parts_of(cuts: dict[int, list[tuple[Shape, int]]]) -> list[dict[int, list[tuple[Shape, int]]]]:
    """The cuts in pieces that lie close together in the log, so that images with the same content meet."""
    numbers = sorted(cuts)
    return [{n: cuts[n] for n in numbers[at : at + _PART]} for at in range(0, len(numbers), _PART)]


def main() -> int:
    """Run it."""
    parser = argparse.ArgumentParser(prog="make faults", description=__doc__)
    parser.add_argument("--cuts", type=int, default=1000)
    parser.add_argument("--day", choices=DAYS, default="short")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--life", type=int, default=20, help="every so many cuts also as in life, inputs lost")
    parser.add_argument("--wrong", choices=WRONG)
    parser.add_argument("--before", choices=BEFORE)
    args = parser.parse_args()
    if compiler() is None:
        print("power cuts: no C compiler here; install gcc and libc6-dev.")
        return 1
    began = time.monotonic()
    where = MEMORY if MEMORY.is_dir() else None
    with tempfile.TemporaryDirectory(dir=where) as name:
        trace = lived(args.day, Path(name), wrong=args.wrong, before=args.before)
        life = 0 if args.before else args.life
        cuts = draw(trace, args.cuts, args.seed, within=WITHIN.get(args.before))
        jobs = [(trace, part, life) for part in parts_of(cuts)]
        print(f"power cuts: the day `{args.day}` has {len(trace.records)} records and {len(trace.cuts())} calls")
        verdicts: list[Verdict] = []
        with multiprocessing.get_context("spawn").Pool(args.processes) as pool:
            for part in pool.imap_unordered(judged_part, jobs):
                verdicts += part
                bad = sum(bool(v.problems or v.unexplained) for v in verdicts)
                print(f"{len(verdicts)} of {args.cuts} cuts, {bad} of them not as stated", flush=True)
    return told(verdicts, time.monotonic() - began)


def told(verdicts: list[Verdict], took_s: float) -> int:
    """Say what came of it; 1 where anything did not hold."""
    bad = [v for v in verdicts if v.problems or v.unexplained]
    for v in bad[:_FOUND_SHOWN]:
        print(f"  cut {v.cut}, {v.shape}: {'; '.join((*v.problems, *v.unexplained))}")
    living = [v for v in verdicts if v.lived_on]
    differ = [v for v in living if v.missing or v.added]
    shapes = Counter(v.shape for v in verdicts)
    print(
        f"{len(verdicts)} cuts ({', '.join(f'{count} {name}' for name, count in shapes.items())}),"
        f" {sum(v.open_writes > 0 for v in verdicts)} with unsynced writes; {len(bad)} not as stated."
        f" {sum(v.fresh for v in verdicts)} gone through to the day's end, the others have the content of one of those."
        f" In life, {len(living)}: {len(differ)} with other standing events ({sum(v.missing for v in differ)} fewer,"
        f" {sum(v.added for v in differ)} more), {sum(bool(v.unexplained) for v in living)} without a stated gap."
        f" {took_s:.0f} s in all."
    )
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
