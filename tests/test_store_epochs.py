"""A number is for ever: what acks do to a store that was replaced, set back or copied, and that nothing is lost by it.

The dispatch side stands in a small model here: under a number the first bytes count, what comes later with others is
kept beside it and counts for nothing, and an ack reaches as far as what is held is one chain.
"""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Iterator, Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import msgspec
import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from hypothesis import example, given, settings
from hypothesis import strategies as st

from agent import store_numbering
from agent.chain import Sealed, content_digest, digest, key_text, parse_key, walk
from agent.errors import StoreError
from agent.messages import Ack, OutboxRow
from agent.records import Record
from agent.store import Store
from agent.store_chain import Seal, kept_chain
from tests.delivery import SEAL, VEHICLE

OTHER_KEY = Ed25519PrivateKey.from_private_bytes(bytes(32))
OTHER_SEAL = Seal(VEHICLE, key_text(OTHER_KEY.public_key().public_bytes_raw()), OTHER_KEY.sign)


class Dispatch:
    """The dispatch side, as far as numbers go."""

    def __init__(self) -> None:
        self.slots: dict[tuple[int, int], Sealed] = {}
        self.clashes: list[tuple[int, Sealed]] = []
        self.told: list[tuple[Ack, ...]] = [()]

    def take(self, rows: Sequence[OutboxRow], *, epoch: int) -> None:
        """Keep what came, then say what is held."""
        for row in rows:
            record = Sealed(row.seq, row.kind, content_digest(row.body), row.prev, row.sig, row.body)
            if self.slots.setdefault((epoch, row.seq), record) != record:
                self.clashes.append((epoch, record))
        self.told.append(tuple(self._ack(each) for each in sorted({epoch for epoch, _ in self.slots})))

    def _ack(self, epoch: int) -> Ack:
        held = sorted(seq for each, seq in self.slots if each == epoch)
        chain, upto = "", 0
        while (record := self.slots.get((epoch, upto + 1))) is not None and (record.prev or "") == chain:
            upto, chain = upto + 1, _digest(epoch, record)
        return Ack(epoch, upto, tuple((seq, seq) for seq in held if seq > upto), chain or None)

    def bodies(self) -> set[bytes]:
        """Every body that counts."""
        return {record.body for record in self.slots.values() if record.body is not None}


def _digest(epoch: int, record: Sealed) -> str:
    prev = record.prev or ""
    return digest(vehicle=VEHICLE, epoch=epoch, seq=record.seq, kind=record.kind, prev=prev, content=record.content)


def named(word: str, count: int) -> list[Record]:
    """Records that can be told apart from all others."""
    return [Record("notice", {"notice": "gap", "n": f"{word}/{n}"}) for n in range(count)]


def rows(path: Path, query: str) -> list[Any]:
    """What an independent connection reads."""
    connection = sqlite3.connect(path)
    try:
        return connection.execute(query).fetchall()
    finally:
        connection.close()


def texts(path: Path, code: str) -> list[str]:
    """The sentences of the notices with that code, oldest first."""
    bodies = [msgspec.json.decode(body) for (body,) in rows(path, "SELECT body FROM record ORDER BY id")]
    return [body["text"] for body in bodies if body["notice"] == code]


def all_fit(path: Path) -> bool:
    """Whether every epoch of the store is a whole chain, signed by its key, up to what was acknowledged."""
    kept = kept_chain(path)
    for each in kept.epochs:
        found = walk(each.records, vehicle=VEHICLE, epoch=each.epoch, key=parse_key(each.key or ""), head=each.head)
        if found.misfit is not None:
            return False
    return True


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Where the store lies."""
    return tmp_path / "store.db"


@pytest.fixture
def store(path: Path) -> Iterator[Store]:
    """A store with five signed records that may have been published."""
    with Store.open(path, seal=SEAL) as made:
        made.settle()
        made.append(named("own", 5), boot=made.boot(), mono=1.0)
        yield made


def own_hash(store: Store, seq: int) -> str:
    """The digest of one of the store's records that no ack covered yet."""
    (row,) = (row for row in store.unacked() if row.seq == seq)
    return _digest(store.epoch, Sealed(row.seq, row.kind, content_digest(row.body), row.prev, row.sig))


WRONG = "sha-256:" + "0" * 64


