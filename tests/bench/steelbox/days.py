"""How the days of a week go: loading at the depot, stops and what is done there, lay-bys, evenings and nights."""

from __future__ import annotations

import numpy as np

from tests.bench.steelbox.goods import Goods, Unit, standing
from tests.bench.steelbox.habits import Habits
from tests.bench.steelbox.places import Place
from tests.bench.steelbox.radio import ABOARD, AWAY, BEHIND, BESIDE, CAB, LENGTH_M
from tests.bench.steelbox.story import DAY_S, MONDAY_S, Story

BODY_DB = 4.0


def tell_week(habits: Habits, goods: Goods, sites: list[Place], laybys: list[Place]) -> Story:
    """The whole week of one van."""
    rng = np.random.default_rng([habits.seed, 4])
    story = Story(habits, goods, rng, sites, laybys)
    monday_s = MONDAY_S + 7 * DAY_S * (habits.seed % 40)
    story.now_s = story.begin_s = monday_s + rng.uniform(5.8, 6.8) * 3600
    _people(story)
    if habits.has_fixture:
        serial = int(habits.vehicle.rpartition("-")[2])
        uri = f"urn:epc:id:giai:9521141.8{serial:04d}"
        tag = goods.add(uri, role="fixture", needs_dbm=-15.0)
        story.put(story.begin_s, [tag], ABOARD, np.array([0.1, -0.7, 1.4]))
    for unit in goods.units:
        if unit.where == "depot" and unit.near_m is not None:
            story.set_behind(story.begin_s, unit, unit.near_m)
    if rng.random() < 0.2:  # left aboard from the week before
        for unit in [u for u in goods.units if u.where == "depot" and not u.caged][:2]:
            story.stow(story.begin_s, unit)
            unit.where, unit.near_m, unit.to = "van", None, sites[int(rng.integers(1, len(sites)))].site or ""
        story.came_with = story.items_aboard()
    for day in range(habits.days):
        story.now_s = max(story.now_s + 1800, monday_s + day * DAY_S + rng.uniform(5.9, 7.2) * 3600)
        if not day:
            story.now_s = story.begin_s + 60
        _day(story, day)
    story.end()
    story.now_s += rng.uniform(1200, 3600)
    return story


def _people(story: Story) -> None:
    goods, rng = story.goods, story.rng
    for person in range(1 + int(rng.random() < 0.4)):
        badge = f"urn:epc:id:gsrnp:9521141.{40 + story.habits.seed % 7 + person:010d}"
        story.crew.append(goods.add(badge, role="person", needs_dbm=-18.0 + BODY_DB))
        for _ in range(int(rng.integers(0, 3))):
            garment = f"urn:epc:raw:96.x{_foreign(rng)}"
            story.crew.append(goods.add(garment, role="unlisted", needs_dbm=-18.0 + BODY_DB + rng.uniform(0, 4)))
    for site in story.sites:  # others' goods with tags of their own, at docks and on pallets
        for _ in range(int(rng.integers(0, 3))):
            tag = goods.add(f"urn:epc:raw:96.x{_foreign(rng)}", role="unlisted", needs_dbm=float(rng.uniform(-18, -12)))
            goods.units.append(Unit([tag], caged=False, where=site.site or "", near_m=float(rng.uniform(2, 10))))


def _foreign(rng: np.random.Generator) -> str:
    return "E280" + bytes(rng.integers(0, 256, 10, dtype=np.uint8)).hex().upper()


