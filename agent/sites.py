"""Which sites a position may be at, and how likely; floor 1.

`SiteIndex.near` is the question asked at every fix. How sites are read from GeoJSON is in `agent.geofences`, whose
`Site` and `parse_sites` are offered here too; what a stop makes of the answers is decided elsewhere.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
import shapely
from msgspec import Struct

from agent.geo import (
    CERTAIN_SIGMAS,
    Floats,
    Frame,
    outline_distance_m,
    p_inside_circle,
    p_inside_edges,
    ring_edges,
)
from agent.geofences import Site, parse_sites

__all__ = ["REACH_M", "Nearby", "Site", "SiteIndex", "parse_sites", "site_uri"]

REACH_M = 100.0  # a van parks on the street a few metres outside; beyond this a site is not spoken of


class Nearby(Struct, frozen=True):
    """A site near a position: the probability of truly being inside, and metres to the outline (0 inside)."""

    site: Site
    p_inside: float
    distance_m: float


def site_uri(site: Site) -> str:
    """What stands for the site in events: its SGLN, or `urn:roadtally:site:ID` where it has none."""
    return site.sgln if site.sgln is not None else f"urn:roadtally:site:{site.id}"


class _Outline:
    """A site in metres of its own frame. `edges` is None for a circle."""

    __slots__ = ("edges", "frame", "radius_m", "site")

    def __init__(self, site: Site) -> None:
        self.site = site
        self.radius_m = site.radius_m or 0.0
        centre = site.shape if site.radius_m is not None else site.shape.envelope.centroid
        self.frame = Frame(float(centre.y), float(centre.x))
        self.edges = None if site.radius_m is not None else self._edges()

    def _edges(self) -> Floats:
        parts = getattr(self.site.shape, "geoms", [self.site.shape])
        rings: list[Floats] = []
        for part in parts:
            # The area lies on the left of every edge, as geo's integral wants it.
            oriented = shapely.geometry.polygon.orient(part, 1.0)
            for ring in (oriented.exterior, *oriented.interiors):
                degrees = shapely.get_coordinates(ring)
                points = [self.frame.to_metres(float(lat), float(lon)) for lon, lat in degrees]
                rings.append(ring_edges(np.array(points)))
        return np.vstack(rings)

    def box(self) -> tuple[float, float, float, float]:
        """West, south, east, north in degrees."""
        west, south, east, north = (float(value) for value in self.site.shape.bounds)
        lat_deg, lon_deg = self.radius_m / self.frame.y_m_per_deg, self.radius_m / self.frame.x_m_per_deg
        return west - lon_deg, south - lat_deg, east + lon_deg, north + lat_deg

    def look(self, lat: float, lon: float, sigma_m: float) -> tuple[float, float]:
        """(P inside, metres to the outline or 0 inside)."""
        x_m, y_m = self.frame.to_metres(lat, lon)
        if self.edges is None:
            centre_m = math.hypot(x_m, y_m)
            outline_m, inside = abs(centre_m - self.radius_m), centre_m <= self.radius_m
        else:
            outline_m, inside = outline_distance_m(self.edges, x_m, y_m)
        if outline_m > CERTAIN_SIGMAS * sigma_m:
            p_inside = 1.0 if inside else 0.0
        elif self.edges is None:
            p_inside = p_inside_circle(self.radius_m, centre_m, sigma_m)
        else:
            p_inside = p_inside_edges(self.edges, x_m, y_m, sigma_m)
        return p_inside, 0.0 if inside else outline_m


class SiteIndex:
    """The sites, ready to be asked about positions. Made once for each version of the sites; never changes."""

    def __init__(self, sites: Iterable[Site]) -> None:
        self.sites = tuple(sites)
        self.by_id = {site.id: site for site in self.sites}
        quiet = [site for site in self.sites if site.radio_off]
        self.radio_off = (self if len(quiet) == len(self.sites) else SiteIndex(quiet)) if quiet else None
        """Those where radio must be off, by themselves; None where there is none."""
        self._outlines = tuple(_Outline(site) for site in self.sites)
        boxes = np.array([outline.box() for outline in self._outlines]).reshape(-1, 4)
        self._tree = shapely.STRtree(shapely.box(*boxes.T)) if len(boxes) else None
        self._around = (*boxes[:, :2].min(axis=0).tolist(), *boxes[:, 2:].max(axis=0).tolist()) if len(boxes) else None

    def near(self, lat: float, lon: float, sigma_m: float, *, reach_m: float = REACH_M) -> tuple[Nearby, ...]:
        """Sites whose outline is within `reach_m` of a position or that hold it, the likeliest and then nearest first.

        `sigma_m` is the standard deviation of each axis of the position; the probability speaks of that error alone.
        A site farther away is still told of when the position's error gives it more than one in a thousand.
        """
        if self._tree is None or self._around is None:
            return ()
        look_m = max(reach_m, CERTAIN_SIGMAS * sigma_m)
        north_deg = look_m / 110_574.0  # a degree of latitude is nowhere shorter
        # Toward the poles a degree of longitude shrinks; the 1.001 covers the ellipsoid, the floor the pole itself.
        east_deg = north_deg * 1.001 / max(math.cos(math.radians(lat)), 1e-3)
        west, south, east, north = self._around
        if lon + east_deg < west or lon - east_deg > east or lat + north_deg < south or lat - north_deg > north:
            return ()  # a few sites are mostly far away: sooner told so than asked of the tree
        window = shapely.box(lon - east_deg, lat - north_deg, lon + east_deg, lat + north_deg)
        found = []
        for index in self._tree.query(window).tolist():
            outline = self._outlines[index]
            p_inside, away_m = outline.look(lat, lon, sigma_m)
            if away_m <= reach_m or p_inside > 0.001:  # noqa: PLR2004 - as the docstring says
                found.append(Nearby(outline.site, p_inside, away_m))
        if len(found) > 1:
            found.sort(key=_rank)
        return tuple(found)


def _rank(nearby: Nearby) -> tuple[float, float, str]:
    return -nearby.p_inside, nearby.distance_m, nearby.site.id
