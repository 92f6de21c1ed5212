"""The simulated world: a hire depot's van on a day, with what truly happened; floor 2.

Pure and seeded. It knows the trade and the physics and nothing of how the tally infers: no constant and no line of
code is shared with presence, stops or custody, so that agreement between the two means something.
"""

from agent.world.account import Day
from agent.world.day import make_day, make_week
from agent.world.faults import Faults
from agent.world.ghosts import TagRead
from agent.world.radio import Radio
from agent.world.record import ReadingPlan, day_files, record_day, truth_json
from agent.world.schedule import Profile, Stop

__all__ = [
    "Day",
    "Faults",
    "Profile",
    "Radio",
    "ReadingPlan",
    "Stop",
    "TagRead",
    "day_files",
    "make_day",
    "make_week",
    "record_day",
    "truth_json",
]
