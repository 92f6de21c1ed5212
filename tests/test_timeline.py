"""Boot clocks and UTC: a table of cases with the stamps they must give, and what must never happen.

All offsets here are worked by hand from the rules in the module's docstring: UTC = boot clock + largest (fix time -
boot clock). The roll-over is 1024 weeks = 619 315 200 s (IS-GPS-200: ten bits of week number).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import UTC, datetime

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.records import GpsFix
from agent.timeline import FLOOR_UTC_S, TimeEvent, Timeline, TimeRules, refusal, remembered

T0 = datetime(2026, 3, 2, 7, 0, 0, tzinfo=UTC).timestamp()
ROLL_OVER_S = 619_315_200.0


def fix(mono: float, utc_s: float) -> GpsFix:
    """A fix of which only the time matters."""
    return GpsFix(mono=mono, utc_s=utc_s, lat=48.31, lon=-31.27, sigma_m=3.0, mode=3)


def seconds(count: int, *, mono: float, utc_s: float, delay_s: float = 0.0) -> Iterator[GpsFix]:
    """`count` fixes, one a second; each arrives `delay_s` after the moment that it tells. At `mono` it is `utc_s`."""
    for i in range(count):
        yield fix(mono + i + delay_s, utc_s + i)


def run(timeline: Timeline, fixes: Iterable[GpsFix]) -> tuple[Timeline, list[TimeEvent]]:
    """All fixes in turn, and everything told."""
    events: list[TimeEvent] = []
    for one in fixes:
        timeline, told = timeline.observe_fix(one)
        events += told
    return timeline, events


def booted(mono: float = 0.0) -> Timeline:
    """One boot and nothing else."""
    return Timeline().observe_boot(mono, "1970-01-01T00:00:12.000Z")


# name: fixes of boot 1, then (mono, seconds after T0 that it must be; None: nothing may be said)
STAMPS: dict[str, tuple[list[GpsFix], float, float | None]] = {
    "nine fixes are not enough": ([*seconds(9, mono=100.0, utc_s=T0)], 100.0, None),
    "ten are": ([*seconds(10, mono=100.0, utc_s=T0)], 100.0, 0.0),
    "before the first fix": ([*seconds(10, mono=100.0, utc_s=T0)], 12.0, -88.0),
    "after the last": ([*seconds(10, mono=100.0, utc_s=T0)], 4000.0, 3900.0),
    "the least delayed fix counts": (
        [fix(100.0 + i + (0.1 if i == 4 else 0.9), T0 + i) for i in range(10)],
        100.0,
        -0.1,
    ),
    "a fix that repeats its time counts once": ([fix(100.0 + i, T0) for i in range(50)], 100.0, None),
    "repeats between moving fixes do not harm": (
        [one for f in seconds(10, mono=100.0, utc_s=T0) for one in (f, fix(f.mono + 0.5, f.utc_s))],
        100.0,
        0.0,
    ),
    "offsets that wander by more than two seconds do not agree": (
        [fix(100.0 + i, T0 + i + 0.25 * (i % 12)) for i in range(12)],
        100.0,
        None,
    ),
    "two alternating dates are never trusted": (
        [fix(100.0 + i, T0 + i + (i % 2) * 86_400.0) for i in range(400)],
        100.0,
        None,
    ),
    "one wild fix in eight only delays": (
        [fix(100.0 + i, T0 + i + (5_000.0 if i % 8 == 7 else 0.0)) for i in range(14)],
        100.0,
        0.0,
    ),
    "the first fix may be the wild one": ([fix(99.0, T0 + 5_000.0), *seconds(10, mono=100.0, utc_s=T0)], 100.0, 0.0),
    "1970": ([*seconds(60, mono=100.0, utc_s=12.0)], 100.0, None),
    "the last second before the floor": ([*seconds(10, mono=100.0, utc_s=FLOOR_UTC_S - 10.0)], 100.0, None),
    "rolled over": ([*seconds(60, mono=100.0, utc_s=T0 - ROLL_OVER_S)], 100.0, None),
    "eleven years ahead": ([*seconds(60, mono=100.0, utc_s=FLOOR_UTC_S + 11 * 365.25 * 86_400.0)], 100.0, None),
    "rolled over at first, then right": (
        [*seconds(30, mono=100.0, utc_s=T0 - ROLL_OVER_S), *seconds(10, mono=130.0, utc_s=T0 + 30.0)],
        100.0,
        0.0,
    ),
    "a wrong day for ten minutes less a fix is not followed": (
        [*seconds(10, mono=100.0, utc_s=T0), *seconds(599, mono=110.0, utc_s=T0 + 86_410.0)],
        100.0,
        0.0,
    ),
    "for six hundred fixes it is, for the whole boot": (
        [*seconds(10, mono=100.0, utc_s=T0), *seconds(600, mono=110.0, utc_s=T0 - 18.0 + 10.0)],
        100.0,
        -18.0,
    ),
    "a leap second is followed in the next window": (
        [*seconds(10, mono=100.0, utc_s=T0), *seconds(1300, mono=110.0, utc_s=T0 + 9.0)],
        1400.0,
        1299.0,
    ),
    "trusted fixes that all came late are corrected": (
        [*seconds(10, mono=100.0, utc_s=T0, delay_s=1.5), *seconds(10, mono=110.0, utc_s=T0 + 10.0)],
        100.0,
        0.0,
    ),
    "half a second of drift stays as it is": (
        [*seconds(10, mono=100.0, utc_s=T0), *seconds(1300, mono=110.0, utc_s=T0 + 9.6)],
        1400.0,
        1300.0,
    ),
}


@pytest.mark.parametrize(("fixes", "mono", "after_t0_s"), STAMPS.values(), ids=STAMPS.keys())
def test_stamps(fixes: list[GpsFix], mono: float, after_t0_s: float | None) -> None:
    """Each case gives the stamp that its rules give by hand, or none."""
    timeline, _ = run(booted(12.0), fixes)
    utc_s = timeline.utc_of(1, mono)
    if after_t0_s is None:
        assert utc_s is None
        assert timeline.bounds_of(1, mono) == (None, None)
    else:
        assert utc_s == pytest.approx(T0 + after_t0_s, abs=1e-6)
        assert timeline.bounds_of(1, mono) == (utc_s, utc_s)


def test_time_is_trusted_at_the_tenth_fix_and_told_once() -> None:
    """Trust comes with the tenth agreeing fix, with one event that says when it is."""
    timeline, events = run(booted(), seconds(40, mono=100.0, utc_s=T0))
    assert timeline.trusted
    assert [(event.code, event.boot, event.mono, event.utc_s) for event in events] == [
        ("time-trusted", 1, 109.0, T0 + 9.0)
    ]


def test_a_crystal_that_drifts_is_followed() -> None:
    """After eight hours at 100 ppm (a poor crystal: common practice, no source) a stamp is right within a second."""
    rate = 1.0 - 100e-6  # this boot clock loses
    timeline, events = run(booted(), (fix(100.0 + i * rate, T0 + i) for i in range(8 * 3600)))
    for hour in (0, 2, 4, 6):
        utc_s = timeline.utc_of(1, 100.0 + hour * 3600 * rate)
        assert utc_s == pytest.approx(T0 + hour * 3600, abs=1.0)
    assert [event.code for event in events] == ["time-trusted"]
    assert timeline.now is not None
    assert len(timeline.now.knots) < 10


@given(
    st.lists(st.tuples(st.floats(0.5, 400.0), st.floats(-1.9, 1.9)), min_size=20, max_size=60),
    st.lists(st.floats(0.0, 12_000.0), min_size=2, max_size=20),
)
def test_moments_keep_their_order(steps: list[tuple[float, float]], monos: list[float]) -> None:
    """Whatever the fixes say, a later moment of a boot never gets an earlier time."""
    timeline = booted()
    mono = 100.0
    for step_s, error_s in steps:
        mono += step_s
        timeline, _ = timeline.observe_fix(fix(mono, T0 + mono + error_s))
    stamps = [timeline.utc_of(1, moment) for moment in sorted(monos)]
    known = [stamp for stamp in stamps if stamp is not None]
    assert len(known) in (0, len(stamps))
    assert known == sorted(known)


REFUSALS = {
    "2024 itself": (FLOOR_UTC_S, None),
    "just before": (FLOOR_UTC_S - 0.001, "before the floor"),
    "1970": (12.0, "before the floor"),
    "ten years on": (FLOOR_UTC_S + 10 * 365.25 * 86_400.0, "more than ten years"),
    "the year 9999": (datetime(9999, 1, 1, tzinfo=UTC).timestamp(), "more than ten years"),
    "one roll-over back": (T0 - ROLL_OVER_S, "1024 weeks"),
    "two roll-overs back": (T0 - 2 * ROLL_OVER_S, "2048 weeks"),
    "one roll-over ahead": (T0 + ROLL_OVER_S, "1024 weeks"),
}


@pytest.mark.parametrize(("utc_s", "why"), REFUSALS.values(), ids=REFUSALS.keys())
def test_times_that_cannot_be_true(utc_s: float, why: str | None) -> None:
    """Below the floor, ten years above it, and rolled over are refused, each with its reason."""
    found = refusal(utc_s)
    assert (found is None) == (why is None)
    if why is not None:
        assert found is not None
        assert why in found


def test_each_refusal_is_told_once_a_boot() -> None:
    """A receiver that stays wrong is told of once in each boot, not once a second."""
    timeline, events = run(booted(), seconds(100, mono=1.0, utc_s=T0 - ROLL_OVER_S))
    assert [event.code for event in events] == ["time-refused"]
    timeline, events = run(timeline.observe_boot(0.0), seconds(100, mono=1.0, utc_s=T0 - ROLL_OVER_S))
    assert [(event.code, event.boot) for event in events] == [("time-refused", 2)]


def test_a_contradicting_time_is_told_then_followed_with_its_shift() -> None:
    """A trusted time that is contradicted gives one warning, and after 600 agreeing fixes one notice of the shift."""
    timeline, _ = run(booted(), seconds(10, mono=100.0, utc_s=T0))
    timeline, events = run(timeline, seconds(650, mono=110.0, utc_s=T0 + 28.0))
    assert [event.code for event in events] == ["time-disagrees", "time-rebound"]
    assert [event.shift_s for event in events] == [pytest.approx(18.0), pytest.approx(18.0)]
    assert events[1].utc_s == pytest.approx(T0 + 28.0 + 599.0)


def test_agreeing_fixes_take_a_rival_its_votes() -> None:
    """Two receivers that disagree for good change nothing: each right fix takes back what a wrong one said."""
    timeline, _ = run(booted(), seconds(10, mono=100.0, utc_s=T0))
    mixed = (fix(110.0 + i, T0 + 10.0 + i + (18.0 if i % 2 else 0.0)) for i in range(3000))
    timeline, events = run(timeline, mixed)
    assert events == []
    assert timeline.utc_of(1, 100.0) == T0


def three_boots(middle_trusted: bool) -> Timeline:  # noqa: FBT001 - the one thing that differs
    """Boot 1 trusted, T0 at 100 and alive until 200; boot 2 alive from 10 to 310; boot 3 from 5, T0 + 4000 at 50."""
    timeline, _ = run(booted(12.0), seconds(10, mono=100.0, utc_s=T0))
    timeline = timeline.observe_mono(200.0).observe_boot(10.0).observe_mono(310.0)
    if middle_trusted:
        timeline, _ = run(timeline, seconds(10, mono=300.0, utc_s=T0 + 2000.0))
    timeline = timeline.observe_boot(5.0)
    timeline, _ = run(timeline, seconds(10, mono=50.0, utc_s=T0 + 4000.0))
    return timeline


def test_a_boot_without_a_fix_gets_an_interval() -> None:
    """Its moments lie after the boot before plus what it had run, and before the next one less what it ran on."""
    timeline = three_boots(middle_trusted=False)
    assert timeline.utc_of(2, 60.0) is None
    # Boot 1 was last heard at T0 + 100, boot 3 first at T0 + 3955; boot 2 had run 50 s and ran on for 250 s.
    assert timeline.bounds_of(2, 60.0) == (T0 + 150.0, T0 + 3705.0)
    not_before, not_after = timeline.bounds_of(2, 310.0)
    assert (not_before, not_after) == (T0 + 400.0, T0 + 3955.0)


def test_a_boot_that_saw_a_fix_later_has_its_stamps() -> None:
    """A time trusted late in a boot dates what came early in it."""
    timeline = three_boots(middle_trusted=True)
    assert timeline.utc_of(2, 10.0) == T0 + 2000.0 - 290.0


def test_boots_between_count_with_what_they_ran() -> None:
    """Two boots without a fix in a row: the second lies after the first's whole run."""
    timeline, _ = run(booted(0.0), seconds(10, mono=100.0, utc_s=T0))
    for _ in range(2):
        timeline = timeline.observe_boot(0.0).observe_mono(40.0)
    assert timeline.bounds_of(2, 30.0) == (T0 + 9.0 + 30.0, None)
    assert timeline.bounds_of(3, 30.0) == (T0 + 9.0 + 40.0 + 30.0, None)
    timeline = timeline.observe_boot(0.0)
    timeline, _ = run(timeline, seconds(10, mono=0.0, utc_s=T0 + 1000.0))
    assert timeline.bounds_of(2, 30.0) == (T0 + 39.0, T0 + 1000.0 - 40.0 - 10.0)


