"""The store: committed together or not at all, trimmed by acks alone, and nothing committed is ever lost."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from agent import store_schema
from agent.chain import digest
from agent.errors import StoreError
from agent.messages import Ack, Downlink, decode_downlink, encode_downlink
from agent.records import Read, Record
from agent.store import Checkpoint, KeptBoot, Store
from agent.store_chain import Seal
from agent.store_connection import PAGE_BYTES
from tests.delivery import SEAL

ROOT = Path(__file__).resolve().parents[1]
FIXTURES = Path(__file__).parent / "fixtures"


def notices(count: int, *, first: int = 0) -> list[Record]:
    """Records that can be told apart."""
    return [Record("notice", {"notice": "gap", "n": first + n}) for n in range(count)]


def seqs(store: Store) -> list[int]:
    """The whole outbox."""
    return [row.seq for row in store.unacked(limit=1_000_000)]


def rows(path: Path, query: str) -> list[Any]:
    """What an independent connection reads."""
    connection = sqlite3.connect(path)
    try:
        return connection.execute(query).fetchall()
    finally:
        connection.close()


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Where the store lies."""
    return tmp_path / "deep" / "store.db"


@pytest.fixture
def store(path: Path) -> Iterator[Store]:
    """A new store whose publisher has been connected."""
    with Store.open(path, seal=None) as made:
        made.settle()
        yield made


def test_records_are_numbered_from_one_and_survive(path: Path) -> None:
    """Seqs count from 1 and go on after a restart; body, kind, boot and moment are kept."""
    with Store.open(path, seal=None) as store:
        assert (store.epoch, store.last_seq, store.boot()) == (1, 0, 1)
        assert store.append(notices(2), boot=1, mono=3.5) == range(1, 3)
        assert store.append([], boot=1, mono=4.0) == range(3, 3)
    with Store.open(path, seal=None) as store:
        assert (store.boot(), store.last_seq) == (2, 2)
        assert store.append([Record("event", {"größe": [1.5, None]})], boot=2, mono=0.25) == range(3, 4)
        assert store.unacked(after=2)[0].body == '{"größe":[1.5,null]}'.encode()
    assert rows(path, "SELECT seq, kind, boot, mono FROM record") == [
        (1, "notice", 1, 3.5),
        (2, "notice", 1, 3.5),
        (3, "event", 2, 0.25),
    ]


def test_commits_are_synced_in_full(store: Store, path: Path) -> None:
    """The writer's connection runs in WAL with synchronous=FULL (2), without which a power cut takes commits back."""
    assert store._connection.execute("PRAGMA synchronous").fetchone() == (2,)
    assert rows(path, "PRAGMA journal_mode") == [("wal",)]


def test_records_and_checkpoint_come_together_or_not_at_all(store: Store, path: Path) -> None:
    """Where one part cannot be stored, none is, and the next append takes the same seqs."""
    store.append(notices(1), boot=1, mono=1.0, checkpoint=b"one", blocks=[(1, b"a"), (2, b"b")])
    with pytest.raises(StoreError, match="storing 2 records failed"):
        store.append(notices(2), boot=1, mono=2.0, checkpoint=b"two", blocks=[(3, None)])  # type: ignore[list-item]
    assert store.checkpoint() == Checkpoint(b"one", 1, 1.0, 1)
    assert rows(path, "SELECT count(*) FROM record") == [(1,)]
    assert seqs(store) == [1]
    assert store.append(notices(2), boot=1, mono=3.0, checkpoint=b"three", blocks=[(3, b"c")], drop_blocks_below=2) == (
        range(2, 4)
    )
    assert store.checkpoint() == Checkpoint(b"three", 1, 3.0, 3)
    assert store.blocks() == ((2, b"b"), (3, b"c"))


def test_a_new_store_has_no_checkpoint(store: Store) -> None:
    """Nothing is made up where nothing was kept."""
    assert store.checkpoint() is None
    assert store.blocks() == ()
    assert store.held("plan") is None
    assert store.meta("anything") is None


