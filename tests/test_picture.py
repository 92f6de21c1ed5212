"""The picture of the evidence: an SVG that any reader can take, with its text alternatives, legible at both widths."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from msgspec.structs import replace
from playwright.sync_api import Browser, sync_playwright

from agent.evidence import Decision, Evidence, Hearing, Line, Passage, Span, Strength
from agent.evidence_account import say
from agent.picture import draw_page, fold

SVG = "{http://www.w3.org/2000/svg}"
T0 = 1_772_524_800.0  # 2026-03-03T08:00:00Z
HALL, DEPOT = "Gull Lane Theatre", "Halyard <Stage & Sound>, hire depot"


def decision(kind: str, at_s: float, **more: Any) -> Decision:
    """A decision at a moment after T0."""
    place = DEPOT if kind == "loaded" else HALL
    return Decision(kind, kind, T0 + at_s, T0 + at_s - 60, T0 + at_s + 90, 0.97, place, said_s=T0 + at_s + 300, **more)  # type: ignore[arg-type]


def evidence(*, stops: int = 2) -> Evidence:
    """So many stops of ten minutes, ten minutes apart, with a name that needs escaping, and one of each mark."""
    passages = []
    for number in range(stops):
        begin = T0 + 1200 * number
        name = DEPOT if number == 0 else HALL if number == 1 else f"Site {number}, the hall behind the harbour"
        passages.append(Passage("stop", begin, begin + 600, f"site-{number}", name, 0.94))
        passages.append(Passage("leg", begin + 600, begin + 1200, manifest=f"van-07/2026-03-03/{number + 1}"))
    end = passages[-1].to_s
    seconds = [T0 + 2.0 * n for n in range(int((end - T0) / 2))]
    return Evidence(
        vehicle="van-07",
        epc="urn:epc:id:grai:9521141.00041.219",
        kind="item",
        name='par lamp "7" <new> & old',
        zone="Atlantic/Azores",
        from_s=T0,
        to_s=end,
        passages=tuple(passages),
        doors=(Span(T0 + 100, T0 + 500), Span(T0 + 1300, T0 + 1700)),
        doors_known=True,
        unread=(Span(T0 + 640, T0 + 700, "no rounds"), Span(T0 + 1100, T0 + 1190, "power off")),
        hearing=tuple(Hearing(at, 1, int(at % 6 == 0)) for at in seconds),
        strength=tuple(
            Strength(T0 + 60.0 * n, antenna, 3, -55.0 - n % 7, -60.0 - n % 7, -66.0 if n % 2 else None)
            for n in range(20)
            for antenna in (1, 2)
        ),
        live=tuple((at, 0.2 + 0.6 * (at % 100) / 100) for at in seconds[::5]),
        now=tuple((at, min(1.0, (at - T0) / 900)) for at in seconds[::5]),
        decisions=(
            decision("loaded", 400),
            decision("unloaded", 1300, taken_back_s=T0 + 1900, reason="did_not_occur"),
            decision("unloaded", 1500),
        ),
        lines=(Line("van-07/2026-03-03/1", 2, T0 + 800, T0 + 600, 0.998, certain=True),),
    )


def test_it_is_an_svg_with_text_alternatives() -> None:
    """Well-formed XML of one SVG with title and desc that the root is labelled by; desc holds every sentence below."""
    one = evidence()
    root = ET.fromstring(draw_page(one))  # noqa: S314 - made here
    assert root.tag == f"{SVG}svg"
    assert root.attrib["role"] == "img"
    labels = root.attrib["aria-labelledby"].split()
    title, desc = (root.find(f"{SVG}{name}") for name in ("title", "desc"))
    assert title is not None
    assert desc is not None
    assert [title.attrib["id"], desc.attrib["id"]] == labels
    assert title.text is not None
    assert title.text.startswith('par lamp "7" <new> & old in van-07, Tuesday 2026-03-03')
    assert desc.text is not None
    for paragraph in say(one):
        assert paragraph.text in desc.text
        assert paragraph.head in desc.text


def test_it_needs_nothing_from_elsewhere_and_runs_nothing() -> None:
    """No script, no handler, no reference outside of the file: it may be sent on, and shown under a strict policy."""
    text = draw_page(evidence())
    root = ET.fromstring(text)  # noqa: S314 - made here
    for element in root.iter():
        assert element.tag.removeprefix(SVG) not in {"script", "image", "use", "foreignObject", "a"}
        for name, value in element.attrib.items():
            assert not name.startswith("on")
            assert "href" not in name
            assert "url(" not in value or re.fullmatch(r"url\(#why-[a-z]+-\d+\)", value)
    assert "@import" not in text


def shown(root: ET.Element, layout: str) -> str:
    """The text of a layout without its blanks, which folding moves."""
    (one,) = [element for element in root.iter(f"{SVG}svg") if element.attrib.get("class") == layout]
    return "".join("".join(element.text or "" for element in one.iter(f"{SVG}text")).split())


@pytest.mark.parametrize("layout", ["why-wide", "why-narrow"])
def test_both_layouts_say_everything(layout: str) -> None:
    """Every sentence, every place and each decision's label stand in the wide and in the narrow layout."""
    one = evidence(stops=5)
    text = shown(ET.fromstring(draw_page(one)), layout)  # noqa: S314 - made here
    for paragraph in say(one):
        assert "".join(paragraph.text.split()) in text
        assert "".join(paragraph.head.split()) in text
    assert all("".join(f"{letter}{name}".split()) in text for letter, name in (("A", DEPOT), ("B", HALL)))
    assert text.count("takenback07:21") == 1
    assert "loaded07:06" in text


