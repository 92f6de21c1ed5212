"""What real stops say of outlines, from records as they lie in the database; and the versions beside them."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import shapely
import sqlalchemy as sa

from agent.canonical import digest_of
from agent.dispatch.audit import COMMAND_LINE, AuditLog, Doer, Wanted
from agent.dispatch.site_hints import StopSeen, outside_hints, place_hints
from agent.dispatch.site_store import SiteBusyError, SiteStore
from agent.dispatch.sitebook import frame_of, in_metres, read_book
from agent.dispatch.store import DispatchStore, open_store
from agent.units import format_utc
from tests.dispatch.scenario import DAY_S, HOUR_S, MINUTE_S, VanDay, item, status, word
from tests.dispatch.test_sitebook import FRAME, box, circle

BOOK = read_book({"type": "FeatureCollection", "features": [box("yard", 0, 0, 60, 40), circle("quay", 500, 0, 50)]})


@pytest.fixture
def store(tmp_path: Path) -> Iterator[DispatchStore]:
    """An empty store in a file."""
    opened = open_store(tmp_path / "dispatch.sqlite")
    yield opened
    opened.close()


def seen(x_m: float, y_m: float, site: str | None, *, vehicle: str = "van-07", at_s: float = DAY_S) -> StopSeen:
    """A stop in metres from the yard's south-west corner."""
    lat, lon = FRAME.to_degrees(x_m, y_m)
    return StopSeen(vehicle, at_s, lat, lon, site)


def where(x_m: float, y_m: float) -> dict[str, float]:
    """A manifest's position."""
    lat, lon = FRAME.to_degrees(x_m, y_m)
    return {"lat": round(lat, 6), "lon": round(lon, 6), "error_m": 6.0}


def left(day: VanDay, leg: int, site: str | None, x_m: float, y_m: float, *, at_s: float, **more: Any) -> None:
    """A leg that left from there."""
    departed = {"site": site, "time": format_utc(at_s), "position": where(x_m, y_m)}
    body = day.manifest_body(leg, more.pop("revision", 1), (site or "", at_s), [], **more)
    day.add("manifest", body | {"departed": departed})


def test_vans_that_stop_14_m_outside() -> None:
    """9 of 11 stops 14 m south of the yard are told so, and the proposal holds all of them and the old outline."""
    outside = [seen(5 + 5 * n, -14, "yard", at_s=DAY_S + n) for n in range(9)]
    stops = [*outside, seen(30, 20, "yard"), seen(31, 21, "yard")]
    (hint,) = outside_hints(BOOK.sites, stops)
    assert (hint.site, hint.outside, hint.stops, hint.vans) == ("yard", 9, 11, 1)
    assert hint.distance_m == pytest.approx(14, abs=0.01)
    feature = box("yard", 0, 0, 60, 40) | {"geometry": hint.proposal["geometry"]}
    grown = read_book({"type": "FeatureCollection", "features": [feature]}).sites[0]
    frame = frame_of(BOOK.sites[0])
    shape = in_metres(grown, frame)
    assert all(shape.contains(shapely.Point(frame.to_metres(stop.lat, stop.lon))) for stop in stops)
    assert in_metres(BOOK.sites[0], frame).difference(shape).area < 30  # the 1 m to which it is simplified, at most
    assert shape.area < 2400 + 90 * 26


def test_a_circle_grows() -> None:
    """Stops 70 m from the middle of a circle of 50 m: 20 m outside; 80 m would hold them with 10 m to spare."""
    (hint,) = outside_hints(BOOK.sites, [seen(500, 70, "quay"), seen(500, -70, "quay"), seen(430, 0, "quay")])
    assert hint.distance_m == pytest.approx(20, abs=0.1)
    assert hint.proposal["radius_m"] == 80


def test_a_few_stops_outside_are_no_hint() -> None:
    """Two stops, three among seven, and stops within 5 m say nothing."""
    assert outside_hints(BOOK.sites, [seen(5, -14, "yard")] * 2) == ()
    assert outside_hints(BOOK.sites, [seen(5, -14, "yard")] * 3 + [seen(30, 20, "yard")] * 4) == ()
    assert outside_hints(BOOK.sites, [seen(5, -4.9, "yard")] * 9) == ()


