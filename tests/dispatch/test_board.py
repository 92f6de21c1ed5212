"""The board's pages and API, asked as a browser without script asks them."""

from __future__ import annotations

import asyncio
import itertools
import re
from collections.abc import Callable, Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import httpx
import pytest

from agent.dispatch.board import Board, DriverNotice, create_app
from agent.dispatch.documents import visits
from agent.dispatch.live import Changes
from agent.dispatch.places import Places
from agent.dispatch.queries import Queries
from agent.dispatch.store import DispatchStore, open_store
from agent.dispatch.views import BrokerLink, EventItemView, EventView
from agent.dispatch.wire import LogBatch, LogRecord
from agent.sites import parse_sites
from agent.units import format_utc
from tests.dispatch.scenario import (
    DAY_S,
    HOSTILE,
    MINUTE_S,
    VanDay,
    aboard,
    fill,
    item,
    position,
    status,
    word,
    write_sites,
)

NOW_S = DAY_S + 126 * MINUTE_S
Ask = Callable[..., httpx.Response]


class StoppedClock:
    """A clock that shows one moment."""

    def __init__(self, utc_s: float) -> None:
        self.utc_s = utc_s

    def mono(self) -> float:
        """Nothing passes."""
        return 0.0

    def utc(self) -> float:
        """The moment."""
        return self.utc_s

    def sleep(self, _seconds: float, *, stop: Any = None) -> bool:  # noqa: ARG002 - the protocol's
        """Not for sleeping by."""
        raise AssertionError

    def sleep_until(self, _mono_s: float, *, stop: Any = None) -> bool:  # noqa: ARG002 - the protocol's
        """Nor for that."""
        raise AssertionError


@pytest.fixture
def store(tmp_path: Path) -> Iterator[DispatchStore]:
    """An empty store in a file."""
    opened = open_store(tmp_path / "dispatch.sqlite")
    yield opened
    opened.close()


@pytest.fixture
def ask(store: DispatchStore, tmp_path: Path) -> Ask:
    """Asks a board that shows the scenario's sites: `ask(path, host=…)`."""
    text = (write_sites(tmp_path / "geofences") / "sites.geojson").read_text()
    places = Places(parse_sites({"sites.geojson": text}))
    link = BrokerLink(connected=True, since_s=NOW_S)

    def get(path: str, *, host: str = "localhost", **parts: Any) -> httpx.Response:
        board: dict[str, Any] = {
            "queries": Queries(store, places=places),
            "places": places,
            "clock": StoppedClock(NOW_S),
            "changes": Changes(),
            "broker": lambda: link,
        }
        transport = httpx.ASGITransport(app=create_app(Board(**(board | parts))))

        async def once() -> httpx.Response:
            async with httpx.AsyncClient(transport=transport, base_url=f"http://{host}") as client:
                return await client.get(path)

        return asyncio.run(once())

    return get


