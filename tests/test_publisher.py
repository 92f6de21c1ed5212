"""Publishing over real brokers: whatever happens to broker, link and acks, nothing is lost and nothing contradicts."""

from __future__ import annotations

import json
import shutil
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from agent import broker, publisher_link, store_numbering
from agent.broker import RunningBroker, free_port
from agent.chain import parse_key, walk
from agent.clock import SystemClock
from agent.errors import ConfigError, StoreError
from agent.messages import Ack, Downlink, encode_acks, encode_downlink, topic
from agent.publisher import LinkChanged, Publisher, Refused, Settled, Trouble
from agent.records import Record
from agent.relay import LinkRelay
from agent.store_chain import kept_chain
from agent.vehicle import MqttSettings
from tests.delivery import SEAL, VEHICLE, Depot, Van, turn_until

needs_mosquitto = pytest.mark.skipif(broker.mosquitto_program() is None, reason="mosquitto is not installed")
both_brokers = pytest.mark.parametrize(
    "start", [pytest.param(broker.start_mosquitto, marks=needs_mosquitto), broker.start_iotcore]
)
integration = pytest.mark.integration
Start = Callable[..., RunningBroker]


@pytest.fixture
def stack() -> Iterator[ExitStack]:
    """Ends whatever a test starts, in the opposite order."""
    with ExitStack() as made:
        yield made


class HastyClock(SystemClock):
    """Waits a fiftieth of what it is asked for, so that the tries to reconnect follow close upon each other."""

    def sleep(self, seconds: float, *, stop: threading.Event | None = None) -> bool:
        """Wait, but not long."""
        return super().sleep(seconds / 50.0, stop=stop)


def ready_depot(stack: ExitStack, port: int) -> Depot:
    """A depot that hears."""
    depot = Depot(port)
    stack.callback(depot.close)
    turn_until(lambda: depot.subscribed > 0, [depot])
    return depot


def new_van(stack: ExitStack, path: Path, port: int, **options: Any) -> Van:
    """A vehicle that publishes; closed with the stack."""
    van = Van(path, port=port, **options)
    stack.callback(van.close)
    return van


def all_of(epoch: int, count: int) -> set[tuple[int, int]]:
    """The names of the records 1 to count."""
    return {(epoch, seq) for seq in range(1, count + 1)}


@integration
@both_brokers
def test_the_backlog_goes_out_once_and_is_trimmed_by_acks(start: Start, stack: ExitStack, tmp_path: Path) -> None:
    """1,230 records arrive in batches of at most 50, none twice, and the outbox is empty when all are acked."""
    running = stack.enter_context(start(port=0))
    depot = ready_depot(stack, running.port)
    van = new_van(stack, tmp_path / "store.db", running.port)
    van.append(1230)
    turn_until(lambda: van.store.backlog() == 0, [van, depot])
    assert set(depot.bodies) == all_of(1, 1230)
    assert set(depot.times.values()) == {1}
    assert max(depot.batch_sizes) == 50
    assert sum(depot.batch_sizes) == 1230
    assert json.loads(depot.bodies[1, 77])["n"] == 77
    assert [type(each) for each in van.delivered[:2]] == [LinkChanged, Settled]
    van.append(3)
    turn_until(lambda: van.store.backlog() == 0, [van, depot])
    assert depot.batch_sizes[-1] == 3


@integration
@both_brokers
def test_a_broker_that_comes_up_late_gets_everything(start: Start, stack: ExitStack, tmp_path: Path) -> None:
    """With no broker at the start the vehicle stores, keeps trying, and catches up."""
    port = free_port()
    van = new_van(stack, tmp_path / "store.db", port)
    van.append(70)
    turn_until(lambda: not van.publisher.is_connected, [van])
    stack.enter_context(start(port=port))
    depot = ready_depot(stack, port)
    turn_until(lambda: van.store.backlog() == 0, [van, depot])
    assert set(depot.bodies) == all_of(1, 70)