def _day(story: Story, day: int) -> None:
    rng, sites = story.rng, story.sites
    count = int(rng.integers(5, 10))
    order = [sites[i] for i in rng.permutation(np.arange(1, len(sites)))]
    route = order[:count]
    for a, b in ((3, 4), (7, 8)):  # neighbours are served one after the other
        if sites[a] in route and rng.random() < 0.6:
            if sites[b] in route:
                route.remove(sites[b])
            route.insert(route.index(sites[a]) + 1, sites[b])
    at_noon = count // 2 if rng.random() < 0.25 else -1
    story.ignition.append((story.now_s, True))
    if rng.random() < 0.5:
        story.ignition.append((story.now_s + rng.uniform(20, 200), False))
    _load(story, day, route[: at_noon if at_noon > 0 else len(route)])
    for number, place in enumerate(route):
        if number == at_noon:
            _go(story, sites[0])
            _empty(story, day)
            _load(story, day, route[number:])
        if rng.random() < 0.13:
            _go(story, story.laybys[int(rng.integers(0, 3))])
            _layby(story, day)
        _go(story, place)
        _serve(story, day, route[number + 1 :])
    _go(story, sites[0])
    _empty(story, day)
    if story.ignition[-1][1]:
        story.ignition.append((story.now_s + rng.uniform(5, 300), False))
    story.now_s += 400


def _go(story: Story, to: Place) -> None:
    """Gets in, starts the engine if it was off, and goes."""
    rng = story.rng
    if story.ignition and not story.ignition[-1][1]:
        story.ignition.append((story.now_s + rng.uniform(5, 40), True))
        story.now_s = story.ignition[-1][0]
    story.now_s += rng.uniform(6, 70)
    story.put(story.now_s - 5, story.crew, CAB, np.array([-0.9, 0.4, 0.9]))
    leg = story.depart(to)
    if leg.jam or rng.random() < 0.08:
        begin_s = leg.jam[0] if leg.jam else story.now_s - rng.uniform(60, 200)
        end_s = min(leg.jam[1] if leg.jam else story.now_s - 20, story.now_s - 5)
        if end_s > begin_s:
            _alongside(story, begin_s, end_s, distance_m=float(rng.uniform(0.6, 1.8)))


def _others(story: Story, most: int) -> list[int]:
    """Tags of some units that are in the depot's hall or, for all that the van knows, on the road with another."""
    indoors = [unit for unit in story.goods.units if unit.where == "depot" and unit.near_m is None]
    picked: list[int] = []
    for i in story.rng.permutation(len(indoors)):
        if len(picked) + len(indoors[i].tags) > most:
            break
        picked += indoors[i].tags
    return picked


def _alongside(story: Story, begin_s: float, end_s: float, *, distance_m: float) -> None:
    """Another van with cargo stands or drives beside."""
    rng = story.rng
    tags = _others(story, int(rng.integers(2, 25)))
    if tags:
        side = float(rng.choice([-1.0, 1.0]))
        spread = rng.uniform([0.0, 0.0, 0.2], [4.0, 1.6, 1.4], (len(tags), 3))
        spread[:, 1] = side * (0.9 + distance_m + spread[:, 1])
        story.put(begin_s, tags, BESIDE, spread)
        story.put(end_s, tags, AWAY, np.zeros(3))


def _work_s(story: Story, unit: Unit) -> float:
    return float(story.rng.uniform(40, 110) if unit.caged else story.rng.uniform(12, 60))


def _crew_out(story: Story, begin_s: float, end_s: float) -> None:
    """The crew leaves the cab, and walks in and out at the doors."""
    rng, crew = story.rng, story.crew
    story.put(begin_s - 20, crew, AWAY, np.zeros(3))
    at_s = begin_s
    while at_s < end_s:
        inside = rng.random() < 0.4
        where = [rng.uniform(1.5, 4.0) if inside else LENGTH_M + rng.uniform(0.5, 4.0), rng.normal(0, 0.5), 1.2]
        story.put(at_s, crew, ABOARD if inside else BEHIND, np.asarray(where))
        at_s += float(rng.uniform(15, 70))
    story.put(end_s, crew, AWAY, np.zeros(3))


