"""What a stage-and-sound depot hires out: names, tags, what each is made of, and who wears a badge. All invented.

EPCs stand under GS1 company prefix 952, which is reserved for examples; the neighbours' under other 952 numbers.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from agent.epc import encode_uri

COMPANY = "9521141"
# A tag that answers less than this is exchanged by the depot before it travels again.
_DEAFEST_DB = 18.0
_NEIGHBOURS = ("9522207", "9523350", "9524418")


@dataclass(frozen=True, slots=True)
class Good:
    """A kind of thing for hire. `loss_db` is what its surface costs a tag's link, `spread_db` how that varies."""

    name: str
    number: str
    loss_db: float
    spread_db: float
    holds: bool = False


GOODS = (
    Good("moving head", "00012", 2.0, 3.5),
    Good("cable trunk", "00014", 2.5, 4.0),
    Good("wedge monitor", "00015", 0.0, 3.0),
    Good("par lamp", "00016", 2.5, 4.0),
    Good("loudspeaker", "00017", 0.0, 3.0),
    Good("stage drape", "00018", -1.5, 2.5),
    Good("truss section", "00019", 4.0, 4.5),
    Good("dimmer rack", "00020", 3.0, 4.0),
    Good("stage deck", "00021", -0.5, 3.0),
    Good("lighting stand", "00022", 3.5, 4.5),
)
CASES = (
    Good("microphone case", "00031", 1.0, 3.0, holds=True),
    Good("lamp case", "00032", 1.5, 3.0, holds=True),
    Good("tool case", "00033", 1.5, 3.0, holds=True),
)
CONTENTS = {
    "microphone case": Good("microphone", "00041", 2.0, 4.0),
    "lamp case": Good("gobo set", "00042", 2.0, 4.0),
    "tool case": Good("rigging kit", "00043", 3.0, 4.0),
}

_GIVEN = ("A.", "B.", "E.", "H.", "I.", "J.", "L.", "M.", "O.", "R.", "S.", "T.")
_FAMILY = ("Ferrow", "Quillan", "Marsh", "Oddgate", "Tresk", "Vanning", "Hollis", "Perch", "Arkle", "Dunmore")


@dataclass(frozen=True, slots=True)
class Tagged:
    """One tagged thing in the world. `kind` as in the register, "" where the register does not know it."""

    epc: str
    tag: str
    kind: str
    name: str
    type: str
    case: str | None
    loss_db: float


class Namer:
    """Hands out things with tags that never repeat; draws from the generator given.

    Numbers begin some way above `above`, so that several of these keep apart.
    """

    def __init__(self, rng: np.random.Generator, *, above: int = 0) -> None:
        self._rng, self._above = rng, above
        self._next: dict[str, int] = {}

    def item(self, good: Good, *, case: str | None = None) -> Tagged:
        """The next thing of this kind; inside `case` the lid costs its link some more."""
        number = self._next.get(good.number, self._above + int(self._rng.integers(1, 400)))
        self._next[good.number] = number + 1 + int(self._rng.integers(0, 3))
        epc = f"urn:epc:id:grai:{COMPANY}.{good.number}.{number}"
        loss = float(self._rng.normal(good.loss_db, good.spread_db)) + (1.5 if case else 0.0)
        if self._rng.random() < 0.09:
            loss += float(self._rng.uniform(6, 15))  # crushed against metal, or facing a wall of it
        return Tagged(epc, encode_uri(epc), "item", f"{good.name} {number}", good.name, case, min(loss, _DEAFEST_DB))

    def person(self) -> Tagged:
        """Somebody's badge."""
        number = int(self._rng.integers(1000, 10**9))
        epc = f"urn:epc:id:gsrnp:{COMPANY}.{number:010d}"
        name = f"{self._rng.choice(_GIVEN)} {self._rng.choice(_FAMILY)}"
        return Tagged(epc, encode_uri(epc), "person", name, "", None, float(self._rng.normal(4.0, 2.0)))

    def fixture(self, vehicle: str) -> Tagged:
        """The tag fixed in the van, well placed."""
        epc = f"urn:epc:id:giai:{COMPANY}.71{int(self._rng.integers(100, 999))}"
        return Tagged(epc, encode_uri(epc), "fixture", f"fixed tag of {vehicle}", "", None, -3.0)

    def foreign(self) -> Tagged:
        """Another firm's tag: a GS1 EPC, or bits that are none."""
        loss = float(self._rng.normal(1.0, 4.0))
        if self._rng.random() < 0.35:
            tag = "E2" + "".join(f"{int(self._rng.integers(0, 256)):02X}" for _ in range(11))
            return Tagged(f"urn:epc:raw:96.x{tag}", tag, "", "", "", None, loss)
        prefix = _NEIGHBOURS[int(self._rng.integers(len(_NEIGHBOURS)))]
        epc = f"urn:epc:id:sgtin:{prefix}.{int(self._rng.integers(1, 999999)):06d}.{int(self._rng.integers(1, 10**6))}"
        return Tagged(epc, encode_uri(epc), "", "", "", None, loss)