@integration
@both_brokers
def test_a_broker_killed_and_restarted_loses_nothing(start: Start, stack: ExitStack, tmp_path: Path) -> None:
    """Killed three times in mid-stream, with all its memory gone: all records arrive, a repeated one says the same."""
    running = start(port=0)
    stack.callback(lambda: running.stop())  # noqa: PLW0108 - whichever runs by then
    depot = ready_depot(stack, running.port)
    # The van is back before the depot is; what it sends then is confirmed by a broker that has nobody to give it to.
    patience = {"resend_after_s": 1.0, "resend_after_real_s": 1.0}
    van = new_van(stack, tmp_path / "store.db", running.port, clock=HastyClock(), **patience)
    for kill in range(1, 4):
        van.append(2000)
        turn_until(lambda: len(depot.bodies) > 2000 * (kill - 1) + 300, [van, depot])  # noqa: B023 - called here only
        running.kill()
        van.append(10)
        turn_until(lambda: not van.publisher.is_connected, [van, depot])
        van.append(10)
        running = start(port=running.port)
        turn_until(lambda: depot.subscribed > kill and van.publisher.is_connected, [van, depot])  # noqa: B023
    turn_until(lambda: van.store.backlog() == 0, [van, depot], within_s=60.0)
    assert set(depot.bodies) == all_of(1, 6060)
    assert depot.contradictions == []


@integration
@both_brokers
def test_a_cut_link_is_noticed_and_made_up_for(start: Start, stack: ExitStack, tmp_path: Path) -> None:
    """What is recorded in a dead zone arrives when it is over; meanwhile the broker says that the van is offline."""
    running = stack.enter_context(start(port=0))
    relay = stack.enter_context(LinkRelay(listen_port=0, target_port=running.port))
    depot = ready_depot(stack, running.port)
    van = new_van(stack, tmp_path / "store.db", relay.port)
    van.publisher.set_status({"v": 1, "vehicle": VEHICLE, "state": "online", "backlog": 0})
    van.append(30)
    turn_until(lambda: van.store.backlog() == 0 and "status" in depot.retained, [van, depot])
    relay.cut()
    van.append(25)
    turn_until(lambda: depot.retained["status"][-1]["state"] == "offline", [van, depot])
    assert depot.retained["status"][-1]["vehicle"] == VEHICLE
    turn_until(lambda: len(van.got(LinkChanged)) == 2, [van, depot])
    van.append(25)
    relay.mend()
    turn_until(lambda: van.store.backlog() == 0, [van, depot])
    assert set(depot.bodies) == all_of(1, 80)
    assert set(depot.times.values()) == {1}
    assert [each.up for each in van.got(LinkChanged)] == [True, False, True]
    turn_until(lambda: depot.retained["status"][-1]["state"] == "online", [van, depot])


