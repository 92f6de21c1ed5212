"""The whole tally on little recordings made by hand: what it says, when, and what it leaves unsaid."""

from __future__ import annotations

import pytest

from agent.pace import distance_m
from agent.pipeline import step
from agent.records import Boot, Inventory, ReaderState, Tick
from agent.units import parse_utc
from tests.days import BADGE, EPCS, FRAME, ITEMS, STRANGER, UTC_S, VEHICLE, Scene, setup_of, tell

NO_INPUTS = VEHICLE[: VEHICLE.index("[inputs]")]
# In the scenes' zone, Atlantic/Azores, 05:40 UTC is 04:40.


def loaded_at_depot(**options: float) -> Scene:
    """Doors open at the depot, two cases brought in at 60 s and 180 s, doors shut; it leaves at 300 s."""
    scene = Scene(**options).doors(on=True).stay(60).hear("case-1").stay(120).hear("case-2").stay(100)  # type: ignore[arg-type]
    return scene.doors(on=False).stay(20)


def delivery() -> Scene:
    """From the depot to the hall, where case 1 gets off at 560 s, and home, where case 2 does at 1100 s."""
    scene = loaded_at_depot().drive("hall").doors(on=True).stay(60).lose("case-1").stay(240).doors(on=False).stay(20)
    return scene.drive("depot").doors(on=True).stay(80).lose("case-2").stay(300).doors(on=False).stay(100)


def test_a_delivery_is_told_with_its_sites_and_within_its_intervals() -> None:
    """Two loads, two unloads, two legs; each true time lies in the stated interval."""
    told = tell(delivery())
    assert told.moves() == [
        ("load", "case-1", "depot"),
        ("load", "case-2", "depot"),
        ("unload", "case-1", "hall"),
        ("unload", "case-2", "depot"),
    ]
    assert told.items() == [{"case-1", "case-2"}, {"case-2"}]
    moves = sorted((e for e in told.standing if e["action"] in {"ADD", "DELETE"}), key=lambda e: e["eventTime"])
    for event, true_s in zip(moves, [60.0, 180.0, 560.0, 1100.0], strict=True):
        assert parse_utc(event["rt:not_before"]) <= UTC_S + true_s <= parse_utc(event["rt:not_after"])
        assert event["parentID"] == "urn:epc:id:giai:9521141.70007"
        assert event["eventTimeZoneOffset"] == "-01:00"


def test_departures_and_arrivals_are_told_at_their_times() -> None:
    """Left at 300 s and 820 s, arrived at 500 s and 1020 s, within seconds."""
    told = tell(delivery())
    departed, arrived = ([e for e in told.standing if e["bizStep"] == step] for step in ("departing", "arriving"))
    assert [parse_utc(e["eventTime"]) - UTC_S for e in departed] == pytest.approx([300.0, 820.0], abs=3.0)
    assert [parse_utc(e["eventTime"]) - UTC_S for e in arrived] == pytest.approx([500.0, 1020.0], abs=3.0)
    assert departed[0]["childEPCs"] == [EPCS["case-1"], EPCS["case-2"]]
    assert [e["bizLocation"]["id"] for e in arrived] == ["urn:roadtally:site:hall", "urn:epc:id:sgln:9521141.00001.0"]
    assert [m["arrived"]["site"] for m in told.final()] == ["hall", "depot"]
    assert [m["manifest"] for m in told.final()] == ["van-07/2026-03-02/1", "van-07/2026-03-02/2"]


def test_a_manifests_line_says_where_the_item_got_on() -> None:
    """Site, time and interval of the loading stand in the item's line."""
    line = tell(delivery()).final()[1]["items"][0]
    assert (line["epc"], line["tag"], line["name"]) == (EPCS["case-2"], ITEMS["case-2"].tag, "case 2")
    assert line["loaded"]["site"] == "depot"
    assert line["loaded"]["not_before"] <= line["loaded"]["time"] <= line["loaded"]["not_after"]


def test_the_first_manifest_comes_within_three_minutes() -> None:
    """Revision 1 is issued after the sweep and at most 180 s after the departure (formats.md, section 7)."""
    scene = loaded_at_depot().drive("nowhere")
    told = tell(scene, to_the_end=False)
    (first,) = told.manifests
    late_s = parse_utc(first["issued"]) - parse_utc(first["departed"]["time"])
    assert 120.0 < late_s <= 180.0
    assert (first["revision"], first["arrived"], first["certain"]) == (1, None, True)


