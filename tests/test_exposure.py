"""`roadtally exposure`: the published distance in its table, the caution always, refusal where the sum lacks a part."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from agent.cli import main

VAN = '[vehicle]\nid = "van-07"\nepc = "urn:epc:id:giai:9521141.70007"\n'
FOUR_WATTS = "[reader]\npower_dbm = 30\nantenna_gain_dbi = 6.0206\neirp_limit_dbm = 36.03\nfrequency_mhz = 915\n"


def written(folder: Path, text: str) -> list[str]:
    """The command for a vehicle file with this text."""
    path = folder / "vehicle.toml"
    path.write_text(VAN + text)
    return ["exposure", "--config", str(path)]


def test_the_published_distance_is_in_the_table(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """4 W EIRP at 915 MHz: 6.10 W/m² (47 CFR 1.1310) at 0.228 m, told as 0.23; with 2.56 times the power 0.37."""
    assert main([*written(tmp_path, FOUR_WATTS), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["eirp_w"] == pytest.approx(4.0, abs=0.001)
    assert told["limits"][0] == {"limit": "FCC", "source": "47 CFR 1.1310, general population", "w_per_m2": 6.1}
    free, ground, full = told["distances_m"]
    assert (free["FCC"], ground["FCC"], full["FCC"]) == (0.23, 0.37, 0.46)
    assert free["FCC"] < free["ICNIRP"]  # f/200 W/m² is the stricter one
    assert {plan["plan"]: plan["duty"] for plan in told["plans"]} == {
        "parked": 1.0, "parked_quiet": 0.133, "sweep": 1.0, "moving": 0.2,
    }  # fmt: skip


def test_the_plans_are_the_files(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A burst of an hour and as much pause: half of the time on the air, but a half hour's average is no better for it.

    In 30 minutes of the design's moving plan a fifth, and √(1/5) of the distance.
    """
    slow = FOUR_WATTS + "[reading]\nparked_quiet = {rounds = 120, round_s = 30.0, pause_s = 3600.0}\n"
    assert main([*written(tmp_path, slow), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    plans = {plan["plan"]: plan for plan in told["plans"]}
    assert plans["parked_quiet"]["duty"] == 0.5
    assert plans["parked_quiet"]["FCC"] == told["distances_m"][1]["FCC"] == 0.37
    assert plans["moving"]["FCC"] == pytest.approx(0.366 / 5**0.5, abs=0.01)


def test_for_people(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The sum, the table and the whole caution; nothing for the eye alone where there is no terminal."""
    assert main(written(tmp_path, FOUR_WATTS)) == 0
    told = capsys.readouterr().out
    words = " ".join(told.split())
    for part in (
        "30 dBm - 0 dB cable + 6.0206 dBi antenna = 36.02 dBm EIRP",
        "free space 0.23 m",
        "ground reflection (power x2.56) 0.37 m",
        "metal cargo box is a cavity",
        "far field",
        "Measure there",
        "competent person",
        "Medical implants, electrically fired effects",
        "local rules decide",
        "OET Bulletin 65",
    ):
        assert part in words, part
    assert "\x1b" not in told
    assert max(map(len, told.partition("CAUTION")[0].splitlines())) <= 80


def test_without_a_region_or_frequency_it_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The lowest frequency there is, for its limit is the strictest, and no word of being allowed."""
    assert main(written(tmp_path, "[reader]\npower_dbm = 27\nantenna_gain_dbi = 6\n")) == 0
    words = " ".join(capsys.readouterr().out.split())
    assert "860 MHz (not given; the lowest possible, with the strictest limit)" in words
    assert "allowed: not known; set region" in words


def test_what_the_sum_lacks_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Neither power nor gain in the file: both are named, with exit code 2, and no distance is made up."""
    assert main(written(tmp_path, "")) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert "[reader] power_dbm: missing" in captured.err
    assert "[reader] antenna_gain_dbi: missing" in captured.err


def test_more_than_allowed_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The file is held to the radio rules here as everywhere."""
    assert main(written(tmp_path, '[reader]\npower_dbm = 30\nantenna_gain_dbi = 9\nregion = "fcc"\n')) == 2
    assert "39.00 dBm EIRP; allowed: at most 36.00 dBm EIRP" in capsys.readouterr().err
