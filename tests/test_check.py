"""`roadtally check` as a whole: everything in the van asked, each line's state, and the exit code."""

from __future__ import annotations

import json
import socket
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest
from msgspec.structs import replace

from agent import broker, check
from agent.broker import free_port, mosquitto_program
from agent.check_words import reader_away, reader_findings
from agent.cli import main
from agent.clock import SystemClock
from agent.findings import Finding
from agent.llrp.tables import CommunicationsStandard
from agent.messages import Downlink
from agent.probe_reader import Answer, ReaderAwayError
from agent.simgpsd import SimGpsd
from agent.simreader import SimulatedReader
from agent.store import Store
from agent.units import format_utc
from agent.vehicle import Vehicle, parse_vehicle
from tests import tinyday
from tests.llrp.tcp import Room
from tests.llrp.tls import behind_tls, certificate

SILENT = '[reader]\nhost = "192.0.2.20"\n'


class Van:
    """All that is in a van, and the files that name it."""

    def __init__(self, stack: ExitStack, folder: Path, *, broker_port: int) -> None:
        self.folder, self.room = folder, Room()
        clock = SystemClock()
        self.reader = SimulatedReader(self.room, clock).start()
        stack.callback(self.reader.stop)

        def fix(t_s: float) -> dict[str, Any]:
            at = format_utc(clock.utc() + t_s - clock.mono())
            return {"mode": 3, "time": at, "lat": 48.3, "lon": -31.2, "eph": 8.0}

        gpsd = SimGpsd(clock, fix_at=fix).start()
        stack.callback(gpsd.stop)
        self.text = (
            f'{tinyday.VEHICLE}\n[reader]\nhost = "127.0.0.1"\nport = {self.reader.port}\nsimulated = true\n'
            f'power_dbm = 27\nregion = "etsi"\nantenna_gain_dbi = 6\n[gps]\nport = {gpsd.port}\n'
            f'[mqtt]\nhost = "127.0.0.1"\nport = {broker_port}\n[store]\npath = "{folder / "vehicle.db"}"\n'
        )
        self.write(self.text)

    def write(self, text: str) -> None:
        """Other settings."""
        tinyday.write_files(self.folder, vehicle=text)

    def check(self, *words: str, files: bool = True) -> int:
        """The command."""
        options = ["--config", str(self.folder / "vehicle.toml")]
        if files:
            options += ["--sites", str(self.folder / "geofences"), "--register", str(self.folder / "register.csv")]
        return main(["check", *options, *words])


@pytest.fixture
def van(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Van]:
    """A van in which all is well; gpsd is listened to for a short while."""
    monkeypatch.setattr(check, "LISTEN_S", 1.2)
    with ExitStack() as stack:
        running = stack.enter_context(broker.start_mosquitto(port=0))
        yield Van(stack, tmp_path, broker_port=running.port)


needs_mosquitto = pytest.mark.skipif(mosquitto_program() is None, reason="mosquitto is not installed")


def states(told: str) -> dict[str, str]:
    """Of a JSON answer: each part's worst state."""
    order = ["ok", "not tested", "not ok"]
    found: dict[str, str] = {}
    for finding in json.loads(told)["findings"]:
        part = finding["part"]
        found[part] = max(found.get(part, "ok"), finding["state"], key=order.index)
    return found


@pytest.mark.integration
@needs_mosquitto
def test_every_part_is_told(van: Van, capsys: pytest.CaptureFixture[str]) -> None:
    """All that there is has a line; the reader is asked and not made to transmit.

    Listened to for a second, the receiver has not told of satellites, nor ten times the time.
    """
    assert van.check("--json") == 1
    told = states(capsys.readouterr().out)
    assert told == {
        "vehicle": "ok", "transmit": "ok", "radio rules": "ok", "on the air": "ok", "agent": "not tested",
        "disk": told["disk"], "store": "ok", "reader": "ok", "power": "ok", "antennas": "ok", "inputs": "ok",
        "gpsd": "ok", "sky": "not tested", "clock": "not ok", "broker": "ok", "publish": "ok", "sites": "ok",
        "register": "ok", "plan": "not tested",
    }  # fmt: skip
    assert van.room.asked == []
    assert not (van.folder / "vehicle.db").exists()


