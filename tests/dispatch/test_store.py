"""The dispatch side's store: what comes in, in whatever order, however often, ends the same and is acknowledged."""

from __future__ import annotations

import json
import random
from collections.abc import Iterator
from contextlib import AbstractContextManager
from functools import lru_cache
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.schema import CreateTable

from agent.dispatch import bulk, schema
from agent.dispatch.schema_accounts import badge_leg
from agent.dispatch.store import BusyError, DispatchStore, open_store
from agent.dispatch.wire import LogBatch, LogRecord
from agent.errors import StoreError
from agent.ledger import ItemState, SeqRanges, fold_items, parse_event
from tests.dispatch.scenario import DAY_S, MINUTE_S, VanDay, aboard, full_day, item, location, position, status, word

NOW_S = DAY_S + 200 * MINUTE_S


@pytest.fixture
def store(tmp_path: Path) -> Iterator[DispatchStore]:
    """An empty store in a file."""
    opened = open_store(tmp_path / "dispatch.sqlite")
    yield opened
    opened.close()


def rows(store: DispatchStore, table: sa.Table) -> list[dict[str, Any]]:
    """A table's rows in an order of their own, without when they came."""
    keys = tuple(column for column in table.columns if column.name != "received_s")
    with store.reading() as connection:
        found = [dict(row._mapping) for row in connection.execute(sa.select(*keys))]
    return sorted(found, key=repr)


def tables(store: DispatchStore) -> dict[str, list[dict[str, Any]]]:
    """All that is drawn from records."""
    drawn = (schema.record, schema.event, schema.event_item, schema.manifest, schema.cursor)
    return {table.name: rows(store, table) for table in drawn} | {
        "item": [row for row in rows(store, schema.item) if row.pop("tag", None) is not None]
    }


def test_a_day_is_kept(store: DispatchStore) -> None:
    """Items end where the standing events leave them; a taken-back unloading leaves its item aboard."""
    day = full_day(items=12)
    for batch in day.batches(4):
        store.ingest(batch, received_s=NOW_S)
    state = {row["epc"]: row for row in rows(store, schema.item)}
    left, kept, doubted = item(0)["epc"], item(5)["epc"], item(11)["epc"]
    assert (state[left]["aboard"], state[left]["place"]) == (None, location("playhouse"))
    assert (state[kept]["aboard"], state[kept]["since_s"]) == ("van-07", DAY_S + 20 * MINUTE_S)
    assert (state[doubted]["aboard"], state[doubted]["name"]) == ("van-07", item(11)["name"])
    voided = [row for row in rows(store, schema.event) if row["voided"]]
    assert [row["void_reason"] for row in voided] == ["incorrect_data"]
    assert store.acks("van-07") == {1: SeqRanges(((1, len(day.records)),))}


@pytest.mark.parametrize("seed", range(6))
def test_order_and_repetition_change_nothing(tmp_path: Path, seed: int) -> None:
    """Batches cut anew, shuffled and sent twice leave the same tables as the day in order."""
    day = full_day()
    straight, shuffled = open_store(tmp_path / "a.sqlite"), open_store(tmp_path / "b.sqlite")
    for batch in day.batches():
        straight.ingest(batch, received_s=NOW_S)
    chance = random.Random(seed)  # noqa: S311 - a shuffle to repeat
    records = [*day.records, *chance.choices(day.records, k=8)]
    chance.shuffle(records)
    while records:
        cut = chance.randint(1, 4)
        part, records = records[:cut], records[cut:]
        shuffled.ingest(LogBatch("van-07", 1, tuple(part)), received_s=NOW_S + len(records))
    expected, got = tables(straight), tables(shuffled)
    straight.close()
    shuffled.close()
    assert got == expected


