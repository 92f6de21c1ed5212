"""What is open about a van's record, as a dispatcher finds it on the board: in words, since when, and what to do."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import msgspec
import pytest

from agent.dispatch.store import DispatchStore, open_store
from agent.dispatch.wire import LogBatch, LogRecord
from agent.units import format_utc
from tests.dispatch.scenario import (
    MINUTE_S,
    digest_of_record,
    full_day,
    key_of,
    sealed,
    status,
    text_of_key,
    word,
)
from tests.dispatch.test_board import NOW_S, Ask, ask, text_of  # noqa: F401 - `ask` is a fixture
from tests.dispatch.test_browser import dispatch  # noqa: F401 - a fixture
from tests.dispatch.watching import Watched

KEY, OTHER = key_of("van-07"), key_of("somebody else")
NOTES = [LogRecord(seq, "notice", {"notice": "gap", "text": f"note {seq}"}) for seq in range(1, 9)]


@pytest.fixture
def store(tmp_path: Path) -> Iterator[DispatchStore]:
    """An empty store in a file."""
    opened = open_store(tmp_path / "dispatch.sqlite")
    yield opened
    opened.close()


def take(store: DispatchStore, records: list[LogRecord], *, key: Any = None, epoch: int = 1, ago_s: float = 0) -> None:
    """Take records in, some time ago."""
    batch = LogBatch("van-07", epoch, tuple(records), None if key is None else text_of_key(key))
    store.ingest(batch, received_s=NOW_S - ago_s)


def kinds(ask: Ask) -> list[str]:  # noqa: F811
    """What is open, as the API names it."""
    return [each["kind"] for each in ask("/api/van/van-07").json()["line"]["discrepancies"]]


def test_a_gap_shows_and_heals(store: DispatchStore, ask: Ask) -> None:  # noqa: F811
    """A gap is there on both pages since the moment when a later record came, and gone when the missing ones come."""
    take(store, NOTES[:2], ago_s=3600)
    assert kinds(ask) == []
    take(store, [NOTES[5]], ago_s=10 * MINUTE_S)
    take(store, [NOTES[7]], ago_s=60)
    text = text_of(ask("/van/van-07"))
    assert "4 records still to come: number 3 to 5, 7." in text
    assert "07:56" in text  # ten minutes before 08:06, when number 6 came
    assert "4 records still to come" in text_of(ask("/"))
    (gap,) = ask("/api/van/van-07").json()["line"]["discrepancies"]
    assert (gap["kind"], gap["count"], gap["since"]) == ("gap", 4, "2026-03-02T07:56:00.000Z")
    take(store, NOTES[2:5])
    assert "1 record still to come: number 7." in text_of(ask("/van/van-07"))
    take(store, [NOTES[6]])
    assert kinds(ask) == []
    for page in ("/", "/van/van-07"):
        assert "still to come" not in text_of(ask(page))


def test_two_records_with_one_number(store: DispatchStore, ask: Ask) -> None:  # noqa: F811
    """A disk that was set back, or a card that was copied, is said with what to do; both records are there."""
    first = sealed(NOTES[:5], key=KEY)
    take(store, first, key=KEY, ago_s=3600)
    other = msgspec.structs.replace(NOTES[4], body={"notice": "gap", "text": "another"})
    take(store, sealed([other], key=KEY, prev=digest_of_record(first[3])), key=KEY, ago_s=60)
    text = text_of(ask("/van/van-07"))
    assert "Two records bear the number 5." in text
    assert "disk was set back to an earlier state, or its card was copied" in text
    assert "take it out" in text
    assert "two records bear one number" in text_of(ask("/"))
    assert kinds(ask) == ["clash"]


def test_another_key(store: DispatchStore, ask: Ask) -> None:  # noqa: F811
    """Records under another key than the first are an alarm, with the harmless reason and the other one."""
    take(store, sealed(NOTES[:2], key=KEY), key=KEY)
    take(store, sealed(NOTES[:2], key=OTHER, epoch=2), key=OTHER, epoch=2)
    assert kinds(ask) == ["key"]
    text = text_of(ask("/van/van-07"))
    assert "signed with another key than the one this van came with first" in text
    assert "If the computer was changed or set up anew, that is why." in text


def test_a_chain_that_does_not_hold(store: DispatchStore, ask: Ask) -> None:  # noqa: F811
    """A record that does not follow the one before it is named."""
    good = sealed(NOTES, key=KEY)
    take(store, [*good[:4], *sealed(NOTES[4:], key=KEY, prev=digest_of_record(good[1]))], key=KEY)
    assert kinds(ask) == ["chain"]
    assert "Record 5 does not follow the one before it as that one came in." in text_of(ask("/van/van-07"))


def test_what_could_not_be_used_is_shown(store: DispatchStore, ask: Ask) -> None:  # noqa: F811
    """A record that makes no sense is shown as it came, with the reason, and everything after it stands."""
    take(store, [NOTES[0], LogRecord(2, "event", {"type": "<b>nonsense</b>"}), NOTES[2]])
    answer = ask("/van/van-07")
    assert "1 record could not be used: number 2. An event needs eventID" in text_of(answer)
    assert '{"type":"<b>nonsense</b>"}' in text_of(answer)
    assert "all up to 3; nothing is missing" in text_of(answer)
    assert kinds(ask) == ["refused"]


def test_messages_that_could_not_be_read(store: DispatchStore, ask: Ask) -> None:  # noqa: F811
    """Those of a van stand on its page, those of nobody on the page of all vans."""
    take(store, NOTES[:1])
    for vehicle, times in (("van-07", 3), ("van-99", 1), ("van-0", 1)):
        for _ in range(times):
            store.keep_unreadable(
                topic=f"roadtally/1/{vehicle}/log", payload=b"\0", reason="a log message is zlib", received_s=NOW_S
            )
    text = text_of(ask("/van/van-07"))
    assert "1 message could not be read, which came 3 times. The last, on roadtally/1/van-07/log" in text
    assert "2 messages could not be read." in text_of(ask("/"))


def open_everything(store: DispatchStore) -> None:
    """Every discrepancy there is, at van-07."""
    good = sealed(NOTES, key=KEY, epoch=2)
    take(store, good[:4], key=KEY, epoch=2, ago_s=7200)
    take(store, sealed(NOTES[3:4], key=KEY, epoch=2, prev=digest_of_record(good[0])), key=KEY, epoch=2, ago_s=900)
    take(store, sealed(NOTES[4:6], key=KEY, epoch=2, prev=digest_of_record(good[0])), key=KEY, epoch=2, ago_s=600)
    take(store, sealed(NOTES[:1], key=OTHER, epoch=3), key=OTHER, epoch=3, ago_s=300)
    take(store, [LogRecord(9, "event", {"type": "W" * 3000})], epoch=2, ago_s=200)
    for vehicle in ("van-07", "van-99"):
        store.keep_unreadable(
            topic=f"roadtally/1/{vehicle}/log", payload=b"\0", reason="a log message is zlib", received_s=NOW_S
        )


def test_what_the_van_says_of_its_own_records(store: DispatchStore, ask: Ask) -> None:  # noqa: F811
    """Records that nobody takes and a full disk stand on the van's line and page, since when, until it says no more."""
    since = format_utc(NOW_S - 20 * MINUTE_S)
    undelivered = f"the broker takes records but no acknowledgement comes from the dispatch side since {since}"
    disk = {"state": "full", "since": since, "waiting": 3, "text": "The disk is full: free some space."}
    store.hear(word(status("van-07", undelivered=undelivered, disk=disk)), received_s=NOW_S)
    assert kinds(ask) == ["disk", "undelivered"]
    for page in ("/", "/van/van-07"):
        text = text_of(ask(page))
        assert "the van's disk is full" in text
        assert "records that do not arrive" in text
        assert ("for 20 min" if page == "/" else "07:46") in text  # twenty minutes before 08:06
    text = text_of(ask("/van/van-07"))
    assert "no acknowledgement comes from the dispatch side. Since" in text
    assert "The disk is full: free some space." in text
    set_aside = "record 7 (9000 bytes packed) makes the broker close the connection; kept"
    store.hear(word(status("van-07", undelivered=set_aside)), received_s=NOW_S)
    (found,) = ask("/api/van/van-07").json()["line"]["discrepancies"]
    assert (found["kind"], found["text"], found["since"]) == (
        "undelivered",
        f"The van says of its records: {set_aside}.",
        None,
    )
    store.hear(word(status("van-07")), received_s=NOW_S)
    assert kinds(ask) == []


