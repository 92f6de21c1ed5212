"""The sites' pages and forms, asked as a browser without script asks them."""

from __future__ import annotations

import asyncio
import html
import json
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from agent.dispatch.board import Board, create_app
from agent.dispatch.live import Changes
from agent.dispatch.places import Places
from agent.dispatch.queries import Queries
from agent.dispatch.site_desk import SiteDesk
from agent.dispatch.site_store import SiteStore
from agent.dispatch.store import DispatchStore, open_store
from agent.dispatch.views import BrokerLink
from tests.dispatch.scenario import DAY_S, HOSTILE, MINUTE_S, VanDay, status, word, write_sites
from tests.dispatch.test_board import StoppedClock
from tests.dispatch.test_site_hints import left
from tests.dispatch.test_sitebook import box, circle

NOW_S = DAY_S + 126 * MINUTE_S
CHANGING = (
    "/sites/hall",
    "/sites/hall/retire",
    "/new-site",
    "/site-import",
    "/site-import/save",
    "/site-versions/1/again",
    "/site-send",
)
Sent = list[tuple[int, Any]]


class Visitor:
    """A browser without script on a board of its own; `sent` is what went to the vans."""

    def __init__(self, store: DispatchStore, files: Any, *, publish: bool = True) -> None:
        self.sent: Sent = []
        places, clock = Places(), StoppedClock(NOW_S)
        sites = SiteStore(store)
        if files is not None:
            sites.seed(files, now_s=NOW_S)
        send = (lambda version, content: self.sent.append((version, content))) if publish else None
        self.desk = SiteDesk(sites, places, clock, publish=send, files=files)
        self.desk.take_up()
        self.places = places
        link = BrokerLink(connected=True, since_s=NOW_S)
        board = Board(
            queries=Queries(store, places=places), places=places, clock=clock, changes=Changes(),
            broker=lambda: link, sites=self.desk,
        )  # fmt: skip
        self._app = create_app(board)

    def ask(self, path: str, data: dict[str, str] | None = None, **more: Any) -> httpx.Response:
        """A page, or a form's answer after its redirect."""
        if data is not None:
            data = {"form_token": self.form("/new-site")["form_token"]} | data

        async def once() -> httpx.Response:
            transport = httpx.ASGITransport(app=self._app)
            async with httpx.AsyncClient(transport=transport, base_url="http://localhost") as client:
                if data is None:
                    return await client.get(path)
                headers = {"sec-fetch-site": "same-origin"} | more.pop("headers", {})
                answer = await client.post(path, data=data, headers=headers, **more)
                return await client.get(answer.headers["location"]) if answer.status_code == 303 else answer

        return asyncio.run(once())

    def form(self, path: str) -> dict[str, str]:
        """What a page's form would send as it stands."""
        return fields_in(self.ask(path).text)


def fields_in(page: str) -> dict[str, str]:
    """The fields of a page's first form but the search."""
    form = re.search(r'<form[^>]*method="post".*?</form>', page, re.DOTALL)
    assert form is not None
    fields: dict[str, str] = {}
    for tag in re.findall(r"<input[^>]*>", form[0]):
        name, value = re.search(r'name="([^"]*)"', tag), re.search(r'value="([^"]*)"', tag)
        if name and ("checked" in tag or not re.search(r"type=\"(checkbox|radio)\"", tag)):
            fields[name[1]] = html.unescape(value[1]) if value else ""
    for name, text in re.findall(r'<textarea[^>]*name="([^"]*)"[^>]*>(.*?)</textarea>', form[0], re.DOTALL):
        fields[name] = html.unescape(text)
    return fields


def drawing_in(page: str) -> dict[str, Any]:
    """What the page's script would draw."""
    found = re.search(r'data-drawing="([^"]*)"', page)
    assert found is not None
    return dict(json.loads(html.unescape(found[1])))


def text_of(answer: httpx.Response) -> str:
    """A page's text without tags, on one line."""
    return " ".join(html.unescape(re.sub(r"<[^>]*>", " ", answer.text)).split())


