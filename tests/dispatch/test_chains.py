"""A vehicle's chain at the dispatch side: kept with its records, looked at as they come, never a reason to refuse."""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import msgspec
import pytest
import sqlalchemy as sa
from hypothesis import given, settings
from hypothesis import strategies as st

from agent.chain import KeptEpoch, Start, Walked, parse_key, walk
from agent.dispatch import links, schema
from agent.dispatch.chains import kept_chain
from agent.dispatch.store import DispatchStore, open_store
from agent.dispatch.wire import LogBatch, LogRecord, decode_batch
from agent.units import format_utc
from tests.dispatch.scenario import DAY_S, digest_of_record, full_day, key_of, pack, sealed, text_of_key
from tests.dispatch.test_store import NOW_S, emptied, tables

KEY, OTHER = key_of("van-07"), key_of("somebody else")
NOTES = [LogRecord(seq, "notice", {"notice": "gap", "text": f"note {seq}"}) for seq in range(1, 9)]


@pytest.fixture
def store(tmp_path: Path) -> Iterator[DispatchStore]:
    """An empty store in a file."""
    opened = open_store(tmp_path / "dispatch.sqlite")
    yield opened
    opened.close()


def batch(records: Sequence[LogRecord], *, key: Any = KEY, epoch: int = 1) -> LogBatch:
    """A batch as it arrives from the wire."""
    return decode_batch(pack(LogBatch("van-07", epoch, tuple(records), text_of_key(key))), vehicle="van-07")


def marks(store: DispatchStore) -> dict[int, str]:
    """What does not fit, by seq."""
    table = schema.record.c
    with store.reading() as connection:
        rows = connection.execute(sa.select(table.seq, table.misfit).where(table.misfit.is_not(None)))
        return {row.seq: row.misfit for row in rows}


def test_a_day_walks_from_end_to_end(store: DispatchStore) -> None:
    """What is kept of a signed day is the whole chain, and the ack names the record that it ends at."""
    records = sealed(full_day().records, key=KEY)
    for at in range(0, len(records), 4):
        assert store.ingest(batch(records[at : at + 4]), received_s=NOW_S).misfit == 0
    kept = kept_chain(store, "van-07")
    assert kept.key == text_of_key(KEY)
    (epoch,) = kept.epochs
    walked = walk(epoch.records, vehicle="van-07", epoch=1, key=parse_key(kept.key), head=epoch.head)
    assert (walked.misfit, walked.seq, walked.erased) == (None, len(records), 0)
    (ack,) = store.told("van-07")
    assert (ack.seq, ack.also, ack.hash) == (len(records), (), digest_of_record(records[-1]))


def test_badges_that_were_taken_out_break_no_chain(store: DispatchStore) -> None:
    """A record whose badges are gone has no body but proves its place; what is deleted is counted, the ack stays."""
    records = sealed(full_day().records, key=KEY)
    store.ingest(batch(records), received_s=NOW_S)
    store.forget(records_before_s=DAY_S, badges_before_s=NOW_S + 1)
    (epoch,) = kept_chain(store, "van-07").epochs
    walked = walk(epoch.records, vehicle="van-07", epoch=1, key=KEY.public_key(), head=epoch.head)
    assert walked.misfit is None
    assert walked.erased == sum(each.kind != "notice" for each in records)  # all others name a badge
    store.forget(records_before_s=NOW_S + 1, badges_before_s=NOW_S + 1)
    (epoch,) = kept_chain(store, "van-07").epochs
    assert epoch.records == ()
    assert epoch.after == Start(len(records), digest_of_record(records[-1]), len(records), until=format_utc(NOW_S))
    assert walk((), vehicle="van-07", epoch=1, key=KEY.public_key(), head=epoch.head, after=epoch.after).misfit is None
    assert [ack.hash for ack in store.told("van-07")] == [digest_of_record(records[-1])]


def walked(epoch: KeptEpoch) -> Walked:
    """The whole walk of an epoch by the vehicle's key."""
    return walk(
        epoch.records, vehicle="van-07", epoch=epoch.epoch, key=KEY.public_key(), head=epoch.head, after=epoch.after
    )


def aged(store: DispatchStore) -> list[LogRecord]:
    """Eight records: 1 to 4 came ten days ago, 6 and 7 too; 5 and 8 have come since. What is older than a day goes."""
    records = sealed(NOTES, key=KEY)
    for seqs, received_s in (((1, 2, 3, 4, 6, 7), NOW_S - 864_000), ((5, 8), NOW_S)):
        store.ingest(batch([records[seq - 1] for seq in seqs]), received_s=received_s)
    assert store.forget(records_before_s=NOW_S - 86_400, badges_before_s=0.0) == 4
    return records