def test_a_notice_that_came_again_is_one(store: DispatchStore, ask: Ask) -> None:  # noqa: F811
    """Records that a van numbered anew come twice: a notice of the same octets shows once, with both numbers."""
    take(store, NOTES[:3])
    again = [msgspec.structs.replace(each, seq=number) for number, each in enumerate(NOTES[1:4], 1)]
    take(store, again, epoch=2)
    shown = ask("/api/van/van-07").json()["notices"]
    assert [(each["text"], each["numbers"]) for each in shown] == [
        ("note 4", [[2, 3]]),
        ("note 3", [[1, 3], [2, 2]]),
        ("note 2", [[1, 2], [2, 1]]),
        ("note 1", [[1, 1]]),
    ]
    text = text_of(ask("/van/van-07"))
    assert text.count("note 3") == 1
    assert "one notice, kept as record 3 of epoch 1, record 2 of epoch 2" in text
    store.forget(records_before_s=NOW_S + 1, badges_before_s=0.0)
    assert ask("/api/van/van-07").json()["notices"] == []


def test_a_manifest_that_came_again_is_one(store: DispatchStore, ask: Ask) -> None:  # noqa: F811
    """A revision that came again in a higher epoch is listed once among its leg's revisions."""
    records = full_day().records
    take(store, records)
    take(store, records, epoch=2)
    manifests = ask("/api/van/van-07").json()["manifests"]
    assert manifests
    for each in manifests:
        revisions = [told["revision"] for told in each["revisions"]]
        assert revisions == sorted(set(revisions))


@pytest.mark.integration
@pytest.mark.parametrize("width", [390, 1280])
def test_discrepancies_in_a_browser(watch: Callable[..., Watched], dispatch: Any, width: int) -> None:  # noqa: F811
    """With every discrepancy open at once both pages fit a phone and a desk, and nothing on them is wrong."""
    open_everything(dispatch.store)
    for path in ("/", "/van/van-07"):
        watched = watch(path, width=width)
        watched.page.get_by_text("two records bear one number").first.wait_for()
        assert watched.fits(), path
        assert watched.small_targets() == [], path
    for kind in (
        "Records are signed with another key",
        "does not follow the one before it",
        "still to come",
        "could not be used",
    ):
        assert watched.page.get_by_text(kind).first.is_visible(), kind
