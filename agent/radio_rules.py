"""How much a reader may radiate, and how far away its field falls below what people may be exposed to; floor 1.

The sum is EIRP = conducted power - cable loss + antenna gain, in dBm, dB and dBi. What a region allows is held to it;
the distance is that of a single source in the far field, in free space or with a reflection from the ground. Arithmetic
alone: whether anybody may stand there is for a competent person and the local rules to say, and a metal box is neither
free space nor a ground.

Sources
- "fcc": 47 CFR 15.247 (b)(2) and (b)(4): 902-928 MHz, at least 50 hopping channels, 1 W conducted with antennas up to
  6 dBi; above that the conducted power is reduced dB for dB. Read by the letter: a cable's loss earns nothing back.
- "etsi": EN 302 208: 2 W ERP in 865-868 MHz. Its upper band (915-921 MHz) differs by country: give `eirp_limit_dbm`.
- 47 CFR 1.1310 table 1 (B), general population: f/1500 mW/cm² from 300 to 1500 MHz, averaged over 30 minutes.
- ICNIRP (1998, and 2020 for the whole body), general public: f/200 W/m² from 400 to 2000 MHz; over 30 minutes (2020).
- FCC OET Bulletin 65 (edition 97-01), section 2: S = EIRP / 4πR² in the far field; the EPA's more realistic ground
  reflection, field 1.6 times and so power 2.56 times; and, as the worst case, full reflection: 2 and 4.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Literal

from msgspec import Struct

Region = Literal["fcc", "etsi", "other"]

DIPOLE_DBI = 2.15  # gain of a half-wave dipole over an isotropic source: ERP is told over the one, EIRP over the other
FREE_SPACE, GROUND_REFLECTION, FULL_REFLECTION = 1.0, 1.6**2, 2.0**2
_SLACK_DB = 1e-9  # what a float's last bits may be off
# Where a file does not say it: the lowest that such readers use anywhere (ISO/IEC 18000-63: 860 to 960 MHz). The
# limits rise with the frequency, so the lowest gives the longest distance.
LOWEST_MHZ, HIGHEST_MHZ = 860.0, 960.0


class Rule(Struct, frozen=True):
    """What one region allows in its band; `conducted_dbm` None where only the radiated power is limited."""

    source: str
    band_mhz: tuple[float, float]
    eirp_dbm: float
    conducted_dbm: float | None = None
    free_gain_dbi: float = math.inf  # a higher gain lowers the conducted power dB for dB


def eirp_of_erp(erp_dbm: float) -> float:
    """EIRP of a power that is told over a dipole."""
    return erp_dbm + DIPOLE_DBI


def dbi_of_dbd(gain_dbd: float) -> float:
    """Gain over an isotropic source of one that is told over a dipole."""
    return gain_dbd + DIPOLE_DBI


def dbm_of(watts: float) -> float:
    """A power in dBm."""
    return 10.0 * math.log10(watts * 1000.0)


def watts_of(dbm: float) -> float:
    """A power in watts."""
    return math.pow(10.0, dbm / 10.0) / 1000.0


RULES: Mapping[str, Rule] = {
    "fcc": Rule("47 CFR 15.247", (902.0, 928.0), eirp_dbm=36.0, conducted_dbm=30.0, free_gain_dbi=6.0),
    "etsi": Rule("EN 302 208, 2 W ERP", (865.0, 868.0), eirp_dbm=eirp_of_erp(dbm_of(2.0))),
}


class Radiated(Struct, frozen=True):
    """One antenna's sum."""

    conducted_dbm: float
    cable_loss_db: float
    antenna_gain_dbi: float

    @property
    def eirp_dbm(self) -> float:
        """What an isotropic source would have to radiate to be as strong in the antenna's best direction."""
        return self.conducted_dbm - self.cable_loss_db + self.antenna_gain_dbi

    def __str__(self) -> str:
        return (
            f"{self.conducted_dbm:g} dBm - {self.cable_loss_db:g} dB cable + {self.antenna_gain_dbi:g} dBi antenna"
            f" = {self.eirp_dbm:.2f} dBm EIRP"
        )


class Verdict(Struct, frozen=True):
    """Whether a sum is allowed; `text` shows it beside what is allowed, `most_dbm` is the most conducted power."""

    allowed: bool
    text: str
    most_dbm: float


def judge(radiated: Radiated, *, region: str | None, eirp_limit_dbm: float | None) -> Verdict | None:
    """Hold a sum to a region's rule and to a limit of one's own; None where neither is given.

    A limit of one's own beside "fcc" or "etsi" can only lower what these allow.
    """
    rule = RULES.get(region or "")
    limits = [] if rule is None else [(rule.eirp_dbm, rule.source)]
    if eirp_limit_dbm is not None:
        limits.append((eirp_limit_dbm, "eirp_limit_dbm"))
    if not limits:
        return None
    limit_dbm, source = min(limits)
    most_dbm = limit_dbm + radiated.cable_loss_db - radiated.antenna_gain_dbi
    allowed = f"at most {limit_dbm:.2f} dBm EIRP ({source})"
    if rule is not None and rule.conducted_dbm is not None:
        over_db = max(radiated.antenna_gain_dbi - rule.free_gain_dbi, 0.0)
        conducted_dbm = rule.conducted_dbm - over_db
        most_dbm = min(most_dbm, conducted_dbm)
        why = f", {over_db:g} dB less for the antenna's gain over {rule.free_gain_dbi:g} dBi" if over_db else ""
        allowed += f" and {conducted_dbm:g} dBm conducted ({rule.source}{why})"
    fits = radiated.conducted_dbm <= most_dbm + _SLACK_DB
    return Verdict(fits, f"{radiated}; allowed: {allowed}", most_dbm)


class ExposureLimit(Struct, frozen=True):
    """A limit for the general public as power density; it rises with the frequency within `band_mhz`."""

    name: str
    source: str
    mhz_per_w_m2: float
    band_mhz: tuple[float, float]
    averaged_min: float

    def density_w_m2(self, frequency_mhz: float) -> float:
        """The limit at a frequency. Raises ValueError outside the band for which it is written."""
        low, high = self.band_mhz
        if not low <= frequency_mhz <= high:
            raise ValueError(f"{self.name} is written here for {low:g} to {high:g} MHz, not for {frequency_mhz:g}")
        return frequency_mhz / self.mhz_per_w_m2


FCC_PUBLIC = ExposureLimit(  # f/1500 mW/cm²; 1 mW/cm² is 10 W/m²
    "FCC", "47 CFR 1.1310, general population", mhz_per_w_m2=150.0, band_mhz=(300.0, 1500.0), averaged_min=30.0
)
ICNIRP_PUBLIC = ExposureLimit(
    "ICNIRP", "reference level, general public", mhz_per_w_m2=200.0, band_mhz=(400.0, 2000.0), averaged_min=30.0
)
EXPOSURE_LIMITS = (FCC_PUBLIC, ICNIRP_PUBLIC)


def distance_m(eirp_w: float, density_w_m2: float, *, duty: float = 1.0, reflection: float = FREE_SPACE) -> float:
    """How far from the antenna, in its best direction, the field has fallen to a power density.

    R = √(reflection · EIRP · duty / 4πS). `duty` is the share of time on the air, where the limit is an average.
    """
    return math.sqrt(reflection * eirp_w * duty / (4.0 * math.pi * density_w_m2))