def test_a_place_that_is_no_site() -> None:
    """Six stops within 40 m of one another are one place; two others elsewhere are none."""
    stops = [seen(2000 + 8 * n, 0, None, vehicle=f"van-0{n % 2}") for n in range(6)] + [seen(9000, 0, None)] * 2
    (hint,) = place_hints(stops, BOOK.sites)
    assert (hint.stops, hint.vans, hint.radius_m) == (6, 2, 30)
    x_m, y_m = FRAME.to_metres(hint.lat, hint.lon)
    assert (x_m, y_m) == (pytest.approx(2020, abs=1), pytest.approx(0, abs=1))
    made = read_book({"type": "FeatureCollection", "features": [*BOOK.features, circle("new", 2020, 0, 30)]})
    assert place_hints(stops, made.sites) == ()


def test_stops_from_the_records(store: DispatchStore) -> None:
    """The highest revision says where a van stood; withdrawn legs, withheld places and older days are left out.

    An event at a place that is no site counts where no leg has left it yet, and once only.
    """
    day = VanDay()
    left(day, 1, "yard", 5, -14, at_s=DAY_S)
    left(day, 1, "yard", 9, -15, at_s=DAY_S, revision=2)
    left(day, 2, None, 2000, 0, at_s=DAY_S + HOUR_S)
    left(day, 3, "yard", 0, 0, at_s=DAY_S + 2 * HOUR_S, withdrawn=True)
    left(day, 4, "withheld", 0, 0, at_s=DAY_S + 3 * HOUR_S)
    left(day, 5, "yard", 0, 0, at_s=DAY_S - 1)
    for x_m, at_s in ((2010, DAY_S + 50 * MINUTE_S), (7000, DAY_S + 4 * HOUR_S), (7003, DAY_S + 4.1 * HOUR_S)):
        event = day.move("unloading", "quay", at_s, [item(1)])
        at = where(x_m, 0)
        event["readPoint"] = {"id": f"geo:{at['lat']:.6f},{at['lon']:.6f};u=6.0"}
        del event["bizLocation"]
    for batch in day.batches():
        store.ingest(batch, received_s=DAY_S)
    stops, since_s = SiteStore(store).stops(since_s=DAY_S)
    assert since_s == DAY_S
    told = [(round(FRAME.to_metres(stop.lat, stop.lon)[0]), stop.site) for stop in stops]
    assert told == [(9, "yard"), (2000, None), (7003, None)]


def test_stops_are_found_by_an_index(store: DispatchStore) -> None:
    """Neither question walks through all manifests or all events."""
    queries = (
        "SELECT body FROM manifest WHERE departed_s >= 1 ORDER BY departed_s DESC LIMIT 9",
        "SELECT place FROM event WHERE place >= 'geo:' AND place < 'geo;' AND time_s >= 1 ORDER BY time_s DESC",
    )
    with store.reading() as connection:
        plans = [connection.execute(sa.text(f"EXPLAIN QUERY PLAN {query}")).all()[0].detail for query in queries]
    assert "USING INDEX manifest_by_departure" in plans[0]
    assert "USING INDEX event_at_no_site" in plans[1]


# -- versions ----------------------------------------------------------------------------------------------------------


def content(*features: dict[str, Any]) -> dict[str, Any]:
    """A FeatureCollection."""
    return {"type": "FeatureCollection", "features": list(features)}


def test_the_files_make_the_first_version_once(store: DispatchStore) -> None:
    """The folder seeds version 1, in force; a later start with other files makes none."""
    sites = SiteStore(store)
    assert sites.in_force() is None
    first = sites.seed({"a.geojson": content(box("yard", 0, 0, 60, 40))}, now_s=5.0)
    assert first is not None
    assert (first.version, first.sent_s, first.who) == (1, 5.0, None)
    assert sites.seed({"a.geojson": content()}, now_s=6.0) is None
    assert [each.version for each in sites.versions()] == [1]


