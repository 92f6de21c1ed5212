"""The board in a real browser: it stays true without reloading, asks no foreign host, and fits a phone."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from agent.dispatch.loaded import load
from agent.dispatch.main import Dispatch
from tests.dispatch.conftest import Mosquitto, Vehicle, free_port, until
from tests.dispatch.scenario import (
    DAY_S,
    HOSTILE,
    MINUTE_S,
    VanDay,
    aboard,
    fill,
    item,
    pack,
    position,
    word,
    write_sites,
)
from tests.dispatch.test_board import StoppedClock
from tests.dispatch.watching import Watched

pytestmark = pytest.mark.integration
NOW_S = DAY_S + 126 * MINUTE_S


@pytest.fixture
def dispatch(tmp_path: Path, broker: Mosquitto) -> Iterator[Dispatch]:
    """A running dispatch side with the scenario's two vans, whose clock the test moves."""
    write_sites(tmp_path / "geofences")
    config = tmp_path / "dispatch.toml"
    config.write_text(f'[dispatch]\nport = {free_port()}\n[mqtt]\nport = {broker.port}\n[sites]\ndir = "geofences"\n')
    running = Dispatch(load(config), clock=StoppedClock(NOW_S))
    fill(running.store, now_s=NOW_S)
    with running:
        until(lambda: running.ingest.link.connected, "ingest to connect")
        yield running


def test_the_vans_page_stays_true(watch: Callable[..., Watched], van_at: Callable[[str], Vehicle]) -> None:
    """A message over MQTT changes the row, the map and what is announced, without a reload."""
    watched = watch("/")
    page = watched.page
    page.wait_for_selector(".van-mark >> text=van-07")
    assert page.locator("path.fence").count() == 4
    assert page.locator(".leaflet-control-scale").count() == 1
    page.evaluate("window.notReloaded = true")
    before = page.locator(".van-mark", has_text="van-07").bounding_box()
    van = van_at("van-07")
    here: dict[str, Any] = {"state": "stopped", "site": "quay", "since": "2026-03-02T08:06:00.000Z"}
    van.say("aboard", json.dumps(aboard("van-07", [item(4)], at_s=NOW_S, **here)).encode(), retain=True)
    van.say("position", json.dumps(position("van-07", at_s=NOW_S, lat=48.296, lon=-31.189)).encode(), retain=True)
    card = page.locator("tr[data-van=van-07]")
    card.get_by_text("at Quay Seven stage").wait_for()
    assert "1 item" in card.inner_text()
    until(lambda: page.locator(".van-mark", has_text="van-07").bounding_box() != before, "the van to move on the map")
    assert page.locator("#says").text_content() != ""
    fresh = van_at("van-11")
    fresh.say("aboard", json.dumps(aboard("van-11", [], at_s=NOW_S)).encode(), retain=True)
    page.locator("tr[data-van=van-11]").wait_for()
    order = page.locator("#vans tbody tr").evaluate_all("each => each.map((one) => one.dataset.van)")
    assert order == ["van-03", "van-07", "van-11"]
    assert page.evaluate("window.notReloaded")


def test_a_van_page_stays_true(watch: Callable[..., Watched], van_at: Callable[[str], Vehicle]) -> None:
    """New records show by themselves; what the reader had opened stays open and the focus stays where it was."""
    watched = watch("/van/van-07")
    page = watched.page
    second = page.locator("details").nth(1)
    second.locator("summary").click()
    assert second.get_attribute("open") is not None
    van = van_at("van-07")
    day = VanDay("van-07", after_seq=10)  # the store holds ten already
    day.move("unloading", "quay", NOW_S, [item(4), item(5)])
    van.say("log", pack(day.batches()[0]))
    stay = page.locator("#events ~ details").first
    stay.locator("summary", has_text="Quay Seven stage").wait_for()
    stay.get_by_text("unloaded").first.wait_for()
    assert "2 unloaded, 0 loaded" in stay.inner_text()
    assert page.locator("details").nth(1).get_attribute("open") is not None
    assert page.evaluate("document.activeElement.closest('details')?.id") == "leg-van-07-2026-03-02-1"


def test_ages_grow_by_the_dispatchs_clock(watch: Callable[..., Watched], dispatch: Dispatch) -> None:
    """An age follows the dispatch's clock, whatever this computer's says; a silent van becomes one not heard."""
    page = watch("/").page
    page.get_by_text("5 s ago").wait_for()
    clock = dispatch._clock
    assert isinstance(clock, StoppedClock)
    clock.utc_s += 600
    page.locator("tr[data-van=van-07]").get_by_text("10 min ago").wait_for()
    page.locator("tr[data-van=van-07]").get_by_text("Urgent: not heard for 10 min").wait_for(timeout=15_000)


def test_a_lost_stream_is_said(watch: Callable[..., Watched], dispatch: Dispatch, tmp_path: Path) -> None:
    """While the board is down the page says so in words; when it is back the page is true again by itself."""
    watched = watch("/")
    page = watched.page
    with page.expect_response(lambda answer: "/live" in answer.url):
        page.reload()
    dispatch.close()
    page.get_by_text("Live updates stopped at").wait_for()
    with Dispatch(load(tmp_path / "dispatch.toml"), clock=StoppedClock(NOW_S)) as again:
        held = aboard("van-07", [], at_s=NOW_S, state="stopped", site="hall")
        again.store.hear(word(held), received_s=NOW_S)
        page.get_by_text("at Corn Hall, rear dock").wait_for(timeout=20_000)
        assert page.locator("#stream").is_hidden()
        page.context.close()
    watched.wrong[:] = [text for text in watched.wrong if "ERR_" not in text]  # that nobody answered is no fault here


@pytest.mark.parametrize("width", [320, 390, 1280])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_pages_fit(watch: Callable[..., Watched], width: int, scheme: str) -> None:
    """No page scrolls sideways and every target is 44 px, on a phone and on a desk."""
    for path in ("/", "/van/van-07", f"/item/{item(10)['epc']}", "/driver-notice"):
        watched = watch(path, width=width, scheme=scheme)
        if path == "/":
            watched.page.wait_for_selector(".van-mark")
        assert watched.fits(), path
        assert watched.small_targets() == [], path


def test_hostile_names(watch: Callable[..., Watched], dispatch: Dispatch) -> None:
    """Names of markup and ten thousand letters run nothing and push nothing out of the page, live ones included."""
    held = aboard("van-07", [item(4) | {"name": HOSTILE}], at_s=NOW_S, state="stopped", site=HOSTILE)
    dispatch.store.hear(word(held), received_s=NOW_S)
    for path in ("/", "/van/van-07"):
        watched = watch(path, width=390)
        named = watched.page.locator("main :not(option)", has_text="<script>alert(1)</script>")
        named.filter(visible=True).first.wait_for()
        assert watched.fits(), path


def test_complete_without_script(watch: Callable[..., Watched]) -> None:
    """With script off the page holds everything but the map, and says that."""
    page = watch("/", java_script_enabled=False).page
    assert page.get_by_text("on the way, from Tern Street Playhouse").is_visible()
    assert page.get_by_text("The map needs script").is_visible()
    assert page.locator("#map").is_hidden()