def test_an_ack_trims_the_outbox_and_keeps_the_records(store: Store, path: Path) -> None:
    """Ranges hold both their ends; a repeated or older ack changes nothing."""
    store.append(notices(10), boot=1, mono=1.0)
    assert store.acknowledge([Ack(1, 3, ((5, 6), (9, 9)))]) == 6
    assert seqs(store) == [4, 7, 8, 10]
    assert store.acknowledge([Ack(1, 3, ((5, 6), (9, 9)))]) == 0
    assert store.acknowledge([Ack(1, 1)]) == 0
    assert (store.backlog(), seqs(store)) == (4, [4, 7, 8, 10])
    assert rows(path, "SELECT count(*) FROM record") == [(10,)]


@settings(max_examples=30, deadline=None)
@given(
    st.integers(0, 12),
    st.lists(st.tuples(st.integers(1, 12), st.integers(0, 4)).map(lambda r: (r[0], min(12, sum(r)))), max_size=4),
)
def test_the_outbox_is_what_no_ack_covered(upto: int, also: list[tuple[int, int]]) -> None:
    """For any ack of what was published, what is left is exactly the complement."""
    # hypothesis runs one test many times, so tmp_path would be shared
    with TemporaryDirectory() as folder, Store.open(Path(folder) / "store.db", seal=None) as store:
        store.settle()
        store.append(notices(12), boot=1, mono=1.0)
        also = [(first, last) for first, last in also if first > upto + 1]
        store.acknowledge([Ack(1, upto, tuple(also))])
        covered = set(range(1, upto + 1)).union(*(range(first, last + 1) for first, last in also))
        assert seqs(store) == [seq for seq in range(1, 13) if seq not in covered]


def test_an_ack_for_what_was_never_published_begins_an_epoch(path: Path) -> None:
    """A new store of a vehicle that the dispatch side knows sends everything anew under a new epoch, for good."""
    with Store.open(path, seal=None) as store:
        store.append(notices(3), boot=1, mono=1.0)
        assert store.acknowledge([Ack(1, 500)]) == 0
        assert (store.epoch, seqs(store)) == (2, [1, 2, 3, 4])  # the last is the notice that says so
        store.settle()
        assert store.acknowledge([Ack(2, 2)]) == 2
    with Store.open(path, seal=None) as store:
        assert (store.epoch, seqs(store)) == (2, [3, 4])
        assert store.acknowledge([Ack(1, 500)]) == 0
        assert seqs(store) == [3, 4]


def test_a_restored_backup_is_noticed(store: Store, path: Path) -> None:
    """An ack beyond the newest record tells that records have been made elsewhere: what no ack covered is sent anew."""
    store.append(notices(5), boot=1, mono=1.0)
    store.acknowledge([Ack(1, 3)])
    assert store.acknowledge([Ack(1, 3, ((7, 9),))]) == 0
    assert (store.epoch, seqs(store)) == (2, [1, 2, 3])
    assert rows(path, "SELECT id, epoch, seq FROM record ORDER BY id") == [
        (1, 1, 1), (2, 1, 2), (3, 1, 3), (4, 2, 1), (5, 2, 2), (6, 2, 3),
    ]  # fmt: skip
    assert "up to number 9 of epoch 1, but the van's computer has made 5" in rows(
        path, "SELECT json_extract(body, '$.text') FROM record WHERE id = 6"
    )[0][0]


def test_before_it_has_settled_any_ack_is_of_an_earlier_store(path: Path) -> None:
    """Even one that covers fewer records than there are: none of these has been published yet."""
    with Store.open(path, seal=None) as store:
        store.append(notices(9), boot=1, mono=1.0)
        with store.outbox() as outbox:
            assert outbox.page(after=0, limit=1).settled is False
            assert store.acknowledge([Ack(4, 0)]) == 0
            assert store.acknowledge([Ack(4, 5)]) == 0
            store.settle()
            page = outbox.page(after=7, limit=9)
            assert (page.epoch, page.settled, [row.seq for row in page.rows]) == (5, True, [8, 9, 10])


