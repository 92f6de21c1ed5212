"""The units and the depot broker's configuration, held against the programs that read them."""

from __future__ import annotations

import configparser
import re
import shutil
import socket
import ssl
import subprocess
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from agent.clock import SystemClock
from agent.dispatch.ingest import Ingest
from agent.dispatch.loaded import load
from agent.dispatch.store import open_store
from agent.messages import Ack, OutboxRow, encode_acks, encode_log

ROOT = Path(__file__).resolve().parents[1]
FOLDER = ROOT / "systemd"
UNITS = sorted(FOLDER.glob("*.service"))
MOST_EXPOSURE = 2.0
WAIT_S = 10.0
# Said by systemd before 254 of the two keys that let a restart's delay grow; it then stays at RestartSec.
NEWER_KEYS = re.compile(r"Unknown key(?: name)? '(?:RestartSteps|RestartMaxDelaySec)'")


@pytest.fixture(scope="module")
def analyze() -> str:
    """systemd-analyze, which checks units without a running systemd."""
    found = shutil.which("systemd-analyze")
    if found is None:
        pytest.skip("systemd-analyze is not installed (Debian: systemd)")
    return found


def parsed(unit: Path) -> configparser.ConfigParser:
    """A unit's keys; one that is given twice keeps its last value."""
    parser = configparser.ConfigParser(strict=False, interpolation=None, delimiters="=")
    parser.optionxform = str  # type: ignore[assignment,method-assign]
    parser.read_string(unit.read_text())
    return parser


def verify(analyze: str, unit: Path) -> subprocess.CompletedProcess[str]:
    """Have systemd read one unit file."""
    words = [analyze, "verify", "--man=no", str(unit)]
    return subprocess.run(words, capture_output=True, text=True, check=False, timeout=60)


@pytest.mark.parametrize("unit", UNITS, ids=lambda unit: unit.name)
def test_systemd_understands_the_unit(unit: Path, tmp_path: Path, analyze: str) -> None:
    """`systemd-analyze verify` has nothing to say but that an old systemd lacks the growing delay."""
    program = tmp_path / "roadtally"
    program.write_text("#!/bin/sh\n")
    program.chmod(0o755)
    copy = tmp_path / unit.name
    copy.write_text(unit.read_text().replace("/opt/roadtally/current/bin/roadtally", str(program)))
    done = verify(analyze, copy)
    said = [line for line in done.stderr.splitlines() if unit.name in line and not NEWER_KEYS.search(line)]
    assert said == []


def test_verify_would_have_said_so(tmp_path: Path, analyze: str) -> None:
    """The check above sees a key that does not exist."""
    copy = tmp_path / "wrong.service"
    copy.write_text("[Service]\nExecStart=/bin/true\nWatchdogSeconds=60\n")
    done = verify(analyze, copy)
    assert "WatchdogSeconds" in done.stderr


