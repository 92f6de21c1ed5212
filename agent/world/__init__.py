"""The simulated world: a hire depot's van on a day, with what truly happened; floor 2.

Pure and seeded. It knows the trade and the physics and nothing of how the tally infers: no constant and no line of
code is shared with presence, stops or custody, so that agreement between the two means something.
"""

from agent.world.day import Day, make_day
from agent.world.radio import Radio, TagRead
from agent.world.record import ReadingPlan, day_files, record_day, truth_json
from agent.world.schedule import Profile, Stop

__all__ = [
    "Day",
    "Profile",
    "Radio",
    "ReadingPlan",
    "Stop",
    "TagRead",
    "day_files",
    "make_day",
    "record_day",
    "truth_json",
]
