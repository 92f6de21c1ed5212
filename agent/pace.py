"""How fast the van goes, and what that says of standing or moving. Knows fixes and nothing of states.

By the receiver's own speed where it tells one; else by how far it came over some seconds, for from one fix to the next
most of the way would be the fixes' error.
"""

from __future__ import annotations

import math

from msgspec import Struct

from agent.records import GpsFix

# No single fix may say more than this: receivers lie with confidence.
CLIP = 2.0
# Where the receiver tells no speed it is taken over this long: fix to fix it would be mostly the fixes' error.
SPAN_S = 8.0
# Errors this long apart differ by so much of one axis' sigma: sqrt(2 (1 - c)) with c = 0.7 at 3 s (design.md).
SPAN_SIGMAS = 1.1
STANDING_MPS = 0.4
NOISIEST_MPS = 2.5
# Fixes closer together than this give no speed by their distance. Judgement.
SHORTEST_S = 0.5
# A van goes at such a pace where nothing is seen of it. Judgement: a yard's.
UNSEEN_MPS = 6.0
# Sightings older than this say nothing of the speed now. Judgement.
OLDEST_S = 90.0
# Between two fixes this close in time no van gets on this fast: the receiver leapt. Judgement.
LEAP_MPS = 70.0
LEAP_WITHIN_S = 5.0


class Sighting(Struct, frozen=True):
    """Where a fix without a speed was."""

    at_s: float
    lat: float
    lon: float


class Pace(Struct, frozen=True):
    """A speed, how far a standing van's may be off, how long it was taken over, and what it weighs beside the last."""

    mps: float
    noise_mps: float = STANDING_MPS
    span_s: float = 0.0
    weight: float = 1.0


def distance_m(lat_a: float, lon_a: float, lat_b: float, lon_b: float) -> float:
    """Metres between two near points, on a sphere of WGS 84's mean radius; a part in 300 wrong at most."""
    dy = (lat_b - lat_a) * 111_195.0
    dx = (lon_b - lon_a) * 111_195.0 * math.cos(math.radians((lat_a + lat_b) / 2))
    return math.hypot(dx, dy)


def speed_evidence(speed_mps: float, *, noise_mps: float = STANDING_MPS) -> float:
    """Log P(speed | standing) / P(speed | moving), clipped.

    Standing: half-normal with sigma `noise_mps`, one in ten exponential with mean 1 m/s (multipath). Moving: flat
    0-20 m/s. Judgement; a receiver's Doppler speed is good to some 0.1 m/s under open sky and far worse beside walls.
    """
    normal = math.sqrt(2 / math.pi) / noise_mps * math.exp(-0.5 * (speed_mps / noise_mps) ** 2)
    standing = 0.9 * normal + 0.1 * math.exp(-speed_mps)
    return max(-CLIP, min(CLIP, math.log(max(standing, 1e-6) / 0.05)))


def measure_pace(
    trail: tuple[Sighting, ...], t_s: float, fix: GpsFix, *, error_m: float
) -> tuple[tuple[Sighting, ...], Pace]:
    """The trail to keep and the speed at `t_s`; `error_m` is what each axis of a position may be off (one sigma)."""
    if fix.speed_mps is not None:
        return (), Pace(fix.speed_mps)
    trail = tuple(seen for seen in trail if t_s - seen.at_s <= OLDEST_S)
    while len(trail) > 1 and t_s - trail[1].at_s >= SPAN_S:
        trail = trail[1:]
    grown = (*trail, Sighting(t_s, fix.lat, fix.lon))
    if not trail or t_s - trail[0].at_s < SHORTEST_S:
        return grown, Pace(0.0)
    span = t_s - trail[0].at_s
    mps = distance_m(trail[0].lat, trail[0].lon, fix.lat, fix.lon) / span
    noise = min(NOISIEST_MPS, math.hypot(STANDING_MPS, SPAN_SIGMAS * error_m / span))
    # Spans overlap: two of them that share half say little more than one.
    return grown, Pace(mps, noise, span, min(1.0, 2 * (t_s - trail[-1].at_s) / span))


def turned_s(trail: tuple[Sighting, ...], *, standing: bool, before_mps: float) -> float:
    """When the van set off (`standing`: it stood before) or came to stand, within a trail of two sightings or more.

    It stood for one part of the trail and went for the other, at the pace of the half that it surely went in: the whole
    way divided by that pace is how long it went. With no sighting in between it went at `UNSEEN_MPS` at least; and one
    that comes to stand brakes, so it went no slower than half of `before_mps`, its pace before. Judgement.
    """
    first, last = trail[0], trail[-1]
    span = last.at_s - first.at_s
    middle_s = first.at_s + span / 2
    if standing:
        inner = next(seen for seen in reversed(trail[:-1]) if seen.at_s <= middle_s)
        going_mps = _mps(inner, last)
    else:
        inner = next(seen for seen in trail[1:] if seen.at_s >= middle_s)
        going_mps = max(_mps(first, inner), before_mps / 2)
    if len(trail) == 2:  # noqa: PLR2004 - nothing in between
        going_mps = max(going_mps, UNSEEN_MPS)
    way_m = distance_m(first.lat, first.lon, last.lat, last.lon)
    went_s = min(span, way_m / going_mps) if going_mps > 0.0 else span
    return last.at_s - went_s if standing else first.at_s + went_s


def _mps(one: Sighting, other: Sighting) -> float:
    return distance_m(one.lat, one.lon, other.lat, other.lon) / (other.at_s - one.at_s)


def is_leap(moved_m: float, elapsed_s: float, *, error_m: float) -> bool:
    """Did the positions leap between two fixes so far apart, whose errors (1 sigma each axis) add up to `error_m`?"""
    return elapsed_s <= LEAP_WITHIN_S and moved_m > LEAP_MPS * max(elapsed_s, 1.0) + 2 * error_m
