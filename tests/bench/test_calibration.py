"""Calibration by hand-worked claims, and by claims drawn to be right, too sure and too careful."""

from __future__ import annotations

import math
import xml.etree.ElementTree as ET
from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest

from tests.bench import bench_calibration
from tests.bench.calibration import BANDS, Claims, band, claims_of_day, gather, interval, table
from tests.bench.reliability import diagram
from tests.bench.test_score import TRUTH, event, manifest

SVG = "{http://www.w3.org/2000/svg}"


def sure(body: dict[str, Any], *p: float) -> dict[str, Any]:
    """The event or manifest with these probabilities of its children or lines."""
    if "items" in body:
        return {**body, "items": [{**line, "confidence": one} for line, one in zip(body["items"], p, strict=True)]}
    stated = [{"rt:epc": epc, "rt:p": one} for epc, one in zip(body["childEPCs"], p, strict=True)]
    return {**body, "rt:confidence": stated}


def test_the_claims_of_a_day_by_hand() -> None:
    """Right by stop and site, or not; what was taken back claims nothing; a move stated twice is true once."""
    events = [
        sure(event("1", "ADD", "2026-03-02T07:00:30.000Z", "depot", "a", "b"), 0.99, 0.97),
        sure(event("2", "ADD", "2026-03-02T07:20:00.000Z", "depot", "a"), 0.96),
        sure(event("3", "DELETE", "2026-03-02T08:05:00.000Z", "yard", "a"), 0.95),
        sure(event("4", "DELETE", "2026-03-02T08:06:00.000Z", "hall", "b"), 0.94),
        sure(event("4", "DELETE", "2026-03-02T08:06:00.000Z", "hall", "b", errorDeclaration={}), 0.94),
    ]
    manifests = [
        sure(manifest("1", 1, "2026-03-02T07:30:05.000Z", "a", "c"), 0.9, 0.6),
        sure(manifest("1", 2, "2026-03-02T07:30:05.000Z", "a", "b"), 0.99, 0.98),
        sure(manifest("2", 1, "2026-03-02T08:30:00.000Z", "a", "b"), 0.7, 0.8),
        sure(manifest("3", 1, "2026-03-02T12:00:00.000Z", "a"), 0.5),
    ]
    assert claims_of_day(TRUTH, events, manifests, site_of={}) == {
        "manifest lines, first revision": [(0.9, True), (0.6, False), (0.7, False), (0.8, True)],
        "manifest lines, final revision": [(0.99, True), (0.98, True), (0.7, False), (0.8, True)],
        "events": [(0.99, True), (0.97, True), (0.96, False), (0.95, False)],
    }


def test_a_child_without_a_probability_is_an_error() -> None:
    """What states no probability cannot be held against one, nor be left out unseen."""
    with pytest.raises(ValueError, match="no probability of load a"):
        claims_of_day(TRUTH, [event("1", "ADD", "2026-03-02T07:00:30.000Z", "depot", "a")], [], site_of={})


def claims(p: Sequence[float], true: Sequence[bool], day: Sequence[int] | None = None) -> Claims:
    """Claims by hand."""
    return Claims(np.array(day or [0] * len(p)), np.array(p, dtype=float), np.array(true, dtype=bool))


def test_every_claim_above_nine_tenths_is_in_one_band() -> None:
    """A bound belongs to the band below it; what is stated with 0.9 or less is in none."""
    one = claims([0.9, 0.9001, 0.95, 0.951, 0.99, 0.9901, 1.0], [True] * 7)
    assert [one.within(*bounds).p.tolist() for bounds in BANDS] == [[0.9001, 0.95], [0.951, 0.99], [0.9901, 1.0]]


def test_a_band_by_hand() -> None:
    """Of four claims at 0.96 on two days three are true: stated 0.96, true 0.75, too sure by 0.21.

    The days alone give 0.46 and -0.04, so do their draws: each of the two twice, or both.
    """
    one = claims([0.96] * 4, [True, False, True, True], [0, 0, 1, 1])
    found = band(one, 0.95, 0.99, days=2)
    assert (found.claims, found.days) == (4, 2)
    assert (found.stated, found.observed, found.difference) == pytest.approx((0.96, 0.75, 0.21))
    assert (found.low, found.high) == pytest.approx((-0.04, 0.46))
    assert found.verdict == "holds"
    empty = band(one, 0.99, 1.0, days=2)
    assert (empty.claims, empty.verdict) == (0, "no claims")
    assert math.isnan(empty.low)