def test_the_outbox_is_read_from_another_thread_while_the_writer_writes(store: Store) -> None:
    """The publisher's thread sees every commit at its next look, in order, and cannot write."""
    outbox = store.outbox()
    seen: list[int] = []
    done = threading.Event()

    def read() -> None:
        while not (done.is_set() and len(seen) == store_seq[0]):
            seen.extend(row.seq for row in outbox.page(after=seen[-1] if seen else 0, limit=7).rows)

    store_seq = [0]
    thread = threading.Thread(target=read)
    thread.start()
    for first in range(60):
        store.append(notices(1 + first % 3, first=first), boot=1, mono=float(first))
    store_seq[0] = store.last_seq
    done.set()
    thread.join(10.0)
    assert not thread.is_alive()
    assert seen == list(range(1, store.last_seq + 1))
    with pytest.raises(sqlite3.OperationalError, match="readonly"):
        outbox._connection.execute("DELETE FROM outbox")
    outbox.close()


def test_the_last_good_version_is_held(path: Path) -> None:
    """A later version takes the place of an earlier one of the same leaf, and its content comes back as it was."""
    content = {"type": "FeatureCollection", "features": [{"id": "depot", "name": "Hof Ü"}]}
    first = decode_downlink(encode_downlink(version=1, content=content), leaf="sites")
    second = decode_downlink(encode_downlink(version=2, content=content | {"note": 1.5}), leaf="sites")
    plan = Downlink("plan", 9, "sha-256:" + "0" * 64, "vehicle,date\r\n")
    with Store.open(path, seal=None) as store:
        for downlink in (first, second, plan):
            store.hold(downlink)
        store.set_meta("last-time", "2026-03-02T07:01:12.000Z")
        store.set_meta("last-time", "2026-03-02T07:01:13.000Z")
    with Store.open(path, seal=None) as store:
        assert store.held("sites") == second
        assert store.held("plan") == plan
        assert store.meta("last-time") == "2026-03-02T07:01:13.000Z"


def test_reads_are_thinned_by_minute_tag_and_antenna(store: Store, path: Path) -> None:
    """Counts add up and the strongest stays, also over two appends of the same minute."""
    first = [Read(59.9, "3376", 1, -60.5, 2), Read(60.0, "3376", 1, -61.0), Read(61.0, "3376", 2, -50.0)]
    store.append([], boot=1, mono=61.0, reads=first)
    store.append([], boot=1, mono=70.0, reads=[Read(62.0, "3376", 1, -55.0, 3), Read(63.0, "3008", 1, -70.0)])
    assert rows(path, "SELECT boot, minute, tag, antenna, reads, rssi_dbm FROM reading") == [
        (1, 0, "3376", 1, 2, -60.5),
        (1, 1, "3008", 1, 1, -70.0),
        (1, 1, "3376", 1, 4, -55.0),
        (1, 1, "3376", 2, 1, -50.0),
    ]


def test_the_boots_clocks_are_kept(store: Store) -> None:
    """Of each earlier boot: its first and last moment that a record, a checkpoint or a read names, and its offset."""
    assert store.boots(before=store.boot()) == ()
    store.append(notices(1), boot=1, mono=30.0)
    store.append(notices(1), boot=1, mono=90.0)
    store.trust_time(boot=1, offset_s=10_000.0)
    assert store.boot() == 2
    store.append([], boot=2, mono=500.0, checkpoint=b"x", reads=[Read(200.0, "3376", 1, -60.0)])
    assert store.boot() == 3
    store.append([], boot=3, mono=70.0, reads=[Read(125.0, "3376", 1, -60.0)])
    assert store.boots(before=4) == (
        KeptBoot(1, 30.0, 90.0, 10_000.0),
        KeptBoot(2, 500.0, 500.0, None),
        KeptBoot(3, 120.0, 120.0, None),
    )


def test_old_reads_go_and_custody_stays(store: Store, path: Path) -> None:
    """Reads older than asked go, those of a boot without time go with the boot after it; records never go."""
    for boot in (1, 2, 3):
        assert store.boot() == boot
        reads = [Read(60.0 * minute, "3376", 1, -60.0) for minute in range(5)]
        store.append(notices(1), boot=boot, mono=300.0, reads=reads)
    store.trust_time(boot=1, offset_s=10_000.0)
    store.trust_time(boot=3, offset_s=20_000.0)
    kept = "SELECT boot, count(*) FROM reading GROUP BY boot ORDER BY boot"
    assert store.prune(before_utc_s=10_125.0) == 2
    assert rows(path, kept) == [(1, 3), (2, 5), (3, 5)]
    assert store.prune(before_utc_s=19_999.0) == 3
    assert rows(path, kept) == [(2, 5), (3, 5)]
    assert store.prune(before_utc_s=20_000.0) == 5
    assert rows(path, kept) == [(3, 5)]
    assert store.prune(before_utc_s=0.0, most_readings=2) == 4
    assert rows(path, "SELECT minute FROM reading") == [(4,)]
    assert rows(path, "SELECT count(*) FROM record") == [(3,)]