def test_an_unknown_boot_has_no_bounds() -> None:
    """Of a boot that was never seen nothing is said."""
    assert booted().bounds_of(7, 1.0) == (None, None)
    assert booted().utc_of(7, 1.0) is None
    assert Timeline().boot == 0


def test_neighbours_that_contradict_each_other_bound_nothing() -> None:
    """Where a later boot's time lies before an earlier one's, one of the two is wrong: no interval is made of them."""
    timeline, _ = run(booted(), seconds(10, mono=100.0, utc_s=T0 + 86_400.0))
    timeline = timeline.observe_boot(0.0).observe_mono(50.0).observe_boot(0.0)
    timeline, _ = run(timeline, seconds(10, mono=0.0, utc_s=T0))
    assert timeline.bounds_of(2, 20.0) == (None, None)


def test_a_time_before_the_last_known_one_is_warned_of_and_trusted() -> None:
    """A receiver that was years ahead once must not stop a good one from being trusted later."""
    timeline, _ = run(booted(), seconds(10, mono=100.0, utc_s=T0 + 5 * 365 * 86_400.0))
    timeline, events = run(timeline.observe_boot(0.0), seconds(10, mono=0.0, utc_s=T0))
    assert [event.code for event in events] == ["time-trusted", "time-before-last-known"]
    assert timeline.utc_of(2, 0.0) == T0


