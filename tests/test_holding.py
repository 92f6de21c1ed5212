"""New versions of what a vehicle works with: taken whole or refused whole."""

from __future__ import annotations

import json
from typing import Any

import pytest

from agent.canonical import digest_of
from agent.errors import ConfigError
from agent.holding import KEEP_PLANS, InUse, why_not
from agent.messages import DownLeaf, Downlink
from agent.presence.model import Model
from agent.presence.parameters import Parameters
from agent.register import register_of
from agent.vehicle import parse_vehicle
from tests import tinyday

PLAN = "vehicle,date,load_at,unload_at,epc\nvan-07,2026-03-04,depot,hall,{}\n".format(tinyday.EPCS["B"])


def nothing() -> InUse:
    """A vehicle that was sent nothing yet."""
    vehicle = parse_vehicle(tinyday.VEHICLE, file="vehicle.toml")
    return InUse(vehicle, Model(Parameters()), (), register_of(()), {}, {}, {})


def sent(leaf: DownLeaf, version: int, content: Any) -> Downlink:
    """A downlink."""
    return Downlink(leaf, version, digest_of(content), content)


def all_sent() -> InUse:
    """Sites, register and plan in version 1."""
    one = nothing().take(sent("sites", 1, json.loads(tinyday.sites())))
    return one.take(sent("register", 1, tinyday.REGISTER)).take(sent("plan", 1, PLAN))


def test_sites_register_and_plan_are_taken() -> None:
    """Each with its version, and the pipeline's setup holds what they say."""
    setup = all_sent().setup()
    assert set(setup.site_of) == {"depot", "hall"}
    assert setup.register.find(tinyday.TAGS["A"]) is not None
    assert setup.plan_version == 1
    holding = all_sent().holding()
    assert [held.version for held in (holding.sites, holding.register, holding.plan)] == [1, 1, 1]
    assert holding.settings.version is None


def test_sites_may_come_as_files() -> None:
    """An object of file name to FeatureCollection is the same as one FeatureCollection of all."""
    features = json.loads(tinyday.sites())["features"]
    files = {f"{f['id']}.geojson": {"type": "FeatureCollection", "features": [f]} for f in features}
    as_one = nothing().take(sent("sites", 3, json.loads(tinyday.sites())))
    assert nothing().take(sent("sites", 3, files)).sites == as_one.sites


@pytest.mark.parametrize(
    ("leaf", "content", "told"),
    [
        ("sites", {"type": "FeatureCollection", "features": [{"type": "Feature"}]}, "feature 1"),
        ("sites", [1, 2], "sites version 9"),
        ("register", "epc,kind,name\nx,item,lamp\n", "register version 9"),
        ("register", 7, "register version 9"),
        ("plan", PLAN.replace("hall", "hell"), "hell"),
        ("plan", None, "plan version 9"),
        ("settings", {}, "settings are not taken from the dispatch side yet"),
    ],
)
def test_a_version_that_does_not_hold_up_is_refused_with_reasons(leaf: DownLeaf, content: Any, told: str) -> None:
    """The error says what is wrong with it; what was in use is untouched."""
    before = all_sent()
    with pytest.raises(ConfigError) as raised:
        before.take(sent(leaf, 9, content))
    assert any(told in reason for reason in why_not(raised.value))
    assert before.holding() == all_sent().holding()


def test_a_refusal_stands_until_a_good_version_comes() -> None:
    """The status tells the latest refusal of each kind; another version that is taken clears it."""
    one = all_sent().refuse("plan", 2, ("line 2: no site hell",)).refuse("plan", 3, ("line 2: no site hall9",))
    (told,) = one.holding().refused
    assert (told.what, told.version, told.reasons) == ("plan", 3, ("line 2: no site hall9",))
    assert one.take(sent("register", 2, tinyday.REGISTER)).holding().refused == (told,)
    assert one.take(sent("plan", 4, PLAN)).holding().refused == ()


def test_manifests_of_past_days_keep_their_plans() -> None:
    """The latest versions of the plan stay, as many as are kept, and the highest is in use."""
    one = all_sent()
    for version in range(2, KEEP_PLANS + 4):
        one = one.take(sent("plan", version, PLAN))
    assert sorted(one.plans) == list(range(4, KEEP_PLANS + 4))
    assert one.setup().plan_version == KEEP_PLANS + 3