def test_a_manifest_uses_nothing_that_came_later() -> None:
    """What is heard after its issue does not stand on it: the record cut short there gives the same bytes."""
    whole = delivery()
    first = tell(whole, to_the_end=False).manifests[0]
    short = loaded_at_depot().stay(151, speed_mps=5.0)
    cut = [one for one in whole.inputs if one.mono <= parse_utc(first["issued"]) - UTC_S + 0.01]
    scene = Scene()
    scene.inputs = [*cut, Tick(cut[-1].mono + 2.0)]
    assert tell(scene, to_the_end=False).manifests == [first]
    assert tell(short, to_the_end=False).manifests[0]["items"] == first["items"]


def test_what_was_aboard_when_the_tool_first_ran_gets_no_load() -> None:
    """Aboard from the very first round: on the manifest, with `loaded` null, and no ADD."""
    told = tell(Scene().hear("case-1").stay(120).drive("hall").stay(60))
    assert told.items() == [{"case-1"}]
    assert told.final()[0]["items"][0]["loaded"] is None
    assert told.moves() == []


def test_what_stands_beside_the_van_and_is_never_loaded_is_no_event() -> None:
    """Stock at the dock, heard for minutes and left behind: on no manifest and in no event."""
    scene = Scene().doors(on=True).stay(30).hear("case-1", "case-3").stay(200).doors(on=False).stay(20).lose("case-3")
    told = tell(scene.drive("hall").stay(120))
    assert told.items() == [{"case-1"}]
    assert all(name != "case-3" for _, name, _ in told.moves())


def test_an_unlisted_tag_that_travels_stands_under_unlisted() -> None:
    """A tag that is not in the register is never an item; travelling, it is told apart by its hex."""
    told = tell(loaded_at_depot().hear("stranger").drive("hall").stay(60))
    assert [line["tag"] for line in told.final()[0]["unlisted"]] == [STRANGER]
    assert told.items() == [{"case-1", "case-2"}]
    assert "stranger" not in str(told.events)
    assert STRANGER not in str(told.events)


def test_badges_are_told_and_fixtures_and_ignored_tags_are_not() -> None:
    """A badge aboard is named as such; the van's own tag and an ignored one are on no line and in no event."""
    told = tell(loaded_at_depot().hear("badge", "fixture", "ignored").drive("hall").stay(60))
    manifest = told.final()[0]
    assert [(badge["epc"], badge["name"]) for badge in manifest["badges"]] == [(BADGE.epc, "Ada")]
    assert told.items() == [{"case-1", "case-2"}]
    assert manifest["unlisted"] == []
    departed = next(e for e in told.standing if e["bizStep"] == "departing")
    assert [badge["rt:epc"] for badge in departed["rt:badges"]] == [BADGE.epc]
    assert "9521141.9001" not in str(told.records)
    assert "9521141.9002" not in str(told.records)


def test_taken_out_and_put_back_is_no_move() -> None:
    """Out of earshot in the middle of a stop and heard again on the next leg: nothing happened to it."""
    scene = loaded_at_depot().drive("hall").doors(on=True).stay(60).lose("case-1").stay(200).hear("case-1").stay(100)
    told = tell(scene.doors(on=False).stay(20).drive("studio").stay(60))
    assert told.moves() == [("load", "case-1", "depot"), ("load", "case-2", "depot")]
    assert told.items() == [{"case-1", "case-2"}] * 2


def test_a_power_cut_in_the_middle_of_a_stop_is_a_gap_and_loses_nothing() -> None:
    """The van stands on through the cut: one stop, and what got off during it is told within the gap."""
    scene = loaded_at_depot().drive("hall").doors(on=True).stay(60)
    cut_s = scene.now_s
    scene.lose("case-1").cut(1800).stay(200)
    back_s = scene.now_s - 200.0
    told = tell(scene.doors(on=False).drive("studio").stay(60))
    assert told.moves()[-1] == ("unload", "case-1", "hall")
    event = next(e for e in told.standing if e["action"] == "DELETE")
    assert parse_utc(event["rt:not_before"]) <= UTC_S + cut_s + 30.0
    assert parse_utc(event["rt:not_after"]) >= UTC_S + back_s - 60.0
    assert [m["arrived"]["site"] for m in told.final()] == ["hall", "studio"]


def test_a_stop_that_is_no_site_has_a_position_and_no_site() -> None:
    """Unloaded by the roadside: `readPoint` is a geo URI with its error, the manifest's site is null."""
    scene = loaded_at_depot().drive("nowhere").stay(95).doors(on=True).lose("case-1").stay(200).doors(on=False)
    told = tell(scene.drive("hall").stay(60))
    event = next(e for e in told.standing if e["action"] == "DELETE")
    assert "bizLocation" not in event
    lat, lon = map(float, event["readPoint"]["id"].removeprefix("geo:").split(";")[0].split(","))
    assert distance_m(lat, lon, *FRAME.to_degrees(6000.0, 0.0)) < 15.0
    assert ";u=" in event["readPoint"]["id"]
    assert told.final()[0]["arrived"]["site"] is None
    assert told.final()[1]["departed"]["site"] is None
    assert told.final()[1]["departed"]["position"]["lat"] == pytest.approx(lat, abs=1e-4)