def test_the_last_known_time_is_replaced_after_six_hundred_fixes_over_two_boots() -> None:
    """One boot, however long, does not replace it; the second does, and a third is not warned of any more."""
    timeline, _ = run(booted(), seconds(10, mono=100.0, utc_s=T0 + 5 * 365 * 86_400.0))
    timeline, first = run(timeline.observe_boot(0.0), seconds(900, mono=0.0, utc_s=T0))
    timeline, second = run(timeline.observe_boot(0.0), seconds(20, mono=0.0, utc_s=T0 + 5000.0))
    timeline, third = run(timeline.observe_boot(0.0), seconds(20, mono=0.0, utc_s=T0 + 9000.0))
    assert [event.code for event in first] == ["time-trusted", "time-before-last-known"]
    assert [event.code for event in second] == ["time-trusted", "time-before-last-known", "last-known-time-replaced"]
    assert [event.code for event in third] == ["time-trusted"]


def test_after_the_state_was_lost_the_kept_boots_warn_and_bound_as_before() -> None:
    """From what the store keeps (offsets, last moments): a later boot is warned of, bounded, and replaces it."""
    ahead_s = T0 + 5 * 365 * 86_400.0
    lost = remembered([(1, 12.0, 100.0, T0), (2, 12.0, 112.0, ahead_s - 112.0), (3, 5.0, 65.0, None)])
    assert lost.last_known_utc_s == ahead_s
    assert lost.bounds_of(3, 35.0) == (ahead_s + 30.0, None)
    timeline = lost.observe_boot(0.0)
    assert (timeline.boot, timeline.utc_of(1, 50.0), timeline.utc_of(4, 0.0)) == (4, T0 + 50.0, None)
    assert timeline.bounds_of(4, 10.0) == (ahead_s + 60.0 + 10.0, None)
    timeline, first = run(timeline, seconds(900, mono=0.0, utc_s=T0 + 1000.0))
    timeline, second = run(timeline.observe_boot(0.0), seconds(20, mono=0.0, utc_s=T0 + 5000.0))
    assert [event.code for event in first] == ["time-trusted", "time-before-last-known"]
    assert [event.code for event in second][1:] == ["time-before-last-known", "last-known-time-replaced"]
    assert remembered([]) == Timeline()


