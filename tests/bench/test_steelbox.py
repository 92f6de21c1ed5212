"""The steel-box world by what physics and the formats say of it, on short weeks of fixed seeds."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from agent.register import parse_register
from agent.replay import replay
from agent.setup import read_setup
from agent.units import parse_utc
from tests.bench.score import score, truth_of
from tests.bench.steelbox import make_week, write_week
from tests.bench.steelbox.gen2 import Inventory, singulate
from tests.bench.steelbox.goods import register_csv
from tests.bench.steelbox.habits import choose
from tests.bench.steelbox.radio import ABOARD, BEHIND, Box, cavity_db, friis_db
from tests.bench.steelbox.scoring import heard_once
from tests.bench.steelbox.week import recording

SEED = 2  # hardly a load, so that the tests are quick


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One day of a small week."""
    path = tmp_path_factory.mktemp("steelbox")
    write_week(make_week(SEED, days=1), path)
    return path


def box(count: int, *, antennas: int = 2) -> Box:
    """A closed empty box with tags in its middle."""
    radio = choose(SEED, days=1).radio
    rng = np.random.default_rng(8)
    made = Box(replace(radio, antennas=antennas, faults=(), door_wall_db=30.0), np.full(count, -15.0), rng)
    made.place(np.arange(count), ABOARD, np.tile([2.0, 0.0, 1.0], (count, 1)), np.zeros(count))
    return made


def test_free_space_loss() -> None:
    """Friis between isotropic antennas: 20 log10(4πd/λ), 31.2 dB at 1 m and 866.5 MHz, 6.02 dB more at twice as far."""
    one, two = friis_db(np.array([1.0, 2.0]))
    assert one == pytest.approx(31.2, abs=0.05)
    assert two - one == pytest.approx(6.02, abs=0.01)


def test_a_better_cavity_loses_less() -> None:
    """Mean power in a cavity is proportional to Q: ten times the Q is 10 dB."""
    assert cavity_db(30.0) - cavity_db(300.0) == pytest.approx(10.0)


def test_diffuse_waves_alone_are_rayleigh() -> None:
    """Without a direct part the power is exponential: median over mean is ln 2, and 1 in 10 lies under -9.8 dB."""
    made = box(20_000)
    made.direct[:] = 0
    power = 10 ** (made.incident_dbm()[0] / 10)
    assert np.median(power) / power.mean() == pytest.approx(math.log(2), abs=0.02)
    assert np.quantile(power, 0.1) / power.mean() == pytest.approx(-math.log(0.9), abs=0.01)


def test_a_standing_wave_stands_until_something_moves() -> None:
    """Strengths stay to the last digit while nothing moves; with 0.36 stirred the correlation is √0.64."""
    made = box(5000)
    made.direct[:] = 0
    before, wave = made.incident_dbm(), made.wave[0].copy()
    assert np.array_equal(made.incident_dbm(), before)
    made.stir(0.36)
    assert np.vdot(made.wave[0], wave).real / 5000 == pytest.approx(0.8, abs=0.05)


def test_doors_shut_the_dock_out() -> None:
    """A tag behind the van loses what the doors weigh when they close, and one in the box hears the box ring more."""
    made = box(400)
    behind = np.arange(200)
    made.place(behind, BEHIND, np.tile([7.0, 0.0, 1.0], (200, 1)), np.zeros(200))
    made.set_doors(is_open=True)
    opened = 10 * np.log10((np.abs(made.direct) ** 2 + made.diffuse**2).mean(axis=0))
    made.set_doors(is_open=False)
    closed = 10 * np.log10((np.abs(made.direct) ** 2 + made.diffuse**2).mean(axis=0))
    assert (opened[:200] - closed[:200]).mean() > 20
    assert (closed[200:] > opened[200:]).all()


def test_all_are_heard_when_there_is_time() -> None:
    """Slotted ALOHA with an adapting Q gets every tag that answers, in time that grows with their number."""
    rng = np.random.default_rng(1)
    spent = []
    for count in (10, 100):
        heard, seconds, _ = singulate(rng.random(count) + 0.5, np.ones(count), limit_s=9.0, q=4.0, rng=rng)
        assert heard.all()
        spent.append(seconds)
    assert spent[1] > 5 * spent[0]


