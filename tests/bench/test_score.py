"""The scoring by a hand-worked day, and the rules by streams whose answer is plain."""

from __future__ import annotations

import numpy as np
import pytest

from tests.bench.baselines import Heard, Said, differences, heard_once, last_minute, windows
from tests.bench.score import Score, said_by, score, truth_of

TRUTH = {
    "moves": [
        {"kind": "load", "epc": "a", "site": "depot", "time": "2026-03-02T07:00:00.000Z"},
        {"kind": "load", "epc": "b", "site": "depot", "time": "2026-03-02T07:01:00.000Z"},
        {"kind": "unload", "epc": "a", "site": "hall", "time": "2026-03-02T08:05:00.000Z"},
    ],
    "manifests": [
        {"departed": "2026-03-02T07:30:00.000Z", "site": "depot", "items": ["a", "b"]},
        {"departed": "2026-03-02T08:30:00.000Z", "site": "hall", "items": ["b"]},
    ],
    "stops": [
        {"site": "depot", "arrived": None, "departed": "2026-03-02T07:30:00.000Z"},
        {"site": "hall", "arrived": "2026-03-02T08:00:00.000Z", "departed": "2026-03-02T08:30:00.000Z"},
        {"site": "depot", "arrived": "2026-03-02T09:00:00.000Z", "departed": None},
    ],
}


def event(ident: str, action: str, at: str, site: str, *epcs: str, **more: object) -> dict[str, object]:
    """An AggregationEvent with what scoring reads."""
    return {
        "type": "AggregationEvent",
        "eventID": ident,
        "action": action,
        "eventTime": at,
        "bizLocation": {"id": f"urn:roadtally:site:{site}"},
        "childEPCs": list(epcs),
        **more,
    }


def manifest(ident: str, revision: int, at: str, *epcs: str) -> dict[str, object]:
    """A manifest with what scoring reads."""
    items = [{"epc": epc} for epc in epcs]
    return {"manifest": ident, "revision": revision, "departed": {"time": at}, "items": items}


def test_a_day_by_hand() -> None:
    """Of three moves one is at the wrong site and one was taken back: one right of two stated; one leg of two exact."""
    events = [
        event("1", "ADD", "2026-03-02T07:00:30.000Z", "depot", "a"),
        event("2", "ADD", "2026-03-02T07:01:30.000Z", "depot", "b"),
        event("2", "ADD", "2026-03-02T07:01:30.000Z", "depot", "b", errorDeclaration={}),
        event("3", "DELETE", "2026-03-02T08:05:00.000Z", "yard", "a"),
    ]
    manifests = [
        manifest("1", 1, "2026-03-02T07:30:05.000Z", "a"),
        manifest("1", 2, "2026-03-02T07:30:05.000Z", "a", "b"),
        manifest("2", 1, "2026-03-02T08:30:00.000Z", "a", "b"),
    ]
    truth = truth_of(TRUTH)
    assert truth.moves == (("load", "a", 0), ("load", "b", 0), ("unload", "a", 1))
    final = score(truth, said_by(TRUTH, events, manifests, site_of={}))
    assert final == Score(right=1, stated=2, happened=3, exact=1, legs=2, item_legs_right=3, item_legs=4)
    assert final.f1 == pytest.approx(2 * 1 / 5)
    first = score(truth, said_by(TRUTH, events, manifests, site_of={}, first=True))
    assert first.exact == 0


def test_a_missing_manifest_is_never_exact() -> None:
    """No manifest for a leg counts as wrong, though nothing had been aboard."""
    truth = Said((), (frozenset(),))
    leg = {"moves": [], "manifests": [{**TRUTH["manifests"][0], "items": []}], "stops": TRUTH["stops"]}
    assert score(truth, said_by(leg, [], [], site_of={})).exact == 0


def rounds(heard: np.ndarray) -> Heard:
    """Rounds of 2 s."""
    return Heard(2.0 * np.arange(1, len(heard) + 1), heard, tuple("abcdef"[: heard.shape[1]]))


def test_once_and_last_minute() -> None:
    """A tag heard once, two minutes after departure, is aboard to the one rule and not to the other."""
    heard = np.zeros((200, 2), dtype=np.bool_)
    heard[:, 0] = True
    heard[160, 1] = True  # at 322 s
    assert heard_once(rounds(heard), 200.0, 400.0).tolist() == [True, True]
    assert last_minute(rounds(heard), 200.0, 400.0).tolist() == [True, False]


def test_the_adaptive_window_bridges_a_weak_tag_and_sees_it_go() -> None:
    """SMURF keeps a tag read in 3 of 10 epochs present nearly always, and drops one that left within minutes."""
    rng = np.random.default_rng(2)
    heard = np.zeros((3000, 2), dtype=np.bool_)
    heard[:, 0] = rng.random(3000) < 0.07  # of five rounds an epoch
    heard[:1500, 1] = rng.random(1500) < 0.6
    _, present = windows(rounds(heard))
    read = np.add.reduceat(heard[:, 0], np.arange(0, 3000, 5)) > 0
    assert read.mean() < 0.4
    assert present[20:-20, 0].mean() > 0.9
    assert present[10:290, 1].mean() > 0.95
    assert not present[320:, 1].any()


def test_differences_are_moves() -> None:
    """What is aboard before and after a stop differs by what was loaded and unloaded there."""
    assert differences([frozenset(), frozenset("ab"), frozenset("bc")]) == (
        ("load", "a", 0),
        ("load", "b", 0),
        ("load", "c", 1),
        ("unload", "a", 1),
    )
