"""What a full disk refuses waits, in order, and the reserve is for custody records alone."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import msgspec
import pytest

from agent.errors import DiskFullError, StoreError
from agent.messages import Downlink
from agent.records import Read, Record
from agent.store import Store
from agent.store_connection import is_full
from agent.store_holdback import Holdback, Outage
from agent.store_opening import with_room
from agent.store_reserve import PIECE_BYTES, Reserve


class Small(Store):
    """A store on a disk that is full when it is told so; SQLite's own limit stands in for the disk's."""

    def full(self, *, yes: bool) -> None:
        """From now on it is, or is not."""
        (pages,) = self._connection.execute("PRAGMA page_count").fetchone()
        self._connection.execute(f"PRAGMA max_page_count = {pages if yes else 1_000_000}")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Small]:
    """An open store, whose free pages are used up."""
    with Small.open(tmp_path / "vehicle.db", seal=None) as store:
        store.boot()
        store._connection.execute("VACUUM")
        yield store


def told(outage: Outage, mono: float) -> Record:
    """The record of an outage."""
    return Record("notice", {"notice": "disk-full", "until": mono, "dropped": outage.reads_dropped})


def holdback(store: Store, *, most_rows: int = 1000) -> Holdback:
    """With a reserve of a megabyte."""
    return Holdback(store, Reserve(store.path, size_bytes=1_000_000), boot=1, tell=told, most_rows=most_rows)


def big(n: int) -> Record:
    """A record that needs a new page."""
    return Record("notice", {"n": n, "text": "x" * 10_000})


def bodies(store: Store) -> list[int | str]:
    """The numbers of the records in the store, and what else is told."""
    found = [msgspec.json.decode(row.body) for row in store.unacked(limit=1000)]
    return [body.get("n", body.get("notice")) for body in found]


def test_records_wait_in_order_and_keep_their_moments(store: Small) -> None:
    """Nothing is committed until there is space; then all of it with the newest checkpoint, the outage behind it."""
    kept = holdback(store)
    assert kept.commit([big(1)], mono=1.0, checkpoint=b"one")
    store.full(yes=True)
    reads = [Read(61.0, "AA", 1, -60.0, 2), Read(62.0, "AA", 1, -50.0, 3)]
    assert not kept.commit([big(2)], mono=2.0, checkpoint=b"two", reads=reads)
    assert not kept.commit([big(3), big(4)], mono=63.0, checkpoint=b"three", reads=[Read(63.0, "AA", 1, -70.0)])
    assert kept.outage == Outage(2.0, waiting=3)
    checkpoint = store.checkpoint()
    assert checkpoint is not None
    assert (checkpoint.state, bodies(store)) == (b"one", [1])
    store.full(yes=False)
    assert kept.commit((), mono=90.0, checkpoint=b"four")
    checkpoint = store.checkpoint()
    assert checkpoint is not None
    assert (checkpoint.state, bodies(store)) == (b"four", [1, 2, 3, 4, "disk-full"])
    moments = store._connection.execute("SELECT mono FROM record ORDER BY id").fetchall()
    assert [mono for (mono,) in moments] == [1.0, 2.0, 63.0, 63.0, 90.0]
    assert store._connection.execute("SELECT minute, reads, rssi_dbm FROM reading").fetchall() == [(1, 6, -50.0)]
    assert kept.outage is None


def test_reads_that_wait_are_bounded_and_counted(store: Small) -> None:
    """Beyond so many rows the oldest go; how many reads they were is told, and no record is among them."""
    kept = holdback(store, most_rows=3)
    store.full(yes=True)
    for minute in range(5):
        reads = [Read(minute * 60.0, "A" * 4000, 1, -60.0, 10)]
        assert not kept.commit([big(minute)], mono=minute * 60.0, checkpoint=b"x", reads=reads)
    assert kept.outage == Outage(0.0, waiting=5, reads_dropped=20)
    store.full(yes=False)
    assert kept.commit((), mono=400.0, checkpoint=b"y")
    assert bodies(store) == [0, 1, 2, 3, 4, "disk-full"]
    minutes = store._connection.execute("SELECT minute FROM reading").fetchall()
    assert minutes == [(2,), (3,), (4,)]
    (row,) = [row for row in store.unacked(limit=100) if b"disk-full" in bytes(row.body)]
    assert msgspec.json.decode(row.body)["dropped"] == 20


def test_small_writes_wait_too_and_the_newest_counts(store: Small) -> None:
    """What the dispatch side sent while the disk was full is kept once there is space, the last version of each."""
    kept = holdback(store)
    store.full(yes=True)
    for version in (1, 2):
        plan = Downlink("plan", version, "sha-256:" + "0" * 64, "x" * 30_000)
        kept.write("plan", lambda plan=plan: store.hold(plan), mono=5.0)  # type: ignore[misc] # bound at once
    assert store.held("plan") is None
    assert kept.outage is not None
    store.full(yes=False)
    assert kept.commit((), mono=9.0, checkpoint=b"x")
    held = store.held("plan")
    assert held is not None
    assert held.version == 2


def test_a_reserve_that_a_start_gave_up_is_made_again(store: Small) -> None:
    """Without an outage too: it is looked for it every half hour, and not at each commit."""
    reserve = Reserve(store.path, size_bytes=1_000_000)
    kept = holdback(store)
    kept.commit([big(1)], mono=5.0)
    while reserve.give_up():
        pass
    assert kept.commit([big(2)], mono=1700.0)
    assert reserve.left_bytes == 0
    assert kept.commit((), mono=1806.0)
    assert reserve.left_bytes == 1_000_000
    assert kept.outage is None


def test_another_error_is_not_held_back(store: Small) -> None:
    """A store that may not be written is nobody's full disk."""
    kept = holdback(store)
    store._connection.execute("PRAGMA query_only = ON")
    with pytest.raises(StoreError, match="READONLY"):
        kept.commit([big(1)], mono=1.0)
    assert kept.outage is None