@pytest.mark.parametrize("unit", UNITS, ids=lambda unit: unit.name)
def test_the_unit_is_little_exposed(unit: Path, analyze: str) -> None:
    """`systemd-analyze security --offline=true` scores at most 2.0 (the project's own bound, design.md)."""
    done = subprocess.run(
        [analyze, "security", "--offline=true", "--no-pager", "--threshold=100", unit],
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    score = re.search(r"Overall exposure level for \S+: ([0-9.]+)", done.stdout)
    assert score, done.stdout + done.stderr
    assert float(score.group(1)) <= MOST_EXPOSURE


@pytest.mark.parametrize("unit", UNITS, ids=lambda unit: unit.name)
def test_the_unit_starts_without_a_network(unit: Path) -> None:
    """Nothing waits for a network or gives up restarting, and the watchdog is on."""
    keys = parsed(unit)
    assert "network-online" not in " ".join(keys["Unit"].values())
    assert not {"Requires", "BindsTo", "Requisite"} & set(keys["Unit"])
    assert keys["Unit"]["StartLimitIntervalSec"] == "0"
    assert keys["Service"]["Type"] == "notify"
    assert int(keys["Service"]["WatchdogSec"]) > 0
    assert keys["Service"]["Restart"] == "on-failure"


def free_port() -> int:
    """A port that nobody listens on now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A depot's CA with certificates for its broker, two vans and the dispatch side."""
    if shutil.which("openssl") is None:
        pytest.skip("openssl is not installed")
    folder = tmp_path_factory.mktemp("pki")

    def openssl(*words: str) -> None:
        subprocess.run(["openssl", *words], cwd=folder, check=True, capture_output=True, timeout=60)

    key = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes")
    openssl("req", "-x509", *key, "-subj", "/CN=Depot CA", "-days", "2", "-keyout", "ca.key", "-out", "ca.crt")
    (folder / "names").write_text("subjectAltName=IP:127.0.0.1\n")
    names = {"broker": "127.0.0.1", "van-07": "van-07", "van-08": "van-08", "d": "roadtally.dispatch"}
    for file, name in names.items():
        openssl("req", *key, "-subj", f"/CN={name}", "-keyout", f"{file}.key", "-out", f"{file}.csr")
        openssl("x509", "-req", "-in", f"{file}.csr", "-CA", "ca.crt", "-CAkey", "ca.key", "-CAcreateserial",
                "-days", "2", "-extfile", "names", "-out", f"{file}.crt")  # fmt: skip
    return folder


@pytest.fixture(scope="module")
def broker(certificates: Path) -> Iterator[int]:
    """A real mosquitto with the depot's configuration, its paths alone changed; yields its port."""
    program = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
    if program is None:
        pytest.skip("mosquitto is not installed")
    port = free_port()
    shutil.copy(FOLDER / "mosquitto.acl", certificates / "acl")
    (certificates / "acl").chmod(0o600)
    text = (FOLDER / "mosquitto.conf").read_text()
    text = text.replace("/etc/mosquitto/roadtally", str(certificates)).replace("/var/lib/mosquitto", str(certificates))
    text = re.sub(r"^listener 8883$", f"listener {port} 127.0.0.1\nuser root", text, flags=re.MULTILINE)
    (certificates / "mosquitto.conf").write_text(text)
    log = certificates / "log"
    with log.open("wb") as out:
        process = subprocess.Popen([program, "-c", str(certificates / "mosquitto.conf")], stdout=out, stderr=out)
    try:
        for _ in range(200):
            if process.poll() is not None:
                pytest.fail(log.read_text())
            with socket.socket() as probe:
                probe.settimeout(1.0)
                if probe.connect_ex(("127.0.0.1", port)) == 0:
                    break
            threading.Event().wait(0.05)  # between two tries of a condition with a deadline
        else:
            pytest.fail("mosquitto did not listen within 10 s: " + log.read_text())
        yield port
    finally:
        process.terminate()
        process.wait(timeout=10)


class Peer:
    """One connected client that keeps what it receives."""

    def __init__(self, *, port: int, certificates: Path, file: str, client_id: str) -> None:
        self.received: list[tuple[str, bytes]] = []
        self.changed = threading.Condition()
        self.connected = threading.Event()
        self.subscribed = threading.Event()
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=client_id, protocol=mqtt.MQTTv311)
        self.client.tls_set(str(certificates / "ca.crt"), str(certificates / f"{file}.crt"),
                            str(certificates / f"{file}.key"))  # fmt: skip
        self.client.on_connect = lambda *_: self.connected.set()
        self.client.on_subscribe = lambda *_: self.subscribed.set()
        self.client.on_message = self._keep
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        assert self.connected.wait(WAIT_S)

    def _keep(self, _client: mqtt.Client, _userdata: object, message: mqtt.MQTTMessage) -> None:
        with self.changed:
            self.received.append((message.topic, message.payload))
            self.changed.notify_all()

    def hear(self, topic: str) -> None:
        """Subscribe and wait for the broker's word."""
        self.subscribed.clear()
        self.client.subscribe(topic, qos=1)
        assert self.subscribed.wait(WAIT_S)

    def say(self, topic: str, payload: bytes) -> None:
        """Publish and wait for the broker's PUBACK, which 3.1.1 gives for a denied publish too."""
        self.client.publish(topic, payload, qos=1).wait_for_publish(WAIT_S)

    def await_payload(self, payload: bytes) -> None:
        """Wait until `payload` has come."""
        with self.changed:
            assert self.changed.wait_for(lambda: any(got == payload for _, got in self.received), WAIT_S)

    def close(self) -> None:
        """Leave."""
        self.client.disconnect()
        self.client.loop_stop()


@pytest.fixture
def peer(broker: int, certificates: Path) -> Iterator[Callable[..., Peer]]:
    """Makes connected clients and takes them away again."""
    made: list[Peer] = []

    def make(file: str, *, client_id: str = "") -> Peer:
        made.append(Peer(port=broker, certificates=certificates, file=file, client_id=client_id or file))
        return made[-1]

    yield make
    for one in made:
        one.close()


