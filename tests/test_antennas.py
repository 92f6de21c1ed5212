"""A port that fades over days is told before it fails; what a different load does is not taken for that.

How often it is wrong is measured on simulated vans, whose physics is written here, apart from the method: the share of
rounds in which a tag is heard is the normal distribution of its margin, which is its own (6 dB, sd 5), its place's on
each port (sd 4), the port's on that day (sd 1: moisture, what hangs before it), less what the port has lost so far.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from statistics import median

import numpy as np
import pytest
from scipy.special import ndtr

from agent.antennas import AGAIN_DAYS, Health, PortDay, faded_ports

PORTS = (1, 2)
FADE_SIGMA_DB = 3.0
# Reads follow each other: of 300 rounds a day some 40 are independent of each other.
ROUNDS, INDEPENDENT = 300, 40
Loss = Callable[[int], float]


def simulated(
    seed: int, days: int, *, loss: Loss = lambda _: 0.0, fixture: bool = False, tags: float = 20
) -> list[int]:
    """The days on which port 2 or any other was told, of one van; port 2 loses `loss(day)` dB."""
    rng = np.random.default_rng(seed)
    hanging = rng.normal(6.0, 2.0, size=len(PORTS))
    health = Health()
    told = []
    for day in range(days):
        if day % 7 in (5, 6):
            continue
        load = max(int(rng.lognormal(np.log(tags), 0.5)), 1)
        own = rng.normal(6.0, 5.0, size=load)
        today: dict[str, tuple[int, int]] = {}
        for i, port in enumerate(PORTS):
            port_db = rng.normal(0.0, 1.0) - (loss(day) if port == 2 else 0.0)
            p = ndtr((own + rng.normal(0.0, 4.0, size=load) + port_db) / FADE_SIGMA_DB)
            heard = rng.binomial(INDEPENDENT, p).sum() * ROUNDS / INDEPENDENT
            today[f"{port} load"] = (int(heard), ROUNDS * load)
            if fixture:
                p = ndtr((hanging[i] + port_db) / FADE_SIGMA_DB)
                heard = rng.binomial(INDEPENDENT, p) * ROUNDS / INDEPENDENT
                today[f"{port} fixture"] = (int(heard), ROUNDS)
        health, _ = health.close(day) if health.day != day else (health, ())
        health = Health(day, today, tuple(map(str, range(load))), health.days, health.told)
        health, found = health.close(day + 1)
        told += [day for _ in found]
    return told


@pytest.mark.parametrize("fixture", [False, True], ids=["load", "fixture"])
def test_a_sound_van_is_hardly_ever_accused(*, fixture: bool) -> None:
    """Sixty vans over half a year: at most one false notice in five years of a van.

    Measured once on 540 such half years (seeds 9000 to 9089, loads of about 12, 20 and 40 tags; 135 years by the load
    and as many by the fixture): none at all, so by the rule of three hardly more than one in 45 years, in this physics.
    """
    vans, days = 60, 182
    false = sum(len(simulated(seed, days, fixture=fixture)) for seed in range(vans))
    assert false / (vans * days / 365.25) <= 0.2


@pytest.mark.parametrize("fixture", [False, True], ids=["load", "fixture"])
@pytest.mark.parametrize("db_a_day", [0.3, 0.6, 1.2])
def test_a_port_that_decays_is_told_before_it_is_dead(db_a_day: float, *, fixture: bool) -> None:
    """Every one of twenty vans is told, half of them before 13 dB are gone: a port that hears nothing has lost 25."""
    lost = []
    for seed in range(100, 120):
        told = simulated(seed, 130, loss=lambda d: max(d - 40, 0) * db_a_day, fixture=fixture)
        told = [day for day in told if day > 40]
        lost.append((told[0] - 40) * db_a_day if told else np.inf)
    assert max(lost) < 20.0
    assert median(lost) < 13.0


def test_a_load_that_is_harder_to_hear_accuses_no_antenna() -> None:
    """From one week to the next all that is carried is heard by both ports half as well: that is not the cable."""
    days = [
        PortDay(day, port, "load", share * 10, 2000, tags=20)
        for day in range(20)
        for port, share in ((1, 160 if day < 13 else 70), (2, 140 if day < 13 else 60))
    ]
    assert faded_ports(days, day=20) == ()
    worse = [PortDay(d.day, 2, "load", d.heard // 3, 2000, tags=20) if d.day >= 13 and d.port == 2 else d for d in days]
    (found,) = faded_ports(worse, day=20)
    assert (found.port, found.ago) == (2, "a week")
    assert found.share == pytest.approx((60 / 3 / 140) / (70 / 160), rel=0.01)


def test_one_antenna_without_a_fixture_is_not_judged() -> None:
    """Nothing tells a bad cable from a load in cases of metal."""
    days = [PortDay(day, 1, "load", 1600 if day < 13 else 300, 2000, tags=20) for day in range(20)]
    assert faded_ports(days, day=20) == ()
    fixed = [PortDay(day, 1, "fixture", 160 if day < 13 else 30, 200) for day in range(20)]
    (found,) = faded_ports(fixed, day=20)
    assert (found.port, found.ago) == (1, "a week")
    assert found.share == pytest.approx(30 / 160)


def test_a_good_day_between_says_chance() -> None:
    """Unless all of the last three days were worse than every one of those before, nothing is told."""
    plain = [PortDay(day, 1, "fixture", 160 if day < 13 else 30, 200) for day in range(20)]
    assert faded_ports(plain, day=20)
    shares = [160] * 13 + [30] * 5 + [160, 30]
    days = [PortDay(day, 1, "fixture", share, 200) for day, share in enumerate(shares)]
    assert faded_ports(days, day=20) == ()


def test_days_with_too_little_to_go_by_do_not_count() -> None:
    """A day of few rounds, or with few different tags, is not kept; nor is one that is told of long afterwards."""
    assert not PortDay(1, 1, "load", 10, 5000, tags=3).counts
    assert not PortDay(1, 1, "load", 10, 500, tags=30).counts
    assert not PortDay(1, 1, "fixture", 10, 50).counts
    days = [PortDay(day, 1, "fixture", 160 if day < 13 else 30, 200) for day in range(20)]
    assert faded_ports(days, day=40) == ()


def test_rounds_make_days() -> None:
    """Each round gives every tag aboard one chance on each port that took part; a new day closes the one before."""
    health = Health()
    for n in range(300):
        reads = {("F", 1), ("A", 1)} | ({("A", 2)} if n % 3 == 0 else set())
        health, _ = health.take(7, ports=PORTS, fixtures=["F"], load=[*"ABCDEFGH"], reads=reads)
    health, told = health.take(8, ports=(1,), fixtures=[], load=[], reads=set())
    assert told == ()
    assert health.days == (
        PortDay(7, 1, "fixture", 300, 300),
        PortDay(7, 1, "load", 600, 2400, tags=8),
        PortDay(7, 2, "fixture", 0, 300),
        PortDay(7, 2, "load", 100, 2400, tags=8),
    )
    assert (health.today, health.tags) == ({"1 fixture": (0, 0), "1 load": (0, 0)}, ())


def test_it_is_told_once_and_again_after_two_weeks() -> None:
    """While it lasts; not every day anew."""
    health, told = Health(), []
    for day in range(60):
        today = {"1 fixture": (160 if day < 20 else max(160 - 12 * (day - 20), 8), 200)}
        health = Health(day, today, (), health.days, health.told)
        health, found = health.close(day + 1)
        told += [day + 1 for _ in found]
    assert len(told) >= 2
    assert all(later - sooner >= AGAIN_DAYS for sooner, later in pairwise(told))


def test_a_date_that_runs_back_begins_anew() -> None:
    """A receiver's wrong date drops what would lie in the future, and accuses nobody."""
    days = tuple(PortDay(day, 1, "fixture", 160, 200) for day in range(20))
    health, told = Health(20, {"1 fixture": (1, 200)}, (), days, {}).close(10)
    assert told == ()
    assert [d.day for d in health.days] == [*range(10)]
