"""A copy of a vehicle's store in the dispatch side's folder gives the evidence with its reads."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from agent.dispatch.store_evidence import kept_in
from agent.errors import ConfigError
from agent.picture import draw_page
from agent.register import Register
from tests import tinyday
from tests.test_explain import RACK
from tests.test_vehicle_agent import Van


def test_a_copy_that_lies_here(tmp_path: Path) -> None:
    """Decisions, reads and a picture from the copy; None for a van without one; what is no copy is said."""
    van = Van(tmp_path).live(tinyday.inputs())
    van.agent._commit((), van.clock.now)
    van.store.close()
    config = tmp_path / "vehicle.toml"
    vehicle = re.search(r'^id = "([a-z0-9-]+)"', config.read_text(), re.MULTILINE)
    assert vehicle is not None
    folder = tmp_path / "stores"
    folder.mkdir()
    shutil.copy(tmp_path / "vehicle.db", folder / f"{vehicle[1]}.db")
    shutil.copy(config, folder / f"{vehicle[1]}.toml")
    kept = kept_in(tmp_path, "stores", register=Register())
    assert kept is not None
    evidence = kept(vehicle[1], RACK, None)
    assert evidence is not None
    assert {each.kind for each in evidence.decisions if each.stands} == {"loaded", "unloaded"}
    assert evidence.strength
    assert "<svg" in draw_page(evidence)
    around = kept(vehicle[1], RACK, evidence.decisions[0].at_s)
    assert around is not None
    assert around.from_s <= evidence.decisions[0].at_s <= around.to_s
    assert kept("van-99", RACK, None) is None
    (folder / "van-99.db").write_text("no store")
    with pytest.raises(ConfigError, match="is no store"):
        kept("van-99", RACK, None)
    assert kept_in(tmp_path, None, register=Register()) is None
