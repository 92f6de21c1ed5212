"""A van's day: the track kept, stops and legs, what is missing and why, what a revision changed, the drawings."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET
from zoneinfo import ZoneInfo

import httpx
import msgspec
import pytest
import sqlalchemy as sa

from agent.dispatch import schema
from agent.dispatch.differences import difference
from agent.dispatch.places import Places
from agent.dispatch.queries import Queries
from agent.dispatch.queries_day import DayQueries
from agent.dispatch.spans import Word, no_word_spans, not_read_spans, off_spans, points
from agent.dispatch.store import DispatchStore
from agent.dispatch.strip import draw, short
from agent.dispatch.strip_upright import draw_upright
from agent.dispatch.views import LoadedView, ManifestView
from agent.dispatch.views_day import DayView, SpanView
from agent.sites import parse_sites
from agent.units import format_utc
from tests.dispatch import whole_day
from tests.dispatch.scenario import DAY_S, VanDay, aboard, item, position, status, word, write_sites
from tests.dispatch.test_board import Ask, StoppedClock, ask, store, text_of
from tests.dispatch.whole_day import END_S, OFF, SILENT, at

__all__ = ["ask", "store"]  # fixtures
DATE = date(2026, 3, 2)
ROUTE = "/van/van-07/day/2026-03-02"


@pytest.fixture
def days(store: DispatchStore, tmp_path: Path) -> DayQueries:
    """Asks by the days of UTC."""
    return _days(store, tmp_path)


def _days(store: DispatchStore, folder: Path, zone: str = "UTC", *, keep_days: float = 14.0) -> DayQueries:
    text = (write_sites(folder / "geofences") / "sites.geojson").read_text()
    queries = Queries(store, places=Places(parse_sites({"sites.geojson": text})))
    return DayQueries(queries, zone=ZoneInfo(zone), keep_s=keep_days * 86400.0)


def _day(days: DayQueries, **more: Any) -> DayView:
    found = days.day("van-07", more.get("day", DATE), now_s=more.get("now_s", END_S))
    assert found is not None
    return found


def _track(store: DispatchStore) -> Sequence[sa.Row[Any]]:
    with store.reading() as connection:
        return connection.execute(sa.select(schema.track).order_by(schema.track.c.at_s)).all()


def _kinds(day: DayView, kind: str) -> list[SpanView]:
    return [each for each in day.spans if each.kind == kind]


# -- the track ---------------------------------------------------------------------------------------------------------


def test_a_standing_van_fills_no_table(store: DispatchStore) -> None:
    """Positions of a van that stands lengthen one row; a van that moves adds one where it has gone on."""
    for second in range(0, 3600, 30):
        body = position("van-07", at_s=DAY_S + second, speed_mps=0.0)
        store.hear(word(body), received_s=DAY_S + second + 1)
    (row,) = _track(store)
    assert (row.at_s, row.until_s) == (DAY_S, DAY_S + 3571)
    for step in range(1, 4):
        body = position("van-07", at_s=DAY_S + 3600 + 30 * step, lat=48.309 + 0.001 * step)  # 111 m each
        store.hear(word(body), received_s=DAY_S + 3600 + 30 * step)
    assert [row.kind for row in _track(store)] == ["position"] * 4


def test_what_a_broker_remembers_is_no_sign_of_life(store: DispatchStore) -> None:
    """A retained position or list adds nothing to the track; a live word without a position does, and a last will."""
    store.hear(word(position("van-07", at_s=DAY_S)), received_s=DAY_S, retained=True)
    store.hear(word(aboard("van-07", [], at_s=DAY_S)), received_s=DAY_S, retained=True)
    assert _track(store) == []
    store.hear(word(status("van-07")), received_s=DAY_S)
    store.hear(word(status("van-07")), received_s=DAY_S + 60)
    store.hear(word({"v": 1, "vehicle": "van-07", "state": "offline"}), received_s=DAY_S + 90)
    assert [(row.kind, row.until_s - DAY_S) for row in _track(store)] == [("word", 60), ("lost", 90)]


def test_a_position_of_another_time_is_not_drawn(store: DispatchStore) -> None:
    """A fix dated years off, by a receiver that rolled over, is a word and no point of the day's way."""
    store.hear(word(position("van-07", at_s=DAY_S - 1024 * 7 * 86400)), received_s=DAY_S)
    assert [(row.kind, row.at_s, row.lat) for row in _track(store)] == [("word", DAY_S, None)]