@settings(max_examples=40, deadline=None)
@given(st.data())
def test_items_stand_as_the_ledger_folds_them(data: st.DataObject) -> None:
    """Whatever vehicles say in whatever order, each item's row is the fold of all records, followed step by step."""
    vehicles, cargo = ("van-03", "van-07"), [item(1), item(2)]
    days = {vehicle: VanDay(vehicle) for vehicle in vehicles}
    for _ in range(data.draw(st.integers(1, 10))):
        day = days[data.draw(st.sampled_from(vehicles))]
        step = data.draw(st.sampled_from(["loading", "unloading", "departing"]))
        at_s = DAY_S + 10.0 * data.draw(st.integers(0, 8))
        event = day.move(step, "depot", at_s, cargo[: data.draw(st.integers(1, 2))])
        if data.draw(st.booleans()):
            day.take_back(event, NOW_S)
    records = [(vehicle, each) for vehicle, day in days.items() for each in day.records]
    expected = fold_items(parse_event(e.body, vehicle=v, epoch=1, seq=e.seq) for v, e in records)
    straight = taken_in(records)
    found = taken_in(list(data.draw(st.permutations(records))), cut=data.draw(st.integers(1, 8)))
    items = {row["epc"]: ItemState(**{key: row[key] for key in ItemState.__struct_fields__}) for row in found["item"]}
    assert items == expected
    assert found == straight


@lru_cache(maxsize=1)
def _in_memory() -> DispatchStore:
    return open_store("sqlite://")


def emptied() -> DispatchStore:
    """A store in memory with nothing in it, for the many examples: to make one takes longer than most of them."""
    store = _in_memory()
    with store._writing() as connection:
        for table in schema.metadata.sorted_tables:
            if table is not schema.version:
                connection.execute(sa.delete(table))
    return store


def taken_in(records: list[tuple[str, LogRecord]], *, cut: int = 1) -> dict[str, list[dict[str, Any]]]:
    """What the tables say after these records came, `cut` to a transaction, items included."""
    store = emptied()
    while records:
        part, records = records[:cut], records[cut:]
        store.ingest_all([LogBatch(vehicle, 1, (each,)) for vehicle, each in part], received_s=NOW_S)
    # An item that only a dropped statement ever named may have a row that says nothing.
    return tables(store) | {"item": [row for row in rows(store, schema.item) if row["event_id"] is not None]}


@pytest.mark.parametrize("together", [True, False])
@pytest.mark.parametrize("seqs", [(1, 2, 3), (1, 3, 2), (2, 1, 3), (2, 3, 1), (3, 1, 2), (3, 2, 1)])
def test_an_id_that_comes_with_two_contents(store: DispatchStore, *, seqs: tuple[int, ...], together: bool) -> None:
    """Under one eventID the first statement counts, by epoch and seq, whichever arrives first; the rest is no event.

    CBV 2.0: an eventID of the form ni:///… is the hash of its event's content, so one id has one content.
    """
    day = VanDay()
    first = day.move("loading", "depot", DAY_S, [item(1)])
    for other, at_s in ((item(2), DAY_S - 60), (item(3), DAY_S + 60)):
        day.add("event", day.move("loading", "depot", at_s, [other]) | {"eventID": first["eventID"]})
        del day.records[-2]
    records = dict(zip((1, 2, 3), day.records, strict=True))
    batches = [[records[seq] for seq in seqs]] if together else [[records[seq]] for seq in seqs]
    for batch in batches:
        store.ingest(LogBatch("van-07", 1, tuple(batch)), received_s=NOW_S)
    assert [row["epc"] for row in rows(store, schema.event_item)] == [item(1)["epc"]]
    assert [row["time_s"] for row in rows(store, schema.event)] == [DAY_S]
    aboard = {row["epc"]: row["aboard"] for row in rows(store, schema.item)}
    assert {epc for epc, vehicle in aboard.items() if vehicle} == {item(1)["epc"]}


def test_a_gap_is_not_acknowledged(store: DispatchStore) -> None:
    """What is missing is a gap; what came beyond it is acknowledged beside it."""
    records = [LogRecord(seq, "notice", {"notice": "gap", "text": str(seq)}) for seq in (1, 2, 5, 6, 9)]
    result = store.ingest(LogBatch("van-07", 3, tuple(records)), received_s=NOW_S)
    assert result.fresh == 5
    have = store.acks("van-07")[3]
    assert (have.up_to, have.also, have.gaps) == (2, ((5, 6), (9, 9)), ((3, 4), (7, 8)))


