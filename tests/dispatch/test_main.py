"""The dispatch side as one process: what it is told to be, and that it is that."""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import re
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Callable
from importlib import resources
from pathlib import Path

import httpx
import pytest

from agent.dispatch.audit import COMMAND_LINE
from agent.dispatch.loaded import load
from agent.dispatch.main import Dispatch, _watch, add_arguments, run
from agent.dispatch.settings import SECTIONS, DispatchSettings, parse_dispatch
from agent.dispatch.sitebook import with_feature
from agent.errors import ConfigError
from agent.messages import decode_downlink
from agent.notify import Notifier
from tests.dispatch.conftest import Mosquitto, Vehicle, free_port, until
from tests.dispatch.scenario import full_day, pack, status, write_sites

REGISTER = "epc,kind,name\nurn:epc:id:grai:9521141.00012.100,item,moving head 100\n"


def test_defaults() -> None:
    """An empty file is a board on this computer, without files, that publishes nothing."""
    assert parse_dispatch("", file="dispatch.toml") == DispatchSettings()
    assert DispatchSettings().is_local


def test_the_sample_is_good() -> None:
    """The sample that ships with the tool loads and names every key; what it gives of the server's is the default."""
    text = resources.files("agent").joinpath("data/dispatch.sample.toml").read_text(encoding="utf-8")
    settings = parse_dispatch(text, file="dispatch.sample.toml")
    assert settings.server == DispatchSettings().server
    assert settings.mqtt == DispatchSettings().mqtt
    assert (settings.sites_dir, settings.publish) == ("geofences", True)
    for section, keys in SECTIONS.items():
        assert f"[{section}]" in text
        for key in keys:
            assert f"\n{key} = " in text or f"\n# {key} = " in text, f"[{section}] {key}"


def test_every_problem_at_once() -> None:
    """Misspelt keys and sections, wrong values and an open board are all said at once, with what to do."""
    source = """
[dispatch]
host = "0.0.0.0"
prot = 80
quiet_after_s = 1
[mqtt]
port = "1883"
[sitse]
[privacy]
keep_days = 7
"""
    with pytest.raises(ConfigError) as caught:
        parse_dispatch(source, file="dispatch.toml")
    text = str(caught.value)
    assert len(caught.value.problems) == 6, text
    for part in ("write port if that is meant", "nobody has to log in", "10 to 86400", "1 to 65535", "[sitse]"):
        assert part in text
    assert "keep_badges" in text


@pytest.mark.parametrize(
    ("given", "good"),
    [("", True), ("ca", True), ("ca cert key", True), ("cert", False), ("ca key", False), ("cert key", False)],
)
def test_a_certificate_comes_with_its_key_and_authority(given: str, *, good: bool) -> None:
    """The three files of the broker's connection stand together, but for the authority, which may stand alone."""
    source = "[mqtt]\n" + "".join(f'{name}_file = "{name}.pem"\n' for name in given.split())
    if good:
        assert parse_dispatch(source, file="d").mqtt.ca_file == ("ca.pem" if given else None)
    else:
        with pytest.raises(ConfigError, match="a certificate needs its key"):
            parse_dispatch(source, file="d")


def test_a_certificate_that_is_not_there_is_told_at_the_start(tmp_path: Path) -> None:
    """A misspelt path is the operator's, said with its key before anything connects."""
    (tmp_path / "dispatch.toml").write_text('[mqtt]\nca_file = "nowhere.pem"\n')
    with pytest.raises(ConfigError, match=r"nowhere\.pem, \[mqtt\] ca_file"):
        load(tmp_path / "dispatch.toml")


def test_open_only_when_told() -> None:
    """The board may be reached by others only where that is written down."""
    open_board = parse_dispatch('[dispatch]\nhost = "0.0.0.0"\nallow_without_login = true\n', file="d")
    assert not open_board.is_local
    for host in ("localhost", "127.0.0.1", "127.8.0.1", "::1"):
        assert parse_dispatch(f'[dispatch]\nhost = "{host}"\n', file="d").is_local


def test_files_are_read_beside_the_settings(tmp_path: Path) -> None:
    """Paths count from the file's own folder; what the files hold is checked before anything starts."""
    write_sites(tmp_path / "geofences")
    (tmp_path / "register.csv").write_text(REGISTER)
    (tmp_path / "secret").write_text("open sesame\n")
    config = tmp_path / "dispatch.toml"
    config.write_text(
        '[mqtt]\nusername = "board"\npassword_file = "secret"\n[sites]\ndir = "geofences"\n'
        '[register]\nfile = "register.csv"\n'
    )
    loaded = load(config)
    assert (loaded.broker.username, loaded.broker.password) == ("board", "open sesame")
    assert loaded.names == {"urn:epc:id:grai:9521141.00012.100": "moving head 100"}
    assert {site.id for site in loaded.sites} == {"depot", "playhouse", "quay", "hall"}
    assert loaded.contents["register"] == REGISTER
    (tmp_path / "register.csv").write_text("epc,kind\n")
    (tmp_path / "secret").unlink()
    (tmp_path / "geofences" / "sites.geojson").write_text("{}")
    with pytest.raises(ConfigError) as caught:
        load(config)
    text = str(caught.value)
    assert all(name in text for name in ("register.csv", "secret", "sites.geojson"))


