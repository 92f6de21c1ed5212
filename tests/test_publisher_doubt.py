"""What is concluded from batches that do not arrive: their size, a single record, or nobody at the other end."""

from __future__ import annotations

from agent.messages import MAX_PACKED_BYTES, OutboxRow
from agent.publisher_doubt import Doubt
from agent.publisher_window import Sent


def sent(first: int, last: int, *, size_bytes: int = 10_000, at_s: float = 0.0) -> Sent:
    """A batch of these records, confirmed at that time."""
    return Sent(set(range(first, last + 1)), first, last - first + 1, size_bytes, at_s, at_s, None, is_fresh=False)


def set_aside(doubt: Doubt, seq: int, *, real_s: float = 0.0) -> None:
    """Four times alone on its way as the broker closed the connection."""
    for _ in range(4):
        doubt.lost([sent(seq, seq)], by_peer=True, real_s=real_s)


def test_batches_are_halved_when_one_alone_has_failed_twice() -> None:
    """With several on their way it is not known which one failed: then one at a time goes, and two failures tell."""
    doubt = Doubt()
    doubt.lost([sent(1, 50), sent(51, 100)], by_peer=True, real_s=0.0)
    assert (doubt.is_careful, doubt.most_bytes) == (True, MAX_PACKED_BYTES)
    doubt.lost([sent(1, 50)], by_peer=True, real_s=1.0)
    assert doubt.most_bytes == MAX_PACKED_BYTES
    doubt.lost([sent(1, 50)], by_peer=True, real_s=2.0)
    assert doubt.most_bytes == 5_000
    for batch in (sent(1, 50), sent(51, 100)):
        doubt.confirmed(batch)
    assert not doubt.is_careful
    assert doubt.take_due(real_s=3000.0) is None
    assert doubt.most_bytes == 5_000
    doubt.take_due(real_s=3602.0)
    assert doubt.most_bytes == 10_000, "after an hour without a refusal larger ones are tried again"


def test_a_lost_link_is_no_reason_to_set_a_record_aside() -> None:
    """In poor coverage nothing comes back, time and again: only a connection that is closed speaks against a record."""
    doubt = Doubt()
    for _ in range(20):
        doubt.lost([sent(7, 7)], by_peer=False, real_s=0.0)
    assert not doubt.is_held_back(7)
    assert doubt.words is None


def test_a_record_set_aside_is_tried_again_ever_more_rarely() -> None:
    """After 10 minutes, 20, 40 … at most 6 hours; alone; and forgotten once it has arrived."""
    doubt = Doubt()
    set_aside(doubt, 7)
    assert doubt.is_held_back(7)
    assert doubt.words is not None
    assert doubt.words.startswith("record 7 (10000 bytes packed) makes the broker close the connection")
    doubt.passed()
    now_s, waits = 0.0, []
    for _ in range(8):
        wait_s = next(s for s in range(0, 40_000, 600) if doubt.take_due(real_s=now_s + s) == 7)
        assert (doubt.is_tried(7), doubt.is_careful) == (True, True)
        now_s += wait_s
        waits.append(wait_s)
        doubt.lost([sent(7, 7)], by_peer=True, real_s=now_s)
    assert waits == [600, 1200, 2400, 4800, 9600, 19_200, 21_600, 21_600]
    doubt.arrived(lambda seq: seq == 7)
    assert (doubt.words, doubt.is_held_back(7), doubt.is_careful) == (None, False, False)


def test_where_nobody_is_answered_one_batch_at_a_time_asks() -> None:
    """No ack for anything: told, since when, and probes that differ; the first ack ends it, and blames nobody."""
    doubt = Doubt()
    doubt.unanswered([sent(1, 50, at_s=5.0), sent(51, 100, at_s=6.0)], answered_real_s=0.0, real_s=40.0)
    assert (doubt.silent_since_s, doubt.probe, doubt.is_careful) == (5.0, "oldest", True)
    assert doubt.words == "the broker takes records but no acknowledgement comes from the dispatch side"
    asked = []
    for n in range(1, 4):
        doubt.unanswered([sent(1, 50, at_s=40.0 * n)], answered_real_s=0.0, real_s=40.0 * n + 30.0)
        asked.append(doubt.probe)
    assert asked == ["newest one", "oldest one", "oldest"]
    doubt.answered(lambda _seq: True, real_s=500.0)
    assert (doubt.silent_since_s, doubt.words, doubt.most_bytes) == (None, None, MAX_PACKED_BYTES)


def test_a_small_one_that_is_heard_in_the_silence_tells_that_the_large_one_is_at_fault() -> None:
    """A broker that confirms and drops what is too large looks like silence, until the newest record alone is acked."""
    doubt = Doubt()
    for _ in range(2):
        doubt.unanswered([sent(1, 50)], answered_real_s=0.0, real_s=40.0)
    assert doubt.probe == "newest one"
    doubt.answered(lambda seq: seq == 900, real_s=41.0)
    assert doubt.most_bytes == 5_000


def test_one_that_is_not_answered_while_others_are_is_at_fault() -> None:
    """Twice so, and batches are halved; a single record four times, and it waits aside."""
    doubt = Doubt()
    for _ in range(2):
        doubt.unanswered([sent(1, 50)], answered_real_s=10.0, real_s=30.0)
    assert (doubt.most_bytes, doubt.silent_since_s) == (5_000, None)
    for _ in range(4):
        assert not doubt.is_held_back(3)
        doubt.unanswered([sent(3, 3)], answered_real_s=10.0, real_s=30.0)
    assert doubt.is_held_back(3)


def test_a_new_epoch_and_a_record_beyond_all_bounds() -> None:
    """What no batch can hold is kept back for good and named; a new epoch has new numbers, and no doubts."""
    doubt = Doubt()
    doubt.keep_back(OutboxRow(3, "event", b"x" * 100), "is larger than a log batch may be")
    assert doubt.words == "record 3 (event, 100 bytes) is larger than a log batch may be; kept"
    assert doubt.take_due(real_s=1e9) is None
    for seq in range(10, 14):
        set_aside(doubt, seq)
    assert doubt.words.count("record") == 3
    assert "and 2 more" in doubt.words
    doubt.begin_epoch()
    assert (doubt.words, doubt.is_careful) == (None, False)