def _load(story: Story, day: int, route: list[Place]) -> None:
    """The depot in the morning or at noon: units for the stops ahead come aboard."""
    rng, size, goods = story.rng, story.habits.size, story.goods
    ready = [
        u for u in goods.units
        if u.where == "depot" and goods.is_item(u.tags[0]) and (u.since_day < 0 or day - u.since_day >= 2)
    ]  # fmt: skip
    wanted = int(rng.integers(size.units[0], size.units[1] + 1))
    begin_s = at_s = story.now_s + rng.uniform(120, 600)
    room = size.most - story.tags_aboard()
    for i in rng.permutation(len(ready)):
        unit = ready[i]
        if not wanted:
            break
        if len(unit.tags) > room:
            continue
        if unit.caged and len(unit.tags) > 3 and rng.random() < 0.15:
            left = story.split(unit)
            left.near_m = left.near_m or (2.5 if rng.random() < 0.4 else None)
            if left.near_m is not None:
                story.set_behind(at_s, left, left.near_m)
        at_s += _work_s(story, unit)
        unit.to = "" if rng.random() < 0.1 else route[int(rng.integers(0, len(route)))].site or ""
        story.carry_in(at_s, unit)
        room, wanted = room - len(unit.tags), wanted - 1
        if rng.random() < 0.05:  # next in line, but never loaded
            waits = ready[int(rng.integers(0, len(ready)))]
            if waits.where == "depot":
                waits.near_m = float(rng.uniform(0.8, 3.0))
                story.set_behind(at_s, waits, waits.near_m)
    end_s = at_s + rng.uniform(30, 400)
    story.open_doors(begin_s - 20, end_s)
    _crew_out(story, begin_s - 10, end_s)
    story.now_s = end_s + rng.uniform(30, 900)
    if rng.random() < 0.4:  # of those still indoors
        gone_s = min(begin_s + rng.uniform(300, 2400), story.now_s)
        _alongside(story, begin_s - 100, gone_s, distance_m=float(rng.uniform(0.5, 1.8)))


def _empty(story: Story, day: int) -> None:
    """Back at the depot: nearly everything comes out."""
    rng, aboard = story.rng, story.aboard()
    if rng.random() < 0.6:
        story.ignition.append((story.now_s + rng.uniform(5, 60), False))
    keeps = rng.random() < 0.15
    begin_s = at_s = story.now_s + rng.uniform(90, 900)
    for unit in aboard:
        if keeps and rng.random() < 0.5:
            continue
        at_s += 0.6 * _work_s(story, unit)
        near_m = standing(rng, elsewhere=True)
        story.carry_out(at_s, unit, where="depot", near_m=near_m)
        unit.since_day, unit.to = day, ""
    end_s = at_s + rng.uniform(40, 200)
    story.open_doors(begin_s - 20, end_s)
    _crew_out(story, begin_s - 10, end_s)
    tidy_s = end_s + rng.uniform(60, 1200)
    for unit in story.goods.units:  # what stood at the dock is taken in, most of it
        if unit.where == "depot" and unit.near_m is not None and unit.since_day == day and rng.random() < 0.7:
            story.put(tidy_s, unit.tags, AWAY, np.zeros(3))
            unit.near_m = None
    story.now_s = tidy_s + 60


def _serve(story: Story, day: int, ahead: list[Place]) -> None:
    """A stop at a customer's: deliver, collect, and whatever else happens."""
    rng = story.rng
    site = story.place.site or ""
    stay_s = float(rng.uniform(360, 2700))
    arrived_s = story.now_s
    if rng.random() < 0.75:
        story.ignition.append((arrived_s + rng.uniform(4, 25), False))
    if rng.random() < 0.06:  # nobody there
        story.now_s += rng.uniform(120, 500)
        return
    begin_s = at_s = arrived_s + rng.uniform(45, 240)
    aboard = story.aboard()
    out = [u for u in aboard if u.to == site]
    others = [u for u in aboard if u.to != site]
    if others and rng.random() < 0.05:
        wrong = others.pop(int(rng.integers(0, len(others))))
        out.append(wrong)
    blockers = others[: int(rng.integers(1, 4))] if others and rng.random() < 0.18 else []
    out_s = at_s
    for _ in blockers:
        at_s += float(rng.uniform(10, 40))
    for unit in out:
        at_s += _work_s(story, unit)
        near_m = standing(rng, elsewhere=True)
        story.carry_out(at_s, unit, where=site, near_m=near_m)
        unit.since_day = day
    at_s = _take_single(story, [u for u in others if u not in blockers], day, at_s)
    at_s = _collect(story, ahead, day, at_s)
    for number, unit in enumerate(blockers):
        at_s += float(rng.uniform(10, 40))
        story.aside(out_s + 15 * number, at_s, unit)
    end_s = at_s + rng.uniform(10, 240)
    story.open_doors(begin_s - rng.uniform(5, 30), end_s)
    _crew_out(story, begin_s - 5, end_s)
    story.now_s = max(end_s + rng.uniform(20, 120), arrived_s + stay_s)