def test_raw_reads_are_held_to_their_size(store: Store, path: Path) -> None:
    """The oldest minutes go beyond so many bytes; what stays takes no more than that in the file, and is the newest."""
    boot = store.boot()
    for half in range(120):
        reads = [Read(half * 30.0 + 1.0, f"{tag:024X}", ant, -60.5, 2) for tag in range(100) for ant in (1, 2)]
        store.append([], boot=boot, mono=half * 30.0 + 2.0, reads=reads)
    most_bytes = 400_000
    store.prune(before_utc_s=0.0, most_bytes=most_bytes)
    ((count, first, last),) = rows(path, "SELECT count(*), min(minute), max(minute) FROM reading")
    assert last == 59
    assert count == (last - first + 1) * 200
    store._connection.execute("VACUUM")
    ((pages,),) = rows(path, "PRAGMA page_count")
    # The rest of the store is some twenty pages.
    assert most_bytes * 0.6 < pages * PAGE_BYTES < most_bytes + 30 * PAGE_BYTES, pages


def test_what_privacy_deletes_is_gone_from_the_file(store: Store, path: Path) -> None:
    """Not one octet of a pruned read, or of a history block that was dropped, lingers in a free page of the file."""
    boot = store.boot()
    store.trust_time(boot=boot, offset_s=0.0)
    for minute in range(60):
        reads = [Read(60.0 * minute, f"BADGE-{tag:06}/{minute:03}", 1, -60.5, 2) for tag in range(40)]
        blocks = [(minute, f"badge {minute:03} was aboard ".encode() * 90)]
        store.append(notices(1), boot=boot, mono=60.0 * minute, reads=reads, blocks=blocks)
    store.append(notices(1), boot=boot, mono=3600.0, drop_blocks_below=50)
    assert store.prune(before_utc_s=50 * 60.0) == 50 * 40
    store._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    ((free,),) = rows(path, "PRAGMA freelist_count")
    assert free > 40
    octets = path.read_bytes()
    kept = [minute for minute in range(60) if f"/{minute:03}".encode() in octets]
    assert kept == list(range(50, 60))
    assert [minute for minute in range(60) if f"badge {minute:03}".encode() in octets] == list(range(50, 60))


def test_only_one_process_at_a_time(store: Store, path: Path) -> None:
    """A second opening is refused with what to do, and the first goes on."""
    with pytest.raises(StoreError, match="another process uses this store; end it"):
        Store.open(path, seal=None)
    assert store.append(notices(1), boot=1, mono=1.0) == range(1, 2)


def test_a_file_that_is_no_store_is_told(tmp_path: Path) -> None:
    """What, where, and what to do stand in the error; the file is left alone."""
    path = tmp_path / "store.db"
    path.write_bytes(b"not a database at all, " * 100)
    with pytest.raises(StoreError, match=r"store\.db: opening the store failed .*SQLITE_NOTADB.*move it away"):
        Store.open(path, seal=None)
    assert path.read_bytes().startswith(b"not a database")
    with pytest.raises(StoreError, match=r"the store's folder cannot be used .*own the folder"):
        Store.open(path / "below" / "store.db", seal=None)


def test_a_full_disk_is_told_and_loses_nothing(store: Store) -> None:
    """Out of space the append fails whole; once there is space again the same seqs are given."""
    store.append(notices(1), boot=1, mono=1.0)
    # SQLite's own limit stands in for the disk's: it raises the same SQLITE_FULL.
    (pages,) = store._connection.execute("PRAGMA page_count").fetchone()
    store._connection.execute(f"PRAGMA max_page_count = {pages}")
    with pytest.raises(StoreError, match=r"SQLITE_FULL\); the disk is full; free some space"):
        store.append([Record("notice", {"text": "x" * 200_000})], boot=1, mono=2.0, checkpoint=b"never")
    store._connection.execute("PRAGMA max_page_count = 1000000")
    assert store.checkpoint() is None
    assert store.append(notices(1), boot=1, mono=3.0) == range(2, 3)


