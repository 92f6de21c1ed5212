"""What any simulated day's truth must satisfy, checked by the tests of plain and of faulty days."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise
from typing import Any


def assert_manifests_follow_from_moves(truth: Mapping[str, Any]) -> None:
    """Between two departures the set aboard changes by the moves there, each at the site of the second."""
    for before, after in pairwise(truth["manifests"]):
        aboard = set(before["items"])
        for move in truth["moves"]:
            if before["departed"] < move["time"] <= after["departed"]:
                assert move["site"] == after["site"]
                assert (move["epc"] in aboard) == (move["kind"] == "unload")
                aboard ^= {move["epc"]}
        assert aboard == set(after["items"])