def test_time_limits_a_round() -> None:
    """Of 300 tags no more are heard in 0.2 s than single slots fit in: 57 of 3.5 ms."""
    heard, _, _ = singulate(np.ones(300), np.ones(300), limit_s=0.2, q=8.0, rng=np.random.default_rng(2))
    assert 20 < heard.sum() <= 57


@pytest.mark.parametrize(("session", "again"), [("S0", 1.0), ("S1", 0.0), ("S2", 1.0)])
def test_session_flags(session: str, again: float) -> None:
    """Asked again half a second later, S0 answers, S1 is silent (0.5 to 5 s, Gen2), S2 answers to the other target."""
    radio = replace(choose(SEED, days=1).radio, antennas=1, session=session, dwell_s=0.5)
    inventory = Inventory(radio, 20, np.random.default_rng(3))
    inventory.persists_s[:] = 3.0
    tags, strong, rssi = np.arange(20), np.full((1, 20), 0.0), np.full((1, 20), -50.0)
    needs = np.full(20, -15.0)
    first = inventory.round(tags, strong, rssi, needs, at_s=100.0)
    second = inventory.round(tags, strong, rssi, needs, at_s=101.0)
    assert sum(len(found) for _, found, _, _ in first) == 20
    assert sum(len(found) for _, found, _, _ in second) == 20 * again


def test_the_same_seed_is_the_same_week(folder: Path) -> None:
    """A week made again is the same to the byte."""
    lines, _ = recording(make_week(SEED, days=1))
    assert "".join(lines) == (folder / "recording.jsonl").read_text("utf-8")


def test_moves_and_manifests_agree() -> None:
    """What is aboard on a leg is what was aboard on the leg before, and the moves of the stop between."""
    for seed in (5, 6, 12):
        truth = make_week(seed, days=2).story.truth()
        moves = truth_of(truth).moves
        before = None
        for number, manifest in enumerate(truth["manifests"]):
            loads = {epc for kind, epc, stop in moves if stop == number and kind == "load"}
            unloads = {epc for kind, epc, stop in moves if stop == number and kind == "unload"}
            after = set(manifest["items"])
            if before is not None:
                assert before | loads == after | unloads
                assert not loads & before
                assert unloads <= before
            before = after
        sites = [stop["site"] for stop in truth["stops"]]
        assert all(move[2] < len(sites) for move in moves)


def test_time_runs_on(folder: Path) -> None:
    """Within a boot the lines' clock never runs back, and every round's reads stand before it on its antennas."""
    mono, heard = -1.0, set()
    for text in (folder / "recording.jsonl").read_text("utf-8").splitlines():
        line = json.loads(text)
        if line["kind"] == "boot":
            mono, heard = -1.0, set()
        assert line["mono"] >= mono
        mono = line["mono"]
        if line["kind"] == "read":
            heard.add(line["antenna"])
        elif line["kind"] == "round":
            assert heard <= set(line["antennas"])
            heard = set()


def test_members_name_their_cage() -> None:
    """The register's `case` is a roll-cage of the same register."""
    week = make_week(4, days=1)
    listed = parse_register(register_csv(week.goods, "van-03"), file="register.csv")
    cases = {listing.case for listing in listed.listings if listing.case}
    assert cases
    assert {listed.by_epc[case].type for case in cases} == {"roll-cage"}


def test_a_replay_reads_all_of_it(folder: Path, tmp_path: Path) -> None:
    """No line is skipped, and the rule's sets have as many legs as the truth."""
    setup = read_setup(config=folder / "vehicle.toml", sites=folder / "geofences", register=folder / "register.csv")
    summary = replay(setup, folder / "recording.jsonl", tmp_path)
    assert summary["skipped"] == {}
    truth = json.loads((folder / "truth.json").read_text("utf-8"))
    said = heard_once(folder, truth)
    assert score(truth_of(truth), said).legs == len(truth["manifests"])
    assert all(parse_utc(leg["arrived"]) > parse_utc(leg["departed"]) for leg in truth["manifests"])
