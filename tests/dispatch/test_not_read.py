"""What the board says of what is not read: every silence with why and since when, in words, now and on manifests."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from agent.dispatch.places import Places
from agent.dispatch.queries import Queries
from agent.dispatch.store import DispatchStore, open_store
from agent.dispatch.views import NotReadView
from agent.sites import parse_sites
from agent.units import format_utc
from tests.dispatch import test_board as board
from tests.dispatch.scenario import DAY_S, MINUTE_S, VanDay, aboard, item, status, word, write_sites

NOW_S = board.NOW_S
ask = board.ask


@pytest.fixture
def store(tmp_path: Path) -> Iterator[DispatchStore]:
    """An empty store in a file."""
    opened = open_store(tmp_path / "dispatch.sqlite")
    yield opened
    opened.close()


def silence(why: str, since_s: float, *, antenna: int | None = None) -> dict[str, object]:
    """A silence as the vehicle tells it."""
    return {"since": format_utc(since_s), "why": why, "whole": antenna is None, "antenna": antenna}


def test_every_silence_stands_on_the_board_once(ask: board.Ask, store: DispatchStore, tmp_path: Path) -> None:
    """The doors and a lost antenna, each with its own beginning; what `status` says of the same is not told twice."""
    silences = [
        silence("paused while the doors are open, or may be", NOW_S - 600),
        silence("antenna 2 is lost", NOW_S - 4000, antenna=2),
    ]
    reader = {"state": "up", "not_read_since": silences[0]["since"], "antennas_lost": [2], "not_read": silences}
    store.hear(word(status("van-07", reader=reader)), received_s=NOW_S - 5)
    held = aboard("van-07", [item(1)], at_s=NOW_S - 5, not_read=silences[0], silences=silences)
    store.hear(word(held), received_s=NOW_S - 5)
    places = Places(parse_sites({"s": (write_sites(tmp_path / "g") / "sites.geojson").read_text()}))
    (line,) = Queries(store, places=places).vans(now_s=NOW_S)
    assert line.not_read == (
        NotReadView("paused while the doors are open, or may be", NOW_S - 600, whole=True),
        NotReadView("antenna 2 is lost", NOW_S - 4000, whole=False),
    )
    text = board.text_of(ask("/"))
    assert "Urgent: not read: paused while the doors are open, or may be for 10 min" in text
    assert "not read: antenna 2 is lost for 1 h 6 min" in text


def test_a_manifest_says_what_was_not_read(ask: board.Ask, store: DispatchStore) -> None:
    """From when to when and why; one that was not over then says so; a leg without any says nothing."""
    day = VanDay("van-07")
    over = {
        "since": format_utc(DAY_S + 30 * MINUTE_S), "until": format_utc(DAY_S + 34 * MINUTE_S),
        "why": "the reader is down",
    }  # fmt: skip
    lasts = {"since": format_utc(DAY_S + 36 * MINUTE_S), "until": None, "why": "radio is off at this site"}
    day.manifest(1, 1, ("depot", DAY_S + 25 * MINUTE_S), [item(1)], not_read=[over, lasts], certain=False)
    day.manifest(2, 1, ("depot", DAY_S + 90 * MINUTE_S), [item(1)])
    for batch in day.batches():
        store.ingest(batch, received_s=NOW_S - 40)
    text = board.text_of(ask("/van/van-07"))
    assert "Not read from 06:30 to 06:34: the reader is down" in text
    assert "Not read from 06:36 on, not over when this was issued: radio is off at this site" in text
    assert text.count("Not read from") == 2


def test_a_fixture_that_is_heard_proves_hearing(ask: board.Ask, store: DispatchStore) -> None:
    """The van's page says how long ago the reader heard the tag fixed in the van; without one it says nothing of it."""
    reader = {"state": "up", "fixture_heard": format_utc(NOW_S - 12), "fixture_heard_s": 7.0}
    store.hear(word(status("van-07", reader=reader)), received_s=NOW_S - 5)
    store.hear(word(status("van-03")), received_s=NOW_S - 5)
    assert "Reader up, it heard the tag fixed in the van 12 s ago;" in board.text_of(ask("/van/van-07"))
    assert "tag fixed in the van" not in board.text_of(ask("/van/van-03"))