def test_a_hash_that_fits_trims(store: Store, path: Path) -> None:
    """The ack's hash is that of the own record: it is trimmed, and its hash is kept as the chain's head."""
    fits = own_hash(store, 3)
    assert store.acknowledge([Ack(1, 3, (), fits)]) == 3
    assert (store.epoch, store.backlog()) == (1, 2)
    assert kept_chain(path).epochs[0].head == (3, fits)


def test_a_hash_that_differs_moves(store: Store, path: Path) -> None:
    """It trims nothing: all that no ack had covered gets new numbers in the next epoch, and somebody is told."""
    store.acknowledge([Ack(1, 2, (), own_hash(store, 2))])
    assert store.acknowledge([Ack(1, 4, (), WRONG)], mono=7.0, at="2026-03-02T07:01:12.000Z") == 0
    assert (store.epoch, [row.seq for row in store.unacked()]) == (2, [1, 2, 3, 4])
    assert rows(path, "SELECT epoch, seq FROM record ORDER BY id") == [
        (1, 1), (1, 2), (2, 1), (2, 2), (2, 3), (2, 4),
    ]  # fmt: skip
    (text,) = texts(path, "epoch")
    assert "Under number 4 of epoch 1 the dispatch side holds another record" in text
    assert text.endswith("From here on its records are those of epoch 2; 3 are sent anew in it.")
    (body,) = rows(path, "SELECT body FROM record WHERE epoch = 2 AND seq = 4")[0]
    assert msgspec.json.decode(body)["at"] == "2026-03-02T07:01:12.000Z"
    assert rows(path, "SELECT boot, mono FROM record WHERE epoch = 2 AND seq = 4") == [(1, 7.0)]
    assert all_fit(path)


def test_what_was_trimmed_beside_the_run_moves_too(store: Store, path: Path) -> None:
    """A range proves nothing: records that one had taken off the outbox are sent again in the new epoch."""
    assert store.acknowledge([Ack(1, 1, ((3, 4),), own_hash(store, 1))]) == 3
    assert [row.seq for row in store.unacked()] == [2, 5]
    store.acknowledge([Ack(1, 4, (), WRONG)])
    assert [row.seq for row in store.unacked()] == [1, 2, 3, 4, 5]
    assert all_fit(path)


def test_a_fork_beyond_what_fits_moves_what_lies_beyond(store: Store, path: Path) -> None:
    """A range right behind the run holds records that do not follow it: the run is trimmed, the rest moves."""
    assert store.acknowledge([Ack(1, 2, ((3, 5),), own_hash(store, 2))]) == 2
    assert (store.epoch, [row.seq for row in store.unacked()]) == (2, [1, 2, 3, 4])
    assert "that do not follow it" in texts(path, "epoch")[0]
    assert all_fit(path)


def test_the_next_epoch_is_above_all_that_were_heard_of(path: Path) -> None:
    """Also above one that only an earlier ack named, and that before a restart."""
    with Store.open(path, seal=SEAL) as store:
        store.settle()
        store.append(named("own", 2), boot=1, mono=1.0)
        store.acknowledge([Ack(1, 1, (), own_hash(store, 1)), Ack(7, 3, (), WRONG)])
        assert store.epoch == 1
    with Store.open(path, seal=SEAL) as store:
        store.acknowledge([Ack(1, 2, (), WRONG)])
        assert store.epoch == 8


def test_where_the_own_hash_fits_a_higher_epoch_changes_nothing(store: Store) -> None:
    """Another computer has gone on in epoch 2 with a copy of the card; this one stays where it is."""
    acks = [Ack(1, 5, (), own_hash(store, 5)), Ack(2, 80, (), WRONG)]
    assert store.acknowledge(acks) == 5
    assert store.acknowledge(acks) == 0
    assert store.epoch == 1


def test_late_and_foreign_acks_change_nothing(store: Store) -> None:
    """Of the epoch before a move, of the past, of an epoch of others, or empty ones."""
    late = Ack(1, 5, (), own_hash(store, 5))
    store.acknowledge([Ack(1, 3, (), WRONG)])
    first = Ack(2, 1, (), own_hash(store, 1))
    store.acknowledge([Ack(2, 4, (), own_hash(store, 4))])
    left = [row.seq for row in store.unacked()]
    for acks in ([late], [Ack(1, 3, (), WRONG)], [first], [Ack(9, 7)], [Ack(2, 0)], [Ack(1, 900)], []):
        assert store.acknowledge(acks) == 0
        assert (store.epoch, [row.seq for row in store.unacked()]) == (2, left)


