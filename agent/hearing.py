"""Who is surely aboard while the van drives, for the antennas' health, and the notice of a port that fades; floor 2.

Badges are left out: how well a person is heard is nobody's business. Reads what is believed and changes none of it.
"""

from __future__ import annotations

from msgspec.structs import replace

from agent.itinerary import Leg
from agent.motion import State as Doing
from agent.notices import fading_notice
from agent.proof import is_own_fixture
from agent.records import Inventory, Record
from agent.state import Setup, State

# Counted as aboard from this live probability on: what rides beside for a while does not get there. Judgement.
SURELY = 0.95
DAY_S = 86_400.0


def watch_ports(setup: Setup, state: State, t_s: float, item: Inventory) -> tuple[State, tuple[Record, ...]]:
    """Count a round on the road; the records are of ports that have faded by the day before."""
    on_the_road = isinstance(state.itinerary.current, Leg) and state.motion.state is Doing.MOVING
    if not on_the_road or state.belief is None or not state.timeline.trusted:
        return state, ()
    here = state.belief.forward[:, setup.model.is_aboard].sum(axis=1)
    surely = (here >= SURELY).tolist()  # once for all: every round on the road comes through here
    fixtures, load = [], []
    for number, tag in enumerate(state.belief.tags):
        listing = setup.register.find(tag) if number else None
        if listing is None:
            continue
        if listing.kind == "fixture":
            if is_own_fixture(setup.register, setup.vehicle.id, tag):
                fixtures.append(tag)
        elif surely[number] and listing.kind == "item":
            load.append(tag)
    health, faded = state.health.take(
        int(state.axis.moment(state.timeline, t_s).utc_s // DAY_S),
        ports=item.antennas,
        fixtures=fixtures,
        load=load,
        reads={(read.epc, read.antenna) for read in item.reads},
    )
    return replace(state, health=health), tuple(fading_notice(setup, state, one, t_s) for one in faded)
