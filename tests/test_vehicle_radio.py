"""The radio keys of the vehicle file: more than a region allows is refused at the start, with the sum shown."""

from __future__ import annotations

import pytest

from agent.errors import ConfigError
from agent.vehicle import Vehicle, parse_vehicle
from agent.vehicle_radio import power_in_use_dbm, radiated, radio_verdict

VAN = '[vehicle]\nid = "van-07"\nepc = "urn:epc:id:giai:9521141.70007"\n'
ASSESSED = '[rf_assessment]\nby = "A. Person"\ndate = 2026-02-20\npower_dbm = 31.0\npeople_inside = "pause"\n'


def parsed(text: str) -> Vehicle:
    """A good file."""
    return parse_vehicle(VAN + text, file="vehicle.toml")


def problem_of(text: str) -> str:
    """The one thing that is wrong."""
    with pytest.raises(ConfigError) as caught:
        parsed(text)
    (problem,) = caught.value.problems
    return str(problem)


def test_more_than_is_allowed_is_refused_with_the_sum() -> None:
    """30 dBm with a 9 dBi antenna and 1 dB of cable: 38 dBm EIRP, where 47 CFR 15.247 allows 36 and 27 conducted."""
    told = problem_of('[reader]\npower_dbm = 30\nregion = "fcc"\nantenna_gain_dbi = 9\ncable_loss_db = 1\n')
    assert told == (
        "vehicle.toml, [reader] power_dbm: radiates more than is allowed: 30 dBm - 1 dB cable + 9 dBi antenna"
        " = 38.00 dBm EIRP; allowed: at most 36.00 dBm EIRP (47 CFR 15.247) and 27 dBm conducted (47 CFR 15.247,"
        " 3 dB less for the antenna's gain over 6 dBi); set at most 27.00 dBm, or another antenna or cable."
    )


def test_what_was_assessed_is_held_to_the_rules_too() -> None:
    """Without power_dbm the reader goes as high as assessed, so that is what is summed."""
    reader = '[reader]\nregion = "etsi"\nantenna_gain_dbi = 6\n'
    assert "31 dBm - 0 dB cable + 6 dBi antenna = 37.00 dBm EIRP" in problem_of(ASSESSED + reader)
    lower = parsed(ASSESSED + reader + "power_dbm = 29\n")
    assert power_in_use_dbm(lower) == 29.0
    verdict = radio_verdict(lower)
    assert verdict is not None
    assert verdict.allowed


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('region = "other"\nantenna_gain_dbi = 6\n', '[reader] region: a region that is "other" says no limit'),
        ('region = "fcc"\n', "[reader] antenna_gain_dbi: missing beside region"),
        ("eirp_limit_dbm = 33\n", "[reader] antenna_gain_dbi: missing beside region"),
        (
            'region = "etsi"\nantenna_gain_dbi = 6\nfrequency_mhz = 915\n',
            "[reader] frequency_mhz: outside 865 to 868 MHz, for which EN 302 208, 2 W ERP holds (got 915.0)",
        ),
        ('region = "mars"\n', '[reader] region (got \'mars\'); give "fcc", "etsi" or "other"'),
        ("cable_loss_db = -1\n", "[reader] cable_loss_db (got -1); give dB lost in the cable, 0 to 30"),
        ("eirp_limit_dbm = 30\nantenna_gain_dbi = 8\npower_dbm = 27\n", "at most 30.00 dBm EIRP (eirp_limit_dbm)"),
    ],
)
def test_faults(text: str, said: str) -> None:
    """Each is told with its key and what to do."""
    assert said in problem_of("[reader]\n" + text)


def test_without_a_region_nothing_is_summed_and_nothing_refused() -> None:
    """No region, no verdict: it is `check` that says so; the old files go on working."""
    vehicle = parsed("[reader]\npower_dbm = 36\n")
    assert radiated(vehicle) is None
    assert radio_verdict(vehicle) is None


@pytest.mark.parametrize(
    ("text", "mhz"),
    [("", 860.0), ('region = "fcc"\n', 902.0), ('region = "etsi"\n', 865.0), ("frequency_mhz = 920.5\n", 920.5)],
)
def test_the_frequency_with_the_strictest_limit(text: str, mhz: float) -> None:
    """Both exposure limits rise with the frequency, so what is not told is taken as low as it can be."""
    assert parsed("[reader]\nantenna_gain_dbi = 6\n" + text).reader.lowest_mhz == mhz
