"""The sums of radiated power and of exposure, against published values."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.radio_rules import (
    EXPOSURE_LIMITS,
    FCC_PUBLIC,
    FULL_REFLECTION,
    GROUND_REFLECTION,
    ICNIRP_PUBLIC,
    RULES,
    Radiated,
    dbi_of_dbd,
    dbm_of,
    distance_m,
    eirp_of_erp,
    judge,
    watts_of,
)

FEET_M = 0.3048


def test_the_published_limits() -> None:
    """1 W conducted and 6 dBi are 36 dBm EIRP, or 4 W (47 CFR 15.247); 2 W ERP are 35.16 dBm EIRP (EN 302 208)."""
    assert Radiated(dbm_of(1.0), 0.0, 6.0).eirp_dbm == pytest.approx(36.0)
    assert RULES["fcc"].eirp_dbm == 36.0
    assert watts_of(36.0) == pytest.approx(4.0, abs=0.02)
    assert RULES["etsi"].eirp_dbm == pytest.approx(35.16, abs=0.005)
    assert eirp_of_erp(dbm_of(2.0)) == RULES["etsi"].eirp_dbm
    assert dbi_of_dbd(3.85) == pytest.approx(6.0)


def test_the_sum_is_shown() -> None:
    """A cable's loss lowers what is radiated, an antenna's gain raises it, and the text has every term."""
    radiated = Radiated(29.5, 1.5, 8.0)
    assert radiated.eirp_dbm == 36.0
    assert str(radiated) == "29.5 dBm - 1.5 dB cable + 8 dBi antenna = 36.00 dBm EIRP"


@pytest.mark.parametrize(
    ("conducted", "loss", "gain", "allowed"),
    [
        (30.0, 0.0, 6.0, True),
        (30.1, 0.0, 6.0, False),
        (30.1, 3.0, 6.0, False),  # 33.1 dBm EIRP, but more than 1 W conducted
        (30.0, 0.0, 8.0, False),
        (28.0, 0.0, 8.0, True),  # 2 dB over 6 dBi: 2 dB less
        (29.0, 2.0, 8.0, False),  # 35 dBm EIRP; by the letter the cable earns nothing back
        (30.0, 0.0, -2.0, True),
    ],
)
def test_fcc(conducted: float, loss: float, gain: float, *, allowed: bool) -> None:
    """47 CFR 15.247 (b)(2), (b)(4): at most 1 W conducted, and less by each dB of gain over 6 dBi."""
    verdict = judge(Radiated(conducted, loss, gain), region="fcc", eirp_limit_dbm=None)
    assert verdict is not None
    assert verdict.allowed is allowed
    assert f"= {conducted - loss + gain:.2f} dBm EIRP" in verdict.text


@pytest.mark.parametrize(
    ("conducted", "loss", "gain", "allowed"),
    [(31.5, 2.4, 6.0, True), (31.5, 2.3, 6.0, False), (35.16, 0.0, 0.0, True), (35.17, 0.0, 0.0, False)],
)
def test_etsi(conducted: float, loss: float, gain: float, *, allowed: bool) -> None:
    """EN 302 208 limits what is radiated, 2 W ERP, and nothing else."""
    verdict = judge(Radiated(conducted, loss, gain), region="etsi", eirp_limit_dbm=None)
    assert verdict is not None
    assert verdict.allowed is allowed
    assert "at most 35.16 dBm EIRP (EN 302 208, 2 W ERP)" in verdict.text


def test_a_limit_of_ones_own() -> None:
    """It holds where no region is given, can lower what a region allows, and can never raise it."""
    sum_ = Radiated(27.0, 0.0, 6.0)
    assert judge(sum_, region=None, eirp_limit_dbm=None) is None
    assert judge(sum_, region="other", eirp_limit_dbm=None) is None
    for region, limit, allowed in (
        (None, 33.0, True),
        ("other", 32.9, False),
        ("fcc", 32.0, False),
        ("fcc", 50.0, True),
    ):
        verdict = judge(sum_, region=region, eirp_limit_dbm=limit)
        assert verdict is not None
        assert verdict.allowed is allowed, region
    strong = judge(Radiated(30.0, 0.0, 7.0), region="fcc", eirp_limit_dbm=50.0)
    assert strong is not None
    assert not strong.allowed


@given(
    st.floats(0.0, 36.0), st.floats(0.0, 20.0), st.floats(-10.0, 15.0), st.sampled_from(["fcc", "etsi", "other"])
)
def test_the_most_is_allowed_and_more_is_not(conducted: float, loss: float, gain: float, region: str) -> None:
    """The conducted power that is told as the most is allowed itself, and a hundredth of a dB above is not."""
    told = judge(Radiated(conducted, loss, gain), region=region, eirp_limit_dbm=33.0)
    assert told is not None
    for more_dbm, allowed in ((0.0, True), (0.01, False)):
        again = judge(Radiated(told.most_dbm + more_dbm, loss, gain), region=region, eirp_limit_dbm=33.0)
        assert again is not None
        assert again.allowed is allowed


def test_exposure_of_four_watts() -> None:
    """47 CFR 1.1310: at 915 MHz S = f/1500 mW/cm² = 6.10 W/m², and 4 W EIRP falls to it at 0.228 m."""
    density = FCC_PUBLIC.density_w_m2(915.0)
    assert density == pytest.approx(6.10, abs=0.005)
    assert distance_m(4.0, density) == pytest.approx(0.228, abs=0.0005)


def test_the_reference_level_of_icnirp() -> None:
    """f/200 W/m² for the general public, 400 to 2000 MHz: 4.5 W/m² at 900 MHz, the figure quoted for GSM."""
    assert ICNIRP_PUBLIC.density_w_m2(900.0) == 4.5


@pytest.mark.parametrize(
    ("watts", "density_w_m2", "feet"), [(500.0, 10.0, 166), (1500.0, 10.0, 287), (1500.0, 2.0, 642)]
)
def test_the_fccs_own_worked_distances(watts: float, density_w_m2: float, feet: int) -> None:
    """FCC OET Bulletin 65, Supplement B, eight 17-element Yagis at 144 MHz, 24 dBi, EPA ground reflection 2.56.

    500 W: 166 feet to 1 mW/cm²; 1500 W: 287 feet to 1 mW/cm² and 642 feet to 0.2 mW/cm².
    """
    eirp_w = watts_of(dbm_of(watts) + 24.0)
    assert distance_m(eirp_w, density_w_m2, reflection=GROUND_REFLECTION) / FEET_M == pytest.approx(feet, abs=1.0)


def test_ground_reflection() -> None:
    """OET 65, section 2: S = 0.64 EIRP/πR² with the EPA's factor, EIRP/πR² with full reflection, ERP: 33.4 µW/cm²."""
    assert pytest.approx(2.56) == GROUND_REFLECTION
    for reflection, over_pi in ((GROUND_REFLECTION, 0.64), (FULL_REFLECTION, 1.0)):
        assert distance_m(1.0, over_pi / math.pi, reflection=reflection) == pytest.approx(1.0)
    # 1 W ERP at 1 m: 33.4 µW/cm² = 0.334 W/m², with 1.64 for the dipole.
    assert distance_m(watts_of(eirp_of_erp(30.0)), 0.334, reflection=GROUND_REFLECTION) == pytest.approx(1.0, abs=0.002)


def test_a_fifth_of_the_time_is_a_fifth_of_the_power() -> None:
    """What is on the air for a share of the time counts as that share where a limit is an average."""
    assert distance_m(5.0, 1.0, duty=0.2) == pytest.approx(distance_m(1.0, 1.0))


@pytest.mark.parametrize("limit", EXPOSURE_LIMITS, ids=lambda limit: limit.name)
def test_a_limit_is_not_used_outside_its_band(limit: object) -> None:
    """At 2450 MHz neither formula holds, and neither is applied."""
    assert limit in EXPOSURE_LIMITS
    with pytest.raises(ValueError, match="not for 2450"):
        next(each for each in EXPOSURE_LIMITS if each is limit).density_w_m2(2450.0)
