"""What a decision looks back on: cases by the register, and what they mean for a manifest."""

from __future__ import annotations

from msgspec.structs import replace

from agent.presence.belief import admit, begin
from agent.register import Register, register_of
from agent.state import Setup
from agent.window import with_cases
from tests.days import EPCS, ITEMS, TAGS, Scene, setup_of, tell


def in_one_case(*members: str, untagged: str | None = None) -> Register:
    """Case 1 as a cage with these members; `untagged` is one of them whose tag came off."""
    listings = [
        replace(
            listing,
            case=EPCS["case-1"] if name in members else None,
            tag_state="failed" if name == untagged else "ok",
        )
        for name, listing in ITEMS.items()
    ]
    return register_of(tuple(listings))


def caged(setup: Setup, *members: str) -> Setup:
    """The setup with such a register."""
    return replace(setup, register=in_one_case(*members))


def test_a_case_of_which_any_tag_was_heard_brings_all_its_members() -> None:
    """Members never heard get a column of their own, and the case knows its own tag's."""
    heard = admit(begin(setup_of().model, at_s=0.0), [TAGS["case-1"], TAGS["case-2"], TAGS["case-8"]])
    belief, (case,) = with_cases(in_one_case("case-2", "case-3"), heard)
    assert belief.tags == ("", TAGS["case-1"], TAGS["case-2"], TAGS["case-8"], TAGS["case-3"])
    assert case.own == 1
    assert case.rows.tolist() == [1, 2, 4]
    assert belief.heard_s[4] < 0


def test_a_member_without_a_working_tag_is_not_guessed() -> None:
    """What carries no tag can be neither heard nor missed: it is checked by hand, as the plan says."""
    heard = admit(begin(setup_of().model, at_s=0.0), [TAGS["case-1"], TAGS["case-2"]])
    belief, (case,) = with_cases(in_one_case("case-2", "case-3", untagged="case-3"), heard)
    assert TAGS["case-3"] not in belief.numbers
    assert case.rows.tolist() == [1, 2]


def test_a_register_without_cases_changes_nothing() -> None:
    """No case, no second smoothing."""
    heard = admit(begin(setup_of().model, at_s=0.0), [TAGS["case-1"]])
    belief, cases = with_cases(register_of(tuple(ITEMS.values())), heard)
    assert cases == []
    assert belief is heard


def test_a_member_that_is_never_heard_stands_on_the_manifest_with_its_case_and_leaves_with_it() -> None:
    """Loaded at the depot, carried, set down at the hall: less sure than what is heard, and so nothing is certain."""
    scene = Scene(seed=2).stay(120).doors(on=True).stay(120).hear("case-1", "case-2", "case-3").stay(180)
    scene.doors(on=False).stay(60).drive("hall").stay(60).doors(on=True).stay(120)
    scene.lose("case-1", "case-2", "case-3").stay(240).doors(on=False).stay(30).drive("studio").stay(60)
    told = tell(scene, caged(setup_of(), "case-2", "case-3", "case-4"))
    assert told.items() == [{"case-1", "case-2", "case-3", "case-4"}, set()]
    lines = {line["epc"]: line["confidence"] for line in told.final()[0]["items"]}
    assert 0.5 < lines[EPCS["case-4"]] < 0.95 < lines[EPCS["case-2"]]
    assert told.final()[0]["certain"] is False
    moves = [(kind, site) for kind, name, site in told.moves() if name == "case-4"]
    assert moves == [("load", "depot"), ("unload", "hall")]
    alone = tell(scene)
    assert alone.items()[0] == {"case-1", "case-2", "case-3"}
