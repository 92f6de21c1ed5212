"""What the tally says while time is not known, and what it keeps to itself outside working hours."""

from __future__ import annotations

import pytest

from agent.units import format_utc, parse_utc
from tests.days import BADGE, UTC_S, VEHICLE, Scene, run, setup_of, tell
from tests.test_pipeline import loaded_at_depot

HOURS = """
[privacy]
working_hours = { days = ["mon"], from = "06:00", to = "18:00", timezone = "Etc/UTC" }
"""


def with_badge(*, first_utc_s: float = UTC_S) -> Scene:
    """A delivery with a badge aboard throughout."""
    scene = Scene(first_utc_s=first_utc_s, wall_utc_s=first_utc_s).doors(on=True).stay(60).hear("case-1", "badge")
    scene.stay(120).hear("case-2").stay(100).doors(on=False).stay(20)
    return (
        scene.drive("hall")
        .doors(on=True)
        .stay(60)
        .lose("case-1")
        .stay(240)
        .doors(on=False)
        .stay(20)
        .drive("studio")
        .stay(60)
    )


def test_without_trusted_time_the_manifest_waits_four_minutes_at_most() -> None:
    """The receiver's dates alternate, so that no time is trusted: the manifest comes by the wall clock, in time."""
    scene = loaded_at_depot().drive("nowhere")
    for number, one in enumerate(scene.inputs):
        if hasattr(one, "tpv") and number % 2:
            one.tpv["time"] = format_utc(parse_utc(one.tpv["time"]) + 86_400.0)
    said: list[tuple[float, dict[str, object]]] = []
    setup = setup_of()
    for (_, records), one in zip(run(setup, scene.inputs), scene.inputs, strict=True):
        said += [(one.mono, r.body) for r in records if r.kind == "manifest"]
    (at_s, first), *_ = said
    assert 180.0 < at_s - 300.0 <= 240.0
    assert first["departed"]["time"] is not None  # type: ignore[index]


def test_two_short_legs_without_trusted_time_both_get_theirs_in_time() -> None:
    """Another departure does not put off the manifest of the leg before: each within 240 s of its own departure."""
    scene = loaded_at_depot().stay(30, speed_mps=10.0).stay(120).drive("nowhere")
    for number, one in enumerate(scene.inputs):
        if hasattr(one, "tpv") and number % 2:
            one.tpv["time"] = format_utc(parse_utc(one.tpv["time"]) + 86_400.0)
    said: dict[str, float] = {}
    for (_, records), one in zip(run(setup_of(), scene.inputs), scene.inputs, strict=True):
        for record in records:
            if record.kind == "manifest":
                said.setdefault(record.body["manifest"][-2:], one.mono)
    assert list(said) == ["/1", "/2"]
    assert said["/1"] - 300.0 <= 240.0
    assert said["/2"] - 450.0 <= 240.0


@pytest.mark.parametrize("unseen_s", [0, 10])
def test_what_is_loaded_before_any_sky_is_told_and_dated(unseen_s: int) -> None:
    """A record that begins under the depot's roof, without a fix before the road: the loads are the depot's.

    The trip is called by the day that the receiver says, not by the computer's clock, which says 1970.
    """
    scene = Scene(wall_utc_s=0.0)
    scene.sky = False
    scene.doors(on=True).stay(60).hear("case-1").stay(120).hear("case-2").stay(100).doors(on=False).stay(20)
    scene.stay(unseen_s, speed_mps=5.0)
    scene.sky = True
    told = tell(scene.drive("hall").doors(on=True).stay(60).lose("case-1").stay(240).doors(on=False).stay(60))
    assert told.moves() == [("load", "case-1", "depot"), ("load", "case-2", "depot"), ("unload", "case-1", "hall")]
    (first,) = told.final()
    assert first["manifest"] == "van-07/2026-03-02/1"
    assert first["departed"]["site"] == "depot"
    assert parse_utc(first["departed"]["time"]) == pytest.approx(UTC_S + 300.0, abs=unseen_s + 3.0)


def untrusted_until(scene: Scene, until_s: float) -> Scene:
    """The receiver's dates alternate until a moment of the boot."""
    for number, one in enumerate(scene.inputs):
        if hasattr(one, "tpv") and number % 2 and one.mono < until_s:
            one.tpv["time"] = format_utc(parse_utc(one.tpv["time"]) + 86_400.0)
    return scene


