"""A short list shows like a full one: names and loadings come from the records beside it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from agent.dispatch.places import Places
from agent.dispatch.queries import Queries
from agent.dispatch.store import DispatchStore, open_store
from agent.dispatch.views import VanPage
from agent.sites import parse_sites
from agent.units import format_utc
from tests.dispatch.scenario import DAY_S, MINUTE_S, Items, VanDay, aboard, item, word, write_sites

CARGO: Items = [item(number) for number in range(5)]
LOADED_S, DEPARTED_S = DAY_S + 20 * MINUTE_S, DAY_S + 60 * MINUTE_S
NOW_S = DAY_S + 70 * MINUTE_S


@pytest.fixture
def store(tmp_path: Path) -> Iterator[DispatchStore]:
    """A store that knows five items to be loaded at the depot, and their names by the manifest."""
    opened = open_store(tmp_path / "dispatch.sqlite")
    day = VanDay()
    day.move("loading", "depot", LOADED_S, CARGO)
    day.move("departing", "depot", DEPARTED_S, CARGO)
    day.manifest(1, 1, ("depot", DEPARTED_S), CARGO)
    opened.ingest(*day.batches(), received_s=NOW_S - 60)
    yield opened
    opened.close()


@pytest.fixture
def places(tmp_path: Path) -> Places:
    """The scenario's."""
    return Places(parse_sites({"": (write_sites(tmp_path / "geofences") / "sites.geojson").read_text()}))


def full(**more: Any) -> dict[str, Any]:
    """The list as it was once sent: with tag, name, state and loading of each item."""
    body = aboard("van-07", CARGO, at_s=NOW_S - 5, leg="van-07/2026-03-02/1", since=format_utc(DEPARTED_S))
    for each in body["items"]:
        each |= {"state": "aboard", "p": 0.99, "loaded": {"site": "depot", "time": format_utc(LOADED_S)}}
    return body | more


def short(body: dict[str, Any]) -> dict[str, Any]:
    """The same as it is sent now."""
    return body | {"items": [{key: each[key] for key in ("epc", "p", "heard_s")} for each in body["items"]]}


def page(store: DispatchStore, places: Places, *bodies: dict[str, Any]) -> VanPage:
    """The van's page after these."""
    for body in bodies:
        store.hear(word(body), received_s=NOW_S)
    found = Queries(store, places=places).van("van-07", now_s=NOW_S)
    assert found is not None
    return found


def test_a_short_list_shows_like_a_full_one(store: DispatchStore, places: Places) -> None:
    """Names, when and where each was loaded, and their order are the same."""
    before = page(store, places, full())
    assert page(store, places, short(full())) == before
    assert [each.loaded_at for each in before.items] == ["Ostrand hire depot"] * 5
    assert [each.name for each in before.items] == sorted(each["name"] for each in CARGO)


def test_what_is_aboard_again_was_loaded_the_last_time(store: DispatchStore, places: Places) -> None:
    """Unloaded at the playhouse and taken back there: that loading counts; only unloaded: none; void: the first."""
    day = VanDay(after_seq=3)
    day.move("unloading", "playhouse", NOW_S - 300, CARGO[:2])
    day.move("loading", "playhouse", NOW_S - 200, CARGO[:1])
    wrong = day.move("loading", "playhouse", NOW_S - 150, [CARGO[3]])
    day.take_back(wrong, NOW_S - 100)
    store.ingest(*day.batches(), received_s=NOW_S)
    shown = {each.epc: (each.loaded_at, each.loaded_s) for each in page(store, places, short(full())).items}
    assert shown[CARGO[0]["epc"]] == ("Tern Street Playhouse", NOW_S - 200)
    assert shown[CARGO[1]["epc"]] == (None, None)
    assert shown[CARGO[3]["epc"]] == ("Ostrand hire depot", LOADED_S)


def test_a_stranger_keeps_the_name_that_it_came_with(store: DispatchStore, places: Places) -> None:
    """Heard near and on no manifest: name and tag stand in the list, and are remembered when it no longer says them."""
    new = item(7)
    near = new | {"p": 0.2, "state": "near", "heard_s": 3}
    assert page(store, places, short(full()) | {"items": [near]}).items[0].name == new["name"]
    later = {key: near[key] for key in ("epc", "p", "state", "heard_s")}
    shown = page(store, places, short(full()) | {"items": [later]}).items[0]
    assert (shown.name, shown.state, shown.loaded_s) == (new["name"], "near", None)