def test_records_are_signs_of_life(store: DispatchStore) -> None:
    """A batch of records is a word from the van, though it holds no position."""
    for batch in whole_day.records().batches():
        store.ingest(batch, received_s=DAY_S)
    assert [row.kind for row in _track(store)] == ["word"]


def test_the_track_goes_with_the_badges(store: DispatchStore, days: DayQueries) -> None:
    """After the days that badges are kept no point is left; the day still has its stops, and says why no track."""
    whole_day.fill(store)
    assert len(_track(store)) > 50
    store.forget(records_before_s=0.0, badges_before_s=END_S + 1)
    assert _track(store) == []
    day = _day(days, now_s=END_S + 15 * 86400)
    assert (len(day.stops), len(day.legs), day.track) == (5, 4, ())
    assert all(stop.spot is not None for stop in day.stops)
    assert day.track_note is not None
    assert day.track_note.startswith("Positions are deleted after 14 days")
    assert _kinds(day, "no word") == []  # words that were deleted prove no silence


# -- stops and legs ----------------------------------------------------------------------------------------------------


def test_the_day_by_its_stops(store: DispatchStore, days: DayQueries) -> None:
    """Stops lie between arrivals and departures, numbered; each knows where it was and what got on and off there."""
    whole_day.fill(store)
    day = _day(days)
    told = [(each.number, each.place, each.unloaded, each.loaded) for each in day.stops]
    assert told == [
        (1, "Ostrand hire depot", 0, 12),
        (2, "Tern Street Playhouse", 4, 0),
        (3, "Quay Seven stage", 0, 0),
        (4, "a place that is no site", 0, 0),
        (5, "Corn Hall, rear dock", 3, 0),
    ]
    assert [(each.from_s, each.until_s) for each in day.stops[1:3]] == [(at(85), at(120)), (at(150), at(180))]
    assert (day.stops[0].from_s, day.stops[4].until_s) == (None, None)
    assert [(leg.from_stop, leg.to_stop) for leg in day.legs] == [(1, 2), (2, 3), (3, 4), (4, 5)]
    assert [each.void_reason for each in day.stops[1].taken_back] == ["it was wrong"]
    spot = day.stops[3].spot
    assert spot is not None
    assert (spot.lat, spot.lon, spot.by) == (*whole_day.YARD, "departure")
    assert day.stops[4].spot is not None
    assert day.stops[4].spot.by == "track"
    assert day.unplaced == ()


def test_a_day_without_any_coverage(store: DispatchStore, days: DayQueries) -> None:
    """Of records alone, come in at night: every stop is there; the last, whose departure is unknown, in its outline."""
    for batch in whole_day.records().batches():
        store.ingest(batch, received_s=END_S)
    day = _day(days)
    assert [stop.number for stop in day.stops] == [1, 2, 3, 4, 5]
    last = day.stops[4].spot
    assert last is not None
    assert last.by == "outline"
    assert (last.lat, last.lon) == pytest.approx((48.283, -31.243), abs=1e-6)  # the middle of scenario's Corn Hall
    assert day.track_note == "No position came in on this day while the van was on line; only its stops are known."


def test_an_arrival_that_never_came_in(store: DispatchStore, days: DayQueries) -> None:
    """A leg without an arrival ends by the next departure at the latest; its stop is known by that alone."""
    day = VanDay("van-07")
    day.manifest(1, 1, ("depot", at(60)), [item(1)])
    day.manifest(2, 1, ("quay", at(120)), [item(1)])
    store.ingest(day.batches()[0], received_s=END_S)
    found = _day(days)
    assert [(stop.place, stop.from_s, stop.until_s) for stop in found.stops] == [
        ("Ostrand hire depot", None, at(60)),
        ("Quay Seven stage", None, at(120)),
    ]
    first, second = found.legs
    assert (first.until_s, first.known_until_s, first.to_stop) == (None, at(120), 2)
    assert (second.until_s, second.known_until_s, second.to_stop) == (None, END_S, None)


