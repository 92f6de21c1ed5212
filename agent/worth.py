"""What is worth its bytes on a mobile network: whether a position, a list or a status is shown anew; floor 2, pure.

Each is retained, so whoever looks sees the last one; what it lacks are ages that have grown, a probability that has
moved a little, a van that has rolled on a little. A change that somebody acts upon goes at once or nearly so, all else
waits. The times are Judgement; what they cost stands in the benchmark of the wire.
"""

from __future__ import annotations

import re

from agent.bodies import Aboard, Position, Status
from agent.geo import distance_m

# A van in a town moves on by half a kilometre in a minute.
POSITION_S, MOVED_M = 60.0, 50.0
# The board calls a van not heard after three minutes; a position is the smallest sign of life.
SIGN_OF_LIFE_S = 150.0
# A list is some 3 kB, mostly of what was in the last one too; what is loaded and unloaded is told at once by its event.
ITEMS_S = 300.0
AGES_S = 1800.0
# A departure's list waits for the leg's manifest, on which it then rests; that comes within 3 minutes (formats.md, 7).
MANIFEST_S = 180.0
STATUS_S = 900.0
_MANY_WAITING = 16
_LASTED = re.compile(r" \d+ (s|min)\b")  # for how long a fault has lasted, in its words (`agent.gps_faults`)


def position_is(last: Position | None, new: Position, *, waited_s: float) -> bool:
    """Whether `new` is worth sending `waited_s` after `last`."""
    if last is None or (last.site, last.leg, not last.speed_mps) != (new.site, new.leg, not new.speed_mps):
        return True
    if waited_s >= POSITION_S and distance_m(last.lat, last.lon, new.lat, new.lon) >= MOVED_M:
        return True
    return waited_s >= SIGN_OF_LIFE_S and last != new


def aboard_is(last: Aboard | None, new: Aboard, *, waited_s: float) -> bool:
    """The same for the list of what is aboard."""
    if last is None or _circumstances(last) != _circumstances(new) or waited_s >= AGES_S:
        return True
    if new.state == "moving":
        if (new.leg is not None and new.leg != last.leg) or (last.state != "moving" and waited_s >= MANIFEST_S):
            return True
    elif (new.state, new.site) != (last.state, last.site):
        return True
    return waited_s >= ITEMS_S and _cargo(last) != _cargo(new)


def _circumstances(body: Aboard) -> tuple[object, ...]:
    return body.at is None, tuple((each.why, each.antenna) for each in body.silences)


def _cargo(body: Aboard) -> tuple[object, ...]:
    items = {each.epc for each in body.items if each.state == "aboard"}
    return items, {each.epc for each in body.badges}, body.certain


def status_is(last: Status | None, new: Status, *, waited_s: float) -> bool:
    """The same for the status."""
    return last is None or waited_s >= STATUS_S or _condition(last) != _condition(new)


def _condition(body: Status) -> tuple[object, ...]:
    reader, gps = body.reader, body.gps
    waiting = body.backlog or 0
    return (
        body.boot,
        body.program,
        body.since is None,
        body.holding,
        None if reader is None else (reader.state, reader.not_read, reader.antennas_lost),
        None if gps is None else (gps.state, gps.fault and _LASTED.sub("", gps.fault)),
        body.undelivered,
        None if body.disk is None else (body.disk.state, body.disk.text),
        0 if waiting < _MANY_WAITING else waiting.bit_length() // 2,
    )