def drawn(p: float, true: float, *, days: int, each: int, seed: int) -> Claims:
    """So many claims a day, stated with p; a day's claims lean together as a day's mishaps do."""
    rng = np.random.default_rng(seed)
    share = rng.beta(50 * true, 50 * (1 - true), size=days)
    day = np.repeat(np.arange(days), each)
    return Claims(day, np.full(len(day), p), rng.random(len(day)) < share[day])


def test_the_interval_holds_the_truth_as_often_as_it_says() -> None:
    """Days drawn anew a hundred times: the true difference, none, lies within the interval in 95 of them or more.

    A percentile bootstrap over 30 days is a little narrow (common practice, no source).
    """
    held = 0
    for seed in range(100):
        one = drawn(0.97, 0.97, days=30, each=40, seed=seed)
        low, high = interval(one, one.p - one.true, days=30)
        held += low <= 0.0 <= high
    assert held >= 95


@pytest.mark.parametrize(("true", "verdict"), [(0.97, "holds"), (0.90, "TOO SURE"), (0.999, "too careful")])
def test_what_is_off_is_said_and_in_which_direction(true: float, verdict: str) -> None:
    """Stated with 0.97 over forty days: true so often, nine times in ten, nearly always."""
    assert band(drawn(0.97, true, days=40, each=60, seed=3), 0.95, 0.99, days=40).verdict == verdict


def test_a_few_claims_that_are_all_true_prove_nothing() -> None:
    """Five of five at 0.93 happens in seven of ten cases; two hundred of two hundred does not."""
    assert band(claims([0.93] * 5, [True] * 5), 0.9, 0.95, days=2).verdict == "holds"
    assert band(claims([0.93] * 200, [True] * 200), 0.9, 0.95, days=2).verdict == "too careful"


def test_days_are_kept_apart_and_the_table_has_every_band() -> None:
    """The second day's claims are day 1; a day may have none; every kind has its three lines."""
    days = [{"events": [(0.96, True)]}, {"events": []}, {"events": [(0.97, False), (0.995, True)]}]
    kinds = gather(days)
    assert kinds["events"].day.tolist() == [0, 2, 2]
    lines = table(kinds, days=3)
    assert [line.split()[0] for line in lines] == ["stated", "events", "0.9", "0.95", "over"]
    assert gather([]) == {}


def test_the_diagram_is_svg_with_a_point_for_each_joint_of_claims() -> None:
    """Well-formed; what is true as often as stated lies on the line; claims of which none was wrong are a ring."""
    kinds = {"events": drawn(0.97, 0.97, days=40, each=100, seed=5), "lines": claims([0.999] * 9, [True] * 9)}
    root = ET.fromstring(diagram(kinds, days=40))  # noqa: S314 - our own words
    groups = [group for group in root.iter(f"{SVG}g") if group.get("class") == "kind"]
    circles = [list(group.iter(f"{SVG}circle"))[:-1] for group in groups]  # the last is the key's
    assert [len(each) for each in circles] == [1, 1]
    one, ring = circles[0][0], circles[1][0]
    across = (float(one.get("cx", "")) - 70 + 3) / 420  # kinds are drawn side by side
    upward = (450 - float(one.get("cy", ""))) / 420
    assert across == pytest.approx(math.log(0.5 / 0.03) / math.log(0.5 / 0.0005), abs=1e-3)
    assert upward == pytest.approx(across, abs=0.04)
    assert ring.get("fill") == "#fff" != one.get("fill")


@pytest.mark.integration
def test_the_benchmark_runs(capsys: pytest.CaptureFixture[str]) -> None:
    """Two short days recorded, replayed and held against what happened: every kind has claims, most of them true."""
    found = bench_calibration.claims(range(2), profile=bench_calibration.SHORT)
    assert set(found) == {"manifest lines, first revision", "manifest lines, final revision", "events"}
    for each in found.values():
        assert len(each) >= 10
        assert each.true.mean() > 0.8
    figures = bench_calibration.measure(True)  # noqa: FBT003 - it has the one parameter
    assert [each.name for each in figures] == ["bands that are too sure"]
    assert "vehicle-days" in capsys.readouterr().out
