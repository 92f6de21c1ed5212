"""Marks, accounts and moves, from itineraries and assessments made by hand."""

from __future__ import annotations

import numpy as np
import pytest

from agent.axis import Moment
from agent.custody import AT_DOORS_S, GONE_FOR_S, SLACK_S, Account, Mark, Move, find_moves, lay_marks
from agent.itinerary import Itinerary, Leg, Stop
from agent.presence.belief import Assessment

# Stop 1 until 600 s, leg 1 until 1200 s, stop 2 until 1800 s, leg 2 under way.
DAY = Itinerary(
    segments=(Stop(1, 0.0, 600.0), Leg(1, 600.0, 1200.0, 1, 1), Stop(2, 1200.0, 1800.0), Leg(2, 1800.0, None, 1, 2)),
    stops=2,
    legs=2,
)
UTC_S = 1_772_600_400.0


def moment(t_s: float) -> Moment:
    """Time is trusted throughout."""
    return Moment(UTC_S + t_s, UTC_S + t_s, UTC_S + t_s, trusted=True)


def test_marks_stand_at_the_begin_and_on_every_leg() -> None:
    """A whole day: its begin, the middle of the leg that is over, the present end of the one that is not."""
    marks, accounts = lay_marks(DAY, from_s=0.0, begin_s=0.0, now_s=2000.0, settle=False)
    assert marks == [Mark("start", 0.0), Mark("leg", 900.0, 1), Mark("leg", 2000.0, 2)]
    assert accounts == [Account(1, 0, 0.0, 600.0, 0), Account(2, 0, 1200.0, 1800.0, 1)]


def test_a_window_that_opens_later_begins_with_its_first_leg() -> None:
    """What lies before the window is neither asked for nor told again."""
    marks, accounts = lay_marks(DAY, from_s=600.0, begin_s=0.0, now_s=2000.0, settle=False)
    assert [mark.kind for mark in marks] == ["leg", "leg"]
    assert [account.stop for account in accounts] == [2]


def test_the_present_stop_is_asked_for_only_to_settle() -> None:
    """While the van stands, its account is open: asked for when settling, left alone otherwise."""
    standing = Itinerary(segments=(*DAY.segments[:2], Stop(2, 1200.0)), stops=2, legs=1)
    marks, accounts = lay_marks(standing, from_s=0.0, begin_s=0.0, now_s=1500.0, settle=False)
    assert [mark.kind for mark in marks] == ["start", "leg"]
    assert [account.stop for account in accounts] == [1]
    marks, accounts = lay_marks(standing, from_s=0.0, begin_s=0.0, now_s=1500.0, settle=True)
    assert marks[-1] == Mark("now", 1500.0)
    assert accounts[-1] == Account(2, 0, 1200.0, 1500.0, 1, open=True)


def test_a_break_parts_an_account_in_two() -> None:
    """A stop closed at a break has a mark there, and one account on either side of it."""
    broken = Itinerary(
        segments=(DAY.segments[0], DAY.segments[1], Stop(2, 1200.0, 1800.0, closed_s=(1400.0,)), DAY.segments[3])
    )
    marks, accounts = lay_marks(broken, from_s=0.0, begin_s=0.0, now_s=2000.0, settle=False)
    assert [(mark.kind, mark.at_s) for mark in marks] == [
        ("start", 0.0),
        ("leg", 900.0),
        ("close", 1400.0),
        ("leg", 2000.0),
    ]
    assert accounts[1:] == [Account(2, 0, 1200.0, 1400.0, 1), Account(2, 1, 1400.0, 1800.0, 2)]


def test_a_record_that_opens_on_the_road_has_no_begin() -> None:
    """The first mark is its first leg; there is no account before it."""
    road = Itinerary(segments=DAY.segments[1:])
    marks, accounts = lay_marks(road, from_s=0.0, begin_s=600.0, now_s=2000.0, settle=False)
    assert marks[0] == Mark("leg", 900.0, 1)
    assert [account.stop for account in accounts] == [2]


def moves_of(*series: list[float], now_s: float = 2000.0, final: bool = False, settle: bool = False) -> list[Move]:
    """Moves of tags whose P(aboard) at 0, 300, 900, 1300, 1500, 1700 and `now_s` is given."""
    itinerary = Itinerary(segments=(*DAY.segments[:2], Stop(2, 1200.0))) if settle else DAY
    marks, accounts = lay_marks(itinerary, from_s=0.0, begin_s=0.0, now_s=now_s, settle=settle)
    at = np.array([0.0, 300.0, 900.0, 1300.0, 1500.0, 1700.0, now_s])
    columns = [[0.0] * len(at), *series]
    rows = tuple(int(np.flatnonzero(at == mark.at_s)[0]) for mark in marks)
    found = Assessment(at, np.array(columns, dtype=np.float32).T, rows, np.zeros(len(at), dtype=np.int32))
    return find_moves(found, marks, accounts, ["", *"ABCDEF"], moment=moment, final=final)