@integration
@needs_mosquitto
def test_a_silent_dead_zone_is_noticed_by_the_keepalive(
    stack: ExitStack, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where every byte is lost and no reset comes, the missing answer to a ping ends the connection."""
    monkeypatch.setattr(publisher_link, "_KEEPALIVE_S", 1)
    running = stack.enter_context(broker.start_mosquitto(port=0))
    relay = stack.enter_context(LinkRelay(listen_port=0, target_port=running.port))
    depot = ready_depot(stack, running.port)
    van = new_van(stack, tmp_path / "store.db", relay.port)
    van.append(30)
    turn_until(lambda: van.store.backlog() == 0, [van, depot])
    relay.cut(silently=True)
    van.append(30)
    turn_until(lambda: not van.publisher.is_connected, [van, depot])
    relay.mend()
    turn_until(lambda: van.store.backlog() == 0, [van, depot])
    assert set(depot.bodies) == all_of(1, 60)


@integration
@both_brokers
def test_a_silent_dispatch_side_is_not_flooded(start: Start, stack: ExitStack, tmp_path: Path) -> None:
    """PUBACKs alone trim nothing: twenty batches go out, then one at a time asks, and it is told; acks mend it all."""
    running = stack.enter_context(start(port=0))
    depot = ready_depot(stack, running.port)
    depot.acking = False
    van = new_van(stack, tmp_path / "store.db", running.port, resend_after_s=0.2, resend_after_real_s=0.2)
    van.append(1500)
    turn_until(lambda: depot.times[1, 1] >= 3, [van, depot])
    oldest, newest = {(1, seq) for seq in range(1, 801)}, {(1, seq) for seq in range(1451, 1501)}
    assert set(depot.bodies) == oldest | newest
    assert sum(times > 1 for times in depot.times.values()) <= 51  # the first batch and the newest record
    assert van.store.backlog() == 1500
    told = van.got(Trouble)[-1]
    assert told.words == "the broker takes records but no acknowledgement comes from the dispatch side"
    assert told.since_mono is not None
    depot.acking = True
    turn_until(lambda: van.store.backlog() == 0, [van, depot])
    assert set(depot.bodies) == all_of(1, 1500)
    assert depot.contradictions == []
    turn_until(lambda: van.got(Trouble)[-1] == Trouble(None, None), [van, depot])


@integration
@both_brokers
def test_acks_that_are_lost_old_or_noise_trim_nothing_wrong(start: Start, stack: ExitStack, tmp_path: Path) -> None:
    """Partial, repeated, past and malformed acks: exactly what was truly covered leaves the outbox."""
    running = stack.enter_context(start(port=0))
    depot = ready_depot(stack, running.port)
    depot.acking = False
    van = new_van(stack, tmp_path / "store.db", running.port, resend_after_s=0.2, resend_after_real_s=0.2)
    van.append(40)
    turn_until(lambda: len(depot.bodies) == 40, [van, depot])
    for payload in (
        b"noise",
        encode_acks([Ack(1, 10, ((20, 25),))]),
        encode_acks([Ack(1, 4)]),
        b'{"acks": [{"epoch": 1, "seq": 40, "also": [[9, 2]]}]}',
        b"",
        encode_acks([]),
        encode_acks([Ack(1, 10, ((20, 25),))]),
    ):
        depot.send("ack", payload)
    turn_until(lambda: van.store.backlog() == 24 and depot.times[1, 11] >= 3, [van, depot])
    assert [row.seq for row in van.store.unacked()] == [*range(11, 20), *range(26, 41)]
    before = depot.times[1, 1]
    depot.acking = True
    turn_until(lambda: van.store.backlog() == 0, [van, depot])
    assert depot.times[1, 1] == before


@integration
def test_a_dispatch_side_restored_from_a_backup_gets_what_it_lacks(
    stack: ExitStack, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of 120 records that it had it has 70 left, and the van knows them all acknowledged: the 50 come again, once."""
    monkeypatch.setattr(store_numbering, "_SHORT_FOR_S", 0.0)  # the second ack that says so counts at once
    running = stack.enter_context(broker.start_iotcore(port=0))
    depot = ready_depot(stack, running.port)
    van = new_van(stack, tmp_path / "store.db", running.port)
    van.append(120)
    turn_until(lambda: van.store.backlog() == 0, [van, depot])
    for seq in range(71, 121):
        del depot.bodies[1, seq]
    for seq in (121, 122):
        van.append(1)
        turn_until(lambda seq=seq: (1, seq) in depot.bodies, [van, depot])
    turn_until(lambda: set(depot.bodies) == all_of(1, 122) and van.store.backlog() == 0, [van, depot])
    assert {depot.times[1, seq] for seq in range(71, 121)} == {2}
    assert {depot.times[1, seq] for seq in (*range(1, 71), 121, 122)} == {1}
    assert depot.contradictions == []


@integration
@both_brokers
def test_a_new_store_of_a_known_vehicle_takes_a_new_epoch(start: Start, stack: ExitStack, tmp_path: Path) -> None:
    """With a retained ack of an earlier store on the broker, nothing goes out under names that are taken."""
    running = stack.enter_context(start(port=0))
    depot = ready_depot(stack, running.port)
    depot.send("ack", encode_acks([Ack(1, 500), Ack(2, 7)]))
    van = new_van(stack, tmp_path / "store.db", running.port, settle_s=5.0)
    van.append(60)
    turn_until(lambda: van.store.backlog() == 0, [van, depot])
    assert van.store.epoch == 3
    assert set(depot.bodies) == all_of(3, 61)  # the last is the notice that says so
    assert b"From here on its records are those of epoch 3; 60 are sent anew" in depot.bodies[3, 61]


@integration
@both_brokers
def test_what_is_published_is_a_signed_chain(start: Start, stack: ExitStack, tmp_path: Path) -> None:
    """What arrives, with the key in its frame, fits from the first record to the last; the ack's hash is taken in."""
    running = stack.enter_context(start(port=0))
    depot = ready_depot(stack, running.port)
    van = new_van(stack, tmp_path / "store.db", running.port)
    van.append(70)
    turn_until(lambda: van.store.backlog() == 0, [van, depot])
    assert depot.keys == {SEAL.key}
    records = [depot.sealed[1, seq] for seq in range(1, 71)]
    kept = kept_chain(tmp_path / "store.db").epochs[0]
    assert kept.head is not None
    assert kept.head[0] == 70
    found = walk(records, vehicle="van-07", epoch=1, key=parse_key(SEAL.key), head=kept.head)
    assert (found.seq, found.unsigned, found.misfit) == (70, 0, None)


@integration
@both_brokers
def test_a_restarted_agent_goes_on_with_what_was_not_acked(start: Start, stack: ExitStack, tmp_path: Path) -> None:
    """The outbox outlives the process; acked records are not sent again, unacked ones are."""
    running = stack.enter_context(start(port=0))
    depot = ready_depot(stack, running.port)
    van = Van(tmp_path / "store.db", port=running.port)
    van.append(20)
    turn_until(lambda: van.store.backlog() == 0, [van, depot])
    depot.acking = False
    van.append(20)
    turn_until(lambda: len(depot.bodies) == 40, [van, depot])
    van.close()
    depot.acking = True
    van = new_van(stack, tmp_path / "store.db", running.port)
    van.append(20)
    turn_until(lambda: van.store.backlog() == 0, [van, depot])
    assert set(depot.bodies) == all_of(1, 60)
    assert {depot.times[name] for name in all_of(1, 20)} == {1}


@integration
@both_brokers
def test_only_the_newest_state_is_kept_for_the_board(start: Start, stack: ExitStack, tmp_path: Path) -> None:
    """A board that subscribes late finds the last of each; after a proper stop the status says offline."""
    running = stack.enter_context(start(port=0))
    van = Van(tmp_path / "store.db", port=running.port)
    for n in range(300):
        van.publisher.set_position({"v": 1, "vehicle": VEHICLE, "n": n})
        van.publisher.set_aboard({"v": 1, "vehicle": VEHICLE, "n": n})
        van.publisher.set_status({"v": 1, "vehicle": VEHICLE, "state": "online", "backlog": n})
    depot = ready_depot(stack, running.port)
    turn_until(
        lambda: (
            depot.retained.get("position", [{}])[-1].get("n") == 299
            and depot.retained.get("aboard", [{}])[-1].get("n") == 299
            and depot.retained.get("status", [{}])[-1].get("backlog") == 299
        ),
        [van, depot],
    )
    van.close()
    late = retained_on(running.port)
    assert late["status"] == {"v": 1, "vehicle": VEHICLE, "state": "offline"}
    assert (late["aboard"]["n"], late["position"]["n"]) == (299, 299)


@integration
@both_brokers
def test_what_the_broker_has_is_not_sent_again_at_each_connection(
    start: Start, stack: ExitStack, tmp_path: Path
) -> None:
    """Where coverage flaps the list of what is aboard goes once; the status again, for the last will took its place."""
    running = stack.enter_context(start(port=0))
    relay = stack.enter_context(LinkRelay(listen_port=0, target_port=running.port))
    depot = ready_depot(stack, running.port)
    van = new_van(stack, tmp_path / "store.db", relay.port, clock=HastyClock())
    van.publisher.set_aboard({"v": 1, "vehicle": VEHICLE, "n": 1})
    van.publisher.set_status({"v": 1, "vehicle": VEHICLE, "state": "online"})
    van.append(3)
    turn_until(lambda: van.store.backlog() == 0 and len(depot.retained) == 2, [van, depot])
    for flap in (1, 2, 3):
        relay.cut()
        turn_until(lambda: not van.publisher.is_connected, [van, depot])
        relay.mend()
        van.append(1)
        turn_until(lambda: van.store.backlog() == 0, [van, depot])
        turn_until(lambda: [each["state"] for each in depot.retained["status"]].count("online") > flap, [van, depot])  # noqa: B023 - called here only
    assert [each["n"] for each in depot.retained["aboard"]] == [1]
    van.publisher.set_aboard({"v": 1, "vehicle": VEHICLE, "n": 2})
    turn_until(lambda: [each["n"] for each in depot.retained["aboard"]] == [1, 2], [van, depot])
    assert set(depot.times.values()) == {1}, "nor is any record"


def retained_on(port: int) -> dict[str, Any]:
    """What a newcomer gets of a vehicle's state; the answer to its own last message tells that it is complete."""
    depot = Depot(port)
    try:
        turn_until(lambda: {"status", "aboard", "position"} <= set(depot.retained), [depot])
        return {leaf: bodies[-1] for leaf, bodies in depot.retained.items()}
    finally:
        depot.close()


@integration
@both_brokers
def test_downlinks_are_handed_on_once_and_bad_ones_refused(start: Start, stack: ExitStack, tmp_path: Path) -> None:
    """Retained sites and plan arrive checked; the same one again after a reconnect does not; a wrong digest is told."""
    running = stack.enter_context(start(port=0))
    relay = stack.enter_context(LinkRelay(listen_port=0, target_port=running.port))
    depot = ready_depot(stack, running.port)
    sites = {"type": "FeatureCollection", "features": []}
    depot.send("sites", encode_downlink(version=4, content=sites))
    depot.send("plan", encode_downlink(version=2, content="vehicle,date\r\n").replace(b"vehicle", b"vehicel"))
    van = new_van(stack, tmp_path / "store.db", relay.port)
    turn_until(lambda: bool(van.got(Downlink) and van.got(Refused)), [van, depot])
    relay.cut()
    turn_until(lambda: not van.publisher.is_connected, [van, depot])
    relay.mend()
    depot.send("register", encode_downlink(version=9, content="epc,kind,name\r\n"))
    turn_until(lambda: len(van.got(Downlink)) == 2, [van, depot])
    assert [(each.leaf, each.version, each.content) for each in van.got(Downlink)] == [
        ("sites", 4, sites),
        ("register", 9, "epc,kind,name\r\n"),
    ]
    assert [(each.leaf, each.version) for each in van.got(Refused)] == [("plan", 2)]


def test_stopping_needs_no_broker(tmp_path: Path) -> None:
    """Without any broker the publisher ends at once, in the middle of waiting for its next try."""
    van = Van(tmp_path / "store.db", port=free_port())
    van.append(5)
    began_s = time.monotonic()
    van.close()
    assert time.monotonic() - began_s < 3.0


def test_a_peer_that_is_no_broker_is_left_again(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One that sends noise, one that hangs up and one that is silent: the publisher goes on trying and says why."""
    monkeypatch.setattr(publisher_link, "_ANSWER_WITHIN_REAL_S", 0.2)
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(10.0)
        van = Van(tmp_path / "store.db", port=server.getsockname()[1], clock=HastyClock())
        try:
            for noise in (b"\xf0\x00" * 9, b"", None, b"HTTP/1.1 400 Bad Request\r\n\r\n"):
                peer, _ = server.accept()
                with peer:
                    if noise is None:
                        turn_until(lambda: "does not answer" in caplog.text, [van])
                    else:
                        peer.sendall(noise)
        finally:
            van.close()
    assert "no connection to the broker 127.0.0.1:" in caplog.text
    assert van.delivered == []


@integration
@both_brokers
def test_a_store_that_fails_ends_the_publisher_and_is_told(start: Start, stack: ExitStack, tmp_path: Path) -> None:
    """What ends the thread is raised in the run loop; it does not vanish with the thread."""

    class FailingOutbox:
        def page(self, *, after: int, limit: int) -> Any:
            raise StoreError(f"the disk is gone, after {after}, limit {limit}")

    running = stack.enter_context(start(port=0))
    van = new_van(stack, tmp_path / "store.db", running.port)
    failing = Publisher(
        vehicle="van-08",
        settings=MqttSettings(host="127.0.0.1", port=running.port),
        outbox=FailingOutbox(),
        deliver=van.delivered.append,
        clock=SystemClock(),
        settle_s=0.0,
    ).start()
    stack.callback(failing.stop)
    with pytest.raises(StoreError, match="the disk is gone"):
        turn_until(lambda: failing.raise_if_failed() is not None, [van])
    assert not failing.is_connected


@integration
@both_brokers
def test_a_record_too_large_to_send_holds_up_nobody(
    start: Start, stack: ExitStack, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """It stays in the outbox and is named in the log; those before and after it go out."""
    running = stack.enter_context(start(port=0))
    depot = ready_depot(stack, running.port)
    van = new_van(stack, tmp_path / "store.db", running.port)
    van.append(12)
    van.store.append([Record("notice", {"text": "x" * 5_000_000})], boot=1, mono=0.0)
    van.append(12)
    turn_until(lambda: van.store.backlog() == 1, [van, depot])
    assert [row.seq for row in van.store.unacked()] == [13]
    assert "kept back: record 13 (notice, 5000011 bytes) is larger than a log batch may be" in caplog.text


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        (MqttSettings(), r"\[mqtt\] host: no broker is named"),
        (MqttSettings(host="h", username="u", password_file="/none"), r"\[mqtt\] password_file: cannot be read"),  # noqa: S106 - a path
        (MqttSettings(host="h", tls=True, ca_file="/none/such"), r"\[mqtt\] ca_file, .*: cannot be used"),
    ],
)
def test_settings_that_cannot_work_are_told_at_the_start(settings: MqttSettings, words: str) -> None:
    """Before anything connects, with key, got and do."""
    with pytest.raises(ConfigError, match=words):
        Publisher(vehicle=VEHICLE, settings=settings, outbox=None, deliver=print, clock=None)  # type: ignore[arg-type]


@integration
@needs_mosquitto
@pytest.mark.skipif(shutil.which("openssl") is None, reason="openssl is not installed")
def test_tls_and_password_are_used_and_checked(stack: ExitStack, tmp_path: Path, caplog: Any) -> None:
    """Over TLS with the right password records arrive; with a wrong one, or a certificate of nobody's, none does."""
    key, cert, passwords, config = (tmp_path / name for name in ("key.pem", "cert.pem", "passwords", "broker.conf"))
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=127.0.0.1",
         "-addext", "subjectAltName=IP:127.0.0.1", "-keyout", str(key), "-out", str(cert)],
        check=True, capture_output=True,
    )  # fmt: skip
    subprocess.run(["mosquitto_passwd", "-b", "-c", str(passwords), VEHICLE, "sesame"], check=True, capture_output=True)
    for path in (tmp_path, *tmp_path.parents[:2]):
        path.chmod(0o755)  # as root mosquitto gives up its rights before it reads them
    for path in (key, cert, passwords):
        path.chmod(0o644)
    port, plain_port = free_port(), free_port()
    # In this order: it is started once the second listener takes connections.
    config.write_text(
        f"per_listener_settings true\nlistener {plain_port} 127.0.0.1\nallow_anonymous true\n"
        f"listener {port} 127.0.0.1\ncafile {cert}\ncertfile {cert}\nkeyfile {key}\n"
        f"password_file {passwords}\nallow_anonymous false\n"
    )
    stack.enter_context(broker._start("mosquitto", ["mosquitto", "-c", str(config)], port=port, host="127.0.0.1"))
    depot = ready_depot(stack, plain_port)
    (tmp_path / "password").write_text("wrong\n")
    settings = MqttSettings(
        host="127.0.0.1", port=port, username=VEHICLE, password_file=str(tmp_path / "password"), tls=True
    )
    stranger = new_van(stack, tmp_path / "stranger.db", port, settings=settings)
    stranger.append(1)
    turn_until(lambda: "certificate verify failed" in caplog.text, [stranger, depot])
    trusting = MqttSettings(
        host="127.0.0.1", port=port, username=VEHICLE, password_file=str(tmp_path / "password"), tls=True,
        ca_file=str(cert),
    )  # fmt: skip
    van = new_van(stack, tmp_path / "store.db", port, settings=trusting)
    van.append(120)
    turn_until(lambda: "Not authorized" in caplog.text or "not authorised" in caplog.text, [van, depot])
    assert depot.bodies == {}
    (tmp_path / "password").write_text("sesame\n")
    turn_until(lambda: van.store.backlog() == 0, [van, depot])
    assert set(depot.bodies) == all_of(1, 120)


@integration
@needs_mosquitto
def test_a_second_client_of_the_same_name_does_not_stop_it(stack: ExitStack, tmp_path: Path) -> None:
    """The broker throws out the older of two clients with one id; the vehicle comes back and delivers."""
    running = stack.enter_context(broker.start_mosquitto(port=0))
    depot = ready_depot(stack, running.port)
    van = new_van(stack, tmp_path / "store.db", running.port)
    turn_until(lambda: van.publisher.is_connected, [van, depot])
    twin = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=VEHICLE, reconnect_on_failure=False)
    twin.connect("127.0.0.1", running.port)
    twin.loop_start()
    turn_until(lambda: [each.up for each in van.got(LinkChanged)] == [True, False, True], [van, depot])
    twin.loop_stop()
    van.append(10)
    turn_until(lambda: van.store.backlog() == 0, [van, depot])
    assert set(depot.bodies) == all_of(1, 10)
    assert topic(VEHICLE, "log") == "roadtally/1/van-07/log"
