"""A van's day in a real browser: what is drawn against the data, by keyboard, on paper, and by axe-core."""

from __future__ import annotations

import json
import re
import unicodedata
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page

from agent.dispatch.loaded import load
from agent.dispatch.main import Dispatch
from agent.units import format_utc
from tests.dispatch import whole_day
from tests.dispatch.conftest import Mosquitto, Vehicle, free_port, until
from tests.dispatch.scenario import VanDay, item, pack, position, write_sites
from tests.dispatch.test_board import StoppedClock
from tests.dispatch.watching import Watched
from tests.dispatch.whole_day import END_S, at

pytestmark = pytest.mark.integration
DAY, LEG = "/van/van-07/day/2026-03-02", "/manifest/van-07/2026-03-02/1"
# WCAG 2.2 at level AAA for text in sunlight and for targets, beside axe's own rules.
AXE = {"rules": {"color-contrast-enhanced": {"enabled": True}, "target-size": {"enabled": True}}}


@pytest.fixture
def dispatch(tmp_path: Path, broker: Mosquitto) -> Iterator[Dispatch]:
    """A running dispatch side at the end of the whole day."""
    write_sites(tmp_path / "geofences")
    config = tmp_path / "dispatch.toml"
    config.write_text(f'[dispatch]\nport = {free_port()}\n[mqtt]\nport = {broker.port}\n[sites]\ndir = "geofences"\n')
    running = Dispatch(load(config), clock=StoppedClock(END_S))
    whole_day.fill(running.store)
    with running:
        until(lambda: running.ingest.link.connected, "ingest to connect")
        yield running


def _told(page: Page) -> Any:
    return page.evaluate("fetch(document.getElementById('day').dataset.day).then((answer) => answer.json())")


def test_what_is_drawn_is_the_data(watch: Callable[..., Watched]) -> None:
    """A mark for each stop, a line for each known piece of way, a dotted one for each unknown, four fences."""
    page = watch(DAY).page
    page.wait_for_selector(".stop-mark")
    told = _told(page)
    apart = sum(point["apart"] for point in told["track"])
    assert apart >= 1
    assert page.locator("#day-map path.track-unknown").count() == apart
    runs, length = [], 0
    for point in told["track"]:
        if point["apart"]:
            runs.append(length)
            length = 0
        length += 1
    assert page.locator("#day-map path.track").count() == sum(run > 1 for run in [*runs, length])
    assert page.locator("#day-map path.fence").count() == 4
    marks = page.locator(".stop-mark").all_inner_texts()
    assert marks == [str(stop["number"]) for stop in told["stops"]]
    strip = page.locator("svg.strip-wide")
    assert strip.locator(".strip-disc").count() == len(told["stops"])
    assert strip.locator("line.strip-leg").count() == len(told["legs"])
    bars = strip.locator(".strip-off, .strip-no-word, .strip-quiet, .strip-not-read")
    assert bars.count() == len(told["spans"])
    assert page.locator(".day-rows tbody tr").count() == sum(len(told[each]) for each in ("stops", "legs", "spans"))
    assert page.locator("svg.strip-upright").is_hidden()


def test_the_way_through_by_keyboard(watch: Callable[..., Watched]) -> None:
    """Vans, a van, its days, a stop from the map, a manifest, an earlier revision, and its print: no mouse."""
    page = watch("/van/van-07").page
    page.get_by_role("link", name="Its days").focus()
    page.keyboard.press("Enter")
    page.wait_for_url("**/day/2026-03-02")
    page.wait_for_selector(".stop-mark")
    page.locator(".stop-mark").nth(1).focus()
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "stop-2"
    page.locator("#leg-1 summary").focus()
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "What changed in 2 revisions"
    page.keyboard.press("Enter")
    page.wait_for_url(f"**{LEG}")
    page.get_by_role("link", name="Revision 1").focus()
    page.keyboard.press("Enter")
    page.get_by_text("Revision 1 no longer stands.").wait_for()
    page.get_by_role("link", name="Print this revision").focus()
    page.keyboard.press("Enter")
    page.wait_for_url("**/print?revision=1")
    page.get_by_text("Revision 1 no longer stands; a later one does.").wait_for()