def _take_single(story: Story, units: list[Unit], day: int, at_s: float) -> float:
    """Now and then a member or two of a cage stay here while the cage travels on; when that was done."""
    rng, site = story.rng, story.place.site or ""
    cages = [u for u in units if u.caged and len(u.tags) > 2]
    if cages and rng.random() < 0.25:
        for _ in range(int(rng.integers(1, 3))):
            cage = cages[int(rng.integers(0, len(cages)))]
            if len(cage.tags) > 2:
                single = story.split(cage)
                at_s += float(rng.uniform(20, 80))
                story.carry_out(at_s, single, where=site, near_m=standing(rng, elsewhere=True))
                single.since_day = day
    return at_s


def _collect(story: Story, ahead: list[Place], day: int, at_s: float) -> float:
    """What came on an earlier day is taken along, most of it, home or to a stop ahead; when that was done."""
    rng, site = story.rng, story.place.site or ""
    for unit in [u for u in story.goods.units if u.where == site and u.since_day < day]:
        if rng.random() < 0.6 and story.tags_aboard() + len(unit.tags) <= story.habits.size.most:
            at_s += _work_s(story, unit)
            further = ahead and rng.random() < 0.15
            unit.to = ahead[int(rng.integers(0, len(ahead)))].site or "" if further else ""
            story.carry_in(at_s, unit)
    return at_s


def _layby(story: Story, day: int) -> None:
    """A break, or another van waits there, back to back, and things change hands."""
    rng, goods, size = story.rng, story.goods, story.habits.size
    if rng.random() < 0.7:
        story.ignition.append((story.now_s + rng.uniform(4, 25), False))
    if rng.random() < 0.35:
        story.now_s += rng.uniform(150, 900)
        return
    begin_s = at_s = story.now_s + rng.uniform(60, 240)
    given = [u for u in story.aboard() if rng.random() < 0.15][:4]
    indoors = [u for u in goods.units if u.where == "depot" and u.near_m is None and u.since_day < day]
    taken = [u for u in indoors if goods.is_item(u.tags[0])][: int(rng.integers(0, 4))]
    rest = [u for u in indoors if u not in taken][:12]
    for unit in (*taken, *rest):  # the other van's cargo, a van's length off through its open doors
        story.set_behind(begin_s - 30, unit, float(rng.uniform(3.0, 7.0)))
    for unit in given:
        at_s += _work_s(story, unit)
        story.carry_out(at_s, unit, where="depot", near_m=None)
        story.set_behind(at_s + 30, unit, float(rng.uniform(2.5, 6.0)))
        unit.since_day = day
    for unit in taken:
        if story.tags_aboard() + len(unit.tags) <= size.most:
            at_s += _work_s(story, unit)
            story.carry_in(at_s, unit)
            unit.to = ""
    end_s = at_s + rng.uniform(20, 120)
    story.open_doors(begin_s - 20, end_s)
    _crew_out(story, begin_s - 5, end_s)
    story.now_s = end_s + rng.uniform(20, 240)
    for unit in (*given, *taken, *rest):
        if unit.where != "van":
            story.put(story.now_s + 1, unit.tags, AWAY, np.zeros(3))