def test_numbers_go_on_from_what_was_sent_before(store: DispatchStore) -> None:
    """A release without versions had sent version 4: the same content keeps 4, another becomes 5."""
    files = {"a.geojson": content(box("yard", 0, 0, 60, 40))}
    for version, digest in ((1, "a"), (4, digest_of(files))):
        with store.writing() as connection:
            connection.execute(
                sa.text("INSERT INTO downlink (what, version, digest, first_s) VALUES ('sites', :v, :d, 0)"),
                {"v": version, "d": digest},
            )
    sites = SiteStore(store)
    seeded = sites.seed(files, now_s=5.0)
    assert seeded is not None
    assert seeded.version == 4
    assert sites.save(content(), base=4, doer=COMMAND_LINE, note="", now_s=6.0) == 5


def test_a_draft_counts_for_nothing_until_it_is_sent(store: DispatchStore) -> None:
    """Saving makes a version, sending puts it in force; an earlier one comes back under a new number only."""
    sites = SiteStore(store)
    one, two = content(box("yard", 0, 0, 60, 40)), content(box("yard", 0, 0, 70, 40))
    sites.seed(one, now_s=1.0)
    assert sites.save(two, base=1, doer=Doer("mara", "127.0.0.1"), note="wider", now_s=2.0) == 2
    draft, _ = sites.versions()
    assert (draft.who, draft.note, draft.made_s, draft.sent_s) == ("mara", "wider", 2.0, None)
    in_force = sites.in_force()
    assert in_force is not None
    assert in_force.version == 1
    with pytest.raises(SiteBusyError):
        sites.send(1, doer=Doer("mara", "127.0.0.1"), now_s=3.0)
    assert sites.send(2, doer=Doer("jon", "127.0.0.1"), now_s=3.0) == two
    assert sites.save(one, base=2, doer=Doer("mara", "127.0.0.1"), note="version 1 again", now_s=4.0) == 3
    assert sites.save(one, base=3, doer=Doer("mara", "127.0.0.1"), note="nothing new", now_s=5.0) == 3
    assert [(each.version, each.sent_by) for each in sites.versions()] == [(3, None), (2, "jon"), (1, None)]
    assert store.version_of("sites", digest_of(two), now_s=9.0) == 2
    told = [(each.kind, each.subject, each.who) for each in AuditLog(store).entries(Wanted())]
    assert told == [
        ("sites-changed", "version 3", "mara"), ("sites-in-force", "version 2", "jon"),
        ("sites-changed", "version 2", "mara"),
    ]  # fmt: skip


def test_two_who_save_at_once(store: DispatchStore) -> None:
    """The second, who had not seen the first one's version, is told."""
    sites = SiteStore(store)
    sites.seed(content(), now_s=1.0)
    sites.save(content(box("yard", 0, 0, 60, 40)), base=1, doer=Doer("mara", "127.0.0.1"), note="", now_s=2.0)
    with pytest.raises(SiteBusyError):
        sites.save(content(circle("quay", 0, 0, 50)), base=1, doer=Doer("jon", "127.0.0.1"), note="", now_s=2.0)


def test_what_vans_hold(store: DispatchStore) -> None:
    """A van that refused a version says which it holds, why it refused, and its notice says since when."""
    refused = [{"what": "sites", "version": 4, "reasons": ["sites version 4, feature 1: the ring is not closed"]}]
    holding = {"sites": {"version": 3}, "refused": refused}
    store.hear(word(status("van-07", holding=holding)), received_s=DAY_S + 9)
    store.hear(word(status("van-03")), received_s=DAY_S + 8)
    day = VanDay("van-07")
    day.add("notice", {"notice": "sites-refused", "at": format_utc(DAY_S + 5), "vehicle": "van-07", "text": "…"})
    for batch in day.batches():
        store.ingest(batch, received_s=DAY_S)
    third, seventh = SiteStore(store).holdings()
    assert (third.vehicle, third.version, third.refused, third.reasons) == ("van-03", 3, None, ())
    assert (seventh.version, seventh.refused, seventh.refused_s) == (3, 4, DAY_S + 5)
    assert seventh.reasons == ("sites version 4, feature 1: the ring is not closed",)