def test_a_lock_that_stays_is_told(store: Store, path: Path) -> None:
    """Another program that holds the file locked is named as the cause."""
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    store._connection.execute("PRAGMA busy_timeout = 0")
    with pytest.raises(StoreError, match=r"SQLITE_BUSY.*end that program"):
        store.append(notices(1), boot=1, mono=1.0)
    other.execute("ROLLBACK")
    other.close()
    assert store.append(notices(1), boot=1, mono=1.0) == range(1, 2)


def test_a_wrong_thread_is_our_own_bug(store: Store) -> None:
    """The writer used from a second thread is no StoreError: nobody on the road could do anything about it."""
    caught: list[BaseException] = []

    def misuse() -> None:
        try:
            store.backlog()
        except sqlite3.ProgrammingError as problem:
            caught.append(problem)

    thread = threading.Thread(target=misuse)
    thread.start()
    thread.join()
    assert len(caught) == 1


def shape(path: Path) -> dict[str, list[Any]]:
    """Every table with its columns (name, type, not null, default, place in the key) and foreign keys."""
    tables = rows(path, "SELECT name FROM sqlite_master WHERE type IN ('table', 'index', 'trigger', 'view')")
    return {
        name: rows(path, f"PRAGMA table_info('{name}')") + rows(path, f"PRAGMA foreign_key_list('{name}')")
        for (name,) in tables
    }


def test_the_newest_schema_is_that_of_its_fixture(path: Path, tmp_path: Path) -> None:
    """A new store has the tables, columns, keys and version of the fixture, and no others."""
    Store.open(path, seal=None).close()
    old = sqlite3.connect(tmp_path / "v2.db")
    old.executescript((FIXTURES / "store_v2.sql").read_text())
    old.close()
    assert len(shape(path)) > 9
    assert shape(path) == shape(tmp_path / "v2.db")
    assert rows(path, "PRAGMA user_version") == [(2,)]


def released(path: Path, version: int, data: str) -> None:
    """A store as the fixture of that version makes it, with data in it."""
    path.parent.mkdir(exist_ok=True)
    old = sqlite3.connect(path)
    old.executescript((FIXTURES / f"store_v{version}.sql").read_text())
    old.executescript(f"PRAGMA user_version = {version}; {data}")
    old.close()


V1_DATA = """
    INSERT INTO meta VALUES ('epoch', '3'), ('settled', '1');
    INSERT INTO record VALUES (1, 'event', '{"a":"ä"}', 1, 2.0), (2, 'notice', '{"b":2}', 1, 3.0);
    INSERT INTO outbox VALUES (2); INSERT INTO checkpoint VALUES (1, x'00ff', 1, 3.0, 2);
    INSERT INTO boot VALUES (1, 5.0); INSERT INTO reading VALUES (1, 0, '3376', 1, 2, -60.5);
"""


@pytest.mark.parametrize("seal", [None, SEAL])
def test_a_store_of_the_first_release_opens(path: Path, seal: Seal | None) -> None:
    """It is brought up to date and loses nothing; its records stay unsigned where later ones are signed."""
    released(path, 1, V1_DATA)
    with Store.open(path, seal=seal) as store:
        assert (store.epoch, store.last_seq, seqs(store)) == (3, 2, [2])
        assert store.checkpoint() == Checkpoint(b"\x00\xff", 1, 3.0, 2)
        assert store.append(notices(1), boot=1, mono=4.0) == range(3, 4)
        assert [row.seq for row in store.unacked() if row.sig] == ([3] if seal else [])
        assert store.acknowledge([Ack(3, 2)]) == 1
    made = [(1, 3, 1, "event", '{"a":"ä"}', 2.0), (2, 3, 2, "notice", '{"b":2}', 3.0)]
    assert rows(path, "SELECT id, epoch, seq, kind, body, mono FROM record")[:2] == made
    # sha256sum of the body's octets
    (content,) = rows(path, "SELECT content FROM record WHERE id = 2")[0]
    assert content == "sha-256:0ab1a6d394cd30195f0642b67ae1180c375ffadf5dd7f39c390668b5fdb6da93"
    assert rows(path, "SELECT minute, reads FROM reading") == [(0, 2)]
    assert rows(path, "PRAGMA foreign_key_check") == []
    newest = path.with_name("v2.db")
    released(newest, 2, "")
    assert shape(path) == shape(newest)


