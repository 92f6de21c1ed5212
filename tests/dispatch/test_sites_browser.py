"""The sites' pages in a real browser: drawn by mouse, changed by keyboard, imported, and sent to a real van."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page

from agent.dispatch.audit import COMMAND_LINE
from agent.dispatch.loaded import load
from agent.dispatch.main import Dispatch
from agent.dispatch.sitebook import read_book
from tests import tinyday
from tests.dispatch.conftest import Mosquitto, Vehicle, free_port, until
from tests.dispatch.scenario import HOSTILE, MINUTE_S, VanDay, status, word, write_sites
from tests.dispatch.test_board import StoppedClock
from tests.dispatch.test_browser import NOW_S
from tests.dispatch.test_site_hints import left
from tests.dispatch.test_sitebook import circle
from tests.dispatch.watching import Watched, watching

pytestmark = pytest.mark.integration
ROOT = Path(__file__).resolve().parents[2]
PLACE = "path.outline-edited"


@pytest.fixture
def dispatch_at(tmp_path: Path) -> Iterator[Callable[..., Dispatch]]:
    """Starts a dispatch side with the scenario's sites, by default without a broker."""
    running: list[Dispatch] = []

    def start(*, port: int = 1, publish: bool = False, **clock: Any) -> Dispatch:
        write_sites(tmp_path / "geofences")
        config = tmp_path / "dispatch.toml"
        config.write_text(
            f'[dispatch]\nport = {free_port()}\n[mqtt]\nport = {port}\n[sites]\ndir = "geofences"\n'
            f"[downlink]\npublish = {str(publish).lower()}\n"
        )
        running.append(Dispatch(load(config), **({"clock": StoppedClock(NOW_S)} | clock)))
        running[-1].start()
        until(lambda: running[-1].is_ready, "the board to answer")
        return running[-1]

    yield start
    for each in running:
        each.close()


@pytest.fixture
def watch(chromium: Browser) -> Iterator[Callable[..., Watched]]:
    """Opens pages of the board that a test starts."""
    with watching(chromium) as open_page:
        yield open_page


def outline(page: Page) -> list[list[float]]:
    """The form's corners, [lat, lon]."""
    lines = page.locator("#outline").input_value().splitlines()
    return [[float(part) for part in line.split(",")] for line in lines]


def points_of(page: Page, selector: str) -> int:
    """How many corners a drawn path has."""
    return str(page.locator(selector).first.get_attribute("d")).count("L") + 1


def test_a_site_is_drawn_by_mouse(dispatch_at: Callable[..., Dispatch], watch: Callable[..., Watched]) -> None:
    """Four presses draw an outline, a drag moves a corner, + adds one, Remove takes one away, Undo brings it back."""
    dispatch = dispatch_at()
    page = watch(dispatch, "/new-site").page
    box = page.locator("#site-map").bounding_box()
    assert box is not None
    assert page.locator("path.outline-other").count() == 4
    middle_x, middle_y = box["x"] + box["width"] * 0.45, box["y"] + box["height"] * 0.45
    for x, y in ((-70, -50), (70, -50), (70, 50), (-70, 50)):
        page.mouse.click(middle_x + x, middle_y + y)
    assert (page.locator(".corner").count(), points_of(page, PLACE)) == (4, 4)
    first = outline(page)
    assert len(first) == 4
    assert first[0][0] > first[2][0], "the upper corner has the greater latitude"
    page.mouse.move(middle_x + 70, middle_y + 50)
    page.mouse.down()
    page.mouse.move(middle_x + 90, middle_y + 80, steps=4)
    page.mouse.up()
    dragged = outline(page)
    assert dragged[2][0] < first[2][0]
    assert dragged[2][1] > first[2][1]
    assert [*dragged[:2], dragged[3]] == [*first[:2], first[3]]
    page.get_by_label("Add a corner after corner 1").click()
    assert (len(outline(page)), points_of(page, PLACE)) == (5, 5)
    page.get_by_role("button", name="Remove the chosen corner").click()
    assert outline(page) == dragged
    page.get_by_role("button", name="Undo").click()
    assert points_of(page, PLACE) == 5
    page.get_by_label("Id, for ever").fill("annex")
    page.get_by_label("Name", exact=True).fill("Annex")
    page.get_by_role("button", name="Save as version 2").click()
    page.get_by_role("heading", name="Annex").wait_for()
    assert len(outline(page)) == 5
    page.get_by_role("link", name="All sites").click()
    page.locator("tr[data-site=annex]").get_by_text("(new, draft)").wait_for()
    assert page.locator("path.outline-new").count() == 1
    assert page.locator("path.outline-fence").count() == 4
    assert page.locator(".fence-name").count() == 5


