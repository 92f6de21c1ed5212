"""How right the tally is, beside the rules that anybody would try first, over days that nothing was tuned on.

    python tests/bench/bench_score.py

Each seed is a day of the simulated world, once plain, once with every fault but a receiver whose dates are 1024 weeks
back: such a day has no time that it could be held against.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from agent.world.faults import ALL, NONE  # noqa: E402 - after the path is set, as all below
from tests.bench.common import Figure, main, show  # noqa: E402
from tests.bench.score import HEARD_ONCE, OWN_FINAL, print_table, table  # noqa: E402

BEGIN, DAYS = 9000, 20
# Errors (1 - F1) against those of "heard at least once on the leg" in the same run.
MOST = 1 / 6


def measure(quick: bool) -> Sequence[Figure]:  # noqa: FBT001 - what common.main calls
    """Both tables, and the tally's errors as a share of the simplest rule's."""
    days = 1 if quick else DAYS
    sites = json.loads((ROOT / "geofences" / "region.geojson").read_text(encoding="utf-8"))
    figures = []
    for name, faults in (("plain", NONE), ("with faults", replace(ALL, roll_over=0.0))):
        print(f"\n{days} vehicle-days, {name}", flush=True)
        sums = table(range(BEGIN, BEGIN + days), sites, faults=faults)
        print_table(sums)
        share = (1 - sums[OWN_FINAL].f1) / max(1 - sums[HEARD_ONCE].f1, 1e-9)
        figures.append(Figure(f"errors, share of that rule's, {name}", "", [share], most=MOST))
    show("errors (1 - F1) of the tally against 'heard at least once on the leg'", figures)
    return figures


if __name__ == "__main__":
    main(__doc__, measure)
