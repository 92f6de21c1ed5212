"""Makes a week: `python -m tests.bench.steelbox --seed 3 --days 5 --out FOLDER`."""

from __future__ import annotations

import argparse
import time
from pathlib import Path

from tests.bench.steelbox.week import make_week, write_week


def main() -> None:
    """Writes the folder and says what it holds."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.steelbox", description="A simulated week of one van.")
    parser.add_argument("--seed", type=int, required=True)
    parser.add_argument("--days", type=int, default=5)
    parser.add_argument("--out", type=Path, required=True, help="folder; made if missing")
    args = parser.parse_args()
    began = time.monotonic()
    week = make_week(args.seed, days=args.days)
    write_week(week, args.out)
    truth = week.story.truth()
    print(
        f"{args.days} days, load: {week.habits.size.name}; "
        f"{len(truth['manifests'])} legs, {len(truth['moves'])} moves; "
        f"{(args.out / 'recording.jsonl').stat().st_size / 1e6:.0f} MB in {time.monotonic() - began:.0f} s."
    )


if __name__ == "__main__":
    main()