def tab_to(page: Page, selector: str) -> None:
    """Go there as somebody without a mouse does."""
    for _ in range(80):
        page.keyboard.press("Tab")
        if page.evaluate("(selector) => document.activeElement.matches(selector)", selector):
            return
    raise AssertionError(f"no Tab leads to {selector}")


def test_a_site_is_changed_by_keyboard(dispatch_at: Callable[..., Dispatch], watch: Callable[..., Watched]) -> None:
    """Without a mouse: type a corner as a line, move another by the arrow keys, take one away by Delete, save.

    A corner moves 10 m north by Shift and an arrow: 0.00009 degrees.
    """
    dispatch = dispatch_at()
    page = watch(dispatch, "/sites").page
    tab_to(page, "a[href='/sites/depot']")
    page.keyboard.press("Enter")
    page.locator(PLACE).wait_for()
    tab_to(page, "#outline")
    page.keyboard.press("Control+End")
    page.keyboard.type("\n48.31000, -31.27200")
    assert (page.locator(".corner").count(), points_of(page, PLACE)) == (5, 5)
    before = outline(page)
    page.locator("#note").focus()
    tab_to(page, ".corner[aria-label='Corner 3']")
    page.keyboard.press("Shift+ArrowUp")
    moved = outline(page)
    assert moved[2][0] - before[2][0] == pytest.approx(10 / 111_320, abs=2e-7)
    assert page.evaluate("document.activeElement.getAttribute('aria-label')") == "Corner 3"
    page.keyboard.press("Delete")
    assert outline(page) == [*moved[:2], *moved[3:]]
    assert points_of(page, PLACE) == 4
    page.locator("#name").focus()
    tab_to(page, "#note")
    page.keyboard.type("by keyboard")
    tab_to(page, "button.main-act")
    page.keyboard.press("Enter")
    page.get_by_text("Version 2 is a draft").wait_for()
    assert outline(page) == [*moved[:2], *moved[3:]]


def test_an_import_is_drawn_over_the_old(
    dispatch_at: Callable[..., Dispatch], watch: Callable[..., Watched], tmp_path: Path
) -> None:
    """The preview draws the new outline, the old one dashed under it, and what is new; saved, it is the newest."""
    dispatch = dispatch_at()
    depot = dispatch.sites.book(1).feature("depot")
    assert depot is not None
    ring = [[lon + 0.0004, lat] for lon, lat in depot["geometry"]["coordinates"][0]]
    moved = depot | {"geometry": {"type": "Polygon", "coordinates": [ring]}}
    file = tmp_path / "more.geojson"
    file.write_text(json.dumps({"type": "FeatureCollection", "features": [moved, circle("annex", 0, 900, 40)]}))
    page = watch(dispatch, "/site-import").page
    page.get_by_label("GeoJSON files").set_input_files(file)
    page.get_by_role("button", name="Preview", exact=True).click()
    page.get_by_text("1 new, 1 changed, 0 gone, 3 unchanged").wait_for()
    looks = ("new", "changed", "before", "other", "gone")
    drawn = {look: page.locator(f"path.outline-{look}").count() for look in looks}
    assert drawn == {"new": 1, "changed": 1, "before": 1, "other": 3, "gone": 0}
    dashes = "(path) => getComputedStyle(path).strokeDasharray"
    assert page.locator("path.outline-before").evaluate(dashes) != "none"
    assert page.locator("path.outline-changed").evaluate(dashes) == "none"
    page.get_by_role("button", name="Save as version 2").click()
    page.locator("tr[data-site=annex]").wait_for()


class Van:
    """A real vehicle agent as its own process; no reader and no receiver answer it."""

    def __init__(self, folder: Path, port: int) -> None:
        folder.mkdir()
        reader, gps = free_port(), free_port()
        tinyday.write_files(
            folder,
            vehicle=f'{tinyday.VEHICLE}\n[reader]\nhost = "127.0.0.1"\nport = {reader}\nsimulated = true\n'
            f'[gps]\nport = {gps}\n[mqtt]\nhost = "127.0.0.1"\nport = {port}\n',
        )
        command = [sys.executable, "-m", "agent", "run", "--config", "vehicle.toml", "--store", "vehicle.db"]
        command += ["--register", "register.csv"]
        self._log = (folder / "agent.log").open("wb")
        environment = {"PYTHONPATH": str(ROOT), "OPENBLAS_NUM_THREADS": "1"}
        self._process = subprocess.Popen(command, cwd=folder, env=environment, stderr=self._log)

    def stop(self) -> None:
        """End it."""
        self._process.terminate()
        self._process.wait(15)
        self._log.close()