@pytest.mark.integration
@needs_mosquitto
@pytest.mark.parametrize(("lat", "is_quiet"), [(48.3, True), (48.326, False)])
def test_no_walk_test_where_radio_must_be_off(
    van: Van, lat: float, is_quiet: bool, capsys: pytest.CaptureFixture[str]  # noqa: FBT001 - a case's fact
) -> None:
    """With the van in the fence of such a site the reader is not made to transmit; with that site elsewhere it is."""
    quiet = {"type": "FeatureCollection", "features": [{
        "type": "Feature", "id": "tanks", "properties": {"name": "Gull Lane tanks", "radio_off": True, "radius_m": 100},
        "geometry": {"type": "Point", "coordinates": [-31.2, lat]},
    }]}  # fmt: skip
    (van.folder / "geofences" / "tanks.geojson").write_text(json.dumps(quiet))
    van.check("--walk-test", "--transmit-s", "1")
    told = capsys.readouterr().out
    assert ("radio must be off at Gull Lane tanks" in told) is is_quiet
    assert ("TRANSMITTING" in told) is not is_quiet
    assert (van.room.asked == []) is is_quiet


@pytest.mark.integration
@needs_mosquitto
def test_the_walk_test_needs_its_option_and_tells_each_port(van: Van, capsys: pytest.CaptureFixture[str]) -> None:
    """The counts of both ports are on the live lines and among the findings, and the caution comes first."""
    van.check("--walk-test", "--transmit-s", "2")
    told = capsys.readouterr().out
    before, _, after = told.partition("TRANSMITTING for up to 2 s. Ctrl-C stops it.")
    assert "port 1: 3 tags" not in before
    assert "medical implant" in after
    assert after.index("medical implant") < after.index("port 1: 3 tags -60 dBm")
    assert "27 dBm - 0 dB cable + 6 dBi antenna = 33.00 dBm EIRP" in after
    assert after.index("port 2: 3 tags -60 dBm") < after.index("THE READER IS SILENT AGAIN")
    assert "port 2: 3 tags, strongest -60 dBm" in after
    assert not van.reader.is_transmitting


@pytest.mark.integration
@needs_mosquitto
def test_while_the_agent_runs_it_is_left_alone(van: Van, capsys: pytest.CaptureFixture[str]) -> None:
    """It holds the reader's only connection, which is told in so many words; nothing is transmitted by a walk test."""
    store = Store.open(van.folder / "vehicle.db", seal=None)
    with socket.create_connection(("127.0.0.1", van.reader.port)) as agent, store:
        assert agent.recv(4096)  # the reader's greeting: the connection is the agent's
        van.check("--walk-test", "--transmit-s", "2")
    words = " ".join(capsys.readouterr().out.split())
    assert "not tested READER 127.0.0.1" in words
    assert "THE RUNNING AGENT HOLDS ITS ONLY CONNECTION" in words
    assert "nothing was transmitted: the running agent holds the reader's only connection" in words
    assert "not tested PUBLISH the agent runs" in words
    assert van.room.asked == []


@pytest.mark.integration
@needs_mosquitto
def test_an_unplugged_antenna_is_not_ok(van: Van, capsys: pytest.CaptureFixture[str]) -> None:
    """The line of the antennas says which port, the last line names the part, and the exit code is 1."""
    van.reader.set_antenna(2, connected=False)
    assert van.check() == 1
    told = capsys.readouterr().out
    assert "nothing is connected at port 2" in " ".join(told.split())
    assert "ANTENNAS" in told.splitlines()[-1]


