"""What the vehicle shows between decisions."""

from __future__ import annotations

import pytest

from agent.snapshot import aboard, position
from agent.state import Setup, State
from agent.units import parse_utc
from tests.days import BADGE, EPCS, FRAME, UTC_S, VEHICLE, Scene, setup_of, tell
from tests.test_pipeline import loaded_at_depot
from tests.test_pipeline_time import HOURS, untrusted_until

SETUP = setup_of()


def live(scene: Scene, setup: Setup = SETUP) -> State:
    """The state while the record goes on."""
    return tell(scene, setup, to_the_end=False).state


def test_on_the_road_the_manifest_speaks() -> None:
    """Moving, with the leg's id, each item with its probability and the age of its last read, but no name."""
    state = live(loaded_at_depot().hear("badge").stay(20).drive("nowhere"))
    shown = aboard(SETUP, state, now_s=state.axis.last_s)
    assert (shown.state, shown.site, shown.leg, shown.trip) == (
        "moving",
        None,
        "van-07/2026-03-02/1",
        "van-07/2026-03-02",
    )
    assert [(item.epc, item.state) for item in shown.items] == [(EPCS["case-1"], "aboard"), (EPCS["case-2"], "aboard")]
    assert all(item.p > 0.9 and item.heard_s is not None and item.heard_s < 20.0 for item in shown.items)
    assert [(item.name, item.tag, item.loaded) for item in shown.items] == [(None, None, None)] * 2
    assert [badge.epc for badge in shown.badges] == [BADGE.epc]
    assert shown.certain
    assert shown.not_read is None
    assert shown.at is not None
    assert parse_utc(shown.at) == pytest.approx(UTC_S + 920.0, abs=3.0)


def test_at_a_stop_the_site_and_its_begin_are_shown() -> None:
    """Standing at the hall since 500 s; no leg is under way."""
    state = live(loaded_at_depot().drive("hall").stay(120))
    shown = aboard(SETUP, state, now_s=state.axis.last_s)
    assert (shown.state, shown.site, shown.leg) == ("stopped", "hall", None)
    assert shown.since is not None
    assert parse_utc(shown.since) == pytest.approx(UTC_S + 500.0, abs=3.0)
    found = position(SETUP, state)
    assert found is not None
    assert (found.site, found.leg, found.speed_mps) == ("hall", None, 0.0)
    assert (found.lat, found.lon) == pytest.approx(FRAME.to_degrees(2000.0, 0.0), abs=1e-5)
    assert found.error_m == pytest.approx(8.0, abs=0.1)


def test_what_is_heard_beside_the_van_is_near_until_it_was_not_heard_for_long() -> None:
    """Stock left behind at the last stop: near while its last read is fresh, and no line after five minutes."""
    scene = Scene().doors(on=True).stay(30).hear("case-1", "case-3").stay(200).doors(on=False).stay(20).lose("case-3")
    state = live(scene.drive("hall"))
    soon = {item.epc: item for item in aboard(SETUP, state, now_s=state.axis.last_s).items}
    assert soon[EPCS["case-3"]].state == "near"
    assert soon[EPCS["case-3"]].p < 0.5
    assert soon[EPCS["case-3"]].name is not None, "no manifest has named it"
    later = {item.epc for item in aboard(SETUP, state, now_s=state.axis.last_s + 300.0).items}
    assert later == {EPCS["case-1"]}


def test_what_is_not_read_is_said() -> None:
    """The reader down, an antenna lost, or radio off at the site: in words, with since when."""
    scene = loaded_at_depot().reader("down")
    shown = aboard(SETUP, live(scene), now_s=scene.now_s)
    assert shown.not_read is not None
    assert "reader is down" in shown.not_read.why
    assert not shown.certain
    assert shown.not_read.since is not None
    assert parse_utc(shown.not_read.since) == pytest.approx(UTC_S + 300.0, abs=2.0)
    quiet = setup_of(radio_off=["hall"])
    state = live(loaded_at_depot().drive("hall").stay(60), quiet)
    shown = aboard(quiet, state, now_s=state.axis.last_s)
    assert shown.not_read is not None
    assert "radio is off" in shown.not_read.why


def test_nothing_is_claimed_before_anything_is_known() -> None:
    """No line yet: unknown, nothing aboard, no position, no time."""
    scene = Scene()
    state = live(scene)
    shown = aboard(SETUP, state, now_s=0.0)
    assert (shown.state, shown.at, shown.since, shown.items) == ("unknown", None, None, ())
    assert position(SETUP, state) is None


def test_without_a_trusted_time_none_is_shown() -> None:
    """`at` is null and no position goes out while the receiver's dates alternate."""
    state = live(untrusted_until(loaded_at_depot(), 1e9))
    shown = aboard(SETUP, state, now_s=state.axis.last_s)
    assert (shown.at, shown.since) == (None, None)
    assert position(SETUP, state) is None


def test_outside_working_hours_neither_place_nor_badge_nor_position_is_shown() -> None:
    """Before six: the items are, the rest is not."""
    setup = setup_of(VEHICLE + HOURS)
    state = live(loaded_at_depot().hear("badge").drive("hall").stay(60), setup)
    shown = aboard(setup, state, now_s=state.axis.last_s)
    assert (shown.site, shown.badges) == (None, ())
    assert len(shown.items) == 2
    assert all(item.loaded is None for item in shown.items)
    assert position(setup, state) is None