class _Text(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.parts: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []

    def handle_data(self, data: str) -> None:
        self.parts.append(data)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag in ("dt", "dd", "div", "span"):
            self.parts.append(" ")


def parsed(answer: httpx.Response) -> _Text:
    """A page as a parser sees it."""
    page = _Text()
    page.feed(answer.text)
    return page


def text_of(answer: httpx.Response) -> str:
    """A page's text with single blanks."""
    assert answer.status_code == 200, answer.text
    return re.sub(r"\s+", " ", "".join(parsed(answer).parts))


def test_vans_at_a_glance(ask: Ask, store: DispatchStore) -> None:
    """Each van says its link, place, last word, what is aboard, whether sure, and what to look at, with ages."""
    fill(store, now_s=NOW_S)
    text = text_of(ask("/"))
    silent, moving = text[text.index("van-03") : text.index("van-07")], text[text.index("van-07") :]
    assert "Urgent: not heard for 11 min" in silent
    assert "at Ostrand hire depot since 06:42" in silent
    assert "2 items" in silent
    assert "not yet sure" in silent
    assert "Urgent: not read: the reader does not answer for 25 min" in silent
    assert "antenna 2 is lost" in silent
    assert "3 records still to come" in silent
    assert "online" in moving
    assert "on the way, from Tern Street Playhouse" in moving
    assert "5 s ago" in moving
    assert "7 items, certain 1 more heard near" in moving
    assert "1 urgent, 1 to look at" in text
    assert "Order: what is urgent first, as of 08:06" in text


def test_a_van(ask: Ask, store: DispatchStore) -> None:
    """The page holds cargo, badges, legs with revisions, events with intervals, and how complete the record is."""
    fill(store, now_s=NOW_S)
    text = text_of(ask("/van/van-07"))
    assert "aboard, not heard lately likely 86 % 15 min ago 06:20 at Ostrand hire depot" in text
    assert "A. Ferrow: badge aboard, very likely 98 %" in text
    assert "driver" not in text.lower().replace("driver's notice", "")
    assert "Ostrand hire depot to Tern Street Playhouse departed 07:00, arrived 07:25 · 12 items · certain" in text
    assert "Tern Street Playhouse (not yet arrived) departed 08:00" in text
    assert "Revision 1, issued 07:02: 12 items, not yet sure" in text
    assert "Revision 2, issued 07:02: 12 items, certain (this one stands)" in text
    assert "already aboard when first tallied" in text
    tag = "1 tag aboard that the register does not list: 300833B2DDD9014000000000 (more likely than not 71 %)"
    assert tag in text
    assert "Tern Street Playhouse 07:35 to 08:00 · 4 unloaded, 0 loaded · 1 taken back" in text
    wrong = f"Taken back unloaded {item(11)['name']} 07:37 between 07:36 and 07:37 more likely than not 62 %"
    assert f"{wrong} it was wrong, said 08:03" in text
    assert "Reader up; receiver has a fix" in text
    assert "Program 0.1.0, start number 2, running since 06:00." in text
    assert "Works with sites version 3, register version 1 from here." in text
    assert "Epoch 1: 10 records received, all up to 10; nothing is missing." in text
    assert "Power was cut." in text
    gaps = text_of(ask("/van/van-03"))
    assert "3 records received, all up to 2; still missing 3 to 5" in gaps


def test_an_item(ask: Ask, store: DispatchStore) -> None:
    """An item's page says where it is by the standing events, and keeps what was taken back in sight."""
    fill(store, now_s=NOW_S)
    left = text_of(ask(f"/item/{item(0)['epc']}"))
    assert "At Tern Street Playhouse, unloaded 07:35 31 min ago; very likely 98 %" in left
    assert "unloaded from van-07 Tern Street Playhouse very likely 98 %" in left
    assert "no van has heard" in left
    doubted = text_of(ask(f"/item/{item(11)['epc']}"))
    assert "Aboard van-07, since 06:20" in doubted
    assert "Taken back unloaded" in doubted
    assert "It then called it heard near, doubtful 31 % aboard" in doubted
    assert "on the way, from Tern Street Playhouse, as it told 5 s ago" in doubted


def test_what_is_not_there(ask: Ask) -> None:
    """An unknown van, item or leg is said, as a page or as JSON."""
    for path in ("/van/van-99", "/item/urn:epc:id:grai:9521141.00012.9", "/nowhere"):
        answer = ask(path)
        assert (answer.status_code, "text/html" in answer.headers["content-type"]) == (404, True)
    for path in ("/api/van/van-99", "/api/manifest/van-99/2026-03-02/1", "/api/item/urn:x"):
        answer = ask(path)
        assert (answer.status_code, list(answer.json())) == (404, ["error"])


def test_the_api_says_what_the_pages_say(ask: Ask, store: DispatchStore) -> None:
    """The same facts as JSON, times as in the formats."""
    fill(store, now_s=NOW_S)
    silent, moving = ask("/api/vans").json()["vans"]
    assert (silent["link"], silent["aboard"], silent["missing"]) == ("quiet", 2, 3)
    assert moving["position"]["at"] == "2026-03-02T08:05:55.000Z"
    van = ask("/api/van/van-07").json()
    assert [leg["manifest"] for leg in van["manifests"]] == ["van-07/2026-03-02/2", "van-07/2026-03-02/1"]
    leg = ask("/api/manifest/van-07/2026-03-02/1").json()
    assert (leg["revision"], leg["arrived_at"], len(leg["items"])) == (2, "Tern Street Playhouse", 12)
    assert leg["departed"] == "2026-03-02T07:00:00.000Z"
    assert ask(f"/api/item/{item(0)['epc']}").json()["place"] == "Tern Street Playhouse"
    told = ask("/api/map").json()
    assert {each["id"] for each in told["sites"]["features"]} == {"depot", "playhouse", "quay", "hall"}
    assert told["vans"].keys() == {"van-03", "van-07"}


def test_a_withdrawn_leg_is_gone(ask: Ask, store: DispatchStore) -> None:
    """A leg that proved to be none is no leg of any page, which says that it was withdrawn."""
    day = VanDay()
    for revision, more in ((1, {}), (2, {"withdrawn": True})):
        day.manifest(1, revision, ("depot", DAY_S), [item(1)], **more)
    store.ingest(day.batches()[0], received_s=NOW_S)
    text = text_of(ask("/van/van-07"))
    assert "No leg yet" in text
    assert "proved to be none: van-07/2026-03-02/1" in text
    assert ask("/api/manifest/van-07/2026-03-02/1").status_code == 404


def test_against_the_plan(ask: Ask, store: DispatchStore) -> None:
    """Short and over stand in a leg's head and in words above its items, beside stand-ins and what no tag can check."""
    day = VanDay()
    fourth, fifth = item(4), item(5)
    planned = {
        "plan_version": 4,
        "short": [{"epc": fourth["epc"], "name": fourth["name"]}, {"type": "moving head", "quantity": 2, "line": "12"}],
        "over": [{"epc": fifth["epc"], "name": fifth["name"]}],
        "substituted": [{"epc": item(2)["epc"], "for": item(1)["epc"]}],
        "not_checked": [{"line": "7", "why": "untagged"}],
    }
    day.manifest(1, 1, ("depot", DAY_S), [item(2)], **planned)
    day.manifest(2, 1, ("playhouse", DAY_S + 600), [item(2)], plan_version=4, short=[], over=[])
    store.ingest(day.batches()[0], received_s=NOW_S)
    text = text_of(ask("/van/van-07"))
    assert "(not yet arrived) departed 06:00 · 1 item · certain · 2 short · 1 over" in text
    assert "As planned (version 4" in text
    assert f"Short, planned and not aboard: {fourth['name']}, 2 × moving head" in text  # noqa: RUF001 - as the page writes it
    assert f"Over, aboard and not planned: {fifth['name']}" in text
    assert f"Stand-ins: {item(2)['name']} for {item(1)['epc']}" in text
    assert "Not checked by tag: line 7 (untagged)" in text


def test_what_the_vans_computer_says(ask: Ask, store: DispatchStore) -> None:
    """A receiver without a fix, what was refused and why, and what waits to be sent are said."""
    reasons = ["line 3: site quay is unknown"]
    holding = {"plan": {"version": 4}, "refused": [{"what": "plan", "version": 5, "reasons": reasons}]}
    gps = {"state": "silent", "last_fix": format_utc(NOW_S - 600)}
    store.hear(word(status("van-07", holding=holding, gps=gps, backlog=3)), received_s=NOW_S)
    text = text_of(ask("/van/van-07"))
    assert "Not read places: the receiver is silent since 07:56, 10 min" in text
    assert "Refused plan version 5: line 3: site quay is unknown" in text
    assert "3 records waited to be sent." in text
    assert "Works with plan version 4 from here." in text


def test_what_is_wrong_with_the_receiver_is_said(ask: Ask, store: DispatchStore) -> None:
    """The van's own words, with what to do, beside the receiver's state; gone as soon as the van says nothing of it.

    They come from outside: markup in them is text.
    """
    fault = "gpsd answers, but its receiver /dev/ttyACM0 has said nothing for 40 s; check the cable and its power."
    gps = {"state": "silent", "last_fix": format_utc(NOW_S - 600)}
    store.hear(word(status("van-07", gps=gps | {"fault": f"<b>x</b> {fault}"})), received_s=NOW_S)
    page = ask("/van/van-07")
    assert f"Receiver, as first found: <b>x</b> {fault}" in text_of(page)
    assert "<b>x</b>" not in page.text
    assert ask("/api/van/van-07").json()["computer"]["receiver_fault"] == f"<b>x</b> {fault}"
    store.hear(word(status("van-07", gps=gps)), received_s=NOW_S + 1)
    assert "as first found" not in text_of(ask("/van/van-07"))


def test_a_full_disk_in_the_van_is_said(ask: Ask, store: DispatchStore) -> None:
    """The van's own words stand on its page as long as it says them; markup in them is text."""
    told = "<b>The disk is full</b>: free some."
    disk = {"state": "full", "since": format_utc(NOW_S - 60), "waiting": 2, "text": told}
    store.hear(word(status("van-07", disk=disk)), received_s=NOW_S)
    page = ask("/van/van-07")
    assert "Disk: <b>The disk is full</b>: free some." in text_of(page)
    assert "<b>The disk" not in page.text
    store.hear(word(status("van-07", disk={"state": "ok"})), received_s=NOW_S + 1)
    assert "Disk:" not in text_of(ask("/van/van-07"))


def test_stays_at_places() -> None:
    """A new stay begins with an arrival or at another place; what was taken back begins none and counts for nothing."""

    def event(step: str, place: str, at_s: float, *, voided: bool = False) -> EventView:
        each = (EventItemView("urn:x", "x", 0.9),) if step in {"loaded", "unloaded"} else ()
        return EventView(
            vehicle="van-07", event_id=f"{step}{at_s}{voided}", step=step, place=place, time_s=at_s,
            not_before_s=None, not_after_s=None, items=each, voided=voided, void_reason=None, declared_s=None,
        )  # fmt: skip

    told = [
        event("loaded", "depot", 10), event("departed", "depot", 20), event("arrived", "hall", 30),
        event("arrived", "hall", 31, voided=True), event("unloaded", "hall", 40),
        event("unloaded", "hall", 41, voided=True),
        event("departed", "hall", 50), event("arrived", "hall", 60), event("unloaded", "hall", 61),
    ]  # fmt: skip
    stays = visits(tuple(reversed(told)))
    assert [(stay.place, stay.from_s, stay.to_s, stay.loaded, stay.unloaded) for stay in stays] == [
        ("hall", 60, 61, 0, 1),
        ("hall", 30, 50, 0, 1),
        ("depot", 10, 20, 1, 0),
    ]
    assert [len(stay.taken_back) for stay in stays] == [0, 2, 0]


def test_a_manifest_of_nonsense_breaks_no_page(ask: Ask, store: DispatchStore) -> None:
    """What cannot be shown of a manifest is said in its place."""
    day = VanDay()
    day.add("manifest", day.manifest_body(1, 1, ("depot", DAY_S), []) | {"items": [7, None], "badges": "?"})
    store.ingest(day.batches()[0], received_s=NOW_S)
    assert "this manifest cannot be shown" in text_of(ask("/van/van-07"))
    assert ask("/").status_code == 200


def test_a_leg_may_lack_its_site(ask: Ask, store: DispatchStore) -> None:
    """A van on the way from a place that is no site, or on a leg whose manifest has not come in, is still shown."""
    day = VanDay()
    departed = {"site": None, "time": "2026-03-02T06:00:00.000Z"}
    day.add("manifest", day.manifest_body(2, 1, ("depot", DAY_S), [item(1)]) | {"departed": departed})
    store.ingest(day.batches()[0], received_s=NOW_S)
    store.hear(word(aboard("van-07", [], at_s=NOW_S)), received_s=NOW_S)
    store.hear(word(aboard("van-03", [], at_s=NOW_S)), received_s=NOW_S)
    assert text_of(ask("/")).count("on the way since") == 2


def test_hostile_names_stay_text(ask: Ask, store: DispatchStore) -> None:
    """Markup, right-to-left marks and ten thousand letters in names are shown as text: no tag of theirs is parsed."""
    day = VanDay()
    cargo = [item(1) | {"name": HOSTILE}]
    day.move("loading", "depot", DAY_S, cargo)
    day.manifest(1, 1, ("depot", DAY_S), cargo)
    day.add("notice", {"notice": "gap", "text": HOSTILE})
    store.ingest(day.batches()[0], received_s=NOW_S)
    badges = [{"epc": HOSTILE, "name": HOSTILE, "p": 0.5}]
    not_read = {"since": "never", "why": HOSTILE}
    held = aboard("van-07", cargo, at_s=NOW_S, badges=badges, not_read=not_read, state="stopped", site=HOSTILE)
    store.hear(word(held), received_s=NOW_S)
    for path in ("/", "/van/van-07", "/van/van-07?part=1", f"/item/{item(1)['epc']}"):
        answer = ask(path)
        page = parsed(answer)
        assert HOSTILE[:60] in "".join(page.parts)
        assert not [attrs for tag, attrs in page.tags if tag == "img" or "onerror" in attrs]
        assert all(attrs.get("src", "").startswith("/static/") for tag, attrs in page.tags if tag == "script")  # type: ignore[union-attr]


def test_every_answer_is_guarded(ask: Ask, store: DispatchStore) -> None:
    """A policy without `unsafe-`, no foreign host anywhere in the pages, and nobody else's name for the board."""
    fill(store, now_s=NOW_S)
    for path in ("/", "/van/van-07", "/driver-notice", "/api/vans", "/static/board.css", "/static/nothing"):
        answer = ask(path)
        policy = answer.headers["content-security-policy"]
        assert policy.startswith("default-src 'self'")
        assert "unsafe-" not in policy
        assert answer.headers["x-content-type-options"] == "nosniff"
        if "text/html" in answer.headers["content-type"]:
            addresses = [value for _, attrs in parsed(answer).tags for value in (attrs.get("src"), attrs.get("href"))]
            assert all(value is None or value.startswith(("/", "#")) for value in addresses)
            assert not re.search(r"\son\w+=|style=|javascript:", answer.text)
    assert ask("/", host="evil.example").status_code == 400


def test_the_wheel_holds_the_map(ask: Ask) -> None:
    """Leaflet and its licence are served from the package."""
    assert "Leaflet 1.9.4" in ask("/static/leaflet/leaflet.js").text[:200]
    assert "BSD 2-Clause" in ask("/static/leaflet/LICENSE").text


def test_a_board_that_hears_nothing_says_so(ask: Ask) -> None:
    """Without a broker every page says since when and why, and so does the health check."""
    link = BrokerLink(connected=False, since_s=NOW_S - 60, why="Connection refused")
    text = text_of(ask("/", broker=lambda: link))
    assert "This board does not hear the vans since 08:05: Connection refused." in text
    assert "No van has been heard yet" in text
    assert ask("/healthz", broker=lambda: link).json()["broker"] == "not connected"
    assert "Open to the network without log-in" in text_of(ask("/", open_to_network=True))


def test_the_last_will(ask: Ask, store: DispatchStore) -> None:
    """An offline van says since when, and keeps what it last told."""
    fill(store, now_s=NOW_S)
    store.hear(word(status("van-07", state="offline")), received_s=NOW_S - 20)
    text = text_of(ask("/van/van-07"))
    assert "offline for 20 s" in text
    assert "7 aboard" in text


def test_times_in_the_depots_zone(ask: Ask, store: DispatchStore) -> None:
    """Clock times are said in the zone that is configured."""
    fill(store, now_s=NOW_S)
    text = text_of(ask("/van/van-07", zone=ZoneInfo("Atlantic/Azores")))
    assert "departed 06:00, arrived 06:25" in text
    assert "Dispatch clock 07:06 UTC-01" in text


def test_the_drivers_notice(ask: Ask) -> None:
    """The notice says what is recorded, what is not, how long it is kept and when it stops, as configured."""
    text = text_of(ask("/driver-notice"))
    assert "No camera, no microphone" in text
    assert "A badge aboard proves neither who drove nor who carried anything." in text
    assert "badges and positions for 14 days, what was loaded and unloaded for 90 days" in text
    assert "for 7 days; no track of positions" in text
    assert "No working hours have been set" in text
    notice = DriverNotice(
        organisation="Ostrand Stage & Sound", working_hours="Mon to Sat, 06:00 to 20:00", keep_days=30
    )
    text = text_of(ask("/driver-notice", notice=notice))
    assert "from Ostrand Stage & Sound" in text
    assert "Working hours: Mon to Sat, 06:00 to 20:00. Outside them" in text
    assert "loaded and unloaded for 30 days" in text


def _luminance(colour: str) -> float:
    channels = (int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5))
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def test_text_has_contrast() -> None:
    """Text on every ground it stands on has 7:1 or more, light and dark (formula and bound: WCAG 2.2, 1.4.6)."""
    css = (Path(__file__).parents[2] / "agent/dispatch/static/board.css").read_text()
    schemes = [
        dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6});", block))
        for block in re.findall(r":root \{(.*?)\}", css, re.DOTALL)
    ]
    for scheme in schemes[:2]:
        pairs = [*itertools.product(("ink", "soft", "link", "calm", "heed"), ("ground", "sheet")), ("ink", "water")]
        pairs += [*itertools.product(("ink", "soft", "link", "heed"), ("heed-ground",))]
        for text, ground in pairs:
            dark, light = sorted((_luminance(scheme[text]), _luminance(scheme[ground])))
            assert (light + 0.05) / (dark + 0.05) >= 7.0, (text, ground)
    assert len(schemes) >= 2