def test_a_missing_file_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The command ends with 2 and names the file that cannot be read."""
    parser = argparse.ArgumentParser()
    add_arguments(parser)
    handlers = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        assert run(parser.parse_args(["--config", str(tmp_path / "none.toml")])) == 2
    finally:
        for number, handler in handlers.items():
            signal.signal(number, handler)
    assert "none.toml" in capsys.readouterr().err


def test_a_port_in_use_is_said(tmp_path: Path) -> None:
    """A taken port gives a message with the port and what to do."""
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        (tmp_path / "dispatch.toml").write_text(f"[dispatch]\nport = {port}\n")
        with pytest.raises(ConfigError, match=rf"cannot listen at 127\.0\.0\.1:{port}: .*in use"):
            Dispatch(load(tmp_path / "dispatch.toml"))


def configure(folder: Path, broker: Mosquitto) -> Path:
    """A dispatch.toml that publishes its sites and register."""
    write_sites(folder / "geofences")
    (folder / "register.csv").write_text(REGISTER)
    path = folder / "dispatch.toml"
    path.write_text(
        f'[dispatch]\nport = {free_port()}\n[mqtt]\nport = {broker.port}\n[sites]\ndir = "geofences"\n'
        '[register]\nfile = "register.csv"\n[downlink]\npublish = true\n'
    )
    return path


@pytest.mark.integration
def test_of_sites_the_database_counts(tmp_path: Path, broker: Mosquitto, van_at: Callable[[str], Vehicle]) -> None:
    """What was sent counts over a restart, whatever the folder says by then; a draft is not sent, a plan may name it.

    The folder makes version 1 and no other.
    """
    config = configure(tmp_path, broker)
    van = van_at("van-07")
    annex = {"type": "Point", "coordinates": [-31.2, 48.3]}
    feature = {"type": "Feature", "id": "annex", "properties": {"name": "Annex", "radius_m": 50}, "geometry": annex}
    with Dispatch(load(config)) as dispatch:
        desk = dispatch.sites
        desk.save(with_feature(desk.book(1), feature), base=1, doer=COMMAND_LINE, note="annex")
        desk.send(2, doer=COMMAND_LINE)
        desk.save(desk.book(1), base=2, doer=COMMAND_LINE, note="a draft")
    item = "urn:epc:id:grai:9521141.00012.100"
    plan = f"vehicle,date,load_at,unload_at,epc\nvan-07,2026-03-02,depot,annex,{item}\n"
    (tmp_path / "plan.csv").write_text(plan)
    (tmp_path / "geofences" / "sites.geojson").write_text('{"type": "FeatureCollection", "features": []}')
    config.write_text(config.read_text() + '[plan]\nfile = "plan.csv"\n')
    with pytest.raises(ConfigError, match="load_at"):
        load(without_database(config))
    with Dispatch(load(config)) as again:
        until(lambda: again.ingest.link.connected, "ingest to connect")
        van.say("status", json.dumps(status("van-07")).encode())
        until(lambda: "sites" in van.told, "the sites")
        told = json.loads(van.told["sites"])
        assert (told["version"], len(told["content"]["features"])) == (2, 5)
        assert again.sites.files_changed()


def without_database(config: Path) -> Path:
    """The same settings with a database that does not exist yet."""
    other = config.with_name("other.toml")
    other.write_text(config.read_text().replace("[dispatch]", '[dispatch]\ndatabase = "none.db"'))
    return other


@pytest.mark.integration
def test_contents_are_put_in_force(tmp_path: Path, broker: Mosquitto, van_at: Callable[[str], Vehicle]) -> None:
    """A van that is heard gets sites and register; unchanged content keeps its version over a restart."""
    config = configure(tmp_path, broker)
    van = van_at("van-07")
    for changed, version in ((False, 1), (False, 1), (True, 2)):
        if changed:
            (tmp_path / "register.csv").write_text(
                REGISTER + "urn:epc:id:grai:9521141.00012.103,item,moving head 103\n"
            )
        van.told.clear()
        with Dispatch(load(config)) as dispatch:
            until(lambda: dispatch.ingest.link.connected, "ingest to connect")
            van.say("status", json.dumps(status("van-07")).encode())
            until(lambda: {"sites", "register"} <= van.told.keys(), "sites and register")
            assert decode_downlink(van.told["register"], leaf="register").version == version
            sites = decode_downlink(van.told["sites"], leaf="sites")
            assert sites.version == 1
            assert len(sites.content["sites.geojson"]["features"]) == 4


@pytest.mark.integration
def test_where_nothing_is_forgotten_any_more_the_process_ends(
    tmp_path: Path, broker: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Badges that are never taken out again are no small thing: a bug in that thread ends the whole, seen by all."""
    config = tmp_path / "dispatch.toml"
    config.write_text(f"[dispatch]\nport = {free_port()}\n[mqtt]\nport = {broker.port}\n")
    dispatch, go = Dispatch(load(config)), threading.Event()
    monkeypatch.setattr(threading, "excepthook", lambda _args: None)

    def broken(**_before: float) -> int:
        go.wait(10.0)
        raise ZeroDivisionError

    monkeypatch.setattr(dispatch.store, "forget", broken)
    with dispatch:
        assert dispatch.is_serving
        go.set()
        until(lambda: not dispatch.is_serving, "the end to be seen")