# By hand: UTC = boot clock + offset; an interval runs from the last trusted moment before, plus what ran since, to the
# first after, less what ran until. `None` for a fix: the boot saw none. Asked: (boot, mono).
@pytest.mark.parametrize(
    ("boots", "asked", "stamp"),
    [
        pytest.param([(0.0, 300.0, None)], (1, 20.0), (None, None), id="never a fix, no neighbour: nothing"),
        pytest.param(
            [(0.0, 100.0, (50.0, T0)), (0.0, 80.0, None)], (2, 30.0), (T0 + 80.0, None), id="never a fix: not before"
        ),
        pytest.param(
            [(0.0, 80.0, None), (5.0, 100.0, (50.0, T0))], (1, 30.0), (None, T0 - 95.0), id="never a fix: not after"
        ),
        pytest.param(
            [(0.0, 100.0, (50.0, T0)), (0.0, 80.0, None), (0.0, 60.0, (50.0, T0 + 900.0))],
            (2, 30.0),
            (T0 + 80.0, T0 + 800.0),
            id="never a fix: between two",
        ),
        pytest.param([(12.0, 700.0, (600.0, T0))], (1, 15.0), (T0 - 585.0,) * 2, id="a read before the first fix"),
        pytest.param([(12.0, 700.0, (600.0, T0))], (1, 12.0), (T0 - 588.0,) * 2, id="at the very start"),
        pytest.param([(12.0, 700.0, (600.0, T0))], (1, 650.0), (T0 + 50.0,) * 2, id="after the fixes"),
        pytest.param(
            [(0.0, 100.0, (50.0, T0)), (0.0, 100.0, (50.0, T0 - 3600.0))],
            (2, 10.0),
            (T0 - 3640.0,) * 2,
            id="an hour back at a new boot: its own receiver is believed",
        ),
        pytest.param(
            [(0.0, 100.0, (50.0, T0)), (0.0, 9.0, None), (0.0, 100.0, (50.0, T0 - 3600.0))],
            (2, 5.0),
            (None, None),
            id="between neighbours that jump back: no interval is made up",
        ),
    ],
)
def test_the_stamps_of_a_table_of_cases(
    boots: list[tuple[float, float, tuple[float, float] | None]],
    asked: tuple[int, float],
    stamp: tuple[float | None, float | None],
) -> None:
    """Boots (first moment, last moment, where ten fixes began and their time) and the stamp of one moment of them."""
    timeline = Timeline()
    for first, last, fixes in boots:
        timeline = timeline.observe_boot(first)
        if fixes is not None:
            timeline, _ = run(timeline, seconds(10, mono=fixes[0], utc_s=fixes[1]))
        timeline = timeline.observe_mono(last)
    assert timeline.bounds_of(*asked) == stamp