def test_times_that_no_clock_shows(ask: Ask, store: DispatchStore) -> None:
    """Times at the calendar's ends and ages beyond any break no page and no answer."""
    day = VanDay()
    for time in ("9999-12-31T23:59:59.999Z", "0001-01-01T00:00:00.000Z"):
        event = day.move("loading", "depot", DAY_S, [item(1)])
        event |= {"eventTime": time, "rt:not_before": time, "rt:not_after": time, "eventID": f"ni:///{time}"}
    store.ingest(day.batches()[0], received_s=NOW_S)
    held = aboard("van-07", [item(1)], at_s=NOW_S)
    held["items"][0]["heard_s"] = -1e300
    store.hear(word(held), received_s=NOW_S)
    zone = ZoneInfo("Asia/Tokyo")
    for path in ("/", "/van/van-07", f"/item/{item(1)['epc']}", "/api/van/van-07", "/api/vans"):
        assert ask(path, zone=zone).status_code == 200, path


def test_a_van_that_only_sent_a_position(ask: Ask, store: DispatchStore) -> None:
    """A van of which little is known is shown with what is known."""
    store.hear(word(position("van-07", at_s=NOW_S)), received_s=NOW_S)
    records = (LogRecord(1, "event", {"nonsense": True}),)
    store.ingest(LogBatch("van-07", 1, records), received_s=NOW_S)
    text = text_of(ask("/van/van-07"))
    assert "place not known" in text
    assert "nothing told yet" in text
    assert "1 record could not be used" in text
