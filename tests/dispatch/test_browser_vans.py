"""The vans' lines, the search and an item's pages in a real browser: by keyboard, with hostile names, and by axe."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe

from agent.dispatch.loaded import load
from agent.dispatch.main import Dispatch
from agent.epc import encode_uri
from tests.dispatch.conftest import Mosquitto, Vehicle, free_port, until
from tests.dispatch.scenario import HOSTILE, VanDay, aboard, fill, item, pack, word, write_sites
from tests.dispatch.test_board import StoppedClock
from tests.dispatch.test_browser import NOW_S
from tests.dispatch.watching import Watched

pytestmark = pytest.mark.integration
ITEM = f"/item/{item(10)['epc']}"
EVIDENCE = f"/evidence/van-07/{item(3)['epc']}"


@pytest.fixture
def dispatch(tmp_path: Path, broker: Mosquitto) -> Iterator[Dispatch]:
    """The scenario's two vans, and a plan that loads three things into the one at the depot."""
    write_sites(tmp_path / "geofences")
    rows = [f'{item(n)["epc"]},item,"{item(n)["name"]}",light' for n in (20, 21, 22)]
    (tmp_path / "register.csv").write_text("epc,kind,name,type\n" + "\n".join(rows) + "\n")
    planned = [f"van-03,2026-03-02,depot,hall,{item(n)['epc']}" for n in (20, 21, 22)]
    (tmp_path / "plan.csv").write_text("vehicle,date,load_at,unload_at,epc\n" + "\n".join(planned) + "\n")
    config = tmp_path / "dispatch.toml"
    config.write_text(
        f'[dispatch]\nport = {free_port()}\n[mqtt]\nport = {broker.port}\n[sites]\ndir = "geofences"\n'
        '[register]\nfile = "register.csv"\n[plan]\nfile = "plan.csv"\n'
    )
    running = Dispatch(load(config), clock=StoppedClock(NOW_S))
    fill(running.store, now_s=NOW_S)
    with running:
        until(lambda: running.ingest.link.connected, "ingest to connect")
        until(lambda: running.is_ready, "the board to answer")
        yield running


def order_of(watched: Watched) -> list[str]:
    """The vans from top to bottom."""
    return list(watched.page.locator("#vans tbody tr").evaluate_all("all => all.map((one) => one.dataset.van)"))


def test_rows_move_only_when_asked(watch: Callable[..., Watched], van_at: Callable[[str], Vehicle]) -> None:
    """News change a row where it stands, and its mark; the order is new when sorted again, by keyboard."""
    watched = watch("/?sort=aboard")
    page = watched.page
    assert order_of(watched) == ["van-07", "van-03"]
    van = van_at("van-07")
    van.say("aboard", json.dumps(aboard("van-07", [], at_s=NOW_S)).encode(), retain=True)
    page.locator("tr[data-van=van-07]").get_by_text("0 items").wait_for()
    assert order_of(watched) == ["van-07", "van-03"]
    page.get_by_role("link", name="Sort again").focus()
    page.keyboard.press("Enter")
    page.wait_for_function("document.querySelector('#vans tbody tr').dataset.van === 'van-03'")
    assert page.locator("tr[data-van=van-03].urgent").get_by_text("Urgent:").count() >= 1
    page.get_by_role("link", name="Last word").focus()
    page.keyboard.press("Enter")
    page.wait_for_url("**sort=heard*")
    assert page.locator("th[aria-sort=descending]").inner_text().startswith("Last word")


def test_narrowing_by_keyboard(watch: Callable[..., Watched], van_at: Callable[[str], Vehicle]) -> None:
    """The form narrows the list; a van that comes to fit is added at the end and said, one that does not stays away."""
    watched = watch("/")
    page = watched.page
    page.locator(".choose summary").focus()
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    page.keyboard.type("tern street")
    page.keyboard.press("Enter")
    page.wait_for_url("**find=tern*")
    assert order_of(watched) == ["van-07"]
    for name, site in (("van-12", "hall"), ("van-11", "playhouse")):
        here: dict[str, Any] = {"state": "stopped", "site": site}
        van_at(name).say("aboard", json.dumps(aboard(name, [], at_s=NOW_S, **here)).encode(), retain=True)
    page.locator("tr[data-van=van-11]").wait_for()
    assert order_of(watched) == ["van-07", "van-11"]
    assert "1 van more at the end" in page.locator("#outside").inner_text()


def test_pause(watch: Callable[..., Watched], van_at: Callable[[str], Vehicle], dispatch: Dispatch) -> None:
    """While paused nothing moves, ages included, and what waits is counted; going on shows the last of it."""
    page = watch("/").page
    page.locator("#pause").focus()
    page.keyboard.press("Enter")
    page.get_by_text("0 changes wait").wait_for()
    van = van_at("van-07")
    clock = dispatch._clock
    assert isinstance(clock, StoppedClock)
    clock.utc_s += 60
    for count in (1, 2):
        held = aboard("van-07", [item(4), item(5)][:count], at_s=NOW_S)
        van.say("aboard", json.dumps(held).encode(), retain=True)
        page.get_by_text(f"{count} change{'' if count == 1 else 's'} wait").wait_for()
    line = page.locator("tr[data-van=van-07]")
    assert "7 items" in line.inner_text()
    assert "5 s ago" in line.inner_text()
    page.keyboard.press("Enter")
    line.get_by_text("2 items").wait_for()
    assert page.locator("#paused").is_hidden()
    assert page.locator("#pause").get_attribute("aria-pressed") == "false"


