"""What a store's records alone tell of earlier trips, and what is said to be missing."""

from __future__ import annotations

import msgspec

from agent import checkpoint
from agent.evidence import heard_between
from agent.hindsight import Subject
from agent.kept_evidence import Kept, kept_evidence, listings_of
from agent.pipeline import step
from agent.records import Inventory
from agent.state import State
from agent.store_readings import thinned
from agent.units import parse_utc
from tests.days import EPCS, ITEMS, TAGS, Scene, setup_of

SUBJECT = Subject(EPCS["case-1"], TAGS["case-1"], ITEMS["case-1"].name, "item")


def kept(scene: Scene) -> Kept:
    """What a store holds after a scene of one boot, as the vehicle's agent commits it."""
    setup, state = setup_of(), State()
    records, reads = [], []
    for item in scene.inputs:
        state, said = step(setup, state, item)
        # Bodies go through JSON, as they do on the disk.
        records += [(r.kind, msgspec.json.decode(msgspec.json.encode(r.body)), 1, item.mono) for r in said]
        reads += item.reads if isinstance(item, Inventory) else ()
    core, blocks, _ = checkpoint.encode(state, checkpoint.Written())
    readings = tuple((1, *reading) for reading in thinned(reads))
    return Kept(tuple(records), readings, {1: scene.utc_s}, core, blocks)


def two_trips() -> Scene:
    """To the hall and home with the first case, which then stays at home; to the studio and back without it."""
    scene = Scene().stay(60).doors(on=True).stay(30).hear("case-1").stay(120).doors(on=False).stay(60)
    scene.drive("hall").stay(300).drive("depot").stay(40).doors(on=True).stay(100).lose("case-1").stay(100)
    return scene.doors(on=False).stay(700).drive("studio").stay(200).drive("depot").stay(200)


def test_earlier_trips_are_told_by_their_records() -> None:
    """Four legs at the times and places of their manifests; rounds and belief only since the last trip's end."""
    evidence, points = kept_evidence(setup_of(), SUBJECT, held := kept(two_trips()))
    told = {b["manifest"]: b for kind, b, _, _ in held.records if kind == "manifest"}
    assert [leg.manifest for leg in evidence.legs] == list(told)
    for leg in evidence.legs:
        body = told[leg.manifest or ""]
        assert abs(leg.from_s - parse_utc(body["departed"]["time"])) <= 30
        assert abs(leg.to_s - parse_utc(body["arrived"]["time"])) <= 30
    stops = [passage.name for passage in evidence.passages if passage.kind == "stop"]
    assert stops == ["Depot", "Hall", "Depot", "Studio", "Depot"]
    assert [d.kind for d in evidence.decisions if d.stands] == ["loaded", "unloaded"]
    first, last = evidence.legs[0], evidence.legs[-1]
    assert heard_between(evidence.hearing, first.from_s, first.to_s) == (0, 0)
    assert heard_between(evidence.hearing, last.from_s, last.to_s)[1] > 50
    assert points[0][0] >= evidence.legs[-2].from_s
    assert any("since the last trip's end" in text for text in evidence.missing)
    assert any(one.at_s < first.to_s for one in evidence.strength)


def test_a_checkpoint_that_cannot_be_read_is_said() -> None:
    """Records and reads remain; what is lost with the checkpoint stands in words."""
    held = kept(two_trips())
    for core, says in ((None, "no checkpoint"), (b"rubbish", "cannot be read")):
        evidence, points = kept_evidence(setup_of(), SUBJECT, msgspec.structs.replace(held, checkpoint=core))
        assert len(evidence.decisions) >= 2
        assert len(evidence.legs) == 4
        assert not points
        assert any(says in text for text in evidence.missing)


def test_reads_without_a_time_are_counted_and_left_out() -> None:
    """A start of the computer that never learned the time: so many reads, and none of them on the axis."""
    held = kept(two_trips())
    lost = sum(reads for _, _, tag, _, reads, _ in held.readings if tag == SUBJECT.tag)
    evidence, _ = kept_evidence(setup_of(), SUBJECT, msgspec.structs.replace(held, offsets={1: None}))
    assert not evidence.strength
    assert f"{lost} reads are left out: their computer never learned the time." in evidence.missing


def test_manifests_stand_in_for_a_register() -> None:
    """The things that they list, by EPC and name."""
    assert listings_of(kept(two_trips())).by_epc[SUBJECT.epc].name == "case 1"
    assert not listings_of(kept(Scene().stay(30))).listings


def test_an_empty_store_is_no_error() -> None:
    """A store in which nothing happened yet: evidence of nothing, and words for it."""
    evidence, points = kept_evidence(setup_of(), SUBJECT, Kept())
    assert not evidence.passages
    assert not points
    assert evidence.from_s < evidence.to_s
