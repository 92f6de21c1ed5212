"""The link bench's long form: random mixtures of all that goes wrong, then a table.

    python -m tests.links [--mixtures 100] [--steps 12] [--seed 1] [--only SEED] [--months 1]

A mixture is named by its seed; `--only` lives that one again. Then a month without coverage comes home while broker and
dispatch side are killed. Exit code 1 where a record was lost, doubled or changed.
"""

from __future__ import annotations

import argparse
import logging
import sys
from collections import Counter

from tests.links.bench import FAULTS, mixture, trial
from tests.links.month import month


def main() -> int:
    """Run it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--mixtures", type=int, default=100)
    parser.add_argument("--steps", type=int, default=12)
    parser.add_argument("--seed", type=int, default=1, help="the first mixture's; the others count on")
    parser.add_argument("--only", type=int, help="live this one mixture alone")
    parser.add_argument("--months", type=int, default=1)
    args = parser.parse_args()
    logging.disable(logging.ERROR)  # thousands of lost connections, each as it must be
    seeds = [args.only] if args.only is not None else range(args.seed, args.seed + args.mixtures)
    times: Counter[str] = Counter()
    records = bad = 0
    for seed in seeds:
        verdict = trial(seed, mixture(seed, steps=args.steps))
        times.update(verdict.did)
        records += verdict.records
        if verdict.problems:
            bad += 1
            print(f"mixture {seed}: {'; '.join(verdict.problems)}: {', '.join(verdict.did)}", flush=True)
        elif args.only is not None:
            print(f"mixture {seed}: {verdict.records} records, {verdict.took_s:.1f} s: {', '.join(verdict.did)}")
    for seed in range(args.seed, args.seed + (0 if args.only is not None else args.months)):
        verdict = month(seed)
        bad += bool(verdict.problems)
        told = "; ".join(verdict.problems) or "every record once"
        print(f"month {seed}: {verdict.records:,} records, {verdict.took_s:.1f} s, {', '.join(verdict.did)}: {told}")
    print("| what | times |\n| --- | ---: |")
    for fault in FAULTS:
        print(f"| {fault.replace('_', ' ')} | {times[fault]} |")
    print(f"{len(seeds)} mixtures, {records:,} records; {bad} not as they must be")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