def test_a_fresh_store_goes_above_an_earlier_one(path: Path) -> None:
    """Before anything was published, an ack of any epoch is of an earlier store, unless it proves itself one's own."""
    with Store.open(path, seal=SEAL) as store:
        store.append(named("own", 5), boot=1, mono=1.0)
        assert store.acknowledge([Ack(1, 4, (), own_hash(store, 4))]) == 4
        assert store.acknowledge([Ack(1, 3), Ack(2, 1)]) == 0
        assert (store.epoch, store.backlog()) == (3, 2)
        assert "an earlier store, up to epoch 2" in texts(path, "epoch")[0]
    assert all_fit(path)


def test_a_move_is_whole_or_not_at_all(store: Store, path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Cut off at its last step, the store stands where it stood, and the same ack moves it later."""
    wrong = [Ack(1, 4, (), WRONG)]
    before = rows(path, "SELECT id, epoch, seq, prev, sig FROM record")

    class Cut(sqlite3.Error):
        pass

    def cut(*_: object) -> list[str]:
        raise Cut("cut off")

    with monkeypatch.context() as patch:
        patch.setattr(store_numbering, "contents", cut)
        with pytest.raises(StoreError, match="taking in an ack failed"):
            store.acknowledge(wrong)
    assert rows(path, "SELECT id, epoch, seq, prev, sig FROM record") == before
    assert rows(path, "SELECT count(*) FROM epoch") == [(1,)]
    assert (store.epoch, store.backlog()) == (1, 5)
    store.acknowledge(wrong)
    assert (store.epoch, store.backlog()) == (2, 6)


def test_a_dispatch_side_that_is_always_wrong_does_not_move_it_for_ever(store: Store) -> None:
    """After three moves in a row it waits ten minutes before the next; what is not acknowledged stays."""
    for turn in range(20):
        store.acknowledge([Ack(store.epoch, 2, (), WRONG)], mono=10.0 + turn)
    assert (store.epoch, store.backlog()) == (4, 8)
    store.acknowledge([Ack(4, 2, (), WRONG)], mono=620.0)
    assert store.epoch == 5


def restored(store: Store) -> tuple[list[Ack], list[Ack]]:
    """All five are acknowledged; then what a dispatch side says that was set back to two. Both as (full, short)."""
    full, short = [Ack(1, 5, (), own_hash(store, 5))], [Ack(1, 2, (), own_hash(store, 2))]
    assert store.acknowledge(full, mono=10.0) == 5
    return full, short


def test_what_a_restored_dispatch_side_lacks_is_sent_again(store: Store, path: Path) -> None:
    """Once two acks, a minute apart, say less than an earlier one: what they do not cover is in the outbox again."""
    full, short = restored(store)
    store.append(named("later", 2), boot=1, mono=12.0)
    store.acknowledge(short, mono=20.0)
    assert [row.seq for row in store.unacked()] == [6, 7]
    with_new = [Ack(1, 2, ((6, 6),), short[0].hash)]
    store.acknowledge(with_new, mono=50.0)
    assert [row.seq for row in store.unacked()] == [7]
    store.acknowledge(with_new, mono=80.0)
    assert [row.seq for row in store.unacked()] == [3, 4, 5, 7]
    assert kept_chain(path).epochs[0].head == (2, short[0].hash)
    assert all_fit(path)
    assert store.acknowledge(full, mono=81.0) == 3
    assert kept_chain(path).epochs[0].head == (5, full[0].hash)
    assert (store.epoch, [row.seq for row in store.unacked()]) == (1, [7])


def test_what_a_restored_dispatch_side_never_heard_of_is_sent_again(store: Store) -> None:
    """It was set back to before this epoch began, and knows an earlier one alone."""
    store.acknowledge([Ack(1, 5, (), WRONG)], mono=1.0)
    assert store.epoch == 2
    store.acknowledge([Ack(1, 5), Ack(2, 4, (), own_hash(store, 4))], mono=2.0)
    before = [row.seq for row in store.unacked()]
    for mono in (10.0, 100.0):
        assert [row.seq for row in store.unacked()] == before
        store.acknowledge([Ack(1, 5)], mono=mono)
    assert [row.seq for row in store.unacked()] == [1, 2, 3, 4, *before]


def test_a_late_ack_sends_nothing_again(store: Store) -> None:
    """One that says less is late where another says more after it, however often they come by turns; so is an echo."""
    full, short = restored(store)
    for turn in range(20):
        store.acknowledge(short, mono=100.0 * turn + 20.0)
        store.acknowledge(short, mono=100.0 * turn + 70.0)
        store.acknowledge(full, mono=100.0 * turn + 75.0)
        assert store.backlog() == 0


def test_a_dispatch_side_that_forgets_again_and_again_is_sent_no_more_than_hourly(store: Store) -> None:
    """Whatever the broker tells at each connection: what was sent again is not, within the hour."""
    full, short = restored(store)
    sent = 0
    for turn in range(72):  # two hours
        for each, at in ((short, 0.0), (short, 65.0), (full, 90.0)):
            store.acknowledge(each, mono=1000.0 + 100.0 * turn + at)
            sent += store.backlog()
    assert sent == 2 * 3


def test_another_key_begins_an_epoch(store: Store, path: Path) -> None:
    """What one key signed and what the other did stand in epochs of their own, each a whole chain; a notice tells."""
    store.acknowledge([Ack(1, 2, (), own_hash(store, 2))])
    store.close()
    for _ in range(2):  # the second opening changes nothing more
        with Store.open(path, seal=OTHER_SEAL) as again:
            assert (again.epoch, [row.seq for row in again.unacked()]) == (2, [1, 2, 3, 4])
    assert "has another key than the one that signed its records" in texts(path, "new-key")[0]
    assert [(each.epoch, each.key) for each in kept_chain(path).epochs] == [(1, SEAL.key), (2, OTHER_SEAL.key)]
    assert all_fit(path)


def test_a_key_that_signed_nothing_yet_leaves_no_trace(path: Path) -> None:
    """A key that was lost before the first record is replaced without a new epoch."""
    Store.open(path, seal=SEAL).close()
    with Store.open(path, seal=OTHER_SEAL) as store:
        assert (store.epoch, store.last_seq) == (1, 0)
        store.append(named("own", 1), boot=1, mono=1.0)
    assert kept_chain(path).key == OTHER_SEAL.key
    assert all_fit(path)


def test_another_vehicle_begins_an_epoch(store: Store, path: Path) -> None:
    """A computer that is set up for another van does not go on with the first one's chain."""
    store.close()
    with Store.open(path, seal=Seal("van-08", SEAL.key, SEAL.sign)) as again:
        assert (again.epoch, again.backlog()) == (2, 6)
    kept = kept_chain(path)
    assert (kept.vehicle, [each.epoch for each in kept.epochs]) == ("van-08", [2])
    assert "were those of van-07 until now; its file names van-08" in texts(path, "epoch")[0]


def test_without_its_key_a_signed_store_can_only_be_looked_at(store: Store, path: Path) -> None:
    """No unsigned record gets behind a signed one."""
    store.close()
    with Store.open(path, seal=None) as look:
        with pytest.raises(ValueError, match="open it with the vehicle's seal"):
            look.append(named("own", 1), boot=1, mono=2.0)
        assert look.acknowledge([Ack(1, 4, (), WRONG)]) == 0
        assert (look.epoch, look.last_seq, look.backlog()) == (1, 5, 5)


def test_signing_begins_where_it_was_not(path: Path) -> None:
    """Records from before stay unsigned at the beginning of their epoch; the first signed one follows the last."""
    with Store.open(path, seal=None) as store:
        store.append(named("old", 2), boot=1, mono=1.0)
    with Store.open(path, seal=SEAL) as store:
        store.append(named("new", 2), boot=1, mono=2.0)
    kept = kept_chain(path).epochs[0]
    found = walk(kept.records, vehicle=VEHICLE, epoch=1, key=parse_key(SEAL.key))
    assert (found.seq, found.unsigned, found.misfit) == (4, 2, None)
    assert kept.records[2].prev == _digest(1, kept.records[1])


class Card:
    """A van's card: its living store, what it can be set back to, and what goes over the link."""

    def __init__(self, folder: Path, dispatch: Dispatch) -> None:
        self.folder, self.dispatch = folder, dispatch
        self.path = folder / "store.db"
        self.store = Store.open(self.path, seal=SEAL)
        self.made = 0

    def append(self, count: int) -> None:
        """Make records that nobody made before."""
        self.made += 1
        self.store.append(named(f"{self.folder.name}-{self.made}", count), boot=1, mono=float(self.made))

    def connect(self) -> None:
        """The retained ack is heard, then records may go out."""
        self.store.acknowledge(self.dispatch.told[-1], mono=1e9 * self.made)
        self.store.settle()

    def publish(self, skip: int, count: int) -> None:
        """Send some of what no ack covered."""
        with self.store.outbox() as outbox:
            page = outbox.page(after=0, limit=1000)
        if page.settled and page.rows[skip : skip + count]:
            self.dispatch.take(page.rows[skip : skip + count], epoch=page.epoch)

    def hear(self, back: int) -> None:
        """An ack arrives: the newest, or one that is that many messages old."""
        told = self.dispatch.told
        self.store.acknowledge(told[max(0, len(told) - 1 - back)], mono=1e9 * self.made)

    def keep(self, number: int) -> None:
        """Make an image of the card."""
        self.store.close()
        shutil.copy(self.path, self.folder / f"image-{number}")
        self.store = Store.open(self.path, seal=SEAL)

    def set_back(self, number: int) -> None:
        """Put such an image in its place; a new card, if there is none."""
        self.store.close()
        self.path.unlink()
        image = self.folder / f"image-{number}"
        if image.exists():
            shutil.copy(image, self.path)
        self.store = Store.open(self.path, seal=SEAL)

    def is_whole(self) -> bool:
        """Whether every record of the living store counts at the dispatch side."""
        made = {body.encode() for (body,) in rows(self.path, "SELECT body FROM record")}
        return made <= self.dispatch.bodies()


STEPS = st.one_of(
    st.tuples(st.just("append"), st.integers(1, 4)),
    st.just(("connect",)),
    st.tuples(st.just("publish"), st.integers(0, 3), st.integers(1, 6)),
    st.tuples(st.just("hear"), st.integers(0, 6)),
    st.tuples(st.just("keep"), st.integers(0, 1)),
    st.tuples(st.just("set_back"), st.integers(0, 2)),  # 2 is a new card
)


@settings(max_examples=80, deadline=None)
@given(st.lists(STEPS, max_size=25))
@example([("append", 2), ("publish", 0, 9), ("set_back", 0), ("append", 3)])  # another record under an acked number
@example([("append", 3), ("publish", 5, 1), ("set_back", 0), ("append", 3), ("publish", 0, 5)])  # one beyond the run
def test_nothing_is_lost_whatever_is_set_back(steps: list[tuple[Any, ...]]) -> None:
    """After any sequence of appends, losses, late acks and cards set back, all that the living store made counts.

    And once the link is good, few rounds are enough for it.
    """
    with TemporaryDirectory() as folder:
        card = Card(Path(folder), Dispatch())
        try:
            card.append(3)
            card.connect()
            card.publish(0, 2)
            card.keep(0)
            for name, *arguments in steps:
                getattr(card, name)(*arguments)
            for _ in range(6):
                card.connect()
                card.publish(0, 1000)
                card.hear(0)
            assert card.store.backlog() == 0
            assert card.is_whole()
            assert all_fit(card.path)
        finally:
            card.store.close()


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 1), STEPS), max_size=25), st.integers(0, 6))
def test_two_copies_of_a_card_end_in_two_epochs(steps: list[tuple[int, tuple[Any, ...]]], first: int) -> None:
    """Two computers with copies of one card part, neither loses anything, and once they have parted they stay."""
    with TemporaryDirectory() as folder:
        dispatch = Dispatch()
        for name in ("one", "two"):
            (Path(folder) / name).mkdir()
        one = Card(Path(folder) / "one", dispatch)
        one.append(first + 1)
        one.connect()
        one.publish(0, first)
        one.store.close()
        shutil.copy(one.path, Path(folder) / "two" / "store.db")
        one.store = Store.open(one.path, seal=SEAL)
        two = Card(Path(folder) / "two", dispatch)
        try:
            for which, (name, *arguments) in steps:
                if name not in ("keep", "set_back"):
                    getattr((one, two)[which], name)(*arguments)
            for _ in range(6):
                for card in (one, two):
                    card.append(1)
                    card.connect()
                    card.publish(0, 1000)
                    for each in (one, two):
                        each.hear(0)
            parted = (one.store.epoch, two.store.epoch)
            for _ in range(4):
                for card in (one, two):
                    card.append(2)
                    card.publish(0, 1000)
                for card in (one, two):
                    card.hear(0)
            assert (one.store.epoch, two.store.epoch) == parted
            assert parted[0] != parted[1]
            assert (one.store.backlog(), two.store.backlog()) == (0, 0)
            assert one.is_whole()
            assert two.is_whole()
        finally:
            one.store.close()
            two.store.close()