@pytest.mark.integration
def test_a_reader_behind_tls(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """With `ca_file` a reader's own certificate, for another name, is asked and walked as the agent reads it.

    Without it, with another's, or with a file that is none, the reader is not spoken to and nothing is transmitted.
    """
    key, signed = certificate(tmp_path / "own")
    _, other = certificate(tmp_path / "other")
    room = Room()
    simulated = SimulatedReader(room, SystemClock()).start()
    told: dict[str, dict[str, Any]] = {}
    asked: dict[str, int] = {}
    try:
        with behind_tls(simulated.port, key=key, signed=signed) as port:
            for name, file in {"none": None, "other": other, "missing": tmp_path / "no.pem", "own": signed}.items():
                text = f'[reader]\nhost = "127.0.0.1"\nport = {port}\nsimulated = true\npower_dbm = 27\ntls = true\n'
                text += f'ca_file = "{file}"\n' * (file is not None)
                text += f'[gps]\nport = {free_port()}\n[store]\npath = "{tmp_path / "vehicle.db"}"\n'
                tinyday.write_files(tmp_path, vehicle=tinyday.VEHICLE + text)
                walk = ["--walk-test", "--transmit-s", "1.5", "--json"]
                main(["check", "--config", str(tmp_path / "vehicle.toml"), *walk])
                findings = json.loads(capsys.readouterr().out)["findings"]
                told[name] = {each["part"]: each for each in findings}
                asked[name] = len(room.asked)
    finally:
        simulated.stop()
    for name, said in {"none": "no TLS", "other": "no TLS", "missing": "[reader] ca_file"}.items():
        assert told[name]["reader"]["state"] == "not ok"
        assert said in told[name]["reader"]["found"]
        assert "certificate" in told[name]["reader"]["do"]
        assert told[name]["inputs"]["state"] == "not tested"
        assert "nothing was transmitted" in told[name]["walk test"]["found"]
        assert asked[name] == 0
    assert told["own"]["reader"]["state"] == told["own"]["walk test"]["state"] == "ok"
    assert asked["own"]


@pytest.mark.integration
def test_a_van_without_anything(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """No reader in the file, nobody at gpsd's port, no broker: one thing not ok, and exit code 1."""
    text = f'{tinyday.VEHICLE}\n[gps]\nport = {free_port()}\n[store]\npath = "{tmp_path / "vehicle.db"}"\n'
    tinyday.write_files(tmp_path, vehicle=text)
    assert main(["check", "--config", str(tmp_path / "vehicle.toml"), "--json"]) == 1
    told = states(capsys.readouterr().out)
    assert (told["gpsd"], told["reader"], told["broker"]) == ("not ok", "not tested", "not tested")


# --- without a network ---


def vehicle(text: str) -> Vehicle:
    """A vehicle file's."""
    return parse_vehicle(tinyday.VEHICLE + text, file="vehicle.toml")


def files_only(folder: Path, text: str, capsys: pytest.CaptureFixture[str]) -> tuple[int, dict[str, Any]]:
    """Exit code and findings by part, of the files alone."""
    tinyday.write_files(folder, vehicle=tinyday.VEHICLE + text)
    store = ["--store", str(folder / "vehicle.db")]
    code = main(["check", "--config", str(folder / "vehicle.toml"), *store, "--files-only", "--json"])
    return code, {each["part"]: each for each in json.loads(capsys.readouterr().out)["findings"]}


def test_without_a_region_the_sum_is_not_tested(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """It says what is missing; that no reader transmits before it was assessed is not ok, for nothing is read."""
    code, told = files_only(tmp_path, SILENT, capsys)
    assert told["radio rules"]["state"] == "not tested"
    assert "no region, no antenna_gain_dbi, no power_dbm" in told["radio rules"]["found"]
    assert told["transmit"]["state"] == "not ok"
    assert code == 1


def test_the_sum_and_the_duty_are_shown(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What is radiated beside what is allowed, and the share of time on the air of each reading plan."""
    reader = SILENT + 'power_dbm = 27\nregion = "etsi"\nantenna_gain_dbi = 6\ncable_loss_db = 1\n'
    reading = "[reading]\nparked_quiet = {rounds = 1, round_s = 1.0, pause_s = 9.0}\nasleep_after_h = 3\n"
    tinyday.write_files(tmp_path, vehicle=tinyday.VEHICLE + reader + reading)
    main(["check", "--config", str(tmp_path / "vehicle.toml"), "--store", str(tmp_path / "x.db"), "--files-only"])
    words = " ".join(capsys.readouterr().out.split())
    for part in (
        "ON THE AIR parked 100%, standing",
        "ON THE AIR parked quiet 10%, standing, nothing handled for 60 min",
        "ON THE AIR sweep 100%, the first 120 s of a leg",
        "ON THE AIR moving 20%, the rest of a leg",
        "ON THE AIR asleep 0%, 3 h after the ignition went off, or at low voltage where that is wired",
        "ON THE AIR off 0%, where radio must be off",
    ):
        assert part in words, part
    _, told = files_only(tmp_path, reader, capsys)
    sum_ = "27 dBm - 1 dB cable + 6 dBi antenna = 32.00 dBm EIRP; allowed: at most 35.16"
    assert sum_ in told["radio rules"]["found"]


def test_wrong_files_as_a_document(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Every problem of the files, and exit code 2."""
    code, _ = files_only(tmp_path, '[reader]\npower_dbm = 30\nregion = "fcc"\nantenna_gain_dbi = 9\n', capsys)
    assert code == 2
    tinyday.write_files(tmp_path, vehicle=tinyday.VEHICLE + "[reader]\nport = 0\nhots = 1\n")
    assert main(["check", "--config", str(tmp_path / "vehicle.toml"), "--json"]) == 2
    document = json.loads(capsys.readouterr().out)
    assert document["ok"] is False
    assert len(document["findings"]) == 2


def test_what_the_dispatch_side_sent_is_looked_at(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Sites and register from the store where no file is given; a version that cannot be used is not ok."""
    with Store.open(tmp_path / "vehicle.db", seal=None) as store:
        store.hold(Downlink("sites", 3, "sha-256:0", json.loads(tinyday.sites())))
        store.hold(Downlink("register", 4, "sha-256:0", tinyday.REGISTER.replace("item,par lamp", "lorry,par lamp")))
    code, told = files_only(tmp_path, "", capsys)
    assert told["sites"]["found"] == "2: depot, hall, as the dispatch side last sent"
    assert told["register"]["state"] == "not ok"
    assert "lorry" in told["register"]["found"]
    assert told["plan"]["state"] == "not tested"
    assert code == 1


HELD = ReaderAwayError("held", is_there=True, is_held=True)
ANSWER = Answer(
    maker=0, model=0, firmware="7.1", standard=CommunicationsStandard.ETSI_302_208, powers_dbm={1: 10.0, 2: 27.0},
    power_index=2, antennas=(1, 2), antennas_lost=frozenset(), inputs=(1, 2), levels={1: True, 2: False},
)  # fmt: skip


def test_a_reader_set_up_for_another_region() -> None:
    """Its own word on the radio rules is held to the file's."""
    text = SILENT + 'region = "fcc"\nantenna_gain_dbi = 6\npower_dbm = 27\n'
    told = {finding.part: finding for finding in reader_findings(vehicle(text), ANSWER)}
    assert told["reader"].state == "not ok"
    assert "set up for ETSI_302_208 (2), the vehicle file for US_FCC_Part_15" in told["reader"].found
    assert told["power"].found.startswith("27 dBm asked for, index 2, 27 dBm is used")


def changed(**fields: Any) -> Callable[[], list[Finding]]:
    """The findings of a reader that answers otherwise."""
    answer = {name: getattr(ANSWER, name) for name in ANSWER.__struct_fields__} | fields
    return lambda: [told for told in reader_findings(vehicle(SILENT), Answer(**answer)) if told.part == "inputs"]


@pytest.mark.parametrize(
    ("told", "states_", "said"),
    [
        (changed(), ["ok", "ok"], "doors: OPEN (port 1)"),
        (changed(levels={1: False, 2: True}), ["ok", "ok"], "doors: CLOSED (port 1)"),
        (changed(inputs=()), ["not ok", "not ok"], "doors: there is no input 1; the reader has none"),
        (changed(levels={}), ["not ok", "not ok"], "doors: the reader does not say how input 1 is"),
    ],
)
def test_inputs(told: Callable[[], list[Finding]], states_: list[str], said: str) -> None:
    """Each wired input with its state in the words of what is wired to it."""
    findings = told()
    assert [finding.state for finding in findings] == states_
    assert said in findings[0].found


@pytest.mark.parametrize(
    ("wired", "on", "state", "said"),
    [
        ("radio_off = 3", True, "ok", "radio_off: ON, THE READER MUST BE SILENT (port 3)"),
        ("radio_off = 3", False, "ok", "radio_off: OFF (port 3)"),
        ("low_voltage = 3", True, "ok", "low_voltage: ON, THE BATTERY IS LOW (port 3)"),
        ("radio_off = 4", False, "not ok", "radio_off: there is no input 4; the reader has 1, 2, 3"),
        ("low_voltage = 9", False, "not ok", "low_voltage: there is no input 9; the reader has 1, 2, 3"),
    ],
)
def test_the_rarer_inputs(wired: str, on: bool, state: str, said: str) -> None:  # noqa: FBT001 - a case's
    """Held to the reader's inputs like doors and ignition; where they are not wired nothing is said of them."""
    answer = replace(ANSWER, inputs=(1, 2, 3), levels={1: True, 2: False, 3: on})
    text = f'{tinyday.VEHICLE.replace("[inputs]", f"[inputs]{chr(10)}{wired}")}\n{SILENT}'
    found = [each for each in reader_findings(parse_vehicle(text, file="x"), answer) if each.part == "inputs"]
    assert len(found) == 3
    assert (found[-1].state, found[-1].found[: len(said)]) == (state, said)


@pytest.mark.parametrize(
    ("outputs", "state", "said"),
    [
        (2, "ok", "output 2 of the reader's 2"),
        (1, "not ok", "there is no output 2; the reader has 1 alone"),
        (0, "not ok", "there is no output 2; the reader has none"),
        (None, "not tested", "does not say how many outputs"),
    ],
)
def test_the_lamps_output(outputs: int | None, state: str, said: str) -> None:
    """`[signal] output` is held to how many outputs the reader has; without it there is no line."""
    answer = replace(ANSWER, outputs=outputs)
    lamp = vehicle(SILENT + "[signal]\noutput = 2\n")
    (told,) = [each for each in reader_findings(lamp, answer) if each.part == "signal"]
    assert (told.state, bool(told.do)) == (state, state == "not ok")
    assert said in told.found
    assert "signal" not in {each.part for each in reader_findings(vehicle(SILENT), answer)}
    away = {each.part: each.state for each in reader_away(lamp, HELD, is_running=True)}
    assert away["signal"] == "not tested"


@pytest.mark.parametrize(
    ("why", "is_running", "state", "said", "do"),
    [
        (HELD, True, "not tested", "THE RUNNING AGENT HOLDS ITS ONLY CONNECTION", "stop the agent"),
        (HELD, False, "not ok", "it is not this van's agent", "end the other program"),
        (ReaderAwayError("Connection refused"), False, "not ok", "Connection refused", "power and network cable"),
        (ReaderAwayError("why", is_there=True), True, "not ok", "takes the connection, but: why", "[reader] right"),
        (ReaderAwayError("certificate verify failed"), True, "not ok", "no TLS", "its certificate"),
    ],
)
def test_a_reader_that_cannot_be_talked_to(
    why: ReaderAwayError, is_running: bool, state: str, said: str, do: str  # noqa: FBT001 - a case's
) -> None:
    """The agent at work is no fault; a stranger on the reader is one; each with its own advice."""
    first, *rest = reader_away(vehicle(SILENT), why, is_running=is_running)
    assert first.state == state
    assert said in first.found
    assert do in first.do
    assert {finding.state for finding in rest} == {"not tested"}
