"""What the radio rules say of a vehicle file's [reader]: what it radiates, and what is wrong with that; floor 1.

Apart from `agent.vehicle` only for length; that module calls it last, on settings that are otherwise good.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from agent.keys import shown
from agent.radio_rules import RULES, Radiated, Verdict, judge
from agent.records import Problem

if TYPE_CHECKING:
    from agent.vehicle import Vehicle


def power_in_use_dbm(vehicle: Vehicle) -> float | None:
    """The conducted power that the reader is, or would be, set to; None where the file does not say any."""
    powers = [vehicle.reader.power_dbm]
    if vehicle.rf_assessment is not None and not vehicle.reader.simulated:
        powers.append(vehicle.rf_assessment.power_dbm)
    return min((power for power in powers if power is not None), default=None)


def radiated(vehicle: Vehicle) -> Radiated | None:
    """The sum of what an antenna radiates; None where power or gain is not known."""
    power_dbm, gain_dbi = power_in_use_dbm(vehicle), vehicle.reader.antenna_gain_dbi
    if power_dbm is None or gain_dbi is None:
        return None
    return Radiated(power_dbm, vehicle.reader.cable_loss_db, gain_dbi)


def radio_verdict(vehicle: Vehicle) -> Verdict | None:
    """Whether the sum is allowed; None where it, or the limit, is not known."""
    told = radiated(vehicle)
    reader = vehicle.reader
    return None if told is None else judge(told, region=reader.region, eirp_limit_dbm=reader.eirp_limit_dbm)


def radio_problems(vehicle: Vehicle, *, file: str) -> list[Problem]:
    """What the radio rules say: a sum that is more than allowed is refused and shown."""
    reader = vehicle.reader
    found: list[Problem] = []

    def add(key: str, what: str, got: object, do: str) -> None:
        found.append(Problem(file=file, where=f"[reader] {key}", what=what, got=shown(got), do=do))

    rule = RULES.get(reader.region or "")
    if reader.region == "other" and reader.eirp_limit_dbm is None:
        add("region", 'a region that is "other" says no limit', "other", "give eirp_limit_dbm, as the local rules say")
    if rule is not None and reader.frequency_mhz is not None:
        low, high = rule.band_mhz
        if not low <= reader.frequency_mhz <= high:
            what = f"outside {low:g} to {high:g} MHz, for which {rule.source} holds"
            do = 'give one within, or region = "other" with the eirp_limit_dbm of the local rules'
            add("frequency_mhz", what, reader.frequency_mhz, do)
    if (reader.region or reader.eirp_limit_dbm is not None) and reader.antenna_gain_dbi is None:
        do = "give the gain that the antenna's maker says; without it the sum cannot be held to the limit"
        add("antenna_gain_dbi", "missing beside region or eirp_limit_dbm", "nothing", do)
    verdict = radio_verdict(vehicle)
    if verdict is not None and not verdict.allowed:
        do = f"set at most {verdict.most_dbm:.2f} dBm, or another antenna or cable"
        what = f"radiates more than is allowed: {verdict.text}"
        found.append(Problem(file=file, where="[reader] power_dbm", what=what, got="", do=do))
    return found