def test_what_is_aboard_on_the_leg_and_was_not_before_was_loaded() -> None:
    """Loaded at stop 1 about when P(aboard) crossed a half, within an interval of that stop."""
    (move,) = moves_of([0.0, 0.5, 1.0, 1.0, 1.0, 1.0, 1.0])
    assert (move.kind, move.tag, move.stop, move.part) == ("load", "A", 1, 0)
    assert move.key == ("load", 1, 0, "A")
    assert move.at_s == pytest.approx(UTC_S + 300.0, abs=1.0)
    assert UTC_S <= move.not_before_s <= move.at_s <= move.not_after_s <= UTC_S + 600.0
    assert move.p == pytest.approx(1.0)


def test_what_is_gone_on_the_next_leg_was_unloaded() -> None:
    """Aboard on leg 1 and not on leg 2: unloaded at stop 2, between the steps at which it went."""
    (move,) = moves_of([1.0, 1.0, 1.0, 1.0, 0.0, 0.0, 0.0])
    assert (move.kind, move.stop) == ("unload", 2)
    assert UTC_S + 1300.0 <= move.at_s <= UTC_S + 1500.0
    assert move.not_after_s - move.not_before_s <= 200.0 + 2 * SLACK_S + AT_DOORS_S


def test_what_was_taken_out_and_put_back_is_no_move() -> None:
    """Off in the middle of stop 2 and aboard again before it left: nothing is said."""
    assert moves_of([1.0, 1.0, 1.0, 0.05, 0.0, 0.9, 1.0]) == []


def test_what_was_aboard_when_the_tool_first_ran_is_no_load() -> None:
    """Aboard from the first moment on: no ADD (formats.md, section 6); and column 0 is no tag."""
    assert moves_of([1.0] * 7) == []


def test_p_of_a_move_says_that_it_was_not_before_and_was_after() -> None:
    """P(load) = P(not aboard before) P(aboard after)."""
    (move,) = moves_of([0.2, 0.5, 0.9, 0.9, 0.9, 0.9, 0.9])
    assert move.p == pytest.approx(0.8 * 0.9, abs=1e-6)


def test_while_the_van_stands_only_what_has_surely_got_off_is_said() -> None:
    """Settling a stop: gone for long and surely is an unloading; a doubt, a minute ago, or a load is nothing yet."""
    gone = [1.0, 1.0, 1.0, 0.0, 0.0, 0.0, 0.0]
    doubtful = [1.0, 1.0, 1.0, 0.2, 0.2, 0.2, 0.2]
    just_now = [1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 0.0]
    loaded = [0.0, 0.0, 0.0, 1.0, 1.0, 1.0, 1.0]
    said = moves_of(gone, doubtful, just_now, loaded, now_s=1700.0 + GONE_FOR_S, settle=True)
    assert [(move.kind, move.tag) for move in said] == [("unload", "A")]


def test_at_the_records_end_the_likelier_is_said() -> None:
    """No more evidence will come: what is likelier gone than not has got off, however lately."""
    doubtful = [1.0, 1.0, 1.0, 0.2, 0.2, 0.2, 0.2]
    just_now = [1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 0.0]
    loaded = [0.0, 0.0, 0.0, 1.0, 1.0, 1.0, 1.0]
    said = moves_of(doubtful, just_now, loaded, now_s=1850.0, settle=True, final=True)
    assert [(move.kind, move.tag) for move in said] == [("unload", "A"), ("unload", "B")]


@pytest.mark.parametrize("seed", range(20))
def test_a_moves_best_time_lies_within_its_interval_and_its_stop(seed: int) -> None:
    """Whatever P(aboard) does over the stop: not before <= at <= not after, all within the stop."""
    rng = np.random.default_rng(seed)
    series = [[0.0, *rng.random(1).tolist(), 1.0, *rng.random(3).tolist(), 0.0] for _ in range(5)]
    found = moves_of(*series)
    assert len(found) == 10
    for move in found:
        low, high = (0.0, 600.0) if move.kind == "load" else (1200.0, 1800.0)
        assert UTC_S + low <= move.not_before_s <= move.at_s <= move.not_after_s <= UTC_S + high
        assert low <= move.at_t_s <= high


def test_across_a_power_gap_the_interval_holds_the_gap() -> None:
    """The clock ran on by hours between two steps: an item gone by then may have gone at any time of them."""

    def over_night(t_s: float) -> Moment:
        late_s = 0.0 if t_s < 1400.0 else 36_000.0
        return Moment(UTC_S + t_s + late_s, UTC_S + t_s + late_s, UTC_S + t_s + late_s, trusted=True)

    marks, accounts = lay_marks(DAY, from_s=0.0, begin_s=0.0, now_s=2000.0, settle=False)
    at = np.array([0.0, 900.0, 1300.0, 1500.0, 1700.0, 2000.0])
    aboard = np.array([[0.0, 1.0], [0.0, 1.0], [0.0, 1.0], [0.0, 0.0], [0.0, 0.0], [0.0, 0.0]], dtype=np.float32)
    found = Assessment(at, aboard, (0, 1, 5), np.zeros(6, dtype=np.int32))
    (move,) = find_moves(found, marks, accounts, ["", "A"], moment=over_night)
    assert move.not_before_s < UTC_S + 3600.0
    assert move.not_after_s > UTC_S + 35_000.0
