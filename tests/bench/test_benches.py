"""The benchmarks themselves: what a figure says, and that each script runs and finds its own figures."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence

import pytest

from tests.bench import bench_board, bench_disk, bench_ingest, bench_link, bench_replay, bench_start
from tests.bench.common import Figure, machine, number, show


def test_a_figure_is_its_median_and_one_lucky_run_does_not_meet_a_target() -> None:
    """Two slow runs of three miss a target that the third one meets."""
    slow = Figure("start", "s", [1.0, 2.5, 3.0], most=2.0)
    assert (slow.median, slow.is_met, slow.target) == (2.5, False, "under 2.00")
    assert Figure("start", "s", [1.0, 1.5, 3.0], most=2.0).is_met
    assert not Figure("speed", "x", [4_000.0, 4_999.0, 9_000.0], least=5_000.0).is_met
    assert Figure("speed", "x", [5_000.0], least=5_000.0).is_met
    assert Figure("size", "kB", [1e9]).is_met


def test_a_missed_target_is_said(capsys: pytest.CaptureFixture[str]) -> None:
    """The table says "met" or "MISSED" beside the target, and nothing where there is none."""
    show("t", [Figure("a", "s", [3.0], most=2.0), Figure("b", "s", [1.0], most=2.0), Figure("c", "s", [1.0])])
    a, b, c = capsys.readouterr().out.splitlines()[2:]
    assert a.endswith("under 2.00: MISSED")
    assert b.endswith("under 2.00: met")
    assert c.endswith("(one run)")


@pytest.mark.parametrize(
    ("value", "text"), [(0.0, "0.00"), (1.234, "1.23"), (12.34, "12.3"), (123.4, "123"), (12_345.6, "12,346")]
)
def test_numbers_show_three_figures(value: float, text: str) -> None:
    """More would pretend to an exactness that no run has."""
    assert number(value) == text


def test_the_machine_is_said() -> None:
    """Cores, Python, numpy and the load stand before every table."""
    assert re.match(r"\d+ cores, .+, Python 3\.\d+\.\d+, numpy \d.*; load before: ", machine())


@pytest.mark.integration
@pytest.mark.parametrize(
    "measure",
    [
        bench_replay.measure,
        bench_link.measure,
        bench_start.measure,
        bench_ingest.measure,
        bench_disk.measure,
        bench_board.measure,
    ],
)
def test_a_benchmark_runs(measure: Callable[[bool], Sequence[Figure]], capsys: pytest.CaptureFixture[str]) -> None:
    """In its quick form every figure comes out positive, and is printed."""
    figures = measure(True)  # noqa: FBT003 - it has the one parameter
    printed = capsys.readouterr().out
    assert figures
    for each in figures:
        assert each.median > 0
        assert each.name in printed
