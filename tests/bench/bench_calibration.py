"""Is what the tally states as true as it states it? Bands of stated probability over days of the simulated world.

    python tests/bench/bench_calibration.py

Each seed is a vehicle-day, recorded, replayed and held against what truly happened. The reliability diagram goes to
`out/reliability.svg`.
"""

from __future__ import annotations

import json
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from agent.world import Profile, make_day  # noqa: E402 - after the path is set, as all below
from tests.bench.calibration import BANDS, Claims, band, claims_of_day, gather, table  # noqa: E402
from tests.bench.common import Figure, main  # noqa: E402
from tests.bench.reliability import diagram  # noqa: E402
from tests.bench.score import replayed  # noqa: E402

# Days that nothing was tuned on.
BEGIN, DAYS = 7000, 20
SHORT = Profile(items=(8, 9), stops=(2, 3), long_stop=False)


def claims(seeds: Sequence[int], *, profile: Profile | None = None) -> dict[str, Claims]:
    """What replaying the days of these seeds states, by kind; a figure of merit of the tally alone."""
    sites = json.loads((ROOT / "geofences" / "region.geojson").read_text(encoding="utf-8"))
    days = []
    for seed in seeds:
        day = make_day(seed, sites=sites, profile=profile) if profile else make_day(seed, sites=sites)
        with tempfile.TemporaryDirectory() as folder:
            events, manifests, site_of = replayed(day, seed=seed, folder=Path(folder))
        days.append(claims_of_day(day.truth, events, manifests, site_of=site_of))
    return gather(days)


def measure(quick: bool) -> Sequence[Figure]:  # noqa: FBT001 - what common.main calls
    """All bands, printed and drawn."""
    days = 2 if quick else DAYS
    kinds = claims(range(BEGIN, BEGIN + days), profile=SHORT if quick else None)
    print(f"\ncalibration, {days} vehicle-days")
    print("\n".join(table(kinds, days=days)))
    out = ROOT / "out"
    out.mkdir(exist_ok=True)
    (out / "reliability.svg").write_text(diagram(kinds, days=days), encoding="utf-8")
    print(f"    drawn in {(out / 'reliability.svg').relative_to(ROOT)}")
    bands = [band(each, *bounds, days=days) for each in kinds.values() for bounds in BANDS]
    off = sum(one.verdict == "TOO SURE" for one in bands)
    return [Figure("bands that are too sure", "of 9", [float(off)], most=1.0)]


if __name__ == "__main__":
    main(__doc__, measure)
