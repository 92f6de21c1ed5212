"""At which site does the van stand? Weighs fences by the probability of being inside and of being parked outside.

A van often parks on the street a few metres outside the fence: the nearest site within the error still gets the stop,
with its probability said (design.md, "Sites").
"""

from __future__ import annotations

import math

from agent.itinerary import Place
from agent.motion import Anchor
from agent.pace import distance_m
from agent.sites import SiteIndex

# How far outside a fence a van parks that means that site: one sigma. Judgement: a street's width.
KERB_M = 18.0
# What it weighs that a stop belongs to no site at all. Judgement.
NO_SITE = 0.06
REACH_M = 120.0
# A position from a single fix is where the sky was lost, not where the van stands.
SKY_LOST_SIGMA_M = 25.0
# A site's weight at which the stop is called its own.
ENOUGH = 0.25
# A halt this long inside a fence is a stop. Judgement: longer than a turn takes.
NEAR_FENCE_S = 15.0
# On the street beside a fence, or on the way out of the site just left: longer than a gate takes and most red lights.
# Judgement.
AT_THE_GATE_S = 45.0


def choose_place(index: SiteIndex, anchor: Anchor) -> Place:
    """The likeliest site of a van standing at `anchor`, with its probability and the others'."""
    sigma = anchor.sigma_m if anchor.fixes > 1 else max(anchor.sigma_m, SKY_LOST_SIGMA_M)
    weights: list[tuple[str, float]] = []
    for near in index.near(anchor.lat, anchor.lon, sigma, reach_m=REACH_M):
        outside = math.exp(-0.5 * (near.distance_m / math.hypot(KERB_M, sigma)) ** 2)
        weight = near.p_inside + (1 - near.p_inside) * 0.5 * outside
        if weight > 0.001:  # noqa: PLR2004 - no use in carrying on what rounds to nothing
            weights.append((near.site.id, weight))
    weights.sort(key=lambda pair: (-pair[1], pair[0]))
    total = sum(weight for _, weight in weights) + NO_SITE
    shares = tuple((site, weight / total) for site, weight in weights)
    known = Place(lat=anchor.lat, lon=anchor.lon, sigma_m=sigma)
    if not weights or weights[0][1] < ENOUGH:
        return Place(None, 1 - sum(p for _, p in shares), known.lat, known.lon, sigma, shares)
    return Place(shares[0][0], shares[0][1], known.lat, known.lon, sigma, shares[1:])


def patience_s(index: SiteIndex, anchor: Anchor, *, left: str | None) -> float | None:
    """How long a van must halt here for a stop; None where no site is near. `left` is the site that it comes from."""
    site = choose_place(index, anchor).site
    if site is None:
        return None
    inside = sum(near.p_inside for near in index.near(anchor.lat, anchor.lon, anchor.sigma_m, reach_m=REACH_M))
    return NEAR_FENCE_S if inside >= 0.5 and site != left else AT_THE_GATE_S  # noqa: PLR2004 - likelier in than out


def same_place(one: Place, other: Place, *, metres: float = 3.0) -> bool:
    """True when the second says nothing new."""
    if one.site != other.site or one.lat is None or other.lat is None or one.lon is None or other.lon is None:
        return one == other
    moved = distance_m(one.lat, one.lon, other.lat, other.lon)
    return moved < metres and abs(one.p - other.p) < 0.02  # noqa: PLR2004 - what a page would show