def test_a_reader_that_is_down_unloads_nothing() -> None:
    """Down for a whole leg: everything stays aboard, and the manifest does not claim to be certain."""
    scene = loaded_at_depot().drive("hall").stay(120).reader("down").drive("studio").stay(60).reader("up")
    told = tell(scene.stay(60).drive("nowhere").stay(100))
    assert told.items() == [{"case-1", "case-2"}] * 3
    assert [m["certain"] for m in told.final()] == [True, False, True]
    assert [n["notice"] for n in told.notices if n["notice"].startswith("reader")] == [
        "reader-up", "reader-down", "reader-up"
    ]  # fmt: skip


def test_an_antennas_loss_is_told() -> None:
    """Lost and back: a notice each, and the state remembers which are lost between."""
    scene = Scene().stay(20)
    setup = setup_of()
    state = tell(scene, setup).state
    state, (lost,) = step(setup, state, ReaderState(30.0, "antenna_lost", 2))
    assert (lost.body["notice"], lost.body["text"], state.reading.lost) == ("antenna-lost", "Antenna 2 is lost.", (2,))
    state, (back,) = step(setup, state, ReaderState(31.0, "antenna_back", 2))
    assert (back.body["notice"], state.reading.lost) == ("antenna-back", ())


def test_a_break_in_the_record_is_told() -> None:
    """A boot after the first is told with the last moment of the boot before; not dated, for no time is trusted yet."""
    told = tell(Scene().stay(60).cut(600).stay(60))
    (gap,) = (notice for notice in told.notices if notice["notice"] == "gap")
    assert parse_utc(gap["since"]) - UTC_S == pytest.approx(60.0, abs=1.0)
    assert gap["at"] is None
    assert gap["since"] in gap["text"]


def test_a_break_after_a_boot_that_never_knew_the_time_has_no_begin() -> None:
    """Without a fix before it, the break is told all the same."""
    scene = Scene(wall_utc_s=0.0)
    scene.sky = False
    (gap,) = (notice for notice in tell(scene.stay(60).cut(600).stay(20)).notices if notice["notice"] == "gap")
    assert gap["since"] is None


def test_a_shunt_in_the_yard_is_told_by_nobody() -> None:
    """Twenty metres to the next bay: no leg, no departure, no arrival, and what is aboard stays aboard."""
    scene = loaded_at_depot().stay(8, speed_mps=2.5).stay(120)
    scene.east_m = 20.0
    told = tell(scene.drive("hall").stay(60))
    assert [m["manifest"] for m in told.final()] == ["van-07/2026-03-02/1"]
    assert told.moves() == [("load", "case-1", "depot"), ("load", "case-2", "depot")]
    assert len([e for e in told.standing if e["bizStep"] == "departing"]) == 1


def test_a_published_leg_that_proves_to_be_none_is_withdrawn() -> None:
    """Three minutes of shunting in the yard: told after its sweep, then withdrawn; what was loaded stays loaded."""
    scene = loaded_at_depot().stay(5, speed_mps=3.6)
    for number in range(44):
        scene.stay(4, speed_mps=2.0 if number % 2 else -2.0)
    scene.doors(on=True).stay(120).doors(on=False).stay(20)
    withdrawn = tell(scene, to_the_end=False)
    assert [(m["revision"], m.get("withdrawn")) for m in withdrawn.manifests] == [(1, None), (2, True)]
    assert {e["bizStep"] for e in withdrawn.standing} == {"loading"}
    told = tell(scene.drive("hall").stay(60))
    assert [m["manifest"] for m in told.final()] == ["van-07/2026-03-02.2/1"]
    assert told.moves() == [("load", "case-1", "depot"), ("load", "case-2", "depot")]


def test_a_second_trip_that_day_is_dot_two() -> None:
    """Home and out again on the same day: the second trip's legs count from 1 under `DATE.2`."""
    scene = delivery().hear("case-3").stay(100).drive("hall").stay(60)
    told = tell(scene)
    assert [m["manifest"] for m in told.final()] == [
        "van-07/2026-03-02/1", "van-07/2026-03-02/2", "van-07/2026-03-02.2/1"
    ]  # fmt: skip
    assert told.items()[2] == {"case-3"}
    assert told.moves()[-1] == ("load", "case-3", "depot")


