"""What carries a tag: hire gear by type, roll-cages with members, badges, garments; and the register that lists it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from agent.epc import encode_uri
from tests.bench.steelbox.habits import Habits

PREFIX = "9521141"


@dataclass(frozen=True, slots=True)
class Kind:
    """A type of gear: the tag's sensitivity on nothing, what metal or liquid behind it costs, and its share of all."""

    name: str
    code: str
    sensitivity_dbm: float
    detuning_db: float
    share: float


KINDS = (
    Kind("moving head", "00012", -15.0, 2.5, 0.14),  # a hard tag made for metal
    Kind("cable trunk", "00014", -18.0, 5.5, 0.14),  # a label on wood over metal edges
    Kind("loudspeaker", "00015", -18.5, 1.0, 0.16),
    Kind("microphone set", "00016", -19.0, 1.0, 0.14),
    Kind("truss piece", "00017", -14.0, 4.0, 0.10),
    Kind("drape bag", "00018", -19.0, 0.0, 0.12),
    Kind("battery pack", "00019", -17.0, 5.0, 0.08),
    Kind("water ballast", "00020", -18.0, 7.0, 0.05),
    Kind("mixing desk", "00021", -17.5, 2.0, 0.07),
)
CAGE = Kind("roll-cage", "00030", -15.0, 2.0, 0.0)


@dataclass(slots=True, eq=False)
class Unit:
    """What is handled as one: a loose item, or a cage (its tag first) with its members. `where` is a place or "van"."""

    tags: list[int]
    caged: bool
    where: str
    near_m: float | None = None  # how far from the doors of a van at the dock it stands; None is indoors
    since_day: int = -1
    to: str = ""


@dataclass(slots=True, eq=False)
class Goods:
    """Every tag of the week: parallel lists by tag number, and the units."""

    uri: list[str] = field(default_factory=list)
    hex: list[str] = field(default_factory=list)
    role: list[str] = field(default_factory=list)
    type: list[str] = field(default_factory=list)
    case: list[int | None] = field(default_factory=list)
    needs_dbm: list[float] = field(default_factory=list)  # incident power that wakes the tag as mounted
    units: list[Unit] = field(default_factory=list)

    def add(self, uri: str, *, role: str, needs_dbm: float, kind: str = "", case: int | None = None) -> int:
        """One more tag; its number."""
        self.uri.append(uri)
        self.hex.append(uri.rpartition(".x")[2] if uri.startswith("urn:epc:raw:") else encode_uri(uri))
        self.role.append(role)
        self.type.append(kind)
        self.case.append(case)
        self.needs_dbm.append(needs_dbm)
        return len(self.uri) - 1

    def needs(self) -> NDArray[np.float64]:
        """The power that each tag needs, in dBm."""
        return np.asarray(self.needs_dbm)

    def is_item(self, tag: int) -> bool:
        """Whether the register lists it as an item."""
        return self.role[tag] == "item"


def make_goods(habits: Habits, sites: list[str], rng: np.random.Generator) -> Goods:
    """Gear enough for the week, spread over the depot (the first site) and the others."""
    goods = Goods()
    size = habits.size
    count = 0
    wanted = size.units[1] * (habits.days + 3)
    while len(goods.units) < wanted:
        caged = bool(rng.random() < size.caged)
        case = _gear(goods, CAGE, 100 + count, None, rng) if caged else None
        count += 1
        tags = [] if case is None else [case]
        for _ in range(int(rng.integers(size.members[0], size.members[1] + 1)) if caged else 1):
            kind = KINDS[int(rng.choice(len(KINDS), p=[k.share for k in KINDS]))]
            tags.append(_gear(goods, kind, 100 + count, case, rng))
            count += 1
        elsewhere = len(goods.units) % 5 == 0
        where = str(rng.choice(sites[1:])) if elsewhere else sites[0]
        goods.units.append(Unit(tags, caged, where, near_m=standing(rng, elsewhere=elsewhere)))
    return goods


def standing(rng: np.random.Generator, *, elsewhere: bool) -> float | None:
    """How far from the doors something stands at a dock, None indoors; customers leave more of it at the door."""
    return 0.7 + float(rng.gamma(1.6, 1.6)) if rng.random() < (0.5 if elsewhere else 0.2) else None


def _gear(goods: Goods, kind: Kind, serial: int, case: int | None, rng: np.random.Generator) -> int:
    needs_dbm = kind.sensitivity_dbm + kind.detuning_db * float(rng.lognormal(0.0, 0.35)) + float(rng.normal(0, 1.0))
    if rng.random() < 0.015:
        needs_dbm += float(rng.uniform(5.0, 12.0))  # a damaged tag
    uri = f"urn:epc:id:grai:{PREFIX}.{kind.code}.{serial}"
    return goods.add(uri, role="item", needs_dbm=needs_dbm, kind=kind.name, case=case)


def register_csv(goods: Goods, vehicle: str) -> str:
    """The register: everything but what nobody listed."""
    rows = ["epc,kind,name,type,case,home"]
    for tag, (uri, role, kind) in enumerate(zip(goods.uri, goods.role, goods.type, strict=True)):
        case = goods.case[tag]
        of = goods.uri[case] if case is not None else ""
        serial = uri.rpartition(".")[2]
        if role == "item":
            rows.append(f"{uri},item,{kind} {serial},{kind},{of},depot")
        elif role == "person":
            rows.append(f"{uri},person,Badge {serial[-2:]},,,")
        elif role == "fixture":
            rows.append(f"{uri},fixture,tag by the bulkhead,,,{vehicle}")
    return "\n".join(rows) + "\n"