def test_the_walk_begins_where_records_were_deleted_for_their_age(store: DispatchStore) -> None:
    """What is kept is walked on from the last one deleted; one that is too old behind a late one has lost its body."""
    records = aged(store)
    (epoch,) = kept_chain(store, "van-07").epochs
    assert epoch.after == Start(4, digest_of_record(records[3]), 4, until=format_utc(NOW_S - 864_000))
    assert [(each.seq, each.body is None) for each in epoch.records] == [(5, False), (6, True), (7, True), (8, False)]
    assert (walked(epoch).misfit, walked(epoch).seq, walked(epoch).erased) == (None, 8, 2)
    assert store.forget(records_before_s=NOW_S + 1, badges_before_s=0.0) == 4
    (epoch,) = kept_chain(store, "van-07").epochs
    assert epoch.after == Start(8, digest_of_record(records[7]), 8, until=format_utc(NOW_S))
    assert (walked(epoch).misfit, walked(epoch).seq) == (None, 8)


@pytest.mark.parametrize("seq", [5, 6])
def test_what_is_deleted_by_hand_is_missing_all_the_same(store: DispatchStore, seq: int) -> None:
    """Neither at the beginning of what is kept nor in it does a deletion by hand look like one for age."""
    aged(store)
    with store._writing() as connection:
        connection.exec_driver_sql("DELETE FROM record WHERE seq = ?", (seq,))
    (epoch,) = kept_chain(store, "van-07").epochs
    misfit = walked(epoch).misfit
    assert misfit is not None
    assert (misfit.seq, misfit.fault) == (seq, "missing")
    assert epoch.after is not None
    assert epoch.after.count == 4


def test_one_that_comes_when_its_neighbours_are_deleted(store: DispatchStore) -> None:
    """It is looked at alone, and then deleted in its time; changed by hand it is found."""
    records = sealed(NOTES, key=KEY)
    store.ingest(batch([*records[:2], *records[3:5]]), received_s=NOW_S - 864_000)
    store.ingest(batch(records[5:]), received_s=NOW_S)
    store.forget(records_before_s=NOW_S - 86_400, badges_before_s=0.0)
    store.ingest(batch(records[2:3]), received_s=NOW_S)
    (epoch,) = kept_chain(store, "van-07").epochs
    assert [each.seq for each in epoch.records] == [3, 6, 7, 8]
    assert (walked(epoch).misfit, walked(epoch).seq) == (None, 8)
    with store._writing() as connection:
        connection.exec_driver_sql("UPDATE record SET prev = ? WHERE seq = 3", ("sha-256:" + "0" * 64,))
    misfit = walked(kept_chain(store, "van-07").epochs[0]).misfit
    assert misfit is not None
    assert (misfit.seq, misfit.fault) == (3, "changed")
    assert store.forget(records_before_s=NOW_S + 1, badges_before_s=0.0) == 4
    (epoch,) = kept_chain(store, "van-07").epochs
    assert epoch.after is not None
    assert (epoch.after.seq, epoch.after.count) == (8, 8)


def test_records_that_came_again_and_branches_are_told(store: DispatchStore) -> None:
    """A disk set back to record 4: what clashed, where the branch begins, and what came again in a higher epoch."""
    first = sealed(NOTES[:6], key=KEY)
    store.ingest(batch(first), received_s=NOW_S)
    again = [msgspec.structs.replace(each, body={"notice": "gap", "text": f"other {each.seq}"}) for each in NOTES[4:]]
    store.ingest(batch(sealed(again, key=KEY, prev=digest_of_record(first[3]))), received_s=NOW_S)
    anew = [msgspec.structs.replace(each, seq=number) for number, each in enumerate(again, 1)]
    store.ingest(batch(sealed(anew, key=KEY, epoch=2), epoch=2), received_s=NOW_S)
    one, two = kept_chain(store, "van-07").epochs
    assert [note.split(":")[0].split(";")[0] for note in one.notes] == [
        "At record 7 another branch begins",
        "2 records more came under numbers that were taken (5 to 6)",
    ]
    assert two.notes == (
        (
            "4 records of it (1 to 4) had come before, as 5 to 8 of epoch 1: the van numbered anew what it had not yet"
            " been told to be safe."
        ),
    )
    assert (one.key, two.key) == (text_of_key(KEY), text_of_key(KEY))
    assert walked(two).misfit is None


@pytest.mark.parametrize("seed", range(4))
def test_a_changed_body_is_named(tmp_path: Path, seed: int) -> None:
    """Whoever changes, deletes or exchanges a record in the database is found out by the walk, at that record."""
    store = open_store(tmp_path / "d.sqlite")
    store.ingest(batch(sealed(NOTES, key=KEY)), received_s=NOW_S)
    seq = random.Random(seed).randint(1, 7)  # noqa: S311 - to repeat
    table = schema.record
    wrong = {"body": '{"notice":"gap","text":"nothing happened"}'} if seed % 2 else {"seq": 99}
    with store._writing() as connection:
        connection.execute(sa.update(table).where(table.c.seq == seq).values(wrong))
    (epoch,) = kept_chain(store, "van-07").epochs
    misfit = walk(epoch.records, vehicle="van-07", epoch=1, key=KEY.public_key(), head=epoch.head).misfit
    store.close()
    assert misfit is not None
    assert (misfit.seq, misfit.fault) == (seq, "changed" if seed % 2 else "missing")