@pytest.fixture
def store(tmp_path: Path) -> Iterator[DispatchStore]:
    """An empty store in a file."""
    opened = open_store(tmp_path / "dispatch.sqlite")
    yield opened
    opened.close()


@pytest.fixture
def visit(store: DispatchStore, tmp_path: Path) -> Callable[..., Visitor]:
    """Makes a visitor of a board whose folder holds the scenario's sites."""
    files = {"sites.geojson": json.loads((write_sites(tmp_path / "geofences") / "sites.geojson").read_text())}
    return lambda **more: Visitor(store, more.pop("files", files), **more)


def test_a_site_is_changed_by_its_plain_form(visit: Callable[..., Visitor]) -> None:
    """Typed corners make version 2, a draft: neither the vans nor the board's map have it until it is sent."""
    visitor = visit()
    fields = visitor.form("/sites/depot")
    lines = fields["outline"].splitlines()
    assert len(lines) == 4
    fields["outline"] = "\n".join([*lines[:3], "48.3112, -31.2700", lines[3]])
    fields["note"] = "the new gate"
    shown = visitor.ask("/sites/depot", fields)
    assert shown.status_code == 200
    assert "48.3112, -31.27" in fields_in(shown.text)["outline"]
    overview = text_of(visitor.ask("/sites"))
    assert "Version 2 is a draft: no van has it." in overview
    assert "the new gate" in overview
    assert visitor.sent == []
    preview = visitor.ask("/site-send")
    assert re.search(r"outline: \d+ m² added, 0 m² taken away", text_of(preview))
    assert [each["look"] for each in drawing_in(preview.text)["features"]].count("before") == 1
    visitor.ask("/site-send", fields_in(preview.text))
    ((version, content),) = visitor.sent
    assert version == 2
    depot = next(each for each in content["features"] if each["id"] == "depot")
    assert [-31.27, 48.3112] in depot["geometry"]["coordinates"][0]
    assert "Version 2 counts" in text_of(visitor.ask("/sites"))


def test_wrong_lines_are_told_and_nothing_is_lost(visit: Callable[..., Visitor]) -> None:
    """A form with faults comes back as typed, with line, what stands there and what to do; no version is made."""
    visitor = visit()
    fields = visitor.form("/sites/depot") | {"outline": "48.1, -31.2\nthe corner\n131.2, 48.1", "name": "Depot X"}
    answer = visitor.ask("/sites/depot", fields)
    assert answer.status_code == 422
    told = text_of(answer)
    assert "line 2 the corner" in told
    assert "latitude comes first: swap them" in told
    again = fields_in(answer.text)
    assert (again["outline"], again["name"]) == (fields["outline"], "Depot X")
    assert len(visitor.desk.versions()) == 1


def test_what_the_vehicle_would_refuse_is_refused_here(visit: Callable[..., Visitor]) -> None:
    """An outline that crosses itself and an unknown time zone are both told, in the vehicle's own words."""
    visitor = visit()
    fields = visitor.form("/sites/depot")
    one, two, three, four = fields["outline"].splitlines()
    fields |= {"outline": f"{one}\n{three}\n{two}\n{four}", "timezone": "Atlantic/Azoren"}
    told = text_of(visitor.ask("/sites/depot", fields))
    assert "the outline crosses itself" in told
    assert "write Atlantic/Azores if that is meant" in told


def test_a_new_site_and_its_end(visit: Callable[..., Visitor]) -> None:
    """A circle is made, retired, and its id taken for another place only after a warning is confirmed."""
    visitor = visit()
    fields = visitor.form("/new-site?lat=48.3000&lon=-31.2500&radius_m=55")
    assert (fields["kind"], fields["centre"], fields["radius_m"]) == ("circle", "48.3000, -31.2500", "55")
    assert fields["timezone"] == "Etc/UTC"
    made = visitor.ask("/new-site", fields | {"id": "annex", "name": "Annex"})
    assert made.status_code == 200
    taken = visitor.ask("/new-site", visitor.form("/new-site") | {"id": "annex", "name": "Other"})
    assert "another site has this id" in text_of(taken)
    visitor.ask("/sites/annex/retire", {"base": "2"})
    assert visitor.ask("/sites/annex").status_code == 404
    elsewhere = visitor.form("/new-site?lat=48.3300&lon=-31.2100") | {"id": "annex", "name": "Barn"}
    warned = visitor.ask("/new-site", elsewhere)
    assert warned.status_code == 422
    assert "in version 2 the id annex stood for another place" in text_of(warned)
    assert len(visitor.desk.versions()) == 3
    visitor.ask("/new-site", elsewhere | {"same_place": "1"})
    assert [row.id for row in visitor.desk.rows(4)].count("annex") == 1


