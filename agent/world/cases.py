"""Big cases whose members travel together: what the fault adds to a tour's cargo, and how members shadow one another.

A lid's loss and what lies on top of a tag change when the case is packed, and when it is put down hard; the more lies
in a case, the more some of it is shadowed. Members are taken out on the way, and some never went in.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from agent.world.cargo import Cargo, Handling, Wish
from agent.world.goods import CASES, CONTENTS, Namer, Tagged

_UNITS_FROM = 700_000
_CASE_DB = 3.0
_MEMBER_DB = 2.2


def pack_cases(
    cargo: Cargo, rng: np.random.Generator, namer: Namer, *, stops: Sequence[str | None], count: int
) -> None:
    """Adds so many cases of 5 to 16 members to the cargo of one tour, with what people do to them."""
    last = len(stops) - 1
    customers = [i for i in range(1, last) if stops[i] is not None and stops[i] != stops[0]]
    for unit in range(_UNITS_FROM, _UNITS_FROM + count):
        good = CASES[int(rng.integers(len(CASES)))]
        case = namer.item(good)
        load, unload = 0, int(rng.choice([*customers, last]))
        if rng.random() < 0.2:
            load, unload = int(rng.choice(customers)), last
        numbers = [cargo.add(case, start=load)]
        members = int(rng.integers(5, 17))
        numbers += [cargo.add(namer.item(CONTENTS[good.name], case=case.epc), start=load) for _ in range(members)]
        cargo.wishes += [Wish(number, load, unload) for number in numbers]
        if rng.random() < 0.3:  # one never went in, and stands where the case was packed
            forgotten = numbers.pop()
            cargo.idle.add(forgotten)
            cargo.notes.append(f"{cargo.things[forgotten].name} is missing from its case from the start")
        between = [i for i in customers if load < i < unload]
        if between and rng.random() < 0.6:
            for taken in range(int(rng.integers(1, 4))):
                number, stop = numbers.pop(), int(rng.choice(between))
                cargo.handlings[load].append(Handling("load", number, unit))
                cargo.handlings[stop].append(Handling("unload", number, unit + 50_000 + 1000 * taken))
                cargo.notes.append(f"{cargo.things[number].name} is taken out of its case on the way")
        cargo.handlings[load] += [Handling("load", number, unit) for number in numbers]
        cargo.handlings[unload] += [Handling("unload", number, unit) for number in numbers]


class Packing:
    """What the company in its case costs each tag's link: `loss_db` (tags, 2), drawn anew when things are moved."""

    def __init__(self, tags: Sequence[Tagged], rng: np.random.Generator) -> None:
        self._rng = rng
        number = {tag.epc: i for i, tag in enumerate(tags)}
        self._members: dict[int, list[int]] = {}
        self._case: dict[int, int] = {}
        for i, tag in enumerate(tags):
            if tag.case in number:
                self._members.setdefault(number[tag.case], []).append(i)
                self._case[i] = number[tag.case]
        self.loss_db: NDArray[np.float64] = np.zeros((len(tags), 2))
        for case in self._members:
            self.moved(case)

    def moved(self, tag: int) -> None:
        """A case was carried, and with it all that is in it; or one member was laid elsewhere."""
        if tag in self._case:
            self._pack([tag], len(self._members[self._case[tag]]))
        elif tag in self._members:
            self._pack(self._members[tag], len(self._members[tag]))

    def _pack(self, members: list[int], company: int) -> None:
        # All in one case hang on the same lid; each is shadowed by as much as happens to lie over it.
        lid = self._rng.normal(0, _CASE_DB, (1, 2))
        over = _MEMBER_DB * np.sqrt(company) * self._rng.random((len(members), 1))
        self.loss_db[members] = lid + over