def test_a_moment_asked_for_is_marked() -> None:
    """A line with its time, and none where no moment was asked for."""
    assert draw_page(evidence(), at_s=T0 + 900).count("asked for 07:15:00") == 2
    assert "asked for" not in draw_page(evidence())


def test_the_belief_is_drawn_at_its_height_and_time() -> None:
    """P 0.25 from a third of the way on: the line's corner is a quarter up and a third along the lane."""
    one = evidence()
    third = T0 + (one.to_s - T0) / 3
    page = draw_page(replace(one, live=(), now=((T0, 0.0), (third, 0.25), (one.to_s, 0.25)), decisions=()))
    line = r'<path d="M122\.0 ([\d.]+)H([\d.]+)V([\d.]+)H[^"]*" fill="none" stroke="#1b5e9e" stroke-width="2'
    (path,) = re.findall(line, page)
    bottom, along, height = map(float, path)
    assert along == pytest.approx(122 + (1186 - 122) / 3, abs=0.1)
    assert bottom - height == pytest.approx(130 / 4, abs=0.1)


def test_text_is_folded_within_its_width() -> None:
    """No line is longer than fits, nothing is lost, and a word that is too long is broken."""
    text = "heard in 8 of 94 rounds of the drive " + "x" * 90
    folded = fold(text, width_px=200, size=14.0)
    assert "".join(folded).replace(" ", "") == text.replace(" ", "")
    assert max(map(len, folded)) <= 200 / (14 * 0.54)


def test_nothing_known_is_still_a_picture() -> None:
    """A stretch without a round, a stop or a decision is drawn and says that nothing was heard."""
    empty = Evidence("van-07", "urn:epc:id:giai:9521141.9", "unlisted", "", "UTC", T0, T0 + 3600)
    root = ET.fromstring(draw_page(empty))  # noqa: S314 - made here
    assert "heardinnoneof0rounds" in shown(root, "why-wide").lower()


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    """A real browser."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox"])
        yield browser
        browser.close()


TEXTS = """() => [...document.querySelectorAll('text')].map(t => {
  const box = t.getBoundingClientRect();
  const drawn = t.getScreenCTM().a * parseFloat(getComputedStyle(t).fontSize);
  return {text: t.textContent, left: box.left, right: box.right, top: box.top, bottom: box.bottom, drawn};
}).filter(t => t.right > t.left)"""


@pytest.mark.integration
@pytest.mark.parametrize("width", [1280, 390])
@pytest.mark.parametrize("stops", [2, 11, 24])
def test_it_is_legible_in_a_browser(chromium: Browser, tmp_path: Path, width: int, stops: int) -> None:
    """At a desk's and at a phone's width: one layout, no sideways scrolling, 10.5 px or more, no text over another."""
    (tmp_path / "why.svg").write_text(draw_page(evidence(stops=stops), at_s=T0 + 900), encoding="utf-8")
    page = chromium.new_page(viewport={"width": width, "height": 900})
    page.goto((tmp_path / "why.svg").as_uri())
    texts = page.evaluate(TEXTS)
    height = page.evaluate("document.documentElement.getBoundingClientRect().height")
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert sum(text["text"].startswith("van") for text in texts) == 1
    assert min(text["drawn"] for text in texts) >= 10.5
    for text in texts:
        assert text["left"] >= 0, text
        assert text["right"] <= width, text
        assert text["bottom"] <= height, text
    for number, one in enumerate(texts):
        for other in texts[number + 1 :]:
            across = min(one["right"], other["right"]) - max(one["left"], other["left"])
            down = min(one["bottom"], other["bottom"]) - max(one["top"], other["top"])
            assert across <= 2 or down <= 4, (one, other)
    page.close()
