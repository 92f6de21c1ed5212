"""The vehicle file: good ones, and every fault told at once."""

from __future__ import annotations

import datetime as dt
from importlib import resources
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.errors import ConfigError
from agent.vehicle import SECTIONS, Inputs, MqttSettings, Privacy, Vehicle, parse_vehicle, transmit_allowed

VAN = '[vehicle]\nid = "van-07"\nepc = "urn:epc:id:giai:9521141.70007"\n'
ASSESSED = '[rf_assessment]\nby = "A. Person"\ndate = 2026-02-20\npower_dbm = 27.0\npeople_inside = "pause"\n'
HOURS = '[privacy]\nworking_hours = {days = ["mon"], from = "06:00", to = "19:00", timezone = "Etc/UTC"}\n'


def parsed(text: str) -> Vehicle:
    """A good file."""
    return parse_vehicle(text, file="vehicle.toml")


def problems_of(text: str) -> list[str]:
    """All that is wrong, one line each; fails where nothing is."""
    with pytest.raises(ConfigError) as caught:
        parsed(text)
    return [str(problem) for problem in caught.value.problems]


def test_the_vehicle_alone_is_enough() -> None:
    """With [vehicle] alone everything else has a default, and nothing is withheld."""
    vehicle = parsed(VAN)
    assert vehicle == Vehicle(id="van-07", epc="urn:epc:id:giai:9521141.70007")
    assert (vehicle.home, vehicle.inputs, vehicle.rf_assessment) == (None, Inputs(), None)
    assert (vehicle.reader.host, vehicle.reader.port, vehicle.reader.antennas) == (None, 5084, (1, 2))
    assert (vehicle.gps.host, vehicle.gps.port, vehicle.gps.eph_sigmas) == ("127.0.0.1", 2947, 2.4477)
    assert vehicle.mqtt == MqttSettings(host=None, port=1883)
    assert vehicle.privacy == Privacy(working_hours=None, keep_reads_days=7)


def test_the_sample_is_good() -> None:
    """The sample that ships with the tool loads, names every section, and leaves a real reader silent."""
    text = resources.files("agent").joinpath("data/vehicle.sample.toml").read_text(encoding="utf-8")
    vehicle = parse_vehicle(text, file="vehicle.sample.toml")
    assert vehicle.id == "van-07"
    assert vehicle.mqtt.port == 8883
    assert vehicle.rf_assessment is None
    assert not transmit_allowed(vehicle).allowed
    for section, keys in SECTIONS.items():
        assert f"[{section}]" in text
        # A key left out has no use in a van with a password, or stands in as a comment.
        for key in keys.keys() - {"cert_file", "key_file"}:
            assert f"\n{key} = " in text or f"\n# {key} = " in text, f"[{section}] {key}"


def test_the_samples_assessment_is_good_when_filled_in() -> None:
    """The lines of the sample that are commented out are good too."""
    text = resources.files("agent").joinpath("data/vehicle.sample.toml").read_text(encoding="utf-8")
    marks = ("# [rf_assessment]", "# by = ", "# date = ", "# people_inside = ", "# power_dbm = ")
    lines = [line.removeprefix("# ") if line.startswith(marks) else line for line in text.splitlines()]
    vehicle = parse_vehicle("\n".join(lines), file="vehicle.sample.toml")
    assert transmit_allowed(vehicle).power_dbm == 27.0


def test_the_formats_example() -> None:
    """The example of formats.md, section 5, reads as it says."""
    vehicle = parsed(VAN + 'home = "depot"\n[inputs]\ndoors = 1\nignition = 2\n' + ASSESSED)
    assert (vehicle.home, vehicle.inputs) == ("depot", Inputs(doors=1, ignition=2))
    assert vehicle.rf_assessment is not None
    assert vehicle.rf_assessment.date == dt.date(2026, 2, 20)
    assert vehicle.rf_assessment.people_inside == "pause"


def test_the_short_days_vehicle(short_day: Path) -> None:
    """The vehicle file of the example that the formats are explained with is good."""
    vehicle = parse_vehicle((short_day / "vehicle.toml").read_text(encoding="utf-8"), file="vehicle.toml")
    assert (vehicle.id, vehicle.home) == ("van-01", "depot")


def test_working_hours() -> None:
    """Days are put in order, times become minutes of the day (text or TOML time), 24:00 is the day's end."""
    hours = HOURS.replace('["mon"]', '["sun", "mon"]').replace('"06:00"', "06:30:00").replace("19:00", "24:00")
    found = parsed(VAN + hours).privacy.working_hours
    assert found is not None
    assert (found.days, found.from_min, found.to_min) == (("mon", "sun"), 390, 1440)
    assert found.timezone == "Etc/UTC"


