"""What sites are called and how they are drawn; the board's view of `agent.sites`."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any
from zoneinfo import ZoneInfo

import shapely.geometry

from agent.geofences import WITHHELD_ID
from agent.sites import Site, site_uri

_OWN_URI = "urn:roadtally:site:"


class Places:
    """The sites by id and by the location an event names; an unknown one is called what it is written as."""

    def __init__(self, sites: Iterable[Site] = ()) -> None:
        self.put_in_force(sites)

    def put_in_force(self, sites: Iterable[Site]) -> None:
        """From now on these are the sites; what is being answered meanwhile may still say the ones before."""
        self._sites = tuple(sites)
        self._by_id = {site.id: site for site in self._sites}
        self._by_uri = {site_uri(site): site for site in self._sites}

    def name(self, site_id: str) -> str:
        """A site's name by its id."""
        if site_id == WITHHELD_ID:
            return "a place not kept, outside working hours"
        site = self._by_id.get(site_id)
        return site_id if site is None else site.name

    def zone_of(self, site_id: str) -> ZoneInfo | None:
        """The time zone of a site, where it has one of its own."""
        site = self._by_id.get(site_id)
        return None if site is None or site.timezone is None else ZoneInfo(site.timezone)

    def name_of_location(self, uri: str | None) -> str:
        """The name of what `bizLocation` or `readPoint` says: a site, or a position in words."""
        if uri is None:
            return "a place not told"
        site = self._by_uri.get(uri)
        if site is not None:
            return site.name
        if uri.startswith("geo:"):
            coordinates = uri.removeprefix("geo:").split(";")[0]
            return f"no site, at {coordinates.replace(',', ', ')}"
        return self.name(uri.removeprefix(_OWN_URI))

    def centre(self, site_id: str) -> tuple[float, float] | None:
        """Latitude and longitude of a point inside a site's outline; None for an unknown site."""
        site = self._by_id.get(site_id)
        if site is None:
            return None
        point = site.shape.representative_point()
        return float(point.y), float(point.x)

    def geojson(self) -> dict[str, Any]:
        """A FeatureCollection for the map: `properties` hold `name`, and `radius_m` for a round site."""
        features = []
        for site in self._sites:
            properties = {"site": site.id, "name": site.name, "radius_m": site.radius_m}
            geometry = shapely.geometry.mapping(site.shape)
            features.append({"type": "Feature", "id": site.id, "properties": properties, "geometry": geometry})
        return {"type": "FeatureCollection", "features": features}
