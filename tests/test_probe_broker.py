"""The talk with the broker, against real mosquitto: let in, published, refused, TLS; the running agent left alone."""

from __future__ import annotations

import shutil
import socket
import subprocess
import threading
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from agent import broker
from agent.broker import free_port, mosquitto_program
from agent.findings import Finding
from agent.probe_broker import probe_broker
from agent.vehicle import MqttSettings
from tests.delivery import Depot
from tests.llrp.tcp import until

pytestmark = [
    pytest.mark.integration,
    pytest.mark.skipif(mosquitto_program() is None, reason="mosquitto is not installed"),
]
VAN = "van-07"


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[MqttSettings]:
    """A broker with users and an ACL: van-07 may publish its status and hear, van-08 may hear alone."""
    passwords, acl = tmp_path / "passwords", tmp_path / "acl"
    for number, van in enumerate((VAN, "van-08", "depot")):
        create = ["-c"] if number == 0 else []
        command = ["mosquitto_passwd", "-b", *create, str(passwords), van, "sesame"]
        subprocess.run(command, check=True, capture_output=True)
    leaves = ("ack", "sites", "register", "plan", "settings")
    down = "".join(f"topic read roadtally/1/{{van}}/{leaf}\n" for leaf in leaves)
    acl.write_text(
        f"user {VAN}\ntopic write roadtally/1/{VAN}/status\n{down.format(van=VAN)}\n"
        f"user van-08\n{down.format(van='van-08')}\n"
    )
    for path in (tmp_path, *tmp_path.parents[:2]):
        path.chmod(0o755)  # as root mosquitto gives up its rights before it reads them
    for path in (passwords, acl):
        path.chmod(0o644)
    (tmp_path / "password").write_text("sesame\n")
    port, config = free_port(), tmp_path / "broker.conf"
    config.write_text(f"listener {port} 127.0.0.1\nallow_anonymous false\npassword_file {passwords}\nacl_file {acl}\n")
    command = [mosquitto_program() or "", "-c", str(config)]
    with broker._start("mosquitto", command, port=port, host="127.0.0.1"):
        yield MqttSettings(host="127.0.0.1", port=port, username=VAN, password_file=str(tmp_path / "password"))


def by_part(told: list[Finding]) -> dict[str, Finding]:
    """The findings by part."""
    return {finding.part: finding for finding in told}


def test_a_vehicle_that_may_publish(mosquitto: MqttSettings) -> None:
    """Both lines are ok."""
    told = by_part(probe_broker(VAN, mosquitto))
    assert (told["broker"].state, told["publish"].state) == ("ok", "ok")
    assert "without TLS" in told["broker"].found
    assert told["publish"].found == "the broker took what van-07 published"


def test_a_publish_that_the_broker_throws_away(mosquitto: MqttSettings) -> None:
    """MQTT 3.1.1 would confirm it like any other; MQTT 5 tells, and so does the line."""
    quiet = MqttSettings(
        host=mosquitto.host, port=mosquitto.port, username="van-08", password_file=mosquitto.password_file
    )
    told = by_part(probe_broker("van-08", quiet))
    assert (told["broker"].state, told["publish"].state) == ("ok", "not ok")
    assert "Not authorized" in told["publish"].found
    assert "ACL" in told["publish"].do


def test_a_wrong_password(mosquitto: MqttSettings, tmp_path: Path) -> None:
    """Refused, with where to look."""
    (tmp_path / "password").write_text("wrong\n")
    (told,) = probe_broker(VAN, mosquitto)
    assert told.state == "not ok"
    assert "refuses the connection" in told.found
    assert "password_file" in told.do


def test_a_password_file_that_is_not_there(mosquitto: MqttSettings, tmp_path: Path) -> None:
    """The operator's own mistake, with the key."""
    (tmp_path / "password").unlink()
    (told,) = probe_broker(VAN, mosquitto)
    assert told.state == "not ok"
    assert "[mqtt] password_file" in told.found


@pytest.mark.parametrize("is_agent_running", [True, False])
def test_the_running_agent_is_not_pushed_off(*, is_agent_running: bool) -> None:
    """A broker knows one client of a name: only where no agent runs is that name used to try the broker."""
    with broker.start_mosquitto(port=0) as running:
        agent = Depot(running.port)  # any client that connects again when it is pushed off; it is named "depot"
        try:
            until(lambda: agent.subscribed, "the other client")
            settings = MqttSettings(host="127.0.0.1", port=running.port)
            told = by_part(probe_broker("depot", settings, is_agent_running=is_agent_running))
            assert told["broker"].state == "ok"
            if is_agent_running:
                assert told["publish"].state == "not tested"
                assert agent.subscribed == 1
                assert agent._client.is_connected()
            else:
                until(lambda: agent.subscribed == 2, "the other client's second connection")
        finally:
            agent._client.disconnect()
            agent._client.loop_stop()