def test_what_was_told_by_the_wall_clock_is_put_right_once_time_is_trusted() -> None:
    """The clock said 1970, then the receiver is believed: events are voided and stated anew, the manifest revised."""
    scene = untrusted_until(loaded_at_depot(wall_utc_s=0.0).stay(500, speed_mps=10.0), 600.0)
    told = tell(scene, to_the_end=False)
    assert told.manifests[0]["departed"]["time"].startswith("1970-01-01T00:05:")
    last = told.final()[-1]
    assert parse_utc(last["departed"]["time"]) == pytest.approx(UTC_S + 300.0, abs=3.0)
    assert told.standing
    assert all(parse_utc(e["eventTime"]) > UTC_S for e in told.standing)


def test_time_trusted_late_brings_the_manifest_within_thirty_seconds() -> None:
    """Trusted 200 s after the departure: the first manifest comes then, not at the last moment."""
    scene = untrusted_until(loaded_at_depot(wall_utc_s=0.0).stay(400, speed_mps=10.0), 490.0)
    told = tell(scene, to_the_end=False)
    trusted = next(n for n in told.notices if n["notice"] == "time-trusted")
    assert 0.0 <= parse_utc(told.manifests[0]["issued"]) - parse_utc(trusted["at"]) <= 30.0
    assert parse_utc(told.manifests[0]["departed"]["time"]) > UTC_S


def test_a_boot_that_never_saw_a_fix_gets_an_interval() -> None:
    """Between two boots with time, one without: what got off then is dated between the two, and is told."""
    scene = loaded_at_depot().drive("hall").doors(on=True).stay(60)
    gone_s = scene.now_s + 60.0 + 100.0
    scene.cut(60)
    scene.sky = False
    scene.stay(100).lose("case-1").stay(200)
    scene.cut(60)
    scene.sky = True
    came_s = scene.now_s
    told = tell(scene.stay(100).doors(on=False).drive("studio").stay(60))
    assert ("unload", "case-1", "hall") in told.moves()
    event = next(e for e in told.standing if e["action"] == "DELETE")
    low_s, high_s = (parse_utc(event[key]) - UTC_S for key in ("rt:not_before", "rt:not_after"))
    assert 500.0 <= low_s <= gone_s <= high_s <= came_s + 30.0


def test_outside_working_hours_place_position_and_badges_are_not_kept() -> None:
    """All before six: the sites, the position and the badge are withheld; what was loaded and unloaded is told."""
    told = tell(with_badge(), setup_of(VEHICLE + HOURS))
    assert [move[:2] for move in told.moves()] == [("load", "case-1"), ("load", "case-2"), ("unload", "case-1")]
    for event in told.standing:
        assert event["bizLocation"]["id"] == "urn:roadtally:site:withheld"
        assert "readPoint" not in event
        assert "rt:badges" not in event
    for manifest in told.manifests:
        assert manifest["badges"] == []
        assert manifest["departed"]["site"] is None
        assert manifest["departed"]["position"] is None
        assert manifest["arrived"] is None or manifest["arrived"]["site"] is None
        assert all(line["loaded"]["site"] is None for line in manifest["items"])
    assert BADGE.epc not in str(told.records)


def test_what_happened_before_work_began_names_no_badge() -> None:
    """Loaded at 05:56 and left at 06:01: the leg's manifest names the badge, the event of the loading does not."""
    told = tell(with_badge(first_utc_s=parse_utc("2026-03-02T05:55:40.000Z")), setup_of(VEHICLE + HOURS))
    early = [e for e in told.standing if parse_utc(e["eventTime"]) < parse_utc("2026-03-02T06:00:00.000Z")]
    assert early
    assert all("rt:badges" not in e for e in early)
    late = [e for e in told.standing if e not in early]
    assert all(e["rt:badges"][0]["rt:epc"] == BADGE.epc for e in late)


def test_an_arrival_after_work_names_no_badge() -> None:
    """Left at 17:59 and arrived after six: the departure names the badge, the arrival does not."""
    told = tell(with_badge(first_utc_s=parse_utc("2026-03-02T17:54:00.000Z")), setup_of(VEHICLE + HOURS))
    first_arrival = next(e for e in told.standing if e["bizStep"] == "arriving")
    assert parse_utc(first_arrival["eventTime"]) > parse_utc("2026-03-02T18:00:00.000Z")
    assert "rt:badges" not in first_arrival
    assert "rt:badges" in next(e for e in told.standing if e["bizStep"] == "departing")
