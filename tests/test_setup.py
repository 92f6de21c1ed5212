"""Files become a setup, or every fault of all of them is told at once."""

from __future__ import annotations

from pathlib import Path

import pytest

from agent.errors import ConfigError
from agent.setup import read_in_use, read_setup, read_sites, read_text
from tests import tinyday

PLAN = "vehicle,date,load_at,unload_at,epc\nvan-07,2026-03-04,depot,hall,{}\n"


def test_good_files_are_a_setup(tmp_path: Path) -> None:
    """Vehicle, sites, register and plan as they stand in the files; the plan given as a file is version 1."""
    tinyday.write_files(tmp_path)
    (tmp_path / "plan.csv").write_text(PLAN.format(tinyday.EPCS["B"]))
    setup = read_setup(
        config=tmp_path / "vehicle.toml",
        sites=tmp_path / "geofences",
        register=tmp_path / "register.csv",
        plan=tmp_path / "plan.csv",
    )
    assert setup.vehicle.id == "van-07"
    assert set(setup.site_of) == {"depot", "hall"}
    listing = setup.register.find(tinyday.TAGS["B"])
    assert listing is not None
    assert listing.name == "dimmer rack 2"
    assert setup.plan_version == 1
    assert [row.epc for row in setup.plans[1]] == [tinyday.EPCS["B"]]


def test_what_is_not_given_stays_empty(tmp_path: Path) -> None:
    """Without sites, register and plan there is a vehicle still, for the dispatch side to send the rest."""
    tinyday.write_files(tmp_path)
    vehicle, in_use = read_in_use(config=tmp_path / "vehicle.toml", sites=None, register=None, plan=None)
    assert vehicle.home == "depot"
    assert (in_use.sites, in_use.register.listings, in_use.plans, in_use.versions) == ((), (), {}, {})
    assert in_use.setup().plan_version is None


def test_every_fault_of_every_file_is_told_at_once(tmp_path: Path) -> None:
    """A vehicle without an id, no sites at all, a register that is not there: three files, three problems."""
    (tmp_path / "vehicle.toml").write_text('[vehicle]\nepc = "urn:epc:id:giai:9521141.70007"\n')
    (tmp_path / "empty").mkdir()
    with pytest.raises(ConfigError) as raised:
        read_in_use(
            config=tmp_path / "vehicle.toml", sites=tmp_path / "empty", register=tmp_path / "register.csv", plan=None
        )
    files = [Path(problem.file).name for problem in raised.value.problems]
    assert files == ["vehicle.toml", "empty", "register.csv"]


def test_a_home_that_is_no_site_is_told_with_the_sites(tmp_path: Path) -> None:
    """The vehicle's home must be one of the sites, and the message lists them."""
    tinyday.write_files(tmp_path, vehicle=tinyday.VEHICLE.replace('home = "depot"', 'home = "depto"'))
    with pytest.raises(ConfigError, match=r"home \(got 'depto'\); name one of the sites: depot, hall"):
        read_in_use(config=tmp_path / "vehicle.toml", sites=tmp_path / "geofences", register=None, plan=None)


def test_a_presence_parameter_that_is_unknown_is_told(tmp_path: Path) -> None:
    """[presence] overrides named parameters of the model; another name is a fault of the vehicle file."""
    tinyday.write_files(tmp_path, vehicle=tinyday.VEHICLE + "\n[presence]\nluck = 1.0\n")
    with pytest.raises(ConfigError, match=r"vehicle\.toml, \[presence\] \(got .*luck"):
        read_in_use(config=tmp_path / "vehicle.toml", sites=None, register=None, plan=None)


def test_a_file_of_sites_may_be_given_alone(tmp_path: Path) -> None:
    """A folder, or one file."""
    tinyday.write_files(tmp_path)
    (file,) = (tmp_path / "geofences").glob("*.geojson")
    assert [site.id for site in read_sites(file)] == [site.id for site in read_sites(tmp_path / "geofences")]


@pytest.mark.parametrize(
    ("content", "told"), [(None, "no such file"), (b"\xff\xfe\x00", "UTF-8"), ("folder", "UTF-8")]
)
def test_a_file_that_cannot_be_read_is_told_by_name(tmp_path: Path, content: bytes | str | None, told: str) -> None:
    """Missing, not UTF-8, or a folder."""
    path = tmp_path / "register.csv"
    if isinstance(content, bytes):
        path.write_bytes(content)
    elif content is not None:
        path.mkdir()
    with pytest.raises(ConfigError, match=rf"register\.csv.*{told}"):
        read_text(path)


def test_a_byte_order_mark_is_no_part_of_the_text(tmp_path: Path) -> None:
    """Spreadsheets put one before the header of a CSV."""
    path = tmp_path / "register.csv"
    path.write_bytes(b"\xef\xbb\xbfepc,kind,name\n")
    assert read_text(path) == "epc,kind,name\n"