def test_another_day(watch: Callable[..., Watched]) -> None:
    """A day is chosen by its date and by the link to the one before, without script as well."""
    page = watch("/van/van-07/day/2026-03-04", java_script_enabled=False).page
    assert page.get_by_text("No later day is known").is_visible()
    page.locator("#date").fill("2026-03-03")
    page.locator("#date").press("Enter")
    page.wait_for_url("**/day/2026-03-03")
    page.get_by_role("link", name="Earlier: 2026-03-02").click()
    page.wait_for_url(f"**{DAY}")
    assert page.locator("svg.strip-wide").is_visible()
    assert page.get_by_text("The map needs script").is_visible()
    assert page.locator("#day-map").is_hidden()


def test_today_stays_true(watch: Callable[..., Watched], van_at: Callable[[str], Vehicle]) -> None:
    """What comes over the broker shows in strip, rows and map of today's page without a reload."""
    page = watch(DAY).page
    page.wait_for_selector(".stop-mark")
    page.evaluate("window.notReloaded = true")
    day = VanDay("van-07", epoch=2)
    arrived = {"site": "quay", "time": format_utc(at(299.9))}
    day.manifest(5, 1, ("hall", at(280)), [item(7)], arrived=arrived)
    van = van_at("van-07")
    van.say("log", pack(day.batches()[0]))
    van.say("position", _position_at_the_quay())
    page.locator("#stop-6").get_by_text("Quay Seven stage").wait_for(timeout=15_000)
    page.locator(".stop-mark", has_text="3, 6").wait_for()  # two stays at one place share a mark
    assert page.locator("svg.strip-wide .strip-disc").count() == 6
    assert page.evaluate("window.notReloaded")


def _position_at_the_quay() -> bytes:
    """A position at the quay, as it travels."""
    lat, lon = whole_day.where("quay")
    return json.dumps(position("van-07", at_s=END_S, lat=lat, lon=lon)).encode()


def test_pages_fit_and_axe_finds_nothing(watch: Callable[..., Watched]) -> None:
    """No violation by axe-core, 7:1 included; no sideways scroll; every target 44 px.

    axe takes seconds a look, so that the day has one in each width, by turns light and dark, and a manifest one alone.
    """
    axe = Axe()
    watched = watch(DAY)
    page = watched.page
    for number, path in enumerate((DAY, LEG, f"{LEG}/print")):
        page.goto(watched.page.url.split("/van/")[0].split("/manifest/")[0] + path)
        if path == DAY:
            page.wait_for_selector(".stop-mark")
        for place, (width, scheme) in enumerate((w, s) for w in (1280, 390, 320) for s in ("light", "dark")):
            page.set_viewport_size({"width": width, "height": 900})
            page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
            assert watched.fits(), (path, width)
            assert watched.small_targets() == [], (path, width)
            if path == DAY:
                assert page.locator("svg.strip-upright").is_visible() == (width < 960)
                assert width >= 960 or _smallest_letters_px(page) >= 11.0
            if place in ((1, 2, 5) if path == DAY else (number + 2,)):
                found = axe.run(page, options=AXE).response["violations"]
                assert [(each["id"], each["nodes"][0]["html"][:160]) for each in found] == [], (path, width, scheme)


def test_hostile_names_break_nothing(watch: Callable[..., Watched], dispatch: Dispatch) -> None:
    """Names of markup, turned letters and ten thousand characters run nothing and push nothing out."""
    whole_day.hostile(dispatch.store)
    for path in (DAY, LEG, "/manifest/van-07/2026-03-02/9", f"{LEG}/print"):
        watched = watch(path, width=320)
        watched.page.get_by_text("<script>alert(1)</script>").first.wait_for()
        assert watched.fits(), path