def test_same_seq_with_other_content(store: DispatchStore) -> None:
    """Both are kept, the first counts, and the seq is acknowledged."""
    for text in ("one", "two", "two"):
        result = store.ingest(
            LogBatch("van-07", 1, (LogRecord(1, "notice", {"notice": "gap", "text": text}),)), received_s=NOW_S
        )
    assert result.clashed == 1
    assert ["one" in row["body"] for row in rows(store, schema.record)] == [True]
    assert ["two" in row["body"] for row in rows(store, schema.clash)] == [True]
    assert store.acks("van-07")[1].up_to == 1


@pytest.mark.parametrize(
    ("kind", "body"),
    [
        ("event", {"type": "AggregationEvent"}),
        ("event", None),
        ("manifest", {"manifest": "van-03/2026-03-02/1", "revision": 1}),
        ("rumour", {"text": "x"}),
        ("manifest", {"manifest": "van-07/2026-03-02/1", "revision": 10**30}),
        ("", 7),
    ],
)
def test_what_cannot_be_used_is_kept_and_acknowledged(store: DispatchStore, kind: str, body: object) -> None:
    """A record that makes no sense is stored with the reason and never asked for again."""
    result = store.ingest(LogBatch("van-07", 1, (LogRecord(1, kind, body),)), received_s=NOW_S)
    assert result.refused == 1
    assert rows(store, schema.record)[0]["refused"]
    assert store.acks("van-07")[1].up_to == 1


@pytest.mark.parametrize("error", [OverflowError("int too large"), ValueError(), RecursionError("too deep")])
def test_a_record_that_breaks_the_reading_is_refused_alone(
    store: DispatchStore, monkeypatch: pytest.MonkeyPatch, error: Exception
) -> None:
    """Whatever goes wrong in the reading of one record, it is kept with the reason and the others are taken."""
    from agent.dispatch import drawn  # noqa: PLC0415 - to break it

    def broken(*_args: object, **_more: object) -> None:
        raise error

    monkeypatch.setattr(drawn, "parse_event", broken)
    records = (LogRecord(1, "event", {}), LogRecord(2, "notice", {"notice": "gap"}))
    result = store.ingest(LogBatch("van-07", 1, records), received_s=NOW_S)
    assert (result.fresh, result.refused) == (2, 1)
    assert [row["refused"] for row in rows(store, schema.record)] == [str(error) or "ValueError", None]
    assert store.acks("van-07")[1].up_to == 2


def test_a_number_that_no_float_holds_ends_nothing(store: DispatchStore) -> None:
    """A confidence of 400 digits, as it comes from the wire: the event counts, without it."""
    day = VanDay("van-07")
    day.move("loading", "depot", DAY_S, [item(1)])
    (record,) = day.records
    body = record.body | {"rt:confidence": [{"rt:epc": item(1)["epc"], "rt:p": 10**400}]}
    text = json.dumps(body)
    result = store.ingest(LogBatch("van-07", 1, (LogRecord(1, "event", text=text),)), received_s=NOW_S)
    assert (result.fresh, result.refused) == (1, 0)
    assert [row["p"] for row in rows(store, schema.event_item)] == [None]


def test_names_that_no_index_holds_are_refused(store: DispatchStore) -> None:
    """A manifest whose name is endless is refused; an item or badge with an endless EPC is not listed by it."""
    day = VanDay("van-07")
    long = "urn:epc:raw:96.x" + "0" * 3000
    day.manifest(1, 1, ("depot", DAY_S), [item(1), {"epc": long, "name": "endless"}], badges=[{"epc": long}])
    (record,) = day.records
    renamed = LogRecord(2, "manifest", record.body | {"manifest": f"van-07/{'0' * 300}/1"})
    store.ingest(LogBatch("van-07", 1, (record, renamed)), received_s=NOW_S)
    store.hear(word(aboard("van-07", [{"epc": long, "name": "endless"}], at_s=NOW_S)), received_s=NOW_S)
    assert "300 characters at most" in rows(store, schema.record)[1]["refused"]
    assert len(rows(store, schema.manifest)) == 1
    assert [row["epc"] for row in rows(store, schema.item)] == [item(1)["epc"]]
    assert rows(store, badge_leg) == []


