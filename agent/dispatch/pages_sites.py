"""The sites' pages: all of them on a map, one to draw or type anew, versions, and what is sent to the vans.

Every page works without script; the script draws, and writes into the same form what a mouse drags. Whatever changes
something goes through `pages_site_forms.posted`: one place for who may.
"""

from __future__ import annotations

import json
from typing import Any
from urllib.parse import quote

from msgspec import Struct
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from agent.dispatch.pages_site_forms import (
    BUSY,
    Fields,
    Render,
    as_json,
    base_of,
    common_of,
    doer,
    note_of,
    posted,
    saved,
    see,
)
from agent.dispatch.site_desk import SiteDesk
from agent.dispatch.site_form import drawing, drawn, drawn_changes, fields_of, others_of, parse_fields
from agent.dispatch.site_store import SiteBusyError
from agent.dispatch.site_warnings import USUAL_ERROR_M
from agent.dispatch.sitebook import Book, Feature, compare, with_feature, without
from agent.errors import ConfigError
from agent.records import Problem
from agent.sites import Site

_NEAR_DEG = 0.02  # stops shown around a site: some 2 km


class SitePages(Struct, frozen=True):
    """The routes. `render` renders a template."""

    desk: SiteDesk
    render: Render

    def routes(self) -> list[Route]:
        """What the board adds."""
        post = ["POST"]
        return [
            Route("/sites", self.sites),
            Route("/sites/{site}", self.site),
            Route("/sites/{site}", posted(self.save_site), methods=post),
            Route("/sites/{site}/retire", posted(self.retire), methods=post),
            Route("/new-site", self.new_site),
            Route("/new-site", posted(self.save_new), methods=post),
            Route("/site-hints", self.hints),
            Route("/site-versions/{version:int}", self.version),
            Route("/site-versions/{version:int}/again", posted(self.again), methods=post),
            Route("/site-send", self.ask_send),
            Route("/site-send", posted(self.send), methods=post),
            Route("/sites.geojson", self.export),
        ]

    # -- looking -------------------------------------------------------------------------------------------------------

    def sites(self, request: Request) -> Response:
        """All of them; with `?part=1` only what the vans hold."""
        common = common_of(self.desk)
        if "part" in request.query_params:
            return self.render("_sites_held.html", vans=self.desk.holdings(), **common)
        book = self.desk.book(common["base"])
        changes = compare(self.desk.book(_number(common["in_force"])), book) if common["is_draft"] else ()
        shown = [drawn(each, "fence", label=True) for each in book.features]
        if changes:
            shown = drawn_changes(changes)
            for each in shown:  # here all of them matter
                each["label"] = each["look"] != "before"
                each["look"] = "fence" if each["look"] == "other" else each["look"]
        return self.render(
            "sites.html",
            rows=self.desk.rows(common["base"]),
            changes={change.site: change.kind for change in changes if change.kind != "unchanged"},
            gone=[change for change in changes if change.kind == "gone"],
            warnings=self.desk.warnings(common["base"]),
            vans=self.desk.holdings(),
            files_changed=self.desk.files_changed(),
            usual_error_m=USUAL_ERROR_M,
            drawing=as_json(drawing(shown)),
            **common,
        )

    def site(self, request: Request) -> Response:
        """One site, to change; with `?proposal=1` the outline that would hold the stops beside it."""
        site_id = request.path_params["site"]
        base = common_of(self.desk)["base"]
        feature = self.desk.book(base).feature(site_id)
        if feature is None:
            raise HTTPException(404, f"No site {site_id[:60]} is in the newest version.")
        hint = self.desk.hint_of(base, site_id)
        fields = fields_of(feature)
        proposed = hint is not None and "proposal" in request.query_params
        if hint is not None and proposed:
            properties = feature["properties"] | {"radius_m": hint.proposal.get("radius_m")}
            fields |= fields_of({**feature, "properties": properties, "geometry": hint.proposal["geometry"]})
            fields["note"] = f"grown for {hint.outside} stops outside it"
        return self._form(site_id, fields, hint=hint, proposed=proposed)

    def new_site(self, request: Request) -> Response:
        """An empty form, or one begun with a place."""
        asked = request.query_params
        fields = fields_of(None) | {"timezone": self._usual_zone()}
        if "lat" in asked and "lon" in asked:
            where = f"{asked['lat'][:24]}, {asked['lon'][:24]}"
            fields |= {"kind": "circle", "centre": where, "radius_m": asked.get("radius_m", "60")[:12]}
        return self._form(None, fields)

    def _usual_zone(self) -> str:
        zones = [site.timezone for site in self.desk.book(common_of(self.desk)["base"]).sites if site.timezone]
        return max(sorted(set(zones)), key=zones.count, default="")

    def _form(
        self,
        site_id: str | None,
        fields: Fields,
        *,
        problems: tuple[Problem, ...] = (),
        says: str = "",
        elsewhere: int | None = None,
        **more: Any,  # noqa: ANN401 - what the template is given
    ) -> Response:
        common = common_of(self.desk)
        book = self.desk.book(common["base"])
        feature = None if site_id is None else book.feature(site_id)
        stops, _ = self.desk.stops()
        middle = None if feature is None else _site_of(book, site_id).shape.centroid
        near = [
            (stop.lat, stop.lon)
            for stop in stops
            if middle is None or max(abs(stop.lat - middle.y), abs(stop.lon - middle.x)) < _NEAR_DEG
        ]
        before = [] if feature is None else [drawn(feature, "before")]
        return self.render(
            "site.html",
            422 if problems or says or elsewhere else 200,
            site_id=site_id,
            name=None if feature is None else feature["properties"]["name"],
            fields=fields_of(None) | {"note": ""} | dict(fields),
            problems=problems,
            says=says,
            elsewhere=elsewhere,
            near=len(near),
            warnings=[each for each in self.desk.warnings(common["base"]) if site_id in each.sites],
            drawing=as_json(drawing([*others_of(book, site_id), *before], stops=near[-500:], edits=True)),
            **({"hint": None, "proposed": False} | more),
            **common,
        )

    def hints(self, _request: Request) -> Response:
        """What real stops say."""
        common = common_of(self.desk)
        hints = self.desk.hints(common["base"])
        book = self.desk.book(common["base"])
        shown = [drawn(each, "fence", label=True) for each in book.features]
        where = [each for hint in hints.outside for each in hint.where]
        where += [each for place in hints.places for each in place.where]
        return self.render("site_hints.html", hints=hints, drawing=as_json(drawing(shown, stops=where)), **common)

    def version(self, request: Request) -> Response:
        """One version beside the one before."""
        number, common = request.path_params["version"], common_of(self.desk)
        of = {each.version: each for each in common["versions"]}
        if number not in of:
            raise HTTPException(404, f"There is no version {number} of the sites.")
        before = max((each for each in of if each < number), default=None)
        changes = compare(self.desk.book(before), self.desk.book(number))
        return self.render(
            "site_version.html",
            version=of[number],
            before=before,
            changes=changes,
            drawing=as_json(drawing(drawn_changes(changes))),
            **common,
        )

    def export(self, request: Request) -> Response:
        """The newest version, or the one asked for, as RFC 7946."""
        asked = request.query_params.get("version", "")
        number = int(asked) if asked.isdecimal() and len(asked) < 9 else common_of(self.desk)["base"]  # noqa: PLR2004 - no more digits than versions
        try:
            content = self.desk.book(number).content()
        except KeyError:
            raise HTTPException(404, f"There is no version {number} of the sites.") from None
        headers = {"content-disposition": f'attachment; filename="sites-{number}.geojson"', "cache-control": "no-store"}
        text = json.dumps(content, ensure_ascii=False, indent=1)
        return Response(text, media_type="application/geo+json", headers=headers)

    # -- changing ------------------------------------------------------------------------------------------------------

    def save_site(self, request: Request, fields: Fields) -> Response:
        """Keep one site as typed or drawn."""
        site_id = request.path_params["site"]
        feature = self.desk.book(common_of(self.desk)["base"]).feature(site_id)
        if feature is None:
            raise HTTPException(404, f"Nothing was changed: no site {site_id[:60]} is in the newest version.")
        return self._keep(fields, site_id, site_id, feature)

    def save_new(self, _request: Request, fields: Fields) -> Response:
        """Keep a new site."""
        site_id = fields.get("id", "").strip()
        if self.desk.book(common_of(self.desk)["base"]).feature(site_id) is not None:
            do = "give the new one an id of its own"
            problem = Problem("this site", "id", site_id, do, "another site has this id")
            return self._form(None, fields, problems=(problem,))
        return self._keep(fields, None, site_id, None)

    def _keep(
        self, fields: Fields, shown: str | None, site_id: str, before: Feature | None
    ) -> Response:
        book = self.desk.book(common_of(self.desk)["base"])
        try:
            feature = parse_fields(fields, site_id=site_id, before=before)
            fresh = with_feature(book, feature)
            others = [each for each in self.desk.elsewhere(Book((feature,), (_site_of(fresh, site_id),))) if each]
            if others and not fields.get("same_place"):
                return self._form(shown, fields, elsewhere=others[0][1])
            note = note_of(fields) or f"{feature['properties']['name']}: {'new' if before is None else 'changed'}"
            self.desk.save(fresh, base=base_of(fields), doer=doer(), note=note)
        except ConfigError as error:
            return self._form(shown, fields, problems=error.problems)
        except SiteBusyError:
            return self._form(shown, fields, says=BUSY)
        return see(f"/sites/{quote(site_id)}?saved=1")

    def retire(self, request: Request, fields: Fields) -> Response:
        """Make a version without a site."""
        site_id = request.path_params["site"]
        book = self.desk.book(common_of(self.desk)["base"])
        feature = book.feature(site_id)
        if feature is None:
            raise HTTPException(404, f"Nothing was changed: no site {site_id[:60]} is in the newest version.")
        note = note_of(fields) or f"{feature['properties']['name']}: retired"
        return saved(self.desk, fields, without(book, site_id), note)

    def again(self, request: Request, fields: Fields) -> Response:
        """Save an earlier version as the newest; sending it is the next page's."""
        try:
            self.desk.again(request.path_params["version"], base=base_of(fields), doer=doer())
        except KeyError:
            raise HTTPException(404, "Nothing was changed: there is no such version.") from None
        except SiteBusyError:
            raise HTTPException(409, f"Nothing was changed. {BUSY}") from None
        return see("/site-send")

    def ask_send(self, _request: Request) -> Response:
        """What changes for the vans, before it is sent."""
        common = common_of(self.desk)
        changes = compare(self.desk.book(_number(common["in_force"])), self.desk.book(common["base"]))
        return self.render(
            "site_send.html",
            changes=changes,
            warnings=self.desk.warnings(common["base"]),
            vans=self.desk.holdings(),
            drawing=as_json(drawing(drawn_changes(changes))),
            **common,
        )

    def send(self, _request: Request, fields: Fields) -> Response:
        """Put the newest version in force."""
        try:
            self.desk.send(base_of(fields), doer=doer())
        except SiteBusyError:
            raise HTTPException(409, f"Nothing was sent. {BUSY}") from None
        return see("/sites")


def _site_of(book: Book, site_id: str | None) -> Site:
    return next(site for site in book.sites if site.id == site_id)


def _number(version: Any) -> int | None:  # noqa: ANN401 - a SiteVersion or None
    return None if version is None else int(version.version)