def test_a_leg_over_midnight(store: DispatchStore, days: DayQueries) -> None:
    """It stands on both days, clipped on each; the stop that it began from is of the first day alone."""
    day = VanDay("van-07")
    late_s = DAY_S + 17.5 * 3600  # 23:30
    arrived = {"site": "quay", "time": format_utc(late_s + 3600)}
    day.manifest(1, 1, ("depot", late_s), [item(1)], arrived=arrived)
    store.ingest(day.batches()[0], received_s=late_s + 4000)
    before, after = (_day(days, day=date(2026, 3, number), now_s=late_s + 7200) for number in (2, 3))
    assert [len(each.legs) for each in (before, after)] == [1, 1]
    assert ([s.place for s in before.stops], [s.place for s in after.stops]) == (
        ["Ostrand hire depot"],
        ["Quay Seven stage"],
    )
    assert (before.next, after.previous) == ("2026-03-03", "2026-03-02")
    assert after.legs[0].from_stop is None


@pytest.mark.parametrize(("day", "hours"), [("2026-03-29", 23), ("2026-10-25", 25), ("2026-03-02", 24)])
def test_a_day_is_the_zones(store: DispatchStore, tmp_path: Path, day: str, hours: int) -> None:
    """From midnight to midnight where the board is: 23 hours when clocks go forward, 25 when back (EU, 2026)."""
    store.hear(word(status("van-07")), received_s=DAY_S)
    found = _days(store, tmp_path, "Europe/Berlin").day("van-07", date.fromisoformat(day), now_s=DAY_S)
    assert found is not None
    assert (found.until_s - found.from_s) / 3600 == hours


# -- what is missing ---------------------------------------------------------------------------------------------------


def test_missing_stretches_are_told_apart(store: DispatchStore, days: DayQueries) -> None:
    """A dead zone, a power cut and a reader that was down are three things; the cut is no dead zone as well."""
    whole_day.fill(store)
    day = _day(days)
    (off,) = _kinds(day, "off")
    assert (off.from_s, off.until_s, off.not_known) == (at(OFF[0]), at(OFF[1]), None)
    (silent,) = _kinds(day, "no word")
    assert silent.from_s == pytest.approx(at(SILENT[0]), abs=61)
    assert silent.until_s == at(SILENT[1])
    assert "its computer ran: 2 records of that time came later" in silent.why
    not_read = [(each.from_s, each.until_s, each.why) for each in _kinds(day, "not read")]
    assert not_read == [
        (at(130), at(136), "the reader is down"),  # a manifest and two notices say it: told once
        (at(250), at(270), "the reader is asleep, to spare the battery"),
    ]


def _words(*ends: tuple[float, float]) -> tuple[Word, ...]:
    return tuple(Word(low, high) for low, high in ends)


def _silences(words: Sequence[Word], off: Sequence[SpanView] = (), recorded: Sequence[float] = ()) -> list[SpanView]:
    return list(no_word_spans(words, off=off, recorded_s=recorded, from_s=0.0, until_s=86400.0, now_s=86400.0))


def test_a_silence_that_a_receiver_explains() -> None:
    """Below a quarter of an hour a receiver without a fix explains it too, and that is said; a minute is nothing."""
    (quiet, dead) = _silences(_words((0, 100), (600, 700), (760, 5000), (9000, 86400)))
    assert (quiet.kind, quiet.from_s, quiet.until_s) == ("quiet", 100, 600)
    assert quiet.not_known == "whether it was the network, or a receiver without a fix"
    assert (dead.kind, dead.from_s, dead.until_s, dead.not_known) == ("no word", 5000, 9000, "whether its computer ran")


def test_a_lost_connection_is_a_silence_of_the_network() -> None:
    """The broker's last will inside a short silence settles what it was."""
    words = (Word(0, 100), Word(300, 300, lost=True), Word(600, 86400))
    (silent,) = _silences(words)
    assert (silent.kind, silent.until_s) == ("no word", 600)
    assert "the broker lost the connection" in silent.why


def test_off_is_cut_out_of_a_silence() -> None:
    """Only what the power cut does not explain is left of a silence, on both sides of it."""
    off = SpanView(kind="off", from_s=2000.0, until_s=4000.0, why="off")
    found = _silences(_words((0, 1000), (9000, 86400)), [off], [5000.0])
    assert [(each.from_s, each.until_s) for each in found] == [(1000, 2000), (4000, 9000)]
    assert [each.not_known is None for each in found] == [False, True]