@pytest.mark.parametrize(("attribute", "code", "busy"), [
    ("sqlstate", "54000", False), ("pgcode", "54000", False), ("sqlstate", "40001", True), ("other", "54000", True),
])  # fmt: skip
def test_what_exceeds_a_limit_is_not_tried_again(
    store: DispatchStore, attribute: str, code: str, *, busy: bool
) -> None:
    """PostgreSQL's class 54 says that the same change will fail for ever; what may pass is worth another try.

    https://www.postgresql.org/docs/current/errcodes-appendix.html
    """
    driver = Exception("index row size 2800 exceeds btree version 4 maximum 2704")
    setattr(driver, attribute, code)
    with pytest.raises(StoreError) as raised, store.writing():
        raise sa.exc.OperationalError("insert", {}, driver)
    assert isinstance(raised.value, BusyError) == busy


def test_a_batch_is_in_whole_or_not_at_all(store: DispatchStore, monkeypatch: pytest.MonkeyPatch) -> None:
    """When the database fails in the middle of a batch nothing of it is in, and nothing is acknowledged."""
    from agent.dispatch import drawn  # noqa: PLC0415 - to break it

    def broken(*_args: object) -> None:
        raise sa.exc.OperationalError("insert", {}, OSError("disk full"))

    with monkeypatch.context() as patched:
        patched.setattr(drawn.Drawn, "_write_items", broken)
        with pytest.raises(StoreError, match="disk full"):
            store.ingest(full_day().batches()[0], received_s=NOW_S)
    assert rows(store, schema.record) == []
    assert store.acks("van-07") == {}


def test_last_words(store: DispatchStore) -> None:
    """The last will says only that the van is gone: what it last told of itself stays."""
    store.hear(word(status("van-07")), received_s=NOW_S)
    store.hear(word(position("van-07", at_s=NOW_S)), received_s=NOW_S)
    store.hear(word({"vehicle": "van-07", "state": "offline"}), received_s=NOW_S + 60)
    row = rows(store, schema.vehicle)[0]
    assert (row["link"], row["link_since_s"], row["heard_s"]) == ("offline", NOW_S + 60, NOW_S)
    assert '"reader"' in row["status"]


def test_what_the_broker_remembers_is_no_sign_of_life(store: DispatchStore) -> None:
    """A retained message is dated by what it says, and does not push away what was heard since."""
    late = aboard("van-07", [item(1)], at_s=NOW_S)
    early = aboard("van-07", [], at_s=NOW_S - 600)
    assert store.hear(word(early), received_s=NOW_S + 500, retained=True)
    assert store.hear(word(late), received_s=NOW_S)
    assert not store.hear(word(early), received_s=NOW_S + 900, retained=True)
    row = rows(store, schema.vehicle)[0]
    assert (row["aboard_s"], row["heard_s"]) == (NOW_S, NOW_S)
    assert item(1)["epc"] in row["aboard"]


def test_forgetting(store: DispatchStore) -> None:
    """Old badges and positions go first, old records next; both stay acknowledged, and the item's place is kept."""
    for batch in full_day().batches():
        store.ingest(batch, received_s=NOW_S)
    store.hear(word(position("van-07", at_s=NOW_S)), received_s=NOW_S)
    assert store.forget(records_before_s=DAY_S, badges_before_s=NOW_S + 1) == 0
    everything = repr([rows(store, table) for table in schema.metadata.sorted_tables])
    assert "A. Ferrow" not in everything
    assert "gsrnp" not in everything
    assert rows(store, schema.vehicle)[0]["position"] is None
    gone = store.forget(records_before_s=NOW_S + 1, badges_before_s=NOW_S + 1)
    assert gone == len(full_day().records)
    assert rows(store, schema.event) == rows(store, schema.event_item) == rows(store, schema.manifest) == []
    again = store.ingest(full_day().batches()[0], received_s=NOW_S)
    assert (again.fresh, again.repeated) == (0, len(full_day().records))
    assert len(rows(store, schema.item)) == 12


