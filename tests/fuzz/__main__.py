"""`make fuzz`: the coverage-guided fuzzer over every target, each in a process of its own, inputs counted.

    python -m tests.fuzz [--inputs 10000000] [--seconds 0] [--target NAME]

Needs atheris, which is no dependency of the project (it ships a fuzzing engine in C++): without it this says so and
ends with code 0. An input that breaks something is left in `.cache/fuzz/<target>/` and named; exit code 1.
"""

from __future__ import annotations

import argparse
import importlib.util
import os
import re
import resource
import subprocess
import sys
import time
from pathlib import Path

from tests.fuzz.targets import TARGETS, seeds

ROOT = Path(__file__).resolve().parents[2]
CORPUS = ROOT / ".cache" / "fuzz"
MOST_RSS_MB = 512
HANG_S = 5
# Long inputs are slow and find no more: a report of three tags, a fix or a script of some fifty steps fits into these.
LONGEST_INPUT = {"codec": 512, "stream": 512, "session": 96, "gps": 512, "gps_text": 512}
# The cheap ones get more: what a target costs for each input differs by ten, a session's script by fifty.
SHARES = {"codec": 0.4, "stream": 0.1, "session": 0.01, "gps": 0.25, "gps_text": 0.24}


def start(target: str, runs: int, seconds: int) -> tuple[subprocess.CompletedProcess[str], float]:
    """Fuzz one target in another process; how it ended and how long it took."""
    folder = CORPUS / target
    (folder / "corpus").mkdir(parents=True, exist_ok=True)
    for number, seed in enumerate(seeds(target)):
        (folder / "corpus" / f"seed-{number}").write_bytes(seed)
    options = [
        f"-runs={runs}", f"-max_total_time={seconds}", f"-timeout={HANG_S}", f"-rss_limit_mb={MOST_RSS_MB}",
        f"-max_len={LONGEST_INPUT[target]}", "-print_final_stats=1", f"-artifact_prefix={folder}/",
        str(folder / "corpus"),
    ]  # fmt: skip
    began = time.monotonic()
    done = subprocess.run(
        [sys.executable, "-m", "tests.fuzz.guided", target, *options],
        cwd=ROOT, env={**os.environ, "PYTHONPATH": str(ROOT)}, capture_output=True, text=True, check=False,
    )  # fmt: skip
    return done, time.monotonic() - began


def main() -> int:
    """Fuzz all targets one after another."""
    parser = argparse.ArgumentParser(prog="make fuzz", description=__doc__)
    parser.add_argument("--inputs", type=int, default=10_000_000, help="in all, over the targets")
    parser.add_argument("--seconds", type=int, default=0, help="for each target at most; 0: until its inputs are done")
    parser.add_argument("--target", choices=sorted(TARGETS))
    args = parser.parse_args()
    if importlib.util.find_spec("atheris") is None:
        print("atheris is not installed, so nothing is fuzzed: .venv/bin/pip install atheris")
        return 0
    total, failed = 0, []
    chosen = [args.target] if args.target else list(TARGETS)
    for target in chosen:
        runs = round(args.inputs * (1.0 if args.target else SHARES[target]))
        done, took_s = start(target, runs, args.seconds)
        said = done.stderr + done.stdout
        found = re.findall(r"stat::number_of_executed_units:\s*(\d+)", said) or re.findall(r"Done (\d+) runs", said)
        peak = re.findall(r"stat::peak_rss_mb:\s*(\d+)", said)
        covered = re.findall(r"cov: (\d+)", said)
        count = int(found[-1]) if found else 0
        total += count
        print(f"{target}: {count} inputs in {took_s:.0f} s ({count / took_s:.0f}/s), {peak[-1] if peak else 0} MB,"
              f" {covered[-1] if covered else '?'} edges, exit code {done.returncode}", flush=True)  # fmt: skip
        if done.returncode or not count:
            failed.append(target)
            print(said[-3000:])
    print(f"{total} inputs in all; children's peak {resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss // 1024} MB;"
          f" failed: {', '.join(failed) or 'none'}")  # fmt: skip
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