def test_presence_takes_any_numbers() -> None:
    """Model parameters are kept by name, whole numbers as floats; their names are checked where they are known."""
    assert parsed(VAN + "[presence]\nanything = 3\nother = 0.5\n").presence == {"anything": 3.0, "other": 0.5}


FAULTS = {
    "no TOML": ("[vehicle\n", "vehicle.toml, this is not TOML: Expected"),
    "nested without end": (VAN + "x = " + "[" * 50_000, "this is not TOML"),
    "nothing": ("", "[vehicle]: missing section; write [vehicle] with id and epc"),
    "vehicle as text": ('vehicle = "van-07"', "vehicle: no section (got 'van-07'); write [vehicle]"),
    "no id": ('[vehicle]\nepc = "urn:epc:id:giai:9521141.70007"', "[vehicle] id: missing; give 1 to 40 of"),
    "bad id": (VAN.replace("van-07", "Van 7"), "[vehicle] id (got 'Van 7'); give 1 to 40 of a-z, 0-9 and -"),
    "hex as epc": (VAN.replace("urn:epc:id:giai:9521141.70007", "3376"), "give a pure identity URI such as"),
    "bad home": (VAN + 'home = "The Depot"', "[vehicle] home (got 'The Depot')"),
    "misspelt key": (VAN + 'hoem = "depot"', "[vehicle] hoem: unknown key; write home if that is meant"),
    "unknown key": (VAN + "zzz = 1", "[vehicle] zzz: unknown key; leave it out; known are id, epc, home"),
    "misspelt section": (VAN + "[reedr]", "[reedr]: unknown section; write reader if that is meant"),
    "unknown section": (VAN + "[zzz]", "[zzz]: unknown section; leave it out; known are vehicle, inputs"),
    "one port twice": (VAN + "[inputs]\ndoors = 1\nignition = 1", "doors and ignition are the same port (got 1)"),
    "the silence on the doors' port": (
        VAN + "[inputs]\ndoors = 1\nradio_off = 1",
        "doors and radio_off are the same port (got 1)",
    ),
    "port 0": (VAN + "[inputs]\ndoors = 0", "[inputs] doors (got 0); give a reader input port"),
    "port true": (VAN + "[inputs]\ndoors = true", "[inputs] doors (got true)"),
    "date in quotes": (VAN + ASSESSED.replace("2026-02-20", '"2026-02-20"'), "without quotation marks"),
    "date with time": (VAN + ASSESSED.replace("2026-02-20", "2026-02-20T10:00:00"), "give a date such as 2026-02-20"),
    "nobody assessed": (VAN + ASSESSED.replace('by = "A. Person"', 'by = " "'), "[rf_assessment] by (got ' ')"),
    "who is missing": (VAN + ASSESSED.replace('by = "A. Person"\n', ""), "[rf_assessment] by: missing"),
    "maybe": (VAN + ASSESSED.replace("pause", "maybe"), 'people_inside (got \'maybe\'); give "pause" or "allowed"'),
    "60 dBm": (VAN + ASSESSED.replace("27.0", "60.0"), "[rf_assessment] power_dbm (got 60.0); give dBm, 0 to 36"),
    "NaN dBm": (VAN + ASSESSED.replace("27.0", "nan"), "[rf_assessment] power_dbm (got nan)"),
    "stronger than assessed": (VAN + ASSESSED + "[reader]\npower_dbm = 30", "more than was assessed (got 30.0)"),
    "simulated elsewhere": (VAN + '[reader]\nsimulated = true\nhost = "192.0.2.20"', "a simulated reader runs on this"),
    "antennas twice": (VAN + "[reader]\nantennas = [1, 1]", "[reader] antennas (got [1, 1])"),
    "no antennas": (VAN + "[reader]\nantennas = []", "[reader] antennas (got [])"),
    "antenna 0": (VAN + "[reader]\nantennas = [0]", "[reader] antennas (got [0])"),
    "tls as text": (VAN + '[reader]\ntls = "yes"', "[reader] tls (got 'yes'); give true or false"),
    "network port": (VAN + "[gps]\nport = 70000", "[gps] port (got 70000); give a port number, 1 to 65535"),
    "eph": (VAN + '[gps]\neph = "95"', '[gps] eph (got \'95\'); give "cep", "drms", "r95" or "2drms"'),
    "certificate alone": (VAN + '[mqtt]\ntls = true\ncert_file = "c"', "a certificate needs its key"),
    "key alone": (VAN + '[mqtt]\ntls = true\nkey_file = "k"', "a certificate needs its key (got 'key_file alone')"),
    "the reader's certificate without tls": (VAN + '[reader]\nca_file = "c"', "[reader] tls: ca_file without tls"),
    "files without tls": (VAN + '[mqtt]\nca_file = "c"', "[mqtt] tls: ca_file without tls"),
    "password alone": (VAN + '[mqtt]\npassword_file = "p"', "a password without a username"),
    "parameter as text": (VAN + '[presence]\na = "x"', "[presence] a (got 'x'); give a number"),
    "presence as number": ("presence = 3\n" + VAN, "presence: no section (got 3)"),
    "hours as text": (VAN + '[privacy]\nworking_hours = "9-5"', "[privacy] working_hours (got '9-5'); give a table"),
    "no days": (VAN + "[privacy]\nkeep_reads_days = 0", "[privacy] keep_reads_days (got 0); give whole days"),
    "a host of nothing": (VAN + '[gps]\nhost = ""', "[gps] host (got ''); give a text"),
}