@pytest.mark.parametrize(("agreeing", "moved_s"), [(1, 0.0), (599, 0.0), (600, -3600.0)])
def test_a_jump_back_within_a_boot_moves_no_stamp_before_six_hundred_fixes(agreeing: int, moved_s: float) -> None:
    """An hour back: 599 seconds of it change no stamp; the 600th moves the whole boot, its start too."""
    timeline, _ = run(booted(), seconds(10, mono=50.0, utc_s=T0))
    timeline, _ = run(timeline, seconds(agreeing, mono=100.0, utc_s=T0 + 50.0 - 3600.0))
    assert timeline.utc_of(1, 5.0) == T0 - 45.0 + moved_s
    assert timeline.utc_of(1, 60.0) == T0 + 10.0 + moved_s


def test_a_recording_without_a_boot_line_is_one_boot() -> None:
    """What comes before any boot line belongs to boot 1, and the next boot line begins boot 2."""
    timeline, _ = run(Timeline(), seconds(10, mono=100.0, utc_s=T0))
    assert timeline.utc_of(1, 100.0) == T0
    assert timeline.observe_boot(0.0).boot == 2


def test_a_moment_that_was_heard_before_changes_nothing() -> None:
    """The last moment heard only moves on; what bounds the next boot does not shrink."""
    timeline = booted(12.0).observe_mono(40.0)
    assert timeline.observe_mono(30.0) is timeline
    assert timeline.now is not None
    assert timeline.now.last_mono == 40.0


