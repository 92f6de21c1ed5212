"""A vehicle in a process of its own, which the bench kills: store and publisher as the agent has them.

    python -m tests.links.van STORE PORT FIRST [--off-by SECONDS]

Makes records from number FIRST on, five at once, and writes each number to its standard output once it is committed.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path

from tests.delivery import Van
from tests.links.bench import HastyClock, event

_AT_ONCE, _EVERY_S = 5, 0.02


def main() -> None:
    """Go on until killed."""
    parser = argparse.ArgumentParser()
    parser.add_argument("store", type=Path)
    parser.add_argument("port", type=int)
    parser.add_argument("first", type=int)
    parser.add_argument("--off-by", type=float, default=0.0)
    args = parser.parse_args()
    clock = HastyClock()
    clock.off_by_s = args.off_by
    van = Van(args.store, port=args.port, clock=clock, resend_after_s=1.0, resend_after_real_s=1.0)
    n = args.first
    while True:
        van.store.append([event(n + each) for each in range(_AT_ONCE)], boot=van.boot, mono=float(n))
        van.publisher.notify()
        n += _AT_ONCE
        print(n - 1, flush=True)
        until_s = time.monotonic() + _EVERY_S
        while time.monotonic() < until_s:
            van.turn()
            time.sleep(0.002)


if __name__ == "__main__":
    main()
