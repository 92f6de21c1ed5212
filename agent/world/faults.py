"""Which faults a simulated day has, and how strong: a frozen record, each switchable on its own.

Each fault draws from a generator of its own, so that switching one on changes nothing that another draws. None of them
moves an item by itself: the truth says what was carried, however little of it can be heard or seen. What a plain day
has already, in small: some tags that answer rarely, deep fades, stock and strangers' tags at the docks, a lorry
alongside in a jam, badges, small cases, a computer that dies half an hour after the ignition, one cut of power in the
middle of a stop, and a wall clock in 1970 after it. The reader's own clock never gets into a recording, for reads are
stamped with the computer's monotonic clock alone; the simulated reader's starts in 1970 anyway.

How strong each is by default is judgement, from common practice; no source.
"""

from __future__ import annotations

import difflib
from dataclasses import asdict, dataclass, fields, replace

import numpy as np


@dataclass(frozen=True, slots=True)
class Faults:
    """Strengths; 0 is off. New ones are added at the end, because a fault's place is its number."""

    hard_tags: float = 0.0  # share of the items whose tags answer in less than one round in a hundred
    bursty_fades: float = 0.0  # so many times as long and as common as a plain day's deep fades
    stock: float = 0.0  # of our items standing near the doors of home's docks, the mean; a third of it elsewhere
    staging: float = 0.0  # a stop's mean of things set down beside the open doors that do not go along
    foreign_vans: float = 0.0  # another van's items, the mean, parked alongside during each stay at home
    convoy: float = 0.0  # the items, the mean, of a van that drives beside or ahead on some legs and stops where we do
    passers_by: float = 0.0  # passings an hour of standing; half as many again for each halt in a jam
    garment_tags: float = 0.0  # unregistered tags in the clothes of each person, the mean; and a passenger's badge
    ghost_reads: float = 0.0  # a round's chance of a wrong EPC; half of it that of something registered far away
    dead_antenna: float = 0.0  # chance that one antenna dies and the reader says so
    dead_antenna_silent: float = 0.0  # chance that one antenna dies and the reader says nothing
    clock_1970: float = 0.0  # chance for each boot that its wall clock knows nothing but its uptime
    power_at_once: float = 0.0  # chance that the computer dies with the ignition
    power_minutes: float = 0.0  # chance that it dies 2 to 10 minutes after
    power_never_off: float = 0.0  # chance that it never does
    power_cuts: float = 0.0  # share of the stops with a cut in the middle
    gps_jumps: float = 0.0  # jumps an hour that the receiver is sure of
    canyon: float = 0.0  # share of the sites between high walls: biased fixes, understated errors
    tunnel: float = 0.0  # share of the legs that lose the sky on the way
    roll_over: float = 0.0  # chance that the receiver's dates are 1024 weeks back, always or after each start
    second_trips: float = 0.0  # further trips on the same day, the mean
    cases: float = 0.0  # big cases, the mean, whose members shadow one another; some are taken out on the way

    @classmethod
    def parse(cls, text: str) -> Faults:
        """The faults of `all`, `none` or names as in `convoy,ghost-reads`, at their usual strength; ValueError."""
        if text.strip() == "all":
            return ALL
        wanted = [name.strip() for name in text.split(",") if text.strip() != "none" and name.strip()]
        for name in wanted:
            if name not in NAMES:
                near = difflib.get_close_matches(name, NAMES, n=1)
                hint = f"did you mean {near[0]}?" if near else f"there are {', '.join(NAMES)}"
                raise ValueError(f"{name!r} is no fault; {hint}")
        usual = asdict(ALL)
        return cls(**{_field(name): usual[_field(name)] for name in wanted})

    @property
    def names(self) -> tuple[str, ...]:
        """What is switched on, in the record's order."""
        return tuple(name for name in NAMES if self.strength(name))

    def strength(self, name: str) -> float:
        """How strong one is, by its name."""
        return float(getattr(self, _field(name)))

    def generator(self, name: str, seed: int) -> np.random.Generator:
        """The generator that this fault alone draws from."""
        return np.random.default_rng([seed, number_of(name)])

    def without(self, *names: str) -> Faults:
        """The same with these switched off."""
        return replace(self, **{_field(name): 0.0 for name in names})


def number_of(name: str) -> int:
    """A fault's number, from 1; ValueError for a name that is none."""
    return 1 + NAMES.index(name)


def _field(name: str) -> str:
    return name.replace("-", "_")


NAMES = tuple(field.name.replace("_", "-") for field in fields(Faults))
NONE = Faults()
ALL = Faults(
    hard_tags=0.06,
    bursty_fades=2.0,
    stock=35.0,
    staging=5.0,
    foreign_vans=35.0,
    convoy=30.0,
    passers_by=10.0,
    garment_tags=3.0,
    ghost_reads=0.004,
    dead_antenna=1.0,
    dead_antenna_silent=1.0,
    clock_1970=1.0,
    power_at_once=1.0,
    power_minutes=1.0,
    power_never_off=1.0,
    power_cuts=0.5,
    gps_jumps=4.0,
    canyon=0.5,
    tunnel=0.4,
    roll_over=1.0,
    second_trips=1.0,
    cases=4.0,
)
"""Every fault at its usual strength. Of the ways in which power ends, and of the two dead antennas, a day has one."""
