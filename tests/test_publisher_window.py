"""The window: at most twenty batches, trimmed by acks alone, and whatever is not covered is sent again."""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from agent.messages import Ack, OutboxRow, merge_acks
from agent.publisher_window import FRESH_BATCHES, MOST_BATCHES, Sent, Window


def rows(first: int, last: int) -> list[OutboxRow]:
    """Outbox rows of these seqs."""
    return [OutboxRow(seq, "event", b"{}") for seq in range(first, last + 1)]


def window() -> Window:
    """A window in epoch 1 with half a minute's patience, two seconds of it real."""
    made = Window(patience_s=30.0, patience_real_s=2.0)
    made.begin(epoch=1)
    return made


def span(given_up: tuple[Sent, ...]) -> tuple[int, int] | None:
    """The lowest and highest seq of what was given up; None where nothing was."""
    seqs = [seq for batch in given_up for seq in batch.waiting]
    return (min(seqs), max(seqs)) if seqs else None


def test_it_is_full_at_twenty_batches() -> None:
    """The twenty-first batch waits for an ack, and one ack for a whole batch makes room."""
    full = window()
    for n in range(20):
        assert not full.is_full
        full.sent(rows(10 * n + 1, 10 * n + 10), now_s=0.0, real_s=0.0)
    assert (full.is_full, full.cursor, MOST_BATCHES) == (True, 200, 20)
    assert full.acknowledge([Ack(1, 9)])
    assert full.is_full
    assert full.acknowledge([Ack(1, 10)])
    assert not full.is_full
    assert full.acknowledge([Ack(1, 200)])
    assert full.is_empty


def test_what_is_sent_or_covered_is_not_sent_again() -> None:
    """Only what neither a batch holds nor an ack covers is still to send."""
    some = window()
    some.sent(rows(1, 3), now_s=0.0, real_s=0.0)
    some.acknowledge([Ack(1, 1, ((5, 6),))])
    assert [row.seq for row in some.still_to_send(rows(1, 8))] == [4, 7, 8]


def test_overdue_needs_both_clocks() -> None:
    """On a clock at 600 times real time half a minute is 50 ms: both patiences must be over."""
    some = window()
    some.sent(rows(1, 3), now_s=100.0, real_s=7.0)
    assert span(some.take_overdue(now_s=130.0, real_s=8.9)) is None
    assert span(some.take_overdue(now_s=129.9, real_s=9.0)) is None
    assert span(some.take_overdue(now_s=130.0, real_s=9.0)) == (1, 3)
    assert (some.is_empty, some.cursor) == (True, 0)


def test_only_what_is_overdue_and_uncovered_goes_again() -> None:
    """A later batch keeps its turn, and a seq that an ack covered is not sent again with the rest of its batch."""
    some = window()
    some.sent(rows(1, 3), now_s=0.0, real_s=0.0)
    some.sent(rows(4, 6), now_s=10.0, real_s=10.0)
    some.acknowledge([Ack(1, 0, ((1, 1), (3, 3)))])
    assert span(some.take_overdue(now_s=30.0, real_s=30.0)) == (2, 2)
    assert some.cursor == 1
    assert [row.seq for row in some.still_to_send(rows(1, 7))] == [2, 7]


def test_patience_grows_and_an_ack_ends_that() -> None:
    """Where nobody answers it is sent again after 30, 60, 120 … s, at most 600; an answer brings back the 30."""
    some = window()
    now_s, waits = 0.0, []
    for _ in range(7):
        some.sent(rows(1, 1), now_s=now_s, real_s=now_s)
        wait_s = next(s for s in range(0, 10_000, 10) if some.take_overdue(now_s=now_s + s, real_s=now_s + s))
        waits.append(wait_s)
        now_s += wait_s
    assert waits == [30, 60, 120, 240, 480, 600, 600]
    some.sent(rows(1, 2), now_s=0.0, real_s=0.0)
    some.acknowledge([Ack(1, 1)])
    assert span(some.take_overdue(now_s=30.0, real_s=30.0)) == (2, 2)


def test_acks_of_the_past_or_of_another_epoch_change_nothing() -> None:
    """A retained ack may be old; what a newer one covered stays covered."""
    some = window()
    some.acknowledge([Ack(1, 5)])
    assert not some.acknowledge([Ack(1, 2), Ack(2, 9)])
    assert [row.seq for row in some.still_to_send(rows(1, 7))] == [6, 7]
    some.begin(epoch=2)
    assert [row.seq for row in some.still_to_send(rows(8, 10))] == [10]


RANGES = st.lists(st.tuples(st.integers(1, 30), st.integers(0, 5)).map(lambda r: (r[0], r[0] + r[1])), max_size=5)