def test_another_branch_is_kept_and_the_ack_shows_where_it_left(store: DispatchStore) -> None:
    """A disk set back to record 4 that writes on to 8: both branches are kept; the ack ends where ours goes on alone.

    So the vehicle finds its own record 6 to be another than the one acknowledged, and numbers anew what it has.
    """
    first = sealed(NOTES[:6], key=KEY)
    store.ingest(batch(first), received_s=NOW_S)
    again = [msgspec.structs.replace(each, body={"notice": "gap", "text": "other"}, text=None) for each in NOTES[4:]]
    branch = sealed(again, key=KEY, prev=digest_of_record(first[3]))
    done = store.ingest(batch(branch), received_s=NOW_S + 60)
    assert (done.clashed, done.fresh) == (2, 2)
    assert marks(store) == {7: links.DOES_NOT_FOLLOW}
    (ack,) = store.told("van-07")
    assert (ack.seq, ack.also, ack.hash) == (6, ((7, 8),), digest_of_record(first[5]))
    assert all(ack.covers(seq) for seq in range(1, 9))


@pytest.mark.parametrize(
    ("case", "marked"),
    [
        ("another key", dict.fromkeys((5, 6, 7, 8), links.OTHER_KEY)),
        ("a signature that is not its own", {8: links.NOT_SIGNED_SO}),
        ("no signature any more", {5: links.UNSIGNED}),
        ("a first one that follows something", {1: links.NOT_THE_FIRST}),
    ],
)
def test_what_does_not_fit_is_kept_marked_and_acknowledged(
    store: DispatchStore, case: str, marked: dict[int, str]
) -> None:
    """Every way not to fit has its words; nothing of it is refused."""
    good, key = sealed(NOTES, key=KEY), KEY
    second = good[4:]
    if case == "another key":
        key, second = OTHER, sealed(NOTES[4:], key=OTHER, prev=digest_of_record(good[3]))
    elif case == "a signature that is not its own":
        second[-1] = msgspec.structs.replace(second[-1], sig=second[0].sig)
    elif case == "no signature any more":
        second = [msgspec.structs.replace(each, prev=None, sig=None) for each in second]
    else:
        good = sealed(NOTES, key=KEY, prev=digest_of_record(good[-1]))
        second = good[4:]
    store.ingest(batch(good[:4]), received_s=NOW_S)
    store.ingest(batch(second, key=key), received_s=NOW_S)
    assert marks(store) == marked
    assert store.acks("van-07")[1].up_to == 8
    assert kept_chain(store, "van-07").key == text_of_key(KEY)


def test_the_first_key_stays(store: DispatchStore) -> None:
    """Whoever comes later with another key does not become the vehicle, however often; both keys are kept."""
    for key, epoch in ((KEY, 1), (OTHER, 2), (OTHER, 3)):
        store.ingest(batch(sealed(NOTES, key=key, epoch=epoch), key=key, epoch=epoch), received_s=NOW_S)
    table = schema.vehicle_key.c
    with store.reading() as connection:
        assert set(connection.execute(sa.select(table.key)).scalars()) == {text_of_key(KEY), text_of_key(OTHER)}
    assert kept_chain(store, "van-07").key == text_of_key(KEY)


def test_a_seal_that_comes_later_is_taken(store: DispatchStore) -> None:
    """The same record unsigned and then signed is one record, and signed."""
    store.ingest(LogBatch("van-07", 1, tuple(NOTES)), received_s=NOW_S)
    assert [ack.hash for ack in store.told("van-07")] == [None]
    good = sealed([msgspec.structs.replace(each, text=each.document) for each in NOTES], key=KEY)
    done = store.ingest(batch(good), received_s=NOW_S)
    assert (done.repeated, done.clashed, marks(store)) == (8, 0, {})
    assert [ack.hash for ack in store.told("van-07")] == [digest_of_record(good[-1])]


@settings(max_examples=20, deadline=None)
@given(st.data())
def test_order_changes_nothing_of_the_chain(data: st.DataObject) -> None:
    """In whatever order, batches and transactions the records of two branches come: the same records, marks and acks.

    Of records under one number the first to come counts, so the branches share none here.
    """
    good = sealed(NOTES, key=KEY)
    branch = sealed(NOTES[5:], key=KEY, prev=digest_of_record(good[0]))
    unsigned = [msgspec.structs.replace(each, prev=None, sig=None) for each in good]
    records = data.draw(
        st.sampled_from(
            [good, [*good[:5], *branch], [*unsigned[:3], *good[3:]], [*good[:3], *unsigned[3:6], *good[6:]]]
        )
    )
    ends = []
    for order in (records, data.draw(st.permutations(records))):
        batches, rest = [], list(order)
        while rest:
            cut = data.draw(st.integers(1, len(rest)))
            batches.append(batch(rest[:cut]))
            rest = rest[cut:]
        store = emptied()
        while batches:
            cut = data.draw(st.integers(1, len(batches)))
            store.ingest_all(batches[:cut], received_s=NOW_S)
            batches = batches[cut:]
        ends.append((tables(store), store.told("van-07")))
    assert ends[0] == ends[1]
