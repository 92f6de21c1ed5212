"""What a simulated day holds, and that its papers, its truth and its physics agree with one another."""

from __future__ import annotations

import csv
import io
from typing import Any

import numpy as np
import pytest
from shapely.geometry import Point, shape

from agent.register import parse_register
from agent.units import parse_utc
from agent.vehicle import parse_vehicle
from agent.world import Day, Profile, make_day
from agent.world.around import Where
from agent.world.cargo import Slips
from tests.world.truths import assert_manifests_follow_from_moves


def halts_on_the_road(day: Day) -> list[int]:
    """Lengths in seconds of every standing still that is no stop."""
    found, run = [], 0
    for second, speed in enumerate(day.speed_mps.tolist()):
        if speed == 0 and not day.at_stop(second):
            run += 1
        elif run:
            found.append(run)
            run = 0
    return found


def test_a_seed_is_a_day(region: dict[str, Any]) -> None:
    """The same seed gives the same day, another seed another."""
    a, b, c = make_day(3, sites=region), make_day(3, sites=region), make_day(4, sites=region)
    assert a.truth == b.truth
    assert a.register_csv == b.register_csv
    assert np.array_equal(a.xy, b.xy)
    assert [a.fix_at(t) for t in range(0, 9000, 37)] == [b.fix_at(t) for t in range(0, 9000, 37)]
    assert a.truth != c.truth


def test_the_scenario(days: tuple[Day, ...]) -> None:
    """Six to nine sites between two stays at home, 40 to 120 items that ride, some hours long."""
    for day in days:
        sites = [stop.site for stop in day.stops]
        assert sites[0] == sites[-1] == "depot"
        assert 6 <= len([site for site in sites[1:-1] if site]) <= 9
        assert 40 <= len({move["epc"] for move in day.truth["moves"]}) <= 120
        assert 3 * 3600 < day.duration_s < 11 * 3600


def test_no_halt_on_the_road_is_a_stop(days: tuple[Day, ...]) -> None:
    """The van waits at lights and in jams, never 90 s at once (formats.md, section 7)."""
    halts = [halt for day in days for halt in halts_on_the_road(day)]
    assert len(halts) > 20
    assert max(halts) < 90
    assert all(s.departed_s - s.arrived_s >= 90 for day in days for s in day.stops)


def test_the_van_moves_like_a_van(days: tuple[Day, ...]) -> None:
    """No jump in place, speed under 90 km/h, acceleration and braking under 0.5 g, speed as the path says."""
    for day in days:
        step = np.hypot(*np.diff(day.xy, axis=0).T)
        assert step.max() < 25
        assert day.speed_mps.max() < 25
        assert np.abs(np.diff(day.speed_mps)).max() < 4.9
        assert np.median(np.abs(step - day.speed_mps[1:])) < 0.2


def test_truth_adds_up(days: tuple[Day, ...]) -> None:
    """Each manifest is the one before with the loads and unloads of the stop between; no two moves share a moment."""
    for day in days:
        moves, manifests = day.truth["moves"], day.truth["manifests"]
        assert len(manifests) == len(day.stops) - 1
        assert len({move["time"] for move in moves}) == len(moves)
        assert [move["time"] for move in moves] == sorted(move["time"] for move in moves)
        assert_manifests_follow_from_moves(day.truth)


def test_moves_happen_through_open_doors(days: tuple[Day, ...]) -> None:
    """Every load and unload lies within a stop at its site, with the rear doors open."""
    for day in days:
        for move in day.truth["moves"]:
            at_s = parse_utc(move["time"]) - day.start_utc_s
            assert day.doors_open(at_s)
            assert not day.moving(at_s)
            (stop,) = (stop for stop in day.stops if stop.arrived_s <= at_s < stop.departed_s)
            assert stop.site == move["site"]


def test_people_err(days: tuple[Day, ...]) -> None:
    """Planned and left on the dock, unloaded at another site than planned, taken off and put back: each is there."""
    for day in days:
        plan = list(csv.DictReader(io.StringIO(day.plan_csv)))
        rode = {epc for manifest in day.truth["manifests"] for epc in manifest["items"]}
        assert any(row["epc"] and row["epc"] not in rode for row in plan)
        landed = {m["epc"]: m["site"] for m in day.truth["moves"] if m["kind"] == "unload"}
        assert any(row["epc"] in landed and landed[row["epc"]] != row["unload_at"] for row in plan)
    told = [text for day in days for _, text in day.narrative]
    assert sum("put back at" in text for text in told) >= len(days) // 2


def test_a_day_without_slips(region: dict[str, Any]) -> None:
    """Where nobody errs, what is planned is what happens."""
    off = Slips(left_behind=0, put_back=0, wrong_site=0, brought_home=0, unplanned=0, aboard_before=0, taken_out=0)
    day = make_day(5, sites=region, profile=Profile(slips=off))
    plan = list(csv.DictReader(io.StringIO(day.plan_csv)))
    landed = {m["epc"]: m["site"] for m in day.truth["moves"] if m["kind"] == "unload"}
    assert plan
    assert all(landed[row["epc"]] == row["unload_at"] for row in plan if row["epc"])
    units = sum(int(row["quantity"] or 1) for row in plan)
    assert units == len({m["epc"] for m in day.truth["moves"]})


def test_the_papers_parse(days: tuple[Day, ...]) -> None:
    """Register and vehicle file pass the tool's own checks; every item that rides is in the register."""
    for day in days:
        register = parse_register(day.register_csv, file="register.csv")
        rode = {epc for manifest in day.truth["manifests"] for epc in manifest["items"]}
        assert rode <= set(register.by_epc)
        assert {"item", "person", "fixture"} <= {listing.kind for listing in register.by_epc.values()}
        assert parse_vehicle(day.vehicle_toml, file="vehicle.toml").home == "depot"