def test_the_depot_hears_that_the_vehicle_is_offline() -> None:
    """What is published to try it is the truth: the agent does not run."""
    with broker.start_mosquitto(port=0) as running:
        depot = Depot(running.port)
        try:
            until(lambda: depot.subscribed, "the depot")
            probe_broker(VAN, MqttSettings(host="127.0.0.1", port=running.port))

            def heard() -> bool:
                depot.turn()
                return bool(depot.retained.get("status"))

            until(heard, "the status")
            assert depot.retained["status"][-1]["state"] == "offline"
        finally:
            depot._client.disconnect()
            depot._client.loop_stop()


@pytest.mark.skipif(shutil.which("openssl") is None, reason="openssl is not installed")
@pytest.mark.parametrize("is_agent_running", [False, True])
def test_tls(tmp_path: Path, *, is_agent_running: bool) -> None:
    """With the broker's CA the version of TLS is told; without it, or where the port speaks none, what to do."""
    key, cert, config = (tmp_path / name for name in ("key.pem", "cert.pem", "broker.conf"))
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "2",
         "-subj", "/CN=127.0.0.1", "-addext", "subjectAltName=IP:127.0.0.1", "-keyout", str(key), "-out", str(cert)],
        check=True, capture_output=True,
    )  # fmt: skip
    for path in (tmp_path, *tmp_path.parents[:2]):
        path.chmod(0o755)
    key.chmod(0o644)
    port, plain = free_port(), free_port()
    config.write_text(
        f"per_listener_settings true\nlistener {port} 127.0.0.1\ncertfile {cert}\nkeyfile {key}\nallow_anonymous true\n"
        f"listener {plain} 127.0.0.1\nallow_anonymous true\n"
    )

    def told(port: int, ca_file: str | None) -> Finding:
        settings = MqttSettings(host="127.0.0.1", port=port, tls=True, ca_file=ca_file)
        return probe_broker(VAN, settings, is_agent_running=is_agent_running)[0]

    with broker._start("mosquitto", [mosquitto_program() or "", "-c", str(config)], port=plain, host="127.0.0.1"):
        good, stranger, no_tls = told(port, str(cert)), told(port, None), told(plain, str(cert))
    assert good.state == "ok"
    assert "TLSv1.3" in good.found or "TLSv1.2" in good.found
    assert stranger.state == "not ok"
    assert "ca_file" in stranger.do
    assert no_tls.state == "not ok"
    assert "speaks no TLS" in no_tls.do


def test_nobody_there() -> None:
    """A refused connection, and a vehicle that publishes nothing."""
    (told,) = probe_broker(VAN, MqttSettings(host="127.0.0.1", port=free_port()))
    assert (told.state, told.do) == ("not ok", "start the broker, or look at [mqtt] host and port")
    (told,) = probe_broker(VAN, MqttSettings())
    assert told.state == "not tested"


def test_a_broker_without_mqtt_5() -> None:
    """It is asked again in 3.1.1, and the line says that a confirmation proves little there."""
    with broker.start_mosquitto(port=0) as running:
        listener = socket.create_server(("127.0.0.1", 0))
        thread = threading.Thread(target=_old_broker, args=(listener, running.port), daemon=True)
        thread.start()
        told = by_part(probe_broker(VAN, MqttSettings(host="127.0.0.1", port=listener.getsockname()[1])))
        listener.close()
    assert told["publish"].state == "ok"
    assert "3.1.1" in told["publish"].found


def _old_broker(listener: socket.socket, port: int) -> None:
    """Refuses a CONNECT of protocol level 5 as MQTT 3.1.1 says (3.1.2.2: return code 1), hands on any other."""
    with suppress(OSError):
        while True:
            client, _ = listener.accept()
            first = client.recv(4096)
            if first[8] == 5:  # after the fixed header and the name "MQTT"
                client.sendall(b"\x20\x02\x00\x01")
                client.close()
                continue
            behind = socket.create_connection(("127.0.0.1", port))
            behind.sendall(first)
            for one, other in ((client, behind), (behind, client)):
                threading.Thread(target=_pass_on, args=(one, other), daemon=True).start()


def _pass_on(one: socket.socket, other: socket.socket) -> None:
    with suppress(OSError):
        while data := one.recv(4096):
            other.sendall(data)
        other.shutdown(socket.SHUT_WR)