def test_a_store_of_the_second_release_opens(path: Path) -> None:
    """A store made from that fixture goes on with its chain, and its ack is remembered."""
    released(
        path, 2, """INSERT INTO epoch VALUES (1, 'van-07', NULL, 1, NULL);
        INSERT INTO record VALUES (1, 1, 1, 'event', '{}', 1, 2.0, 'sha-256:44', NULL, NULL);"""
    )  # fmt: skip
    with Store.open(path, seal=SEAL) as store:
        assert store.append(notices(1), boot=1, mono=4.0) == range(2, 3)
        tip = digest(vehicle="van-07", epoch=1, seq=1, kind="event", prev="", content="sha-256:44")
        assert store.unacked()[0].prev == tip


def test_a_migration_that_fails_changes_nothing(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A step that breaks in the middle leaves the store as it was, at its old version, and it still opens."""

    def broken(db: Any) -> None:
        db.execute("CREATE TABLE half (done INTEGER)")
        db.execute("SELECT no_such_function()")

    with Store.open(path, seal=None) as store:
        store.append(notices(2), boot=1, mono=1.0)
    with monkeypatch.context() as patch:
        patch.setattr(store_schema, "MIGRATIONS", (*store_schema.MIGRATIONS, broken))
        with pytest.raises(StoreError, match="opening the store failed"):
            Store.open(path, seal=None)
    assert rows(path, "PRAGMA user_version") == [(2,)]
    assert "half" not in shape(path)
    with Store.open(path, seal=None) as store:
        assert seqs(store) == [1, 2]


def test_a_store_of_a_newer_program_is_left_alone(path: Path) -> None:
    """Going back to an older program never touches what the newer one wrote."""
    Store.open(path, seal=None).close()
    newer = sqlite3.connect(path)
    newer.execute("PRAGMA user_version = 99")
    newer.close()
    with pytest.raises(StoreError, match="version 99, this program knows up to 2; install the newer program"):
        Store.open(path, seal=None)


WRITER = """
import sys
from agent.records import Record
from agent.store import Store

with Store.open(sys.argv[1], seal=None) as store:
    boot = store.boot()
    kept = store.checkpoint()
    n = int(kept.state) if kept else 0
    while True:
        records = [Record("notice", {"n": n + i, "text": "x" * (i * 700)}) for i in range(1 + n % 4)]
        n += len(records)
        with_checkpoint = {"checkpoint": b"%d" % n, "blocks": [(n, b"b" * 3000)], "drop_blocks_below": n - 20}
        made = store.append(records, boot=boot, mono=float(n), **with_checkpoint)
        print(made.stop - 1, flush=True)
"""


def test_a_process_killed_in_mid_commit_loses_nothing(path: Path) -> None:
    """Killed at any moment, every append that returned is there whole, without a gap, and still to be sent."""
    told_last = 0
    for lines in (1, 2, 7, 23, 40):
        writer = subprocess.Popen([sys.executable, "-c", WRITER, str(path)], stdout=subprocess.PIPE, cwd=ROOT)
        assert writer.stdout is not None
        try:
            for _ in range(lines):
                told_last = int(writer.stdout.readline())
        finally:
            writer.kill()
            rest = writer.stdout.read().split(b"\n")  # told before the kill struck; the last may be half a line
            writer.wait()
            writer.stdout.close()
        told_last = max([told_last, *(int(line) for line in rest[:-1])])
        assert rows(path, "PRAGMA integrity_check") == [("ok",)]
        with Store.open(path, seal=None) as store:
            kept = store.checkpoint()
            assert kept is not None
            assert store.last_seq >= told_last
            assert (kept.record, int(kept.state)) == (store.last_seq, store.last_seq)
            assert seqs(store) == list(range(1, store.last_seq + 1))
            assert store.blocks()[-1][0] == store.last_seq
        numbers = rows(path, "SELECT json_extract(body, '$.n') FROM record ORDER BY id")
        assert numbers == [(n,) for n in range(len(numbers))]
