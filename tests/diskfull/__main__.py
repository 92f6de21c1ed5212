"""The long form of the disk bench, part of `make faults`: many days on every small disk that this machine gives.

    python -m tests.diskfull [--days 200] [--seed 1] [--processes 2] [--only SEED]

A day is named by its seed; `--only` lives that one again on each disk. Without root run it as `unshare -rm python -m
…`, where the kernel lets one; else the disks that need root are left out, and that is said. Exit code 1 where anything
did not hold.
"""

from __future__ import annotations

import argparse
import multiprocessing
import sys
import time

from tests.diskfull.bench import lived_one, reference, trial
from tests.diskfull.disks import kinds


def main() -> int:
    """Run it."""
    parser = argparse.ArgumentParser(prog="python -m tests.diskfull", description=__doc__)
    parser.add_argument("--days", type=int, default=200, help="on each disk")
    parser.add_argument("--seed", type=int, default=1, help="the first day's; the others count on")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--only", type=int, help="live this one day alone")
    args = parser.parse_args()
    disks = kinds()
    for missing in {"tmpfs", "ext4"} - set(disks):
        print(f"No {missing} here: it needs root (or `unshare -rm`).")
    if args.only is not None:
        verdicts = [trial(args.only, kind) for kind in disks]
        print("\n".join(str(verdict) for verdict in verdicts))
        return 1 if any(verdict.problems for verdict in verdicts) else 0
    began, bad = time.monotonic(), 0
    print("| disk | days | times full | records that waited | deaths while full | days not as stated |")
    print("| --- | ---: | ---: | ---: | ---: | ---: |")
    with multiprocessing.get_context("spawn").Pool(args.processes, maxtasksperchild=50) as pool:
        for kind in disks:
            what = [(seed, kind) for seed in range(args.seed, args.seed + args.days)]
            verdicts = pool.map(lived_one, what, chunksize=5)
            wrong = [verdict for verdict in verdicts if verdict.problems]
            print(
                f"| {kind} | {len(verdicts)} | {sum(v.times for v in verdicts)} | {sum(v.waited for v in verdicts)}"
                f" | {sum(v.script.dies_s is not None for v in verdicts)} | {len(wrong)} |",
                flush=True,
            )
            for verdict in wrong:
                print(f"seed {verdict.seed} on {kind}, {verdict.script}:", *verdict.problems, sep="\n  ")
            bad += len(wrong)
    print(f"{len(reference())} custody records and notices a day; {time.monotonic() - began:.0f} s in all.")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
