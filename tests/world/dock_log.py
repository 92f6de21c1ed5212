"""The open dock-door log (standards/dock_reads) and the figures of a stream of reads that can be held against it.

`silence` is a tag's longest silence times its mean rate: ln(n) + 0.58 for independent reads, more where fades last.
`fano` is the variance of its counts in 5 s over their mean: 1 for a Poisson stream.
"""

from __future__ import annotations

import gzip
from collections import defaultdict
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

FEWEST_READS = 20
COUNTED_S = 5.0


@dataclass(frozen=True, slots=True)
class Figures:
    """Of many tags: longest silence times mean rate, and Fano factor; percentiles 50 and 90."""

    tags: int
    silence: float
    silence_p90: float
    fano: float
    fano_p90: float


def figures(reads: dict[str, list[float]], *, begin_s: float, end_s: float) -> Figures:
    """The figures of reads (tag to times) between two moments, of tags read at least 20 times."""
    silences, fanos = [], []
    for times in reads.values():
        if len(times) < FEWEST_READS:
            continue
        stamps = np.sort(times)
        gaps = np.diff(np.concatenate([[begin_s], stamps, [end_s]]))
        silences.append(gaps.max() * len(stamps) / (end_s - begin_s))
        counts = np.histogram(stamps, bins=np.arange(begin_s, end_s, COUNTED_S))[0]
        fanos.append(counts.var() / counts.mean())
    percentiles = [*np.percentile(silences, [50, 90]), *np.percentile(fanos, [50, 90])]
    return Figures(len(silences), *(float(value) for value in percentiles))


def read_door(path: Path) -> list[tuple[float, str, int]]:
    """One run of the log, a row a read: time in seconds, tag, antenna.

    Two antennas look in, two out. That 1 and 2 belong together shows in the reads: they go silent together when the
    pack changes sides, and 3 and 4 begin. Which pair is in is not told.
    """
    rows = []
    with gzip.open(path, "rt", encoding="utf-8") as lines:
        for line in lines:
            if line.startswith("//"):
                continue
            stamp, epc, _, antenna = line.split(";")[:4]
            # The log has seven decimals of a second, Python takes six.
            rows.append((datetime.fromisoformat(stamp[:26] + stamp[27:]).timestamp(), epc, int(antenna)))
    return rows


def read_run(path: Path) -> dict[str, list[float]]:
    """One run of the log: tag to times in seconds."""
    reads: dict[str, list[float]] = defaultdict(list)
    for at_s, epc, _ in read_door(path):
        reads[epc].append(at_s)
    return dict(reads)


def read_labels(folder: Path, pattern: str) -> list[str]:
    """The tags that the label files of this pattern name."""
    return [tag for path in sorted(folder.glob(pattern)) for tag in path.read_text(encoding="utf-8").split()]


def poisson_like(
    reads: dict[str, list[float]], rng: np.random.Generator, *, begin_s: float, end_s: float
) -> dict[str, list[float]]:
    """As many reads of each tag, at independent moments: what a world without fades would give."""
    spread: dict[str, NDArray[np.float64]] = {
        tag: rng.uniform(begin_s, end_s, len(times)) for tag, times in reads.items()
    }
    return {tag: times.tolist() for tag, times in spread.items()}