def _smallest_letters_px(page: Page) -> float:
    return float(
        page.evaluate(
            """() => {
                 const svg = document.querySelector("svg.strip-upright");
                 const scale = svg.getBoundingClientRect().width / svg.viewBox.baseVal.width;
                 const sizes = [...svg.querySelectorAll("text")].map((each) => getComputedStyle(each).fontSize);
                 return Math.min(...sizes.map(parseFloat)) * scale;
               }"""
        )
    )


def test_a_manifest_on_paper(watch: Callable[..., Watched], dispatch: Dispatch) -> None:
    """Sixty lines make several pages: each with its number, and vehicle, leg and revision above the lines again."""
    day = VanDay("van-07", epoch=2)
    day.manifest(7, 1, ("depot", at(290)), [item(number) for number in range(60)])
    dispatch.store.ingest(day.batches()[0], received_s=END_S)
    page = watch("/manifest/van-07/2026-03-02/7/print").page
    pages = Pdf(page.pdf(prefer_css_page_size=True)).pages()
    assert len(pages) >= 3
    for number, text in enumerate(pages, start=1):
        assert f"Page{number}of{len(pages)}" in text
        assert "van-07,legvan-07/2026-03-02/7,revision1,certain:60items" in text
        assert "ConfidenceLoaded" in text
        assert "Backtothemanifest" not in text
    assert "BadgeaboardA.Ferrow" in pages[0]
    assert "FromOstrandhiredepot,departed" in pages[0]
    assert "driver" not in "".join(pages).lower()
    names = re.findall(r"(?:movinghead|cabletrunk|amplifierrack)(\d{3})urn", "".join(pages))
    assert sorted(map(int, names)) == list(range(100, 160))


class Pdf:
    """A PDF as Chromium writes it, read as far as its text (ISO 32000-1: 7.3.8 streams, 9.10.3 ToUnicode)."""

    def __init__(self, octets: bytes) -> None:
        found = re.findall(rb"(?m)^(\d+) 0 obj\s(.*?)\sendobj", octets, re.DOTALL)
        self._objects = {int(number): body for number, body in found}

    def pages(self) -> list[str]:
        """Each page's text without blanks; letters that a font joins stand apart."""
        bodies = [body for body in self._objects.values() if re.search(rb"/Type /Page\b(?!s)", body)]
        return [re.sub(r"\s", "", unicodedata.normalize("NFKC", self._text(body))) for body in bodies]

    def _text(self, page: bytes) -> str:
        fonts = {name: self._letters(int(number)) for name, number in re.findall(rb"/(F\d+) (\d+) 0 R", page)}
        content = re.search(rb"/Contents (\d+) 0 R", page)
        assert content is not None
        said, font = [], b""
        shown = rb"/(F\d+) [\d.]+ Tf|<([0-9A-Fa-f]+)>(?=[^>]*?T[jJ])"
        for name, codes in re.findall(shown, self._stream(int(content.group(1)))):
            if name:
                font = name
            said += [fonts[font].get(int(codes[at : at + 4], 16), "") for at in range(0, len(codes), 4)]
        return "".join(said)

    def _stream(self, number: int) -> bytes:
        raw = self._objects[number].split(b"stream\n", 1)[1].rsplit(b"\nendstream", 1)[0]
        return zlib.decompress(raw) if b"FlateDecode" in self._objects[number] else raw

    def _letters(self, font: int) -> dict[int, str]:
        at = re.search(rb"/ToUnicode (\d+) 0 R", self._objects[font])
        assert at is not None
        text, found = self._stream(int(at.group(1))), {}
        for block in re.findall(rb"beginbfchar(.*?)endbfchar", text, re.DOTALL):
            for code, told in re.findall(rb"<(\w+)>\s*<(\w+)>", block):
                found[int(code, 16)] = bytes.fromhex(told.decode()).decode("utf-16-be")
        for block in re.findall(rb"beginbfrange(.*?)endbfrange", text, re.DOTALL):
            for low, high, told in re.findall(rb"<(\w+)>\s*<(\w+)>\s*<(\w+)>", block):
                first, last = int(low, 16), int(high, 16)
                found |= {first + step: chr(int(told, 16) + step) for step in range(last - first + 1)}
        return found