def test_a_silence_that_lasts() -> None:
    """A van that says nothing since is drawn on until now, and its end is open."""
    (silent,) = _silences(_words((0, 1000)))
    assert (silent.kind, silent.from_s, silent.until_s) == ("no word", 1000, None)


def test_a_start_whose_time_was_never_told() -> None:
    """A computer that began again and has told no time since: when it stopped is known, the rest is said not to be."""
    since = format_utc(at(10))
    (span,) = off_spans([{"notice": "gap", "at": None, "since": since}])
    assert (span.from_s, span.until_s) == (at(10), None)
    assert span.not_known is not None
    known = {"notice": "gap-was", "since": since, "until": format_utc(at(12))}
    assert [each.until_s for each in off_spans([{"notice": "gap", "since": since}, known])] == [at(12)]


def test_each_antenna_by_itself() -> None:
    """The reader's own notices name the antenna in their sentence alone; one that comes back ends its own silence."""
    told = [("antenna-lost", 1, 10), ("antenna-lost", 2, 11), ("antenna-back", 2, 12)]
    notices = [
        {"notice": code, "at": format_utc(at(minute)), "text": f"Antenna {antenna} is it."}
        for code, antenna, minute in told
    ]
    found = {each.why: each.until_s for each in not_read_spans(notices, [])}
    assert found == {"antenna 1 is lost": None, "antenna 2 is lost": at(12)}
    assert not any(each.whole for each in not_read_spans(notices, []))


def test_a_way_that_is_not_known_is_apart() -> None:
    """Two positions with more than four minutes between them are joined by no known way; standing long is no break."""
    words = [Word(0, 3000, lat=1.0, lon=1.0), Word(3060, 3060, lat=1.1, lon=1.0), Word(3400, 3400, lat=1.2, lon=1.0)]
    assert [each.apart for each in points(words)] == [False, False, True]


# -- revisions ---------------------------------------------------------------------------------------------------------


def _leg(items: dict[str, float], **more: Any) -> ManifestView:
    lines = tuple(LoadedView(epc, epc, p, None, None, None, None) for epc, p in items.items())
    given: dict[str, Any] = {
        "vehicle": "van-07", "manifest": "m", "leg": "1", "trip": None, "revision": 1, "departed_from": "depot",
        "departed_s": DAY_S, "arrived_at": None, "arrived_s": None, "certain": False, "badges": (), "unlisted": (),
        "plan_version": None, "short": (), "over": (), "substituted": (), "not_checked": (), "not_read": (),
        "revisions": (),
    }  # fmt: skip
    return ManifestView(**(given | {"items": lines} | more))


def test_what_a_revision_changed() -> None:
    """Added, gone, said in another word, and now certain; a figure that moves within its word is no change."""
    before = _leg({"a": 0.999, "b": 0.97, "c": 0.6})
    found = difference(before, _leg({"a": 0.996, "b": 0.81, "d": 0.99}, certain=True, arrived_at="quay", arrived_s=1.0))
    assert [[each.epc for each in told] for told in (found.added, found.gone, found.changed)] == [["d"], ["c"], ["b"]]
    assert found.lines == ("The set is now certain.", "The arrival is now known: quay.")
    assert difference(before, _leg({"a": 0.998, "b": 0.96, "c": 0.61})).is_none


def test_every_revision_is_reachable(ask: Ask, store: DispatchStore) -> None:
    """The standing one and each before it have an address; each says what it changed, in words and figures."""
    whole_day.fill(store)
    path = "/manifest/van-07/2026-03-02/1"
    text = text_of(ask(path))
    assert "Revision 2, issued 07:02" in text
    assert "Added: amplifier rack 111 likely 81 %" in text
    assert "Less sure: moving head 100, before as good as certain 99.8 %, now likely 86 %" in text
    first = text_of(ask(f"{path}?revision=1"))
    assert "Revision 1 no longer stands." in first
    assert "11 items" in first
    assert ask(f"{path}?revision=3").status_code == 404
    printed = text_of(ask(f"{path}/print?revision=1"))
    assert "Revision 1 no longer stands; a later one does." in printed
    assert "Badge aboard A. Ferrow" in printed.replace("  ", " ")
    assert "driver" not in printed.lower()
    told = ask("/api/manifest/van-07/2026-03-02/1/revisions").json()
    assert [(each["revision"], each["stands"]) for each in told["issues"]] == [(1, False), (2, True)]
    assert [each["epc"] for each in told["issues"][1]["difference"]["added"]] == [item(11)["epc"]]