def test_a_real_van_applies_what_is_sent(
    dispatch_at: Callable[..., Dispatch],
    watch: Callable[..., Watched],
    broker: Mosquitto,
    van_at: Callable[[str], Vehicle],
    tmp_path: Path,
) -> None:
    """Sent with a button, version 2 reaches a vehicle agent over mosquitto, which says that it holds it.

    One whose digest does not fit is refused with the reason, and the van keeps version 2; the open page shows both.
    """
    dispatch = dispatch_at(port=broker.port, publish=True)
    van = Van(tmp_path / "van", broker.port)
    try:
        page = watch(dispatch, "/sites").page
        row = page.locator("#held tr[data-van=van-07]")
        row.get_by_text("applied").wait_for()
        assert "version 1" in row.inner_text()
        page.goto(dispatch.address + "sites/hall")
        page.get_by_label("Name", exact=True).fill("Old Corn Hall")
        page.get_by_role("button", name="Save as version 2").click()
        page.get_by_role("link", name="See what changes, and send it").click()
        page.get_by_text("name: Corn Hall, rear dock, now Old Corn Hall").wait_for()
        assert page.locator("path.outline-changed").count() == 1
        page.get_by_role("button", name="Send to the vans").click()
        row.get_by_text("version 2").wait_for()
        row.get_by_text("applied").wait_for()
        (held,) = dispatch.sites.holdings()
        assert (held.vehicle, held.version, held.reasons) == ("van-07", 2, ())
        content = json.dumps({"version": 3, "digest": "sha-256:" + "0" * 64, "content": {}}).encode()
        other = van_at("other-07")
        other._client.publish("roadtally/1/van-07/sites", content, qos=1, retain=True)
        row.get_by_text("refused version 3").wait_for()
        assert "version 2" in row.inner_text()
        assert "its content has sha-256:" in row.inner_text()
    finally:
        van.stop()


PAGES = (
    "/sites",
    "/sites/yard",
    "/sites/quay",
    "/new-site",
    "/site-import",
    "/site-hints",
    "/site-send",
    "/site-versions/2",
)


def fill(dispatch: Dispatch) -> None:
    """A draft with an overlap, a hostile name and a site that goes; stops that hint; a van that refused."""
    desk = dispatch.sites
    features = [each for each in desk.book(1).features if each["id"] != "hall"]
    dock = circle("dock", 80, 0, 60) | {"properties": {"name": HOSTILE, "radius_m": 60}}
    features += [circle("yard", 0, 0, 60), dock]
    book = read_book({"type": "FeatureCollection", "features": features})
    desk.save(book, base=1, doer=COMMAND_LINE, note=HOSTILE)
    day = VanDay()
    for leg in range(1, 10):
        site, x_m = ("yard", -75) if leg < 5 else (None, 3000 + leg)
        left(day, leg, site, x_m, 0, at_s=NOW_S - leg * MINUTE_S)
    for batch in day.batches():
        dispatch.store.ingest(batch, received_s=NOW_S)
    refused = [{"what": "sites", "version": 1, "reasons": [HOSTILE]}]
    dispatch.store.hear(word(status("van-07", holding={"refused": refused})), received_s=NOW_S)


AXE = {"rules": {"color-contrast-enhanced": {"enabled": True}}}  # WCAG 2.2, 1.4.6: 7:1, and 4.5:1 for large text
WIDTHS = (1280, 390, 320)


def test_pages_can_be_used_by_all(dispatch_at: Callable[..., Dispatch], watch: Callable[..., Watched]) -> None:
    """No violation of axe's rules, no sideways scroll at any width, every target 44 px; with names of 10,000 letters.

    axe looks at each page once, at a width and in a scheme that differ from page to page: all six of each take 40 s.
    """
    dispatch = dispatch_at()
    fill(dispatch)
    axe = Axe()
    watched = watch(dispatch, PAGES[0])
    page = watched.page
    for number, path in enumerate(PAGES):
        page.goto(dispatch.address.rstrip("/") + path)
        page.locator("#site-map.drawn, #files").first.wait_for()
        page.emulate_media(color_scheme="dark" if number % 2 else "light")
        for place, width in enumerate(WIDTHS):
            page.set_viewport_size({"width": width, "height": 900})
            assert watched.fits(), (path, width)
            assert watched.small_targets() == [], (path, width)
            if place == number % 3:
                found = axe.run(page, options=AXE)
                assert found.violations_count == 0, (path, width, found.generate_report())