def test_two_dispatchers(visit: Callable[..., Visitor]) -> None:
    """Who saves over a version that was not seen is told, keeps what was typed, and can save again."""
    visitor = visit()
    mine, other = visitor.form("/sites/depot") | {"name": "Mine"}, visitor.form("/sites/hall") | {"name": "Theirs"}
    visitor.ask("/sites/hall", other)
    answer = visitor.ask("/sites/depot", mine)
    assert answer.status_code == 422
    assert "Somebody has saved another version" in text_of(answer)
    again = fields_in(answer.text)
    assert again["name"] == "Mine"
    assert visitor.ask("/sites/depot", again).status_code == 200
    assert {row.name for row in visitor.desk.rows(3)} >= {"Mine", "Theirs"}
    assert visitor.ask("/site-send", {"base": "2"}).status_code == 409
    assert visitor.sent == []


def test_an_import_is_previewed(visit: Callable[..., Visitor]) -> None:
    """New, changed and unchanged are counted and drawn over the old outlines; only then a version is made."""
    visitor = visit()
    depot = visitor.desk.book(1).feature("depot")
    assert depot is not None
    ring = [[lon + 0.0002, lat] for lon, lat in depot["geometry"]["coordinates"][0]]
    moved = depot | {"geometry": {"type": "Polygon", "coordinates": [ring]}}
    new = circle("annex", 0, 900, 40)
    text = json.dumps({"type": "FeatureCollection", "features": [moved, new]})
    preview = visitor.ask("/site-import", {"base": "1"}, files={"files": ("more.geojson", text.encode())})
    assert "1 new, 1 changed, 0 gone, 3 unchanged" in text_of(preview)
    looks = {(each["id"], each["look"]) for each in drawing_in(preview.text)["features"]}
    assert {("annex", "new"), ("depot", "before"), ("depot", "changed"), ("hall", "other")} <= looks
    assert len(visitor.desk.versions()) == 1
    saved = visitor.ask("/site-import/save", fields_in(preview.text))
    assert "imported from more.geojson" in text_of(saved)
    assert visitor.desk.book(2).feature("annex") == new
    whole = visitor.ask("/site-import", {"base": "2", "all": "1", "text": text})
    assert "0 new, 0 changed, 3 gone, 2 unchanged" in text_of(whole)


@pytest.mark.parametrize("uploaded", ["[]", "{", "7", '{"a.geojson": 7}', '{"a.geojson": "\u0161"}', '{"a": null}'])
def test_an_upload_that_no_page_made(visit: Callable[..., Visitor], uploaded: str) -> None:
    """A field in a file's place that holds something else is refused in words, not with a fault of the server."""
    answer = visit().ask("/site-import", {"base": "1", "uploaded": uploaded})
    assert (answer.status_code, "choose the files" in answer.text) == (400, True)


def test_an_import_tells_every_fault_at_once(visit: Callable[..., Visitor]) -> None:
    """Faults of all files stand in one table: file, feature, what stands there, what to do."""
    visitor = visit()
    bad = box("Bad Id", 0, 0, 60, 40)
    point = circle("well", 0, 0, 50)
    del point["properties"]["radius_m"]
    files = [
        ("files", ("one.geojson", json.dumps({"type": "FeatureCollection", "features": [bad, point]}).encode())),
        ("files", ("two.geojson", b"{")),
    ]
    answer = visitor.ask("/site-import", {"base": "1"}, files=files)
    assert answer.status_code == 422
    told = text_of(answer)
    assert "Nothing was imported: 3 things to mend" in told
    assert "this cannot be a site's id one.geojson, feature 1 (Bad Id)" in told
    assert "a Point needs radius_m" in told
    assert "two.geojson, line 1, column 2" in told
    utf16 = visitor.ask("/site-import", {"base": "1"}, files={"files": ("x.geojson", b"\xff\xfe{")})
    assert "this is no UTF-8 text" in text_of(utf16)