def test_a_number_issued_twice(ask: Ask, store: DispatchStore) -> None:
    """A restored vehicle that issues revision 1 anew loses neither: both have their address, and it is said."""
    for epoch, cargo in ((1, [item(1)]), (2, [item(1), item(2)])):
        day = VanDay("van-07", epoch=epoch)
        day.manifest(1, 1, ("depot", at(60)), cargo)
        store.ingest(day.batches()[0], received_s=END_S)
    told = ask("/api/manifest/van-07/2026-03-02/1/revisions").json()
    keys = [each["key"] for each in told["issues"]]
    assert keys == ["1-1.1", "1"]
    found = [text_of(ask(f"/manifest/van-07/2026-03-02/1?revision={key}")) for key in keys]
    assert ["1 item Item" in found[0], "2 items Item" in found[1]] == [True, True]
    assert "this number was issued before with other content" in found[0]


# -- pages and drawings ------------------------------------------------------------------------------------------------


def test_the_page_says_what_the_strip_draws(ask: Ask, store: DispatchStore) -> None:
    """Every stop, leg and missing stretch has its row, with corrections shown as what they are."""
    whole_day.fill(store)
    text = text_of(ask(ROUTE, clock=StoppedClock(END_S)))
    for row in (
        "Stop 2 07:25 08:00 Tern Street Playhouse 4 unloaded, 0 loaded 1 taken back",
        "Leg 1 07:00 07:25 Ostrand hire depot to Tern Street Playhouse 12 items, certain",
        "Computer off 08:40 08:52 the van's computer was off",
        "Not read 08:10 08:16 the reader is down",
    ):
        assert row in re.sub(r"\s+", " ", text), row
    assert "Taken back unloaded it was wrong, said 08:03 07:37" in text
    assert "unloaded 07:35 between 07:34 and 07:35 very likely 98 %" in text


def test_the_days_twin_as_json(ask: Ask, store: DispatchStore) -> None:
    """The API holds the same stops, legs, stretches and track, with times as RFC 3339."""
    whole_day.fill(store)
    told = ask(f"/api{ROUTE}", clock=StoppedClock(END_S)).json()
    assert [stop["place"] for stop in told["stops"]][:2] == ["Ostrand hire depot", "Tern Street Playhouse"]
    assert told["stops"][1]["from"] == "2026-03-02T07:25:00.000Z"
    assert told["legs"][0]["manifest"]["manifest"] == "van-07/2026-03-02/1"
    assert {each["kind"] for each in told["spans"]} == {"off", "no word", "not read"}
    assert sum(point["apart"] for point in told["track"]) == 2  # the dead zone and the power cut
    assert ask("/api/van/van-99/day/2026-03-02").status_code == 404
    assert ask("/api/van/van-07/day/2026-02-30").json()["error"].startswith("2026-02-30 is no day")


@pytest.mark.parametrize("path", ["/van/van-07/day", "/van/van-07/day?date=2026-03-02"])
def test_a_day_is_chosen(ask: Ask, store: DispatchStore, path: str) -> None:
    """Without a date it is today's, with one that one, by an address that can be kept; nonsense is told as such."""
    whole_day.fill(store)
    answer = ask(path, clock=StoppedClock(END_S))
    assert (answer.status_code, answer.headers["location"]) == (303, ROUTE)
    assert ask("/van/van-07/day?date=tomorrow").status_code == 404
    assert ask("/van/%2Fevil.example/day").status_code == 404
    for text in ("0001-01-01", "9999-12-31"):
        assert ask(f"/van/van-07/day/{text}").status_code == 404


def _svgs(answer: httpx.Response) -> list[ET.Element]:
    return [ET.fromstring(each) for each in re.findall(r"<svg class=\"strip .*?</svg>", answer.text, re.DOTALL)]  # noqa: S314 - our own


