"""`make faults`: every fault alone, then random mixtures, and a table of what came of it.

    python -m tests.faults [--mixtures 500] [--seed 1] [--processes 2] [--only SEED]

A mixture is named by its seed, which is printed with whatever is wrong about it; `--only` lives that one again. Exit
code 1 where anything did not hold.
"""

from __future__ import annotations

import argparse
import multiprocessing
import sys
import time
from collections.abc import Iterator
from statistics import median

from tests.faults.bench import Verdict, lived_alone, lived_mixture, mixture, trial
from tests.faults.catalogue import FAULTS
from tests.faults.real import IS_THERE, REAL

ALONE = (*FAULTS, *(REAL if IS_THERE else ()))


def table(alone: dict[str, Verdict]) -> str:
    """Fault, what the agent does, stated and measured time, as Markdown."""
    lines = [
        "| fault | what the agent does | stated, s | measured, s | told |",
        "| --- | --- | ---: | ---: | --- |",
    ]
    for fault in ALONE:
        verdict = alone[fault.name]
        took_s = verdict.took_s.get(fault.name)
        told = ", ".join(dict.fromkeys(code for code in verdict.notices[2:])) or "-"
        measured = "not back" if took_s is None else f"{took_s:.1f}"
        lines.append(f"| {fault.name} | {fault.does} | {fault.back_s:g} | {measured} | {told} |")
    return "\n".join(lines)


def _counted(verdicts: Iterator[tuple[int, Verdict]], count: int) -> tuple[list[int], list[Verdict]]:
    bad, all_ = [], []
    for seed, verdict in verdicts:
        all_.append(verdict)
        if verdict.problems:
            bad.append(seed)
            print(f"mixture {seed}: {verdict.what}")
            for problem in verdict.problems:
                print(f"  {problem}")
        if len(all_) % 50 == 0:
            print(f"{len(all_)} of {count} mixtures, {len(bad)} of them not as stated", flush=True)
    return bad, all_


def main() -> int:
    """Run it."""
    parser = argparse.ArgumentParser(prog="make faults", description=__doc__)
    parser.add_argument("--mixtures", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1, help="the first mixture's; the others count on")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--only", type=int, help="live this one mixture alone")
    args = parser.parse_args()
    if args.only is not None:
        verdict = trial(mixture(args.only))
        print(verdict)
        return 1 if verdict.problems else 0
    began = time.monotonic()
    with multiprocessing.get_context("spawn").Pool(args.processes, maxtasksperchild=40) as pool:
        alone = dict(pool.imap_unordered(lived_alone, [fault.name for fault in ALONE]))
        print(table(alone))
        wrong = [f"{name}: {problem}" for name, verdict in alone.items() for problem in verdict.problems]
        print("\n".join(wrong))
        seeds = range(args.seed, args.seed + args.mixtures)
        bad, mixed = _counted(pool.imap_unordered(lived_mixture, seeds), args.mixtures)
    took = sorted(took_s for verdict in mixed for took_s in verdict.took_s.values())
    print(
        f"\n{len(ALONE)} faults alone, {len(wrong)} statements not held. {len(mixed)} mixtures from seed {args.seed},"
        f" {sum(len(verdict.what) for verdict in mixed)} faults in them: {len(bad)} not as stated {bad or ''};"
        f" {sum(bool(verdict.unsure) for verdict in mixed)} with a manifest that says it is not certain."
    )
    if took:
        print(f"Back after {median(took):.1f} s (median), {took[len(took) * 95 // 100]:.1f} s (95 in 100),"
              f" {took[-1]:.1f} s (longest), in seconds of the day.")  # fmt: skip
    print(f"{time.monotonic() - began:.0f} s in all.")
    return 1 if wrong or bad else 0


if __name__ == "__main__":
    sys.exit(main())
