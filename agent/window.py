"""The stretch that a decision looks back on: its marks and accounts, and P(aboard) of every tag over it.

The tally decides by it and hindsight shows it, so both look back in the very same way. Pure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from agent.custody import Account, Mark, lay_marks
from agent.itinerary import Leg
from agent.presence.belief import Assessment, Belief, admit, assess
from agent.presence.cases import ALONE, Case, Company, Stretch, follow
from agent.register import Register
from agent.state import Setup, State, regimes

# Legs looked back on at each decision; the trip's end looks back on all of it. Judgement: what is not settled after
# two more legs is rarely settled by a third.
LEGS_BACK = 3


@dataclass(frozen=True, slots=True)
class Window:
    """The stretch looked back on, from `from_s`, with the moments asked for and the accounts between them."""

    from_s: float
    marks: Sequence[Mark]
    accounts: Sequence[Account]


def lay_window(state: State, *, now_s: float, settle: bool, whole: bool) -> Window:
    """The last legs, or the `whole` of what is remembered; there must be a segment. `settle`: `lay_marks` says."""
    segments = state.itinerary.segments
    legs = [s for s in segments if isinstance(s, Leg)]
    if not whole and len(legs) >= LEGS_BACK:
        from_s = legs[-LEGS_BACK].from_s
    else:
        # What came before the first leg kept is known only where the whole record begins there.
        begins = segments[0].from_s <= state.begin_s or not legs
        from_s = state.begin_s if begins else legs[0].from_s
    marks, accounts = lay_marks(state.itinerary, from_s=from_s, begin_s=state.begin_s, now_s=now_s, settle=settle)
    return Window(from_s, marks, accounts)


def smooth_window(setup: Setup, state: State, window: Window, *, now_s: float) -> tuple[Belief, Assessment]:
    """The belief put right, and P(aboard) over the window up to `now_s`; there must be a belief.

    Where the register knows of cases it is done twice: each tag by itself, then with what the cases' own ways say.
    """
    assert state.belief is not None  # noqa: S101 - the caller looked
    legs = {s.number: s for s in state.itinerary.segments if isinstance(s, Leg)}
    doing = regimes(setup, state)

    def look(belief: Belief, company: Company) -> tuple[Belief, Assessment]:
        return assess(
            belief,
            model=setup.model,
            regimes=doing,
            from_s=window.from_s,
            to_s=now_s,
            marks_s=[mark.at_s for mark in window.marks],
            keep_s=sorted({legs[mark.leg].from_s for mark in window.marks if mark.kind == "leg"}),
            also_s=[at for gap in state.gaps_s for at in (gap - 0.5, gap + 0.5)],
            company=company,
        )

    whole, cases = with_cases(setup.register, state.belief)
    found = look(whole, ALONE)
    if not cases:
        return found
    company = follow(
        cases,
        _stretches(window, found[1]),
        at_s=found[1].at_s,
        aboard=found[1].aboard,
        heard=np.array(found[0].heard_s) >= 0,
    )
    return look(whole, company) if company.calm else found


def with_cases(register: Register, belief: Belief) -> tuple[Belief, list[Case]]:
    """The belief with columns for every member of a case of which any tag was heard, and those cases."""
    if not register.members:
        return belief, []
    found: dict[str, list[int]] = {}
    own: dict[str, int] = {}
    heard: set[str] = set()
    for number, tag in enumerate(belief.tags[1:], 1):
        listing = register.find(tag)
        if listing is None or listing.kind != "item":
            continue
        heard.add(listing.epc)
        if listing.epc in register.members:
            own[listing.epc] = number
            found.setdefault(listing.epc, []).append(number)
        if listing.case is not None and listing.case in register.members:
            found.setdefault(listing.case, []).append(number)
    lacking = {
        case: [listing for listing in register.members[case] if listing.epc not in heard] for case in found
    }
    belief = admit(belief, [listing.tag for each in lacking.values() for listing in each])
    cases = []
    for case, numbers in found.items():
        rows = numbers + [belief.numbers[listing.tag] for listing in lacking[case]]
        if len(rows) > 1:
            cases.append(Case(own.get(case, -1), np.array(sorted(set(rows)), dtype=np.int32)))
    return belief, cases


def _stretches(window: Window, assessment: Assessment) -> list[Stretch]:
    """The window's accounts, by the rows of an assessment; one that is still open is none."""
    rows = assessment.marks
    return [
        Stretch(
            account.from_s,
            account.to_s,
            rows[account.before],
            rows[account.before + 1],
            begins=window.marks[account.before].kind == "start",
        )
        for account in window.accounts
        if not account.open
    ]