def test_the_reserve_goes_in_pieces_and_comes_back_whole(tmp_path: Path) -> None:
    """It holds real blocks, not a hole; each piece frees some; made anew it is whole."""
    reserve = Reserve(tmp_path / "vehicle.db", size_bytes=2 * PIECE_BYTES + 1)
    assert reserve.is_whole()
    file = tmp_path / "vehicle.db.reserve"
    assert file.stat().st_blocks * 512 >= 2 * PIECE_BYTES
    left = [reserve.left_bytes for _ in range(3) if reserve.give_up()]
    assert left == [PIECE_BYTES + 1, 1, 0]
    assert not reserve.give_up()
    assert reserve.is_whole()
    assert reserve.left_bytes == 2 * PIECE_BYTES + 1


def test_no_reserve_is_none(tmp_path: Path) -> None:
    """With a size of 0 no file is made, and nothing is given up."""
    reserve = Reserve(tmp_path / "vehicle.db", size_bytes=0)
    assert reserve.is_whole()
    assert not reserve.give_up()
    assert list(tmp_path.iterdir()) == []


def test_a_start_takes_of_the_reserve_what_it_needs(tmp_path: Path) -> None:
    """Given up piece by piece until it works; where nothing is left the error is told."""
    path = tmp_path / "vehicle.db"
    assert Reserve(path, size_bytes=3 * PIECE_BYTES).is_whole()
    tries = 0

    def third() -> int:
        nonlocal tries
        tries += 1
        if tries < 3:
            raise DiskFullError("full")
        return tries

    assert with_room(path, third) == 3
    assert Reserve(path, size_bytes=0).left_bytes == PIECE_BYTES
    tries = -10
    with pytest.raises(DiskFullError):
        with_room(path, third)
    assert not is_full(tmp_path)