def test_what_is_loaded(watch: Callable[..., Watched], van_at: Callable[[str], Vehicle]) -> None:
    """At the loading site each planned line says its state; nothing is short; what comes aboard changes the line."""
    page = watch("/").page
    line = page.locator("tr[data-van=van-03]")
    assert "2 likely aboard, 0 heard near, 1 not heard" in line.inner_text()
    line.get_by_role("link", name="Planned here: 3").focus()
    page.keyboard.press("Enter")
    page.wait_for_url("**/loading/van-03")
    states = page.locator(".planned-lines tbody td:first-of-type").all_inner_texts()
    assert states == ["likely aboard", "likely aboard", "not heard"]
    assert "nothing is short before it has left" in page.locator("#part").inner_text()
    here: dict[str, Any] = {"state": "stopped", "site": "depot"}
    held = aboard("van-03", [item(20), item(21), item(22)], at_s=NOW_S, **here)
    van_at("van-03").say("aboard", json.dumps(held).encode(), retain=True)
    page.locator(".planned-lines").get_by_text("heard near").wait_for()


def test_a_scan_finds_the_item(watch: Callable[..., Watched]) -> None:
    """A key leads to the field from any page; the scanner types hex and Enter and stands on the item's page."""
    page = watch("/van/van-03").page
    page.keyboard.press("Alt+s")
    assert page.evaluate("document.activeElement.id") == "q"
    page.keyboard.type(encode_uri(item(10)["epc"], filter_value=2))
    page.keyboard.press("Enter")
    page.wait_for_url("**/item/**")
    assert page.locator("h1").inner_text() == item(10)["name"]
    page.keyboard.press("Alt+s")
    page.keyboard.type("trunk")
    page.keyboard.press("Enter")
    page.wait_for_url("**/search?q=trunk")
    assert page.locator(".hits tbody tr").count() >= 3
    assert "name" in page.locator(".hits td[data-head=Why]").first.inner_text()


def test_search_without_script(watch: Callable[..., Watched]) -> None:
    """The field, the list of hits, the item and its evidence need no script."""
    page = watch("/search", java_script_enabled=False).page
    page.locator("#q").fill("amplifier rack 10")
    page.locator("#q").press("Enter")
    page.locator(".hits a").first.click()
    page.get_by_role("link", name="Evidence: loaded").first.click()
    assert page.get_by_text("What is missing here").is_visible()
    assert page.locator("#pause").is_hidden()


def test_the_evidence_is_drawn(watch: Callable[..., Watched]) -> None:
    """Stops, legs, decisions and confidence stand on the time line, as the tables say; what is missing is said."""
    page = watch(EVIDENCE).page
    assert page.locator("svg.told rect.stop").count() == 2
    assert page.locator("svg.told line.drive").count() == 2
    assert page.locator("svg.told circle.dot").count() == 2
    assert page.locator("svg.told text.mark").count() == 2
    assert page.locator("#decisions + table tbody tr").count() == 2
    assert "not sent the reads" in page.locator("#missing + ul").inner_text()
    assert "heard in 0 of 0" not in page.locator("main").inner_text().lower()


def test_an_item_stays_true(watch: Callable[..., Watched], van_at: Callable[[str], Vehicle]) -> None:
    """An unloading shows on the item's open page by itself."""
    page = watch(f"/item/{item(5)['epc']}").page
    page.get_by_text("Aboard van-07, since").wait_for()
    day = VanDay("van-07", after_seq=10)
    day.move("unloading", "quay", NOW_S, [item(5)])
    van_at("van-07").say("log", pack(day.batches()[0]))
    page.get_by_text("At Quay Seven stage, unloaded").wait_for()


@pytest.mark.parametrize("width", [320, 390, 1280])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe(watch: Callable[..., Watched], width: int, scheme: str) -> None:
    """No violation, AAA contrast and 44 px included, nothing to scroll sideways, on all of these pages."""
    rules = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"],
             "rules": {"color-contrast-enhanced": {"enabled": True}}}  # fmt: skip
    watched = watch("/", width=width, scheme=scheme)
    home = watched.page.url.rstrip("/")
    for path in (
        "/?show=look",
        "/?find=nowhere",
        "/loading/van-03",
        "/search?q=head",
        "/search?q=(01)3",
        ITEM,
        EVIDENCE,
    ):
        watched.page.goto(home + path)
        if path.startswith("/?show"):
            watched.page.wait_for_selector(".van-mark")
        found = Axe().run(watched.page, options=rules)
        assert found.violations_count == 0, f"{path}: {found.generate_report()}"
        assert watched.fits(), path
        assert watched.small_targets() == [], path


def test_hostile_names(watch: Callable[..., Watched], dispatch: Dispatch) -> None:
    """Markup, right-to-left marks and ten thousand letters run nothing and push nothing out, typed ones included."""
    thing = item(7) | {"name": HOSTILE}
    held = aboard("van-07", [thing, thing | {"epc": item(8)["epc"]}], at_s=NOW_S, state="stopped", site=HOSTILE)
    why = {"since": "never", "why": HOSTILE}
    dispatch.store.hear(word(held | {"not_read": why}), received_s=NOW_S)
    for width in (320, 1280):
        for path in ("/", f"/item/{thing['epc']}", "/search?q=%3Cscript%3E", f"/evidence/van-07/{thing['epc']}"):
            watched = watch(path, width=width)
            assert "<script>alert(1)</script>" in watched.page.locator("main").inner_text(), path
            assert watched.fits(), path
            watched.page.context.close()
