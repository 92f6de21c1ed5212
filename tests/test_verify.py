"""`roadtally verify`: finds what was changed, taken out, put in or signed by another key in a real store."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path
from typing import Any

import pytest

from agent.chain import content_digest, digest, sign
from agent.cli import main
from agent.dispatch.store import open_store
from agent.dispatch.wire import decode_batch
from agent.messages import Ack, encode_log
from agent.records import Record
from agent.store import Store
from tests.delivery import SEAL, VEHICLE
from tests.test_store_epochs import OTHER_KEY, OTHER_SEAL, WRONG, own_hash

COUNT = 9
FIRST, LAST = "2026-03-02T07:01:12.000Z", "2026-03-02T09:00:00.000Z"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A store with nine signed records of which seven are acknowledged, closed."""
    path = tmp_path / "store.db"
    with Store.open(path, seal=SEAL) as store:
        store.settle()
        boot = store.boot()
        store.append([Record("event", {"eventTime": FIRST, "n": 1})], boot=boot, mono=1.0)
        store.append([Record("notice", {"at": None, "n": n}) for n in range(2, COUNT)], boot=boot, mono=2.0)
        store.append([Record("manifest", {"issued": LAST, "n": COUNT})], boot=boot, mono=3.0)
        store.acknowledge([Ack(1, 7, (), own_hash(store, 7))])
    return path


def tampered(path: Path, *statements: str) -> None:
    """Do what somebody with the card in hand could do."""
    connection = sqlite3.connect(path)
    for statement in statements:
        connection.execute(statement)
    connection.commit()
    connection.close()


def told(path: Path, capsys: pytest.CaptureFixture[str], *more: str) -> tuple[int, dict[str, Any]]:
    """The exit code and the JSON."""
    code = main(["verify", str(path), "--json", *more])
    return code, json.loads(capsys.readouterr().out)


