"""Databases of earlier releases open with everything that was in them."""

from __future__ import annotations

import hashlib
import sqlite3
import subprocess
import sys
import threading
from pathlib import Path

import pytest
import sqlalchemy as sa
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy.dialects import postgresql

from agent.chain import content_digest
from agent.dispatch import schema
from agent.dispatch.store import open_store
from agent.dispatch.wire import LogBatch, LogRecord
from agent.errors import StoreError
from agent.ledger import SeqRanges
from tests.dispatch.scenario import full_day
from tests.dispatch.test_store import NOW_S, rows

RELEASE_0_1_0 = Path(__file__).parents[1] / "fixtures" / "dispatch" / "dispatch_0_1_0.sql"
WHOLE, STRIPPED = '{"notice":"gap","text":"ü"}', '{"badges":[]}'


@pytest.fixture
def old(tmp_path: Path) -> Path:
    """A database as 0.1.0 left it: two records, of one of which the badges were taken out, and a clash."""
    path = tmp_path / "dispatch.sqlite"
    with sqlite3.connect(path) as connection:
        connection.executescript(RELEASE_0_1_0.read_text())
        for seq, body, came in ((1, WHOLE, WHOLE), (2, STRIPPED, '{"badges":[{}]}')):
            name = hashlib.sha256(f"notice\0{came}".encode()).hexdigest()
            connection.execute(
                "INSERT INTO record VALUES ('van-07', 1, ?, 'notice', ?, ?, ?, NULL)", (seq, body, name, NOW_S)
            )
        name = hashlib.sha256(f"notice\0{WHOLE}".encode()).hexdigest()
        connection.execute("INSERT INTO clash VALUES ('van-07', 1, 2, ?, 'notice', ?, ?)", (name, WHOLE, NOW_S))
        connection.execute(
            "INSERT INTO event_item VALUES ('urn:epc:id:grai:9521141.00012.7', 'van-07', 'ni:///a', 0.9)"
        )
        connection.execute("""INSERT INTO cursor VALUES ('van-07', 1, '[[1,2]]')""")
        connection.execute("INSERT INTO vehicle (vehicle, heard_s) VALUES ('van-07', ?)", (NOW_S,))
    connection.close()
    return path


def test_0_1_0_goes_on(old: Path) -> None:
    """Its records stand with the digest of their body where that is still whole, are known again, and more come in."""
    store = open_store(old)
    found = {row["seq"]: row for row in rows(store, schema.record)}
    assert (found[1]["content"], found[1]["stripped"]) == (content_digest(WHOLE.encode()), False)
    assert (found[2]["content"], found[2]["stripped"]) == (None, True)
    assert rows(store, schema.clash)[0]["content"] == content_digest(WHOLE.encode())
    again = LogBatch("van-07", 1, (LogRecord(1, "notice", None, WHOLE),))
    assert store.ingest(again, received_s=NOW_S).repeated == 1
    day = full_day().records
    assert store.ingest(LogBatch("van-07", 2, tuple(day)), received_s=NOW_S).fresh == len(day)
    assert store.acks("van-07") == {1: SeqRanges(((1, 2),)), 2: SeqRanges(((1, len(day)),))}
    store.close()
    once_more = open_store(old)
    assert len(rows(once_more, schema.record)) == 2 + len(day)
    once_more.close()


def test_the_steps_lead_to_the_schema(old: Path) -> None:
    """What the migrations make of 0.1.0 and what a new database is made as are the same, as alembic compares them."""
    open_store(old).close()
    engine = sa.create_engine(f"sqlite:///{old}")
    with engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"version_table": "nothing"})
        assert compare_metadata(context, schema.metadata) == []
        once = "SELECT name FROM sqlite_master WHERE sql LIKE '%WITHOUT ROWID%'"
        assert set(connection.exec_driver_sql(once).scalars()) == {"event_item"}
        assert connection.exec_driver_sql("SELECT p FROM event_item").scalars().all() == [0.9]
        partial = "SELECT name FROM sqlite_master WHERE sql LIKE '%WHERE%'"
        found = set(connection.exec_driver_sql(partial).scalars())
        assert found == {"record_refused", "record_misfit", "event_at_no_site"}
    engine.dispose()


def test_two_that_open_it_at_once(old: Path) -> None:
    """Two processes of one depot started together migrate it once; neither fails."""
    failed: list[BaseException] = []

    def go() -> None:
        try:
            open_store(old).close()
        except Exception as error:  # noqa: BLE001 - to be told by the test
            failed.append(error)

    threads = [threading.Thread(target=go) for _ in range(2)]
    for each in threads:
        each.start()
    for each in threads:
        each.join()
    assert failed == []


def test_a_newer_releases_database_is_left_alone(tmp_path: Path) -> None:
    """What a newer release wrote is not opened, and the error says what to do."""
    path = tmp_path / "dispatch.sqlite"
    open_store(path).close()
    with sqlite3.connect(path) as connection:
        connection.execute("UPDATE alembic_version SET version_num = '9999'")
    connection.close()
    with pytest.raises(StoreError, match="newer release has written it: start that one"):
        open_store(path)


def test_alembic_is_not_loaded_without_need(tmp_path: Path) -> None:
    """A new database, and one that is up to date, cost no import of alembic."""
    code = (
        "import sys; from agent.dispatch.store import open_store; open_store(sys.argv[1]).close();"
        " open_store(sys.argv[1]).close(); print('alembic' in sys.modules)"
    )
    ran = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path / "d.sqlite")], capture_output=True, text=True, check=True
    )
    assert ran.stdout.strip() == "False"


def test_the_steps_can_be_written_for_postgresql() -> None:
    """Every column that the steps add has a form in PostgreSQL's words."""
    added = [schema.record.c.stripped, schema.record.c.raw, schema.cursor.c.fork, schema.vehicle_key.c.first_s]
    words = [str(column.type.compile(dialect=postgresql.dialect())) for column in added]
    assert words == ["BOOLEAN", "BYTEA", "BIGINT", "DOUBLE PRECISION"]