def test_the_export_comes_back_unchanged(visit: Callable[..., Visitor]) -> None:
    """What is exported is RFC 7946 and, imported, changes nothing."""
    visitor = visit()
    export = visitor.ask("/sites.geojson")
    assert export.headers["content-type"] == "application/geo+json"
    preview = visitor.ask("/site-import", {"base": "1", "text": export.text, "all": "1"})
    assert "0 new, 0 changed, 0 gone, 4 unchanged" in text_of(preview)
    assert visitor.ask("/sites.geojson?version=7").status_code == 404


def test_files_that_changed_later_are_said(visit: Callable[..., Visitor], store: DispatchStore) -> None:
    """The database counts, not the folder; the page says so and imports the folder with a preview."""
    before = visit()
    depot = before.desk.book(1).feature("depot")
    files = {"sites.geojson": {"type": "FeatureCollection", "features": [depot, circle("annex", 0, 900, 40)]}}
    visitor = visit(files=files)
    page = visitor.ask("/sites")
    assert "The files of the sites' folder are not those" in text_of(page)
    assert "annex" not in [row.id for row in visitor.desk.rows(1)]
    preview = visitor.ask("/site-import", {"base": "1", "from_files": "1"})
    assert "1 new, 0 changed, 0 gone, 4 unchanged" in text_of(preview)
    after = visitor.ask("/site-import/save", fields_in(preview.text))
    assert "The files of the sites' folder" not in text_of(after)
    assert store.vehicles() == ()


def test_an_earlier_version_comes_back(visit: Callable[..., Visitor]) -> None:
    """Taken up again, version 1 is saved as 3 and shown before it is sent; numbers only grow."""
    visitor = visit()
    visitor.ask("/sites/hall", visitor.form("/sites/hall") | {"name": "Old Corn Hall"})
    visitor.ask("/site-send", visitor.form("/site-send"))
    page = visitor.ask("/site-versions/1")
    assert "Numbers only grow" in text_of(page)
    preview = visitor.ask("/site-versions/1/again", fields_in(page.text))
    assert "name: Old Corn Hall, now Corn Hall, rear dock" in text_of(preview)
    visitor.ask("/site-send", fields_in(preview.text))
    assert [version for version, _ in visitor.sent] == [2, 3]
    assert visitor.places.name("hall") == "Corn Hall, rear dock"
    assert "name: Corn Hall, rear dock, now Old Corn Hall" in text_of(visitor.ask("/site-versions/2"))
    assert visitor.ask("/site-versions/9").status_code == 404


def test_what_vans_hold_is_shown(visit: Callable[..., Visitor], store: DispatchStore) -> None:
    """A van that holds the version in force has applied it; one that refused says why; one behind is told so."""
    visitor = visit()
    visitor.ask("/sites/hall", visitor.form("/sites/hall") | {"name": "Old Corn Hall"})
    visitor.ask("/site-send", visitor.form("/site-send"))
    refused = {"what": "sites", "version": 2, "reasons": ["a <b>bad</b> ring"]}
    for vehicle, holding in (
        ("van-01", {"sites": {"version": 2}}),
        ("van-02", {"sites": {"version": 1}}),
        ("van-03", {"sites": {"version": 1}, "refused": [refused]}),
        ("van-04", {}),
    ):
        store.hear(word(status(vehicle, holding=holding)), received_s=NOW_S)
    told = text_of(visitor.ask("/sites?part=1"))
    assert "van-01 version 2 applied" in told
    assert "van-02 version 1 of 2 not there yet" in told
    assert "van-03 version 1 of 2 refused version 2 ; it keeps the last good one. Why: a <b>bad</b> ring" in told
    assert "van-04 its own files not there yet" in told