def test_a_fixs_freshness_is_its_time() -> None:
    """A fix is fresh when its time moved, whatever its position."""
    timeline, _ = timeline_and_events = booted().observe_fix(fix(1.0, T0))
    assert timeline_and_events[1] == ()
    assert not timeline.is_fresh(fix(2.0, T0))
    assert timeline.is_fresh(fix(2.0, T0 + 1.0))


def test_a_scaled_clock_takes_wider_rules() -> None:
    """At 600 times real time 10 ms of delay are 6 s; with `agree_s` to match, the least delayed fix still counts."""
    rules = TimeRules(agree_s=30.0)
    delays_s = [6.0, 0.3, 12.0, 2.0, 9.0, 0.8, 20.0, 1.0, 4.0, 3.0]
    late = (fix(100.0 + 20.0 * i + delay_s, T0 + 20.0 * i) for i, delay_s in enumerate(delays_s))
    timeline, events = run(Timeline(rules=rules).observe_boot(0.0), late)
    assert [event.code for event in events] == ["time-trusted"]
    assert timeline.utc_of(1, 100.0) == pytest.approx(T0 - 0.3)


def test_many_boots_stay_bounded() -> None:
    """A vehicle that starts every minute for years keeps the clocks of its last boots alone."""
    timeline = Timeline(rules=TimeRules(keep_boots=20))
    for _ in range(100):
        timeline = timeline.observe_boot(0.0).observe_mono(30.0)
    assert len(timeline.boots) == 21
    assert timeline.boot == 100


def test_the_state_survives_a_checkpoint() -> None:
    """Written out and read back it is the same state, whatever had been seen."""
    timeline = three_boots(middle_trusted=True)
    timeline, _ = run(timeline, seconds(50, mono=60.0, utc_s=T0 + 9000.0))
    assert msgspec.json.decode(msgspec.json.encode(timeline), type=Timeline) == timeline