@pytest.mark.parametrize(("text", "said"), FAULTS.values(), ids=FAULTS.keys())
def test_faults(text: str, said: str) -> None:
    """One fault gives one problem, which says section, key, what stands there and what is allowed."""
    (problem,) = problems_of(text)
    assert problem.startswith("vehicle.toml")
    assert said in problem


@pytest.mark.parametrize(
    ("was", "becomes", "said"),
    [
        ('["mon"]', '["monday"]', "[privacy.working_hours] days (got ['monday'])"),
        ('["mon"]', "[]", "[privacy.working_hours] days (got [])"),
        ('"06:00"', '"6:00"', "[privacy.working_hours] from (got '6:00'); give a time of day such as \"06:00\""),
        ('"06:00"', '"06:60"', "[privacy.working_hours] from (got '06:60')"),
        ('"19:00"', '"24:01"', "[privacy.working_hours] to (got '24:01')"),
        ('"19:00"', '"06:00"', "from and to are the same"),
        ("Etc/UTC", "Etc/Nowhere", "[privacy.working_hours] timezone (got 'Etc/Nowhere')"),
        ('to = "19:00", ', "", "[privacy.working_hours] to: missing"),
        ("days =", "dais =", "[privacy.working_hours] dais: unknown key; write days if that is meant"),
    ],
)
def test_faults_of_working_hours(was: str, becomes: str, said: str) -> None:
    """Working hours that cannot be understood are told, never taken for none."""
    assert said in problems_of(VAN + HOURS.replace(was, becomes))[0]


def test_every_fault_at_once() -> None:
    """Faults in five sections are all told in one go."""
    text = '[vehicle]\nid = "A B"\n[inputs]\ndors = 1\n[reader]\nport = 0\n[gps]\nport = 0\n[stor]\n'
    said = "\n".join(problems_of(text))
    for part in ("[vehicle] id", "[vehicle] epc", "[inputs] dors", "[reader] port", "[gps] port", "[stor]"):
        assert part in said
    assert said.count("\n") == 5


def test_a_real_reader_is_silent_until_assessed() -> None:
    """Without [rf_assessment] a reader does not transmit, whatever else is set; with it, up to what was assessed."""
    reader = '[reader]\nhost = "192.0.2.20"\n'
    silent = transmit_allowed(parsed(VAN + reader + "power_dbm = 20.0"))
    assert (silent.allowed, silent.power_dbm) == (False, None)
    assert "[rf_assessment]" in silent.reason
    assessed = transmit_allowed(parsed(VAN + reader + ASSESSED))
    assert (assessed.allowed, assessed.power_dbm) == (True, 27.0)
    assert "A. Person" in assessed.reason
    weaker = transmit_allowed(parsed(VAN + reader + "power_dbm = 20.0\n" + ASSESSED))
    assert (weaker.allowed, weaker.power_dbm) == (True, 20.0)


@pytest.mark.parametrize("host", ["127.0.0.1", "127.3.2.1", "::1", "localhost"])
def test_a_simulated_reader_on_this_computer_is_exempt(host: str) -> None:
    """A simulated reader has no antenna; that it is one is only believed on this computer."""
    vehicle = parsed(VAN + f'[reader]\nsimulated = true\nhost = "{host}"\npower_dbm = 30\n')
    assert transmit_allowed(vehicle).allowed
    assert transmit_allowed(vehicle).power_dbm == 30.0


@pytest.mark.parametrize("host", ["127.0.0.1.example.org", "127.0.0", "10.0.0.1", "192.0.2.1", "reader.local"])
def test_a_simulated_reader_elsewhere_is_refused(host: str) -> None:
    """A host that is not surely this computer could be a real reader that nobody assessed."""
    (problem,) = problems_of(VAN + f'[reader]\nsimulated = true\nhost = "{host}"\n')
    assert "a simulated reader runs on this computer" in problem


@given(st.text(max_size=80))
def test_any_text_is_settings_or_problems(text: str) -> None:
    """Whatever the file holds, the only error is the declared one."""
    try:
        parsed(VAN + text)
    except ConfigError:
        return