def test_a_whole_chain(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """How many, from when to when, by which key, how far acknowledged; and exit code 0, with the right key too."""
    code, found = told(path, capsys)
    assert (code, found["vehicle"], found["fits"]) == (0, VEHICLE, True)
    assert found["epochs"] == [
        {
            "epoch": 1, "records": COUNT, "from": FIRST, "to": LAST, "key": SEAL.key, "unsigned": 0, "erased": 0,
            "deleted": 0, "deleted_up_to": None, "deleted_until": None, "acknowledged": 7, "fits_up_to": COUNT,
                "notes": [], "misfit": None,
        }
    ]  # fmt: skip
    assert told(path, capsys, "--key", SEAL.key)[0] == 0
    assert main(["verify", str(path)]) == 0
    text = capsys.readouterr().out
    assert f"Epoch 1: 9 records, {FIRST} to {LAST}." in text
    assert "Of the last 2 nobody else is known to hold a copy" in text
    assert text.endswith("Every record fits.\n")


BODY = '{"n":77}'
CONTENT = content_digest(BODY.encode())
FOREIGN = digest(vehicle=VEHICLE, epoch=1, seq=4, kind="notice", prev="", content=CONTENT)
FOREIGN_SIG = sign(FOREIGN, by=OTHER_KEY.sign)
PUT_IN = (
    "INSERT INTO record (epoch, seq, kind, body, boot, mono, content, prev, sig)"
    " SELECT epoch, 4, kind, body, boot, mono, content, (SELECT prev FROM record WHERE seq = 5), sig"
    " FROM record WHERE seq = 2"
)


@pytest.mark.parametrize(
    ("statements", "seq", "fault"),
    [
        (["UPDATE record SET body = 'BODY' WHERE seq = 4"], 4, "changed"),
        (["UPDATE record SET body = 'BODY', content = 'CONTENT' WHERE seq = 4"], 4, "changed"),
        (["UPDATE record SET kind = 'event' WHERE seq = 4"], 4, "changed"),
        (["DELETE FROM record WHERE seq = 4"], 4, "missing"),
        (["DELETE FROM record WHERE seq = 4", "UPDATE record SET seq = seq - 1 WHERE seq > 4"], 4, "missing"),
        (["DELETE FROM record WHERE seq = 1"], 1, "missing"),
        (["DELETE FROM record WHERE seq > 5"], 6, "missing"),
        (["UPDATE record SET seq = -seq WHERE seq > 3", "UPDATE record SET seq = 1 - seq WHERE seq < 0", PUT_IN],
         4, "inserted"),
        (["UPDATE record SET sig = 'FOREIGN_SIG' WHERE seq = 4"], 4, "wrong key"),
        (["UPDATE record SET sig = NULL WHERE seq = 4"], 4, "not signed"),
        (["UPDATE epoch SET digest = 'WRONG'"], 7, "changed"),
    ],
)  # fmt: skip
def test_the_first_that_does_not_fit_is_named(
    path: Path, capsys: pytest.CaptureFixture[str], statements: list[str], seq: int, fault: str
) -> None:
    """With its number, its fault and words; exit code 1."""
    for name, value in (("BODY", BODY), ("CONTENT", CONTENT), ("FOREIGN_SIG", FOREIGN_SIG), ("WRONG", WRONG)):
        statements = [statement.replace(f"'{name}'", f"'{value}'") for statement in statements]
    tampered(path, *statements)
    code, found = told(path, capsys)
    misfit = found["epochs"][0]["misfit"]
    assert (code, found["fits"]) == (1, False)
    assert (misfit["seq"], misfit["fault"]) == (seq, fault)
    assert main(["verify", str(path)]) == 1
    text = capsys.readouterr().out
    assert "DOES NOT FIT" in text
    assert f"Record {seq} of epoch 1" in text
    assert text.endswith("NOT EVERY RECORD FITS; see above.\n")


def test_no_octet_of_a_record_can_be_changed(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Whichever column of a record has another first, middle or last octet, that record is named."""
    columns = ("body", "content", "prev", "sig")
    whole = path.read_bytes()
    for column in columns:
        for seq in (1, 5, COUNT):
            for place in ("1", "length(%s) / 2 + 1", "length(%s)"):
                at = place.replace("%s", column)
                swap = f"CASE substr({column}, {at}, 1) WHEN '0' THEN '1' ELSE '0' END"
                new = f"substr({column}, 1, {at} - 1) || {swap} || substr({column}, {at} + 1)"
                tampered(path, f"UPDATE record SET {column} = {new} WHERE seq = {seq}")  # noqa: S608 - our own words
                code, found = told(path, capsys)
                assert code == 1, (column, seq, place)
                assert found["epochs"][0]["misfit"]["seq"] == seq, (column, place)
                path.write_bytes(whole)
                for more in ("-wal", "-shm"):  # a reader leaves them behind
                    path.with_name(path.name + more).unlink(missing_ok=True)


def test_a_body_erased_on_purpose_still_proves_its_place(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """It is counted and fits; so does the rest."""
    tampered(path, "UPDATE record SET body = NULL WHERE seq IN (2, 3)")
    code, found = told(path, capsys)
    assert (code, found["epochs"][0]["erased"]) == (0, 2)


def test_a_key_from_elsewhere_finds_a_key_that_was_replaced(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A store that names another key fits itself, and not the key that was known before; a new key is told."""
    code, found = told(path, capsys, "--key", OTHER_SEAL.key)
    misfit = found["epochs"][0]["misfit"]
    assert (code, misfit["seq"], misfit["fault"]) == (1, 1, "wrong key")
    Store.open(path, seal=OTHER_SEAL).close()
    assert main(["verify", str(path)]) == 0
    assert "another key than the epoch before was signed by" in capsys.readouterr().out
    code, found = told(path, capsys, "--key", SEAL.key)
    faults = [each["misfit"] and each["misfit"]["fault"] for each in found["epochs"]]
    assert (code, faults) == (1, [None, "wrong key"])


def test_it_reads_beside_the_agent_and_changes_nothing(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """While the store is open and written it sees what is committed; database and log stay as they were."""
    with Store.open(path, seal=SEAL) as store:
        store.append([Record("notice", {"n": 10})], boot=1, mono=4.0)
        log = path.with_name("store.db-wal")
        before = path.read_bytes(), log.read_bytes()
        code, found = told(path, capsys)
        assert (code, found["epochs"][0]["records"]) == (0, 10)
        assert (path.read_bytes(), log.read_bytes()) == before
        store.append([Record("notice", {"n": 11})], boot=1, mono=5.0)


def test_what_nobody_signed_proves_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A store without a key is counted, and it is said that nothing can be proved."""
    path = tmp_path / "store.db"
    with Store.open(path, seal=None) as store:
        store.append([Record("notice", {"n": 1})] * 3, boot=1, mono=1.0)
    code, found = told(path, capsys)
    assert (code, found["epochs"][0]["unsigned"], found["epochs"][0]["key"]) == (0, 3, None)
    assert main(["verify", str(path)]) == 0
    assert "Not signed: nothing can be proved." in capsys.readouterr().out


def test_a_key_that_is_needed_is_asked_for(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Signed records whose store names no key any more, a key that is none, a file that is none."""
    tampered(path, "UPDATE epoch SET key = NULL")
    assert main(["verify", str(path)]) == 2
    assert "names no key, but is signed" in capsys.readouterr().err
    assert main(["verify", str(path), "--key", SEAL.key]) == 0
    assert main(["verify", str(path), "--key", "ed25519:AAAA"]) == 2
    assert "the key cannot be read (got ed25519:AAAA)" in capsys.readouterr().err
    assert main(["verify", str(path.with_name("nothing"))]) == 1
    assert "there is no such file" in capsys.readouterr().err
    assert not path.with_name("nothing").exists()
    assert main(["verify", str(path), "--vehicle", VEHICLE]) == 2
    assert "the options do not go together" in capsys.readouterr().err


def test_the_dispatch_sides_chain_is_walked(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What a vehicle's store published fits there too, and a record changed in its database is named."""
    config = tmp_path / "dispatch.toml"
    config.write_text("")
    verify = ["verify", "--config", str(config), "--vehicle", VEHICLE, "--json"]
    assert main(verify) == 2
    assert "no such file" in capsys.readouterr().err
    dispatch = open_store(tmp_path / "dispatch.db")
    with Store.open(tmp_path / "vehicle.db", seal=SEAL) as store:
        store.append(
            [Record("notice", {"notice": "gap", "at": FIRST, "text": str(n)}) for n in range(5)],
            boot=1,
            mono=1.0,
        )
        rows = store.unacked()
    payload = encode_log(vehicle=VEHICLE, epoch=1, records=rows, key=SEAL.key)
    dispatch.ingest(decode_batch(payload, vehicle=VEHICLE), received_s=1_772_434_872.0)
    dispatch.close()
    assert main(verify) == 0
    found = json.loads(capsys.readouterr().out)["epochs"]
    assert [(each["records"], each["from"], each["key"], each["acknowledged"]) for each in found] == [
        (5, FIRST, SEAL.key, 5)
    ]
    tampered(tmp_path / "dispatch.db", "UPDATE record SET body = replace(body, '3', '4') WHERE seq = 4")
    assert main(verify) == 1
    assert json.loads(capsys.readouterr().out)["epochs"][0]["misfit"]["seq"] == 4
    tampered(tmp_path / "dispatch.db", f"UPDATE vehicle SET key = '{OTHER_SEAL.key}'")  # noqa: S608
    assert main(verify) == 1
    misfit = json.loads(capsys.readouterr().out)["epochs"][0]["misfit"]
    assert (misfit["seq"], misfit["fault"]) == (1, "wrong key")


def test_records_deleted_for_their_age_are_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """How many, up to which number and until when; those after them fit, and one deleted by hand does not."""
    (tmp_path / "dispatch.toml").write_text("")
    verify = ["verify", "--config", str(tmp_path / "dispatch.toml"), "--vehicle", VEHICLE]
    with Store.open(tmp_path / "vehicle.db", seal=SEAL) as store:
        store.append([Record("notice", {"notice": "gap", "text": str(n)}) for n in range(6)], boot=1, mono=1.0)
        rows = store.unacked()
    dispatch = open_store(tmp_path / "dispatch.db")
    for part, received_s in ((rows[:4], 1_772_434_872.0), (rows[4:], 1_772_521_272.0)):
        payload = encode_log(vehicle=VEHICLE, epoch=1, records=part, key=SEAL.key)
        dispatch.ingest(decode_batch(payload, vehicle=VEHICLE), received_s=received_s)
    dispatch.forget(records_before_s=1_772_500_000.0, badges_before_s=0.0)
    dispatch.close()
    assert main(verify) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "4 records were deleted for their age, up to number 4, what had come in until 2026-03-02T07:01:12" in said
    assert "Every record fits." in said
    assert main([*verify, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)["epochs"][0]
    assert (found["records"], found["deleted"], found["deleted_up_to"], found["fits_up_to"]) == (2, 4, 4, 6)
    tampered(tmp_path / "dispatch.db", "DELETE FROM record WHERE seq = 5")
    assert main(verify) == 1
    assert "missing: Record 5 of epoch 1 is not there" in " ".join(capsys.readouterr().out.split())


def test_a_store_of_an_older_program_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """It is left alone, with what to do."""
    path = tmp_path / "store.db"
    connection = sqlite3.connect(path)
    connection.executescript((Path(__file__).parent / "fixtures" / "store_v1.sql").read_text())
    connection.execute("PRAGMA user_version = 1")
    connection.close()
    assert main(["verify", str(path)]) == 1
    assert "the store has version 1, this program verifies 2" in capsys.readouterr().err
