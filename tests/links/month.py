"""A month without coverage comes home, while broker and dispatch side are killed -9 in the middle of it."""

from __future__ import annotations

import random
import tempfile
import time
from pathlib import Path

from agent.messages import MAX_RECORDS
from agent.publisher_window import MOST_BATCHES
from tests.links.bench import Sides, Verdict, compare

MONTH_RECORDS, KILLS = 15_000, 8
_AT_ONCE = MOST_BATCHES * MAX_RECORDS
"""As many as are on their way at once, and so at most as many as one ack covers."""


def month(seed: int, *, records: int = MONTH_RECORDS, kills: int = KILLS) -> Verdict:
    """Live it and compare; `did` names whom it hit, and how many records waited then."""
    began_s = time.monotonic()
    chance = random.Random(seed)  # noqa: S311 - a test's luck
    marks = sorted((chance.randrange(_AT_ONCE, records) for _ in range(kills)), reverse=True)
    did: list[str] = []
    problems: list[str] = []
    with tempfile.TemporaryDirectory(prefix="roadtally-month-") as name:
        sides = Sides(Path(name), seed=seed)
        try:
            sides.no_coverage()
            while sides.made < records:
                sides.append(min(500, records - sides.made))
            sides.mend()
            for number, mark in enumerate(marks):
                sides.turn_for(60.0, until=lambda mark=mark: sides.van.store.backlog() <= mark)  # type: ignore[misc]
                waiting = sides.van.store.backlog()
                if not 0 < waiting < records:
                    problems.append(f"{waiting} records waited when something should be killed in the middle")
                if number % 2:
                    sides.stop_depot()
                    sides.start_depot()
                else:
                    sides.broker_killed()
                did.append(f"{'dispatch side' if number % 2 else 'broker'} killed at {waiting}")
            if not sides.heal():
                problems.append(f"the outbox did not become empty: {sides.how_it_stands()}")
            sides.van.publisher.raise_if_failed()
        finally:
            sides.close()
        lost, doubled, different, others = compare(sides.store, sides.database)
    problems += others
    if lost or doubled or different:
        problems.append(f"{lost} lost, {doubled} doubled, {different} different")
    took_s = time.monotonic() - began_s
    return Verdict(seed, tuple(did), records, lost, doubled, different, tuple(problems), took_s)