def test_badges_go_page_by_page_and_each_once(store: DispatchStore, monkeypatch: pytest.MonkeyPatch) -> None:
    """A page at a time, so that no turn at writing lasts; a document that nobody can read stays and ends nothing.

    Where nothing is left to take out, nothing is written.
    """
    from agent.dispatch import forget  # noqa: PLC0415 - to make its pages small

    monkeypatch.setattr(forget, "_PAGE", 3)
    for batch in full_day().batches():
        store.ingest(batch, received_s=NOW_S)
    deep = '{"badges":' + "[" * 100_000 + "]" * 100_000 + "}"
    store.ingest(LogBatch("van-07", 1, (LogRecord(900, "notice", text=deep),)), received_s=NOW_S)
    turns = 0
    writing = store._writing

    def counted(**work: int) -> AbstractContextManager[sa.Connection]:
        nonlocal turns
        turns += 1
        return writing(**work)

    monkeypatch.setattr(store, "_writing", counted)
    store.forget(records_before_s=DAY_S, badges_before_s=NOW_S + 1)
    everything = repr([rows(store, table) for table in schema.metadata.sorted_tables])
    assert "A. Ferrow" not in everything
    assert "gsrnp" not in everything
    assert turns > 4
    turns = 0
    store.forget(records_before_s=DAY_S, badges_before_s=NOW_S + 1)
    assert turns == 1


def test_versions_count_contents(store: DispatchStore) -> None:
    """The same content keeps its version over restarts, another one gets the next."""
    numbers = [store.version_of("sites", digest, now_s=NOW_S) for digest in ("a", "a", "b", "a")]
    assert numbers == [1, 1, 2, 3]
    assert store.version_of("plan", "a", now_s=NOW_S) == 1


def test_a_payload_that_cannot_be_read_is_kept_once(store: DispatchStore) -> None:
    """However often a broken payload comes, it takes one row that counts it."""
    for _ in range(3):
        store.keep_unreadable(topic="roadtally/1/van-07/log", payload=b"\x00", reason="zlib", received_s=NOW_S)
    assert [row["times"] for row in rows(store, schema.unreadable)] == [3]


def test_no_database(tmp_path: Path) -> None:
    """A place where no database can be made is said."""
    with pytest.raises(StoreError, match="cannot be opened"):
        open_store(tmp_path / "missing" / "dispatch.sqlite")


def test_schema_fits_postgresql() -> None:
    """Every table can be written in PostgreSQL's words."""
    texts = [str(CreateTable(table).compile(dialect=postgresql.dialect())) for table in schema.metadata.sorted_tables]
    assert len(texts) == len(set(texts)) == len(schema.metadata.tables)
    assert all("DOUBLE PRECISION" in text for text in texts if "_s " in text)


def test_sqlite_is_safe_against_a_power_cut(store: DispatchStore) -> None:
    """WAL with synchronous=FULL: https://www.sqlite.org/pragma.html#pragma_synchronous (2 is FULL)."""
    with store.reading() as connection:
        assert connection.execute(sa.text("PRAGMA journal_mode")).scalar() == "wal"
        assert connection.execute(sa.text("PRAGMA synchronous")).scalar() == 2


def test_rows_go_in_as_the_driver_takes_them() -> None:
    """SQLite's driver wants values in order, PostgreSQL's by name (PEP 249, paramstyle); both replace what is there."""
    keys = ("vehicle", "epoch", "ranges")
    text, order = bulk._statement(sqlite.dialect(), schema.cursor, keys, ("vehicle", "epoch"))
    assert order == keys
    assert text.count("?") == len(keys)
    text, order = bulk._statement(postgresql.dialect(), schema.cursor, keys, ("vehicle", "epoch"))
    assert order is None
    assert all(f"%({key})s" in text for key in keys)
    assert "ON CONFLICT (vehicle, epoch) DO UPDATE SET ranges = excluded.ranges" in text