def test_a_trip_over_midnight_keeps_its_date() -> None:
    """Left at 23:50 local time, home the next day: one trip under the date of its departure in the home site's zone."""
    scene = Scene(first_utc_s=parse_utc("2026-03-03T00:45:00.000Z"), wall_utc_s=0.0).hear("case-1").stay(300)
    told = tell(scene.drive("hall").stay(900).drive("depot").stay(60))
    assert [m["manifest"] for m in told.final()] == ["van-07/2026-03-02/1", "van-07/2026-03-02/2"]


def test_without_a_home_a_trip_is_a_day() -> None:
    """No home in the vehicle file: the legs of a day are one trip, and the next day's first departure opens another."""
    vehicle = VEHICLE.replace('home = "depot"\n', "")
    scene = Scene().hear("case-1").stay(60).drive("hall").stay(200).drive("depot").stay(60)
    scene.cut(86_400).stay(60)
    told = tell(scene.drive("hall").stay(200).drive("nowhere").stay(100).drive("hall").stay(60), setup_of(vehicle))
    legs = [m["manifest"].removeprefix("van-07/2026-03-") for m in told.final()]
    assert legs == ["02/1", "02/2", "03/1", "03/2", "03/3"]
    assert told.items() == [{"case-1"}] * 5


def evening_and_morning(*, shunt: bool) -> Scene:
    """Home with case 2, which is set down beside the doors for a minute and gone; brought back in the morning."""
    scene = loaded_at_depot().drive("hall").doors(on=True).stay(60).lose("case-1").stay(240).doors(on=False).stay(20)
    scene.drive("depot").stay(100)
    if shunt:
        scene.stay(8, speed_mps=-2.5).stay(100)
    scene.doors(on=True).stay(80).hear("case-2", rate=0.4, dbm=-73.0).stay(60)
    scene.lose("case-2").stay(300).doors(on=False).stay(100).cut(40_000)
    scene.doors(on=True).stay(60).hear("case-2", rate=0.4, dbm=-73.0).stay(60)
    return scene.hear("case-2").stay(200).doors(on=False).stay(60).drive("hall").stay(60)


@pytest.mark.parametrize("shunt", [False, True])
def test_the_evening_and_the_morning_are_two_accounts(*, shunt: bool) -> None:
    """Off in the evening and on again in the morning is an unload and a load, though both are at one stop.

    Moving the van to its bay after it came home, which is no leg, does not join the two.
    """
    told = tell(evening_and_morning(shunt=shunt))
    assert told.moves()[-2:] == [("unload", "case-2", "depot"), ("load", "case-2", "depot")]
    assert [m["manifest"][-2:] for m in told.final()] == ["/1", "/2", "/1"]


def test_inputs_that_are_not_wired_and_a_record_without_a_boot_are_fine() -> None:
    """No `[inputs]`, and the boot's line is missing: the same items travel."""
    scene = delivery()
    scene.inputs = [one for one in scene.inputs if not isinstance(one, Boot)]
    told = tell(scene, setup_of(NO_INPUTS))
    assert told.items() == [{"case-1", "case-2"}, {"case-2"}]


def test_nothing_heard_and_nothing_driven_says_nothing() -> None:
    """An empty record, and a night at the depot: no event and no manifest."""
    assert tell(Scene().stay(300)).events == []
    assert tell(Scene().stay(300)).manifests == []
    empty = tell(Scene())
    assert (empty.events, empty.manifests) == ([], [])


def test_nothing_aboard_is_a_departure_of_the_vehicle_alone() -> None:
    """An empty van leaves: an ObjectEvent of the vehicle (formats.md, section 6), and an empty manifest."""
    told = tell(Scene().stay(60).drive("hall").stay(60))
    departed = next(e for e in told.standing if e["bizStep"] == "departing")
    assert (departed["type"], departed["epcList"]) == ("ObjectEvent", ["urn:epc:id:giai:9521141.70007"])
    assert told.items() == [set()]


def test_the_strongest_read_of_a_round_counts_once() -> None:
    """A tag heard on two antennas in one round was heard in one round."""
    scene = Scene().hear("case-1", rate=1.0).stay(60)
    scene.inputs = [
        Inventory(one.mono, one.seconds, one.antennas, (*one.reads, *one.reads)) if isinstance(one, Inventory) else one
        for one in scene.inputs
    ]
    doubled, single = tell(scene).state.belief, tell(Scene().hear("case-1", rate=1.0).stay(60)).state.belief
    assert doubled is not None
    assert single is not None
    assert (doubled.forward == single.forward).all()