def test_both_drawings_hold_the_same(ask: Ask, store: DispatchStore) -> None:
    """Lying and upright: a bar for each stop, a line for each leg, a bar for each missing stretch, to one scale."""
    whole_day.fill(store)
    for svg in _svgs(ask(ROUTE, clock=StoppedClock(END_S))):
        kinds = [each.get("class", "") for each in svg.iter()]
        assert sum(kind.startswith("strip-stop") for kind in kinds) == 5
        assert sum(kind.startswith("strip-leg") for kind in kinds) == 4
        assert [kinds.count(f"strip-{kind}") for kind in ("off", "no-word", "not-read")] == [1, 1, 2]
        side = "width" if "strip-wide" in (svg.get("class") or "") else "height"
        length = {each.get("data-stop"): float(each.get(side) or 0) for each in svg.iter() if each.get("data-stop")}
        assert length["2"] / length["3"] == pytest.approx(35 / 30, rel=0.01)  # minutes that it stood at both
        assert length["4"] / length["3"] == pytest.approx(15 / 30, rel=0.01)


def test_a_day_of_many_stops_stays_readable(store: DispatchStore, days: DayQueries) -> None:
    """Forty stops of two minutes: no two numbers lie on each other, lying or upright, and all are inside."""
    day = VanDay("van-07")
    for leg in range(40):
        arrived = {"site": "quay" if leg % 2 else "hall", "time": format_utc(at(60 + 6 * leg + 4))}
        day.manifest(leg + 1, 1, ("hall" if leg % 2 else "quay", at(60 + 6 * leg)), [item(1)], arrived=arrived)
    for batch in day.batches():
        store.ingest(batch, received_s=END_S)
    found = _day(days, now_s=at(600))
    assert len(found.stops) == 41
    for text in (draw(found, clock=str), draw_upright(found, clock=str)):
        svg = ET.fromstring(text)  # noqa: S314 - our own
        discs = [
            (float(each.get("cx") or 0), float(each.get("cy") or 0))
            for each in svg.iter()
            if each.get("class") == "strip-disc"
        ]
        assert len(discs) == 41
        for number, (x, y) in enumerate(discs):
            assert all((x - a) ** 2 + (y - b) ** 2 >= 24**2 for a, b in discs[:number])
        width, height = (float(each) for each in (svg.get("viewBox") or "").split()[2:])
        assert all(0 <= x <= width and 0 <= y <= height for x, y in discs)


def test_hostile_names_in_the_drawing(ask: Ask, store: DispatchStore) -> None:
    """Markup is text, marks that turn letters around are gone, ten thousand letters are cut."""
    whole_day.fill(store)
    whole_day.hostile(store)
    answer = ask(ROUTE, clock=StoppedClock(END_S))
    assert "<script>alert" not in answer.text
    texts = [each.text or "" for svg in _svgs(answer) for each in svg.iter() if each.get("class") == "strip-place"]
    assert any(each.startswith("\u2068<script") for each in texts)
    assert all("\u202e" not in each and len(each) < 80 for each in texts)
    assert short("\u202eab\u0000c" + "d" * 50, 5) == "\u2068abcd…\u2069"


def test_a_day_of_which_nothing_is_known(ask: Ask, store: DispatchStore) -> None:
    """A quiet Sunday has a page that says so, a whole day's strip, and a way to the day before."""
    whole_day.fill(store)
    later = StoppedClock(END_S + 86400 * 2)
    text = text_of(ask("/van/van-07/day/2026-03-03", clock=later))
    assert "Earlier: 2026-03-02" in text
    assert "No word" in text
    assert "Corn Hall, rear dock" in text  # it stands there still, as far as told


def test_a_manifest_that_cannot_be_shown(ask: Ask, store: DispatchStore) -> None:
    """A leg whose document is of another shape stands in the day with what is wrong about it."""
    day = VanDay("van-07")
    body = day.manifest_body(1, 1, ("depot", at(60)), [item(1)])
    day.add("manifest", body | {"plan_version": "the fourth"})
    store.ingest(day.batches()[0], received_s=END_S)
    for path in (ROUTE, "/manifest/van-07/2026-03-02/1"):
        assert "this manifest cannot be shown" in text_of(ask(path, clock=StoppedClock(END_S)))


def test_views_are_whole_json(store: DispatchStore, days: DayQueries) -> None:
    """A day goes to JSON and back without loss."""
    whole_day.fill(store)
    day = _day(days)
    assert msgspec.convert(msgspec.json.decode(msgspec.json.encode(day)), DayView) == day