def test_power_is_cut_within_a_stop(days: tuple[Day, ...]) -> None:
    """Between two boots of a cut the van stands at a stop; the next boot says 1970."""
    cuts = 0
    for day in days:
        for number, (on_s, off_s) in enumerate(day.boots):
            assert on_s < off_s
            if (on_s, off_s) in day.current.cut_after:
                cuts += 1
                assert day.at_stop(off_s)
                assert day.at_stop(day.boots[number + 1][0])
                assert day.wall_clock_s(number + 1) < 3600
            if number:
                assert day.boots[number - 1][1] < on_s
    assert cuts >= len(days) - 1


def test_coverage_has_a_dead_zone(days: tuple[Day, ...]) -> None:
    """At least once a day the network is away for 10 to 40 minutes."""
    for day in days:
        assert any(600 <= end - begin <= 2400 for begin, end in day.dead_zones)
        begin, end = max(day.dead_zones, key=lambda zone: zone[1] - zone[0])
        assert not day.coverage((begin + end) / 2)
        assert any(day.coverage(t) for t in range(int(day.duration_s)))


def test_the_receiver_sees_no_sky_under_a_roof(days: tuple[Day, ...]) -> None:
    """At a roofed dock there are TPVs of mode 1 without a position; on the road nearly all have one."""
    roofed = [(day, stop) for day in days for stop in day.stops if stop.roofed]
    assert roofed
    seen = [fix for day, stop in roofed if (fix := day.fix_at(stop.arrived_s + 60)) is not None]
    assert seen
    assert all(fix["mode"] == 1 and "lat" not in fix for fix in seen)
    road = [
        fix["mode"]
        for day in days
        for t in range(0, int(day.duration_s), 11)
        if day.moving(t) and (fix := day.fix_at(t)) is not None
    ]
    assert np.mean(np.array(road) == 3) > 0.95


def test_fixes_err_as_the_receiver_says(days: tuple[Day, ...]) -> None:
    """The stated 95 % radius holds most fixes, and successive errors hang together as those of real receivers do."""
    inside, lagged = [], []
    for day in days:
        plane_lon, plane_lat = _frame(day)
        errors = {}
        for t in range(int(day.duration_s)):
            fix = day.fix_at(t)
            if fix is None or fix["mode"] < 3:
                continue
            x = (fix["lon"] - plane_lon[0]) * plane_lon[1] - day.xy[t, 0]
            y = (fix["lat"] - plane_lat[0]) * plane_lat[1] - day.xy[t, 1]
            errors[t] = (x, fix["eph"])
            inside.append(np.hypot(x, y) <= fix["eph"])
        pairs = np.array([(errors[t][0], errors[t + 3][0]) for t in errors if t + 3 in errors])
        lagged.append(np.corrcoef(pairs.T)[0, 1])
    assert 0.80 < np.mean(inside) < 0.995
    assert min(lagged) > 0.7  # design.md: fixes are correlated, 0.7 at 3 s


def _frame(day: Day) -> tuple[tuple[float, float], tuple[float, float]]:
    """Degrees of the frame's origin with metres a degree, by pyproj-free arithmetic (WGS 84 series, NGA)."""
    home = next(f for f in day.sites_geojson["features"] if f["id"] == "depot")
    middle = shape(home["geometry"]).representative_point()
    lat = np.radians(middle.y)
    north = 111132.92 - 559.82 * np.cos(2 * lat) + 1.175 * np.cos(4 * lat)
    east = 111412.84 * np.cos(lat) - 93.5 * np.cos(3 * lat) + 0.118 * np.cos(5 * lat)
    return (middle.x, float(east)), (middle.y, float(north))


def test_on_the_street_is_outside_the_fence(region: dict[str, Any]) -> None:
    """A van that parks on the street stands a few metres outside its site's outline."""
    profile = Profile(street=1.0)
    day = make_day(2, sites=region, profile=profile)
    (lon0, east), (lat0, north) = _frame(day)
    outlines = {f["id"]: shape(f["geometry"]) for f in region["features"] if not f["properties"].get("radius_m")}
    seen = 0
    for stop in day.stops:
        if not stop.street or stop.site not in outlines:
            continue
        point = Point(lon0 + stop.xy[0] / east, lat0 + stop.xy[1] / north)
        metres = outlines[stop.site].distance(point) * north
        seen += 1
        assert 0 < metres < 25
    assert seen >= 3


def test_staged_before_and_left_about_after(days: tuple[Day, ...]) -> None:
    """What is loaded stood near the dock before, and strangers' tags and our idle stock stand there all day."""
    for day in days:
        places = {change.tag: change for change in reversed(day.changes) if change.at_s < 0}
        loaded = {m["epc"] for m in day.truth["moves"] if m["kind"] == "load"}
        for tag, place in places.items():
            if day.tags[tag].epc in loaded:
                assert place.where == Where.OUTSIDE
        assert any(t.kind == "" for t in day.tags)
        idle = {t.epc for t in day.tags if t.kind == "item"} - {m["epc"] for m in day.truth["moves"]}
        assert len(idle) >= 5


def test_a_region_needs_two_sites(region: dict[str, Any]) -> None:
    """A region of the home site alone makes no day, and the error says so."""
    alone = {**region, "features": [f for f in region["features"] if f["id"] == "depot"]}
    with pytest.raises(ValueError, match="at least one more"):
        make_day(0, sites=alone)