@pytest.mark.integration
def test_a_van_speaks_for_itself_alone(peer: Callable[..., Peer]) -> None:
    """What a van publishes under another's name, or as the dispatch side, reaches nobody; its own log arrives."""
    dispatch, van, other = peer("d"), peer("van-07"), peer("van-08")
    dispatch.hear("roadtally/1/#")
    for topic in ("log", "status", "aboard", "position"):
        dispatch.hear(f"roadtally/1/+/{topic}")
    other.hear("roadtally/1/van-08/ack")
    van.hear("roadtally/1/van-07/ack")
    van.say("roadtally/1/van-08/log", b"forged log")
    van.say("roadtally/1/van-08/ack", b"forged ack")
    van.say("roadtally/1/van-07/ack", b"own ack")
    van.say("roadtally/1/van-07/log", b"own log")
    dispatch.await_payload(b"own log")
    dispatch.say("roadtally/1/van-08/ack", b"true ack")
    other.await_payload(b"true ack")
    dispatch.say("roadtally/1/van-07/ack", b"ack from dispatch")
    van.await_payload(b"ack from dispatch")
    assert {payload for _, payload in van.received} == {b"ack from dispatch"}
    assert {payload for _, payload in dispatch.received} == {b"own log"}
    assert {payload for _, payload in other.received} == {b"true ack"}


@pytest.mark.integration
def test_a_van_hears_nothing_of_another(peer: Callable[..., Peer]) -> None:
    """A van that subscribes to everything receives what is meant for it and no more."""
    dispatch, van = peer("d"), peer("van-07")
    van.hear("#")
    van.hear("roadtally/1/+/plan")
    dispatch.say("roadtally/1/van-08/plan", b"plan of van-08")
    dispatch.say("roadtally/1/van-07/plan", b"plan of van-07")
    van.await_payload(b"plan of van-07")
    assert {payload for _, payload in van.received} == {b"plan of van-07"}


@pytest.mark.integration
def test_a_borrowed_client_id_does_not_help(peer: Callable[..., Peer]) -> None:
    """With van-08's client id but its own certificate, a client is still van-07, and van-08 stays connected."""
    other = peer("van-08")
    thief = peer("van-07", client_id="van-08")
    dispatch = peer("d")
    dispatch.hear("roadtally/1/+/log")
    thief.say("roadtally/1/van-08/log", b"stolen")
    other.say("roadtally/1/van-08/log", b"mine")
    dispatch.await_payload(b"mine")
    assert b"stolen" not in {payload for _, payload in dispatch.received}
    assert other.client.is_connected()


@pytest.mark.integration
def test_without_a_certificate_nobody_comes_in(broker: int, certificates: Path) -> None:
    """A TLS client that shows no certificate gets no MQTT answer."""
    context = ssl.create_default_context(cafile=str(certificates / "ca.crt"))
    # MQTT 3.1.1, section 3.1: CONNECT with a clean session, 60 s keepalive and the client id "none".
    connect = bytes.fromhex("101000044d5154540402003c0004") + b"none"
    with socket.create_connection(("127.0.0.1", broker), timeout=WAIT_S) as plain:
        try:
            with context.wrap_socket(plain, server_hostname="127.0.0.1") as tls:
                tls.sendall(connect)
                assert tls.recv(4) == b""
        except (ssl.SSLError, ConnectionError):
            return  # refused while the handshake or the first write went on


@pytest.mark.integration
def test_the_dispatch_side_comes_with_its_own_certificate(
    broker: int, certificates: Path, peer: Callable[..., Peer], tmp_path: Path
) -> None:
    """With the three files in dispatch.toml it is let in by this configuration, and a van's log is acknowledged."""
    (tmp_path / "dispatch.toml").write_text(
        f'[mqtt]\nport = {broker}\nca_file = "{certificates}/ca.crt"\n'
        f'cert_file = "{certificates}/d.crt"\nkey_file = "{certificates}/d.key"\n'
    )
    van = peer("van-07")
    van.hear("roadtally/1/van-07/ack")
    store = open_store(tmp_path / "dispatch.db")
    ingest = Ingest(store, load(tmp_path / "dispatch.toml").broker, clock=SystemClock())
    ingest.start()
    try:
        note = OutboxRow(1, "notice", b'{"notice":"gap","text":"The computer started again."}')
        log = encode_log(vehicle="van-07", epoch=1, records=[note])
        for _ in range(40):  # what is said before it listens reaches nobody
            van.say("roadtally/1/van-07/log", log)
            with van.changed:
                if van.changed.wait_for(lambda: bool(van.received), 0.25):
                    break
        van.await_payload(encode_acks([Ack(1, 1)]))
    finally:
        ingest.close()
        store.close()