def test_the_watchdog_is_fed_by_progress_alone(tmp_path: Path) -> None:
    """Where ingest's worker or the board's pump stands still, nothing says that the process is alive."""
    for standing_still in ("ingest", "board", None):
        watched = _Watched(standing_still)
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
            name = str(tmp_path / f"notify-{standing_still}")
            manager.bind(name)
            manager.settimeout(0.0)
            assert not _watch(watched, Notifier({"NOTIFY_SOCKET": name}), threading.Event(), every_s=0.001)
            told = []
            with contextlib.suppress(BlockingIOError):
                while True:
                    told.append(manager.recv(4096))
        assert told[0].startswith(b"READY=1")
        assert told[1:] == ([] if standing_still else [b"WATCHDOG=1"] * (len(told) - 1))
        assert (len(told) > 1) == (standing_still is None)


class _Watched:
    """A dispatch side of which a part may hang; it ends by itself after twenty looks."""

    address = "http://127.0.0.1:1/"
    is_ready = True

    def __init__(self, standing_still: str | None) -> None:
        self._standing_still = standing_still
        self._looks = 0

    @property
    def is_serving(self) -> bool:
        self._looks += 1
        return self._looks < 20

    @property
    def progress(self) -> tuple[int, int]:
        return (
            0 if self._standing_still == "ingest" else self._looks,
            0 if self._standing_still == "board" else self._looks,
        )


@pytest.mark.integration
def test_the_command(tmp_path: Path, broker: Mosquitto, van_at: Callable[[str], Vehicle]) -> None:
    """Started as a command it hears, shows and acknowledges, and SIGTERM ends it cleanly while a page is open.

    Its service manager is told ready, alive and stopping, as sd_notify(3) says.
    """
    config = configure(tmp_path, broker)
    manager = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    manager.bind(str(tmp_path / "notify"))
    manager.settimeout(15.0)
    environ = os.environ | {"NOTIFY_SOCKET": str(tmp_path / "notify")}
    code = "import sys; from agent.dispatch.main import *; p = argparse.ArgumentParser(); add_arguments(p); "
    code += "sys.exit(run(p.parse_args()))"
    process = subprocess.Popen(
        [sys.executable, "-c", code, "--config", str(config)], stderr=subprocess.PIPE, text=True, env=environ
    )
    try:
        assert process.stderr is not None
        said = process.stderr.readline()
        address = re.search(r"http://127\.0\.0\.1:\d+/", said)
        assert address, said
        assert "this computer only" in said
        assert manager.recv(4096).startswith(b"READY=1\nSTATUS=the board is at http://127.0.0.1:")
        assert httpx.get(address[0]).status_code == 200
        assert manager.recv(4096) == b"WATCHDOG=1"
        until(lambda: httpx.get(address[0] + "healthz").json()["broker"] == "connected", "the broker's connection")
        van, day = van_at("van-07"), full_day()
        van.say("log", pack(day.batches()[0]))
        until(lambda: "ack" in van.told, "the ack")
        assert "van-07" in httpx.get(address[0]).text
        with httpx.stream("GET", address[0] + "live") as stream:
            assert next(stream.iter_text()).startswith("retry:")
            process.terminate()
            assert process.wait(timeout=15) == 0
        heard = b""
        while not heard.startswith(b"STOPPING=1"):
            heard = manager.recv(4096)
    finally:
        manager.close()
        process.kill()
        process.communicate()
