"""A dispatch side in a process of its own, which the bench may kill: ingest and store as `roadtally dispatch` has them.

    python -m tests.links.depot PORT DATABASE [--die-after COMMITS] [--off-by SECONDS]

`--die-after` ends the process by SIGKILL after that many commits, each time before its ack could go out.
"""

from __future__ import annotations

import argparse
import os
import signal
import sys
import threading
import time
from collections.abc import Sequence
from pathlib import Path

from agent.clock import SystemClock
from agent.dispatch.ingest import Broker, Ingest
from agent.dispatch.intake import Ingested
from agent.dispatch.store import DispatchStore, open_store
from agent.dispatch.wire import LogBatch


class WrongClock(SystemClock):
    """A computer whose clock is off by so much."""

    def __init__(self, off_by_s: float) -> None:
        super().__init__()
        self._off_by_s = off_by_s

    def utc(self) -> float:
        """Wrong by that."""
        return super().utc() + self._off_by_s


def die_after(store: DispatchStore, commits: int) -> None:
    """Let the process be killed as soon as `store` has committed that many times."""
    commit, left = store.ingest_all, [commits]

    def ingest(batches: Sequence[LogBatch], *, received_s: float) -> Ingested:
        done = commit(batches, received_s=received_s)
        left[0] -= 1
        if left[0] <= 0:
            os.kill(os.getpid(), signal.SIGKILL)
        return done

    store.ingest_all = ingest  # type: ignore[method-assign]


def main() -> None:
    """Serve until the standard input closes."""
    parser = argparse.ArgumentParser()
    parser.add_argument("port", type=int)
    parser.add_argument("database", type=Path)
    parser.add_argument("--die-after", type=int)
    parser.add_argument("--off-by", type=float, default=0.0)
    args = parser.parse_args()
    store = open_store(args.database)
    if args.die_after is not None:
        die_after(store, args.die_after)
    ingest = Ingest(store, Broker(port=args.port), clock=WrongClock(args.off_by))
    ingest.start()
    threading.Thread(target=lambda: (sys.stdin.buffer.read(), os._exit(0)), daemon=True).start()
    while not ingest.link.connected:
        time.sleep(0.01)
    args.database.with_suffix(".ready").touch()
    threading.Event().wait()


if __name__ == "__main__":
    main()