@given(st.integers(0, 30), RANGES, st.integers(0, 30), RANGES)
def test_merged_acks_cover_what_either_does(
    one: int, one_also: list[tuple[int, int]], other: int, other_also: list[tuple[int, int]]
) -> None:
    """The union, in either order, with no seq more or less."""
    first, second = Ack(1, one, tuple(one_also)), Ack(1, other, tuple(other_also))
    merged = merge_acks(first, second)
    assert merged == merge_acks(second, first)
    for seq in range(1, 40):
        assert merged.covers(seq) == (first.covers(seq) or second.covers(seq))


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32), st.integers(1, 400))
def test_whatever_is_lost_everything_arrives(seed: int, count: int) -> None:
    """With batches and acks lost, late and repeated at random, every record arrives in the end, and all is quiet."""
    chance = random.Random(seed)  # noqa: S311 - a test's luck
    some, outbox, arrived = window(), rows(1, count), set[int]()
    now_s = 0.0
    for _ in range(3000):
        now_s += 1.0
        some.take_overdue(now_s=now_s, real_s=now_s)
        if chance.random() < 0.02:
            some.begin()
        while not some.is_full and (page := [row for row in outbox if row.seq > some.cursor][:50]):
            fresh = some.still_to_send(page)[: chance.randint(1, 50)]
            if not fresh:
                some.cursor = page[-1].seq
                continue
            some.sent(fresh, now_s=now_s, real_s=now_s)
            if chance.random() < 0.7:
                arrived.update(row.seq for row in fresh)
        if chance.random() < 0.5:
            upto = next(seq for seq in range(1, count + 2) if seq not in arrived) - 1
            also = tuple((seq, seq) for seq in arrived if seq > upto)
            some.acknowledge([Ack(1, upto, also)])
            outbox = [row for row in outbox if row.seq not in arrived]
        if not outbox:
            break
    assert not outbox
    some.acknowledge([Ack(1, count)])
    assert some.is_empty


def test_nothing_is_known_before_the_first_page() -> None:
    """A new window has no epoch, so that the first page's begins one."""
    new = Window(patience_s=1.0, patience_real_s=1.0)
    assert (new.epoch, new.is_empty, new.is_full) == (0, True, False)
    with pytest.raises(IndexError):
        new.sent([], now_s=0.0, real_s=0.0)


def test_the_wait_for_an_ack_begins_when_the_broker_has_the_batch() -> None:
    """On a slow link a batch may be on its way for minutes: only from the broker's PUBACK on is an ack waited for."""
    some = window()
    some.sent(rows(1, 3), now_s=0.0, real_s=0.0, mid=7)
    assert span(some.take_overdue(now_s=500.0, real_s=500.0)) is None
    assert some.confirm(8, now_s=500.0, real_s=500.0) is None
    confirmed = some.confirm(7, now_s=500.0, real_s=500.0)
    assert confirmed is not None
    assert confirmed[1] == 500.0
    assert span(some.take_overdue(now_s=529.0, real_s=529.0)) is None
    assert span(some.take_overdue(now_s=530.0, real_s=530.0)) == (1, 3)


def test_a_new_connection_sends_again_only_what_the_broker_did_not_confirm() -> None:
    """Coverage that flaps while the dispatch side is away must not send the window again each time."""
    some = window()
    some.sent(rows(1, 3), now_s=0.0, real_s=0.0, mid=1)
    some.sent(rows(4, 6), now_s=0.0, real_s=0.0, mid=2)
    some.confirm(1, now_s=1.0, real_s=1.0)
    some.begin()
    assert [row.seq for row in some.still_to_send(rows(1, 7))] == [4, 5, 6, 7]
    some.begin(epoch=2)
    assert [row.seq for row in some.still_to_send(rows(1, 7))] == [1, 2, 3, 4, 5, 6, 7]


def test_the_old_pass_leaves_room_for_the_fresh_one() -> None:
    """With a fresh pass under way the backlog takes sixteen batches; without one all twenty."""
    some = window()
    some.fresh_cursor = 5000
    for n in range(MOST_BATCHES - FRESH_BATCHES):
        assert some.has_room_for_old
        some.sent(rows(10 * n + 1, 10 * n + 10), now_s=0.0, real_s=0.0)
    assert not some.has_room_for_old
    assert not some.is_full
    some.sent(rows(5001, 5003), now_s=0.0, real_s=0.0, is_fresh=True)
    assert (some.cursor, some.fresh_cursor, some.fresh_batches) == (160, 5003, 1)
    some.fresh_cursor = None
    assert some.has_room_for_old


def test_an_ack_with_ten_thousand_ranges_is_looked_through_quickly() -> None:
    """After a storm of losses every other record may be missing: what is covered is found by halving, and right."""
    some = window()
    some.acknowledge([Ack(1, 3, tuple((seq, seq) for seq in range(5, 20_005, 2)))])
    assert [row.seq for row in some.still_to_send(rows(1, 12))] == [4, 6, 8, 10, 12]
    assert [seq for seq in (1, 4, 20_003, 20_004, 20_005) if some.covers(seq)] == [1, 20_003]