def test_hints_lead_to_a_proposal(visit: Callable[..., Visitor], store: DispatchStore) -> None:
    """Stops beside an outline are told with a proposal in the site's own form; stops at no site begin a new one."""
    visitor = visit(files={"a.geojson": {"type": "FeatureCollection", "features": [box("yard", 0, 0, 60, 40)]}})
    day = VanDay()
    for leg in range(1, 12):
        left(day, leg, "yard", 5 + 5 * leg if leg < 10 else 30, -14 if leg < 10 else 20, at_s=DAY_S + leg)
    for leg in range(12, 18):
        left(day, leg, None, 3000 + leg, 0, at_s=DAY_S + leg)
    for batch in day.batches():
        store.ingest(batch, received_s=DAY_S)
    told = text_of(visitor.ask("/site-hints"))
    assert "vans stop 14 m outside this outline, 9 of 11 times (1 van)" in told
    assert "vans stopped 6 times within 13 m of this place that is no site" in told
    proposal = visitor.ask("/sites/yard?proposal=1")
    assert "A proposal, not saved" in text_of(proposal)
    assert len(visitor.desk.versions()) == 1
    visitor.ask("/sites/yard", fields_in(proposal.text))
    assert "None: no outline has three or more stops" in text_of(visitor.ask("/site-hints"))


def test_nothing_is_sent_where_the_settings_say_so(visit: Callable[..., Visitor]) -> None:
    """Without publishing, a version put in force counts on the board alone, and the pages say that."""
    visitor = visit(publish=False)
    visitor.ask("/sites/hall", visitor.form("/sites/hall") | {"name": "Old Corn Hall"})
    assert "it counts on this board alone" in text_of(visitor.ask("/site-send"))
    visitor.ask("/site-send", visitor.form("/site-send"))
    assert visitor.sent == []
    assert visitor.places.name("hall") == "Old Corn Hall"


def test_the_first_site_of_all(visit: Callable[..., Visitor]) -> None:
    """Without a folder everything works from nothing."""
    visitor = visit(files=None)
    for path in ("/sites", "/new-site", "/site-import", "/site-hints", "/site-send", "/sites.geojson"):
        assert visitor.ask(path).status_code == 200, path
    fields = visitor.form("/new-site") | {"id": "yard", "name": "Yard", "kind": "circle", "radius_m": "50"}
    assert visitor.ask("/new-site", fields | {"centre": "48.3, -31.2"}).status_code == 200
    visitor.ask("/site-send", visitor.form("/site-send"))
    assert [version for version, _ in visitor.sent] == [1]


def test_a_foreign_page_changes_nothing(visit: Callable[..., Visitor]) -> None:
    """A form that another site makes the browser send is refused, as is one without what only our pages hold."""
    visitor = visit()
    fields = visitor.form("/sites/hall")
    assert visitor.ask("/sites/hall", fields | {"form_token": "0" * 64}).status_code == 403
    for headers in ({"sec-fetch-site": "cross-site"}, {"sec-fetch-site": "same-site"}):
        for path in CHANGING:
            assert visitor.ask(path, fields, headers=headers).status_code == 403, path
    assert len(visitor.desk.versions()) == 1


def test_hostile_names_stay_text(visit: Callable[..., Visitor]) -> None:
    """Markup in names, ids and notes is shown as text on every page."""
    hostile = box("yard", 0, 0, 60, 40, name=HOSTILE)
    visitor = visit(files={"a.geojson": {"type": "FeatureCollection", "features": [hostile]}})
    evil = '"><script>alert(1)</script>'
    visitor.ask("/sites/yard/retire", {"base": "1", "note": evil})
    for path in ("/sites", "/site-send", "/site-versions/1", "/site-versions/2", "/site-hints"):
        page = visitor.ask(path)
        assert page.status_code == 200, path
        assert "<script>alert" not in page.text, path
    wrong = visitor.ask("/new-site", {"base": "2", "id": evil, "name": evil, "outline": evil, "kind": "outline"})
    assert "<script>alert" not in wrong.text
    assert visitor.ask("/sites/" + "x" * 3000).status_code == 404
