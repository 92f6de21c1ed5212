"""The sites' pages: all of them on a map, one to draw or type anew, import, versions, and what is sent to the vans.

Every page works without script; the script draws, and writes into the same form what a mouse drags. Whatever changes
something goes through `_posted`: one place for who may.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable, Mapping
from typing import Any
from urllib.parse import quote

import msgspec
from msgspec import Struct
from starlette.datastructures import UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from agent.canonical import digest_of
from agent.dispatch.same_origin import why_foreign
from agent.dispatch.site_desk import SiteDesk
from agent.dispatch.site_form import drawing, drawn, drawn_changes, fields_of, others_of, parse_fields
from agent.dispatch.site_store import SiteBusyError
from agent.dispatch.site_warnings import USUAL_ERROR_M, warnings_of
from agent.dispatch.sitebook import Book, Feature, compare, merged, read_texts, with_feature, without
from agent.errors import ConfigError
from agent.records import Problem
from agent.sites import Site

_MOST_BYTES = 16 * 1024 * 1024  # of a form: twice what a downlink carries
_LONGEST_NOTE = 500
_NEAR_DEG = 0.02  # stops shown around a site: some 2 km
_BUSY = "Somebody has saved another version since this page was made. Look at it, and save again if it still holds."

Render = Callable[..., Response]
Fields = Mapping[str, str]
Who = Callable[[Request], str | None]


class SitePages(Struct, frozen=True):
    """The routes. `page` renders a template; `who` names the person asking, None where nobody had to log in."""

    desk: SiteDesk
    page: Render
    who: Who = lambda _request: None

    def routes(self) -> list[Route]:
        """What the board adds."""
        post = ["POST"]
        return [
            Route("/sites", self.sites),
            Route("/sites/{site}", self.site),
            Route("/sites/{site}", self._posted(self.save_site), methods=post),
            Route("/sites/{site}/retire", self._posted(self.retire), methods=post),
            Route("/new-site", self.new_site),
            Route("/new-site", self._posted(self.save_new), methods=post),
            Route("/site-import", self.ask_import),
            Route("/site-import", self._posted(self.preview_import), methods=post),
            Route("/site-import/save", self._posted(self.save_import), methods=post),
            Route("/site-hints", self.hints),
            Route("/site-versions/{version:int}", self.version),
            Route("/site-versions/{version:int}/again", self._posted(self.again), methods=post),
            Route("/site-send", self.ask_send),
            Route("/site-send", self._posted(self.send), methods=post),
            Route("/sites.geojson", self.export),
        ]

    def _posted(self, act: Callable[[Request, Fields], Response]) -> Callable[[Request], Any]:
        """A form's answer: refused from foreign pages, read within bounds, answered in a worker thread."""

        async def answer(request: Request) -> Response:
            why = why_foreign(request.headers)
            if why is not None:
                raise HTTPException(403, f"Nothing was changed: {why}.")
            length = request.headers.get("content-length", "")
            if not length.isdecimal() or int(length) > _MOST_BYTES:
                raise HTTPException(413, "Nothing was changed: the form is too large.")
            async with request.form(max_fields=50, max_files=50, max_part_size=_MOST_BYTES) as form:
                fields: dict[str, str] = {}
                files: dict[str, bytes] = {}
                for key, value in form.multi_items():
                    if isinstance(value, UploadFile):
                        if value.filename:
                            files[value.filename] = await value.read()
                    else:
                        fields[key] = value
            if files:
                fields["uploaded"] = json.dumps({name: octets.decode("latin-1") for name, octets in files.items()})
            return await asyncio.to_thread(act, request, fields)

        return answer

    # -- looking -------------------------------------------------------------------------------------------------------

    def _common(self) -> dict[str, Any]:
        versions = self.desk.versions()
        newest = versions[0] if versions else None
        in_force = next((each for each in versions if each.sent_s is not None), None)
        return {
            "versions": versions,
            "newest": newest,
            "base": 0 if newest is None else newest.version,
            "in_force": in_force,
            "is_draft": newest is not None and newest.sent_s is None,
            "publishes": self.desk.publishes,
        }

    def sites(self, request: Request) -> Response:
        """All of them; with `?part=1` only what the vans hold."""
        common = self._common()
        if "part" in request.query_params:
            return self.page("_sites_held.html", vans=self.desk.holdings(), **common)
        book = self.desk.book(common["base"])
        changes = compare(self.desk.book(_number(common["in_force"])), book) if common["is_draft"] else ()
        shown = [drawn(each, "fence", label=True) for each in book.features]
        if changes:
            shown = drawn_changes(changes)
            for each in shown:
                each["label"] = each["look"] != "before"
        return self.page(
            "sites.html",
            rows=self.desk.rows(common["base"]),
            changes={change.site: change.kind for change in changes if change.kind != "unchanged"},
            gone=[change for change in changes if change.kind == "gone"],
            warnings=self.desk.warnings(common["base"]),
            vans=self.desk.holdings(),
            files_changed=self.desk.files_changed(),
            usual_error_m=USUAL_ERROR_M,
            drawing=_json(drawing(shown)),
            **common,
        )

    def site(self, request: Request) -> Response:
        """One site, to change; with `?proposal=1` the outline that would hold the stops beside it."""
        site_id = request.path_params["site"]
        base = self._common()["base"]
        feature = self.desk.book(base).feature(site_id)
        if feature is None:
            raise HTTPException(404, f"No site {site_id[:60]} is in the newest version.")
        hint = next((each for each in self.desk.hints(base).outside if each.site == site_id), None)
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
        zones = [site.timezone for site in self.desk.book(self._common()["base"]).sites if site.timezone]
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
        common = self._common()
        book = self.desk.book(common["base"])
        feature = None if site_id is None else book.feature(site_id)
        stops = self.desk.hints(common["base"]).stops
        middle = None if feature is None else _site_of(book, site_id).shape.centroid
        near = [
            (stop.lat, stop.lon)
            for stop in stops
            if middle is None or max(abs(stop.lat - middle.y), abs(stop.lon - middle.x)) < _NEAR_DEG
        ]
        before = [] if feature is None else [drawn(feature, "before")]
        return self.page(
            "site.html",
            422 if problems or says or elsewhere else 200,
            site_id=site_id,
            name=None if feature is None else feature["properties"]["name"],
            fields={"note": ""} | dict(fields),
            problems=problems,
            says=says,
            elsewhere=elsewhere,
            near=len(near),
            warnings=[each for each in self.desk.warnings(common["base"]) if site_id in each.sites],
            drawing=_json(drawing([*others_of(book, site_id), *before], stops=near[-500:], edits=True)),
            **({"hint": None, "proposed": False} | more),
            **common,
        )

    def hints(self, _request: Request) -> Response:
        """What real stops say."""
        common = self._common()
        hints = self.desk.hints(common["base"])
        book = self.desk.book(common["base"])
        shown = [drawn(each, "fence", label=True) for each in book.features]
        where = [each for hint in (*hints.outside, *hints.places) for each in hint.where]
        return self.page("site_hints.html", hints=hints, drawing=_json(drawing(shown, stops=where)), **common)

    def version(self, request: Request) -> Response:
        """One version beside the one before."""
        number, common = request.path_params["version"], self._common()
        of = {each.version: each for each in common["versions"]}
        if number not in of:
            raise HTTPException(404, f"There is no version {number} of the sites.")
        before = max((each for each in of if each < number), default=None)
        changes = compare(self.desk.book(before), self.desk.book(number))
        return self.page(
            "site_version.html",
            version=of[number],
            before=before,
            changes=changes,
            drawing=_json(drawing(drawn_changes(changes))),
            **common,
        )

    def export(self, request: Request) -> Response:
        """The newest version, or the one asked for, as RFC 7946."""
        asked = request.query_params.get("version", "")
        number = int(asked) if asked.isdecimal() and len(asked) < 9 else self._common()["base"]  # noqa: PLR2004 - no more digits than versions
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
        feature = self.desk.book(self._common()["base"]).feature(site_id)
        if feature is None:
            raise HTTPException(404, f"Nothing was changed: no site {site_id[:60]} is in the newest version.")
        return self._keep(request, fields, site_id, site_id, feature)

    def save_new(self, request: Request, fields: Fields) -> Response:
        """Keep a new site."""
        site_id = fields.get("id", "").strip()
        if self.desk.book(self._common()["base"]).feature(site_id) is not None:
            do = "give the new one an id of its own"
            problem = Problem("this site", "id", site_id, do, "another site has this id")
            return self._form(None, fields, problems=(problem,))
        return self._keep(request, fields, None, site_id, None)

    def _keep(
        self, request: Request, fields: Fields, shown: str | None, site_id: str, before: Feature | None
    ) -> Response:
        book = self.desk.book(self._common()["base"])
        try:
            feature = parse_fields(fields, site_id=site_id, before=before)
            fresh = with_feature(book, feature)
            others = [each for each in self.desk.elsewhere(Book((feature,), (_site_of(fresh, site_id),))) if each]
            if others and not fields.get("same_place"):
                return self._form(shown, fields, elsewhere=others[0][1])
            note = _note(fields) or f"{feature['properties']['name']}: {'new' if before is None else 'changed'}"
            self.desk.save(fresh, base=_base(fields), who=self.who(request), note=note)
        except ConfigError as error:
            return self._form(shown, fields, problems=error.problems)
        except SiteBusyError:
            return self._form(shown, fields, says=_BUSY)
        return _see(f"/sites/{quote(site_id)}?saved=1")

    def retire(self, request: Request, fields: Fields) -> Response:
        """Make a version without a site."""
        site_id = request.path_params["site"]
        book = self.desk.book(self._common()["base"])
        feature = book.feature(site_id)
        if feature is None:
            raise HTTPException(404, f"Nothing was changed: no site {site_id[:60]} is in the newest version.")
        note = _note(fields) or f"{feature['properties']['name']}: retired"
        return self._saved(request, fields, without(book, site_id), note)

    def _saved(
        self, request: Request, fields: Fields, book: Book, note: str, *, files: str | None = None, to: str = "/sites"
    ) -> Response:
        try:
            self.desk.save(book, base=_base(fields), who=self.who(request), note=note, files=files)
        except SiteBusyError:
            raise HTTPException(409, f"Nothing was changed. {_BUSY}") from None
        return _see(to)

    def ask_import(self, _request: Request) -> Response:
        """The form for files."""
        return self._import()

    def preview_import(self, _request: Request, fields: Fields) -> Response:
        """What files would change, before it counts."""
        if fields.get("from_files"):
            files = {name: json.dumps(part) for name, part in (self.desk.files or {}).items()}
        else:
            files = {}
            for name, octets in json.loads(fields.get("uploaded", "{}")).items():
                try:
                    files[name] = octets.encode("latin-1").decode()
                except UnicodeDecodeError as error:
                    problem = Problem(name, f"byte {error.start}", "", "save it as UTF-8", "this is no UTF-8 text")
                    return self._import(problems=(problem,))
            if fields.get("text", "").strip():
                files["pasted text"] = fields["text"]
        if not files:
            problem = Problem("import", "files", "", "choose a .geojson file or paste its text", "nothing was given")
            return self._import(problems=(problem,))
        return self._preview(files, fields)

    def _preview(self, files: Mapping[str, str], fields: Fields) -> Response:
        book = self.desk.book(self._common()["base"])
        try:
            given = read_texts(files)
            fresh = given if fields.get("all") else merged(book, given)
        except ConfigError as error:
            return self._import(problems=error.problems, files=len(files))
        known = set(self.desk.warnings(self._common()["base"]))
        changes = compare(book, fresh)
        return self._import(
            changes=changes,
            count={kind: sum(each.kind == kind for each in changes) for kind in ("new", "changed", "gone", "unchanged")},
            warnings=[each for each in warnings_of(fresh.sites) if each not in known],
            elsewhere=self.desk.elsewhere(fresh),
            content=json.dumps(files),
            replaces=bool(fields.get("all")),
            from_files=bool(fields.get("from_files")),
            drawing=_json(drawing(drawn_changes(changes))),
        )

    def _import(self, *, problems: tuple[Problem, ...] = (), **more: Any) -> Response:  # noqa: ANN401 - the template's
        nothing: dict[str, Any] = {"changes": None, "warnings": (), "elsewhere": (), "drawing": None, "files": 1}
        has_folder = self.desk.files is not None
        values = nothing | {"has_folder": has_folder} | more | self._common()
        return self.page("site_import.html", 422 if problems else 200, problems=problems, **values)

    def save_import(self, request: Request, fields: Fields) -> Response:
        """Keep what was previewed."""
        try:
            files = msgspec.json.decode(fields.get("content", ""), type=dict[str, str])
        except msgspec.MsgspecError:
            raise HTTPException(400, "Nothing was changed: begin with the import's own page.") from None
        book = self.desk.book(self._common()["base"])
        try:
            given = read_texts(files)
            fresh = given if fields.get("all") else merged(book, given)
            digest = digest_of(self.desk.files) if fields.get("from_files") and self.desk.files is not None else None
            note = _note(fields) or "imported from " + ", ".join(files)[:200]
            return self._saved(request, fields, fresh, note, files=digest)
        except ConfigError as error:
            return self._import(problems=error.problems, files=len(files))

    def again(self, request: Request, fields: Fields) -> Response:
        """Save an earlier version as the newest; sending it is the next page's."""
        try:
            self.desk.again(request.path_params["version"], base=_base(fields), who=self.who(request))
        except KeyError:
            raise HTTPException(404, "Nothing was changed: there is no such version.") from None
        except SiteBusyError:
            raise HTTPException(409, f"Nothing was changed. {_BUSY}") from None
        return _see("/site-send")

    def ask_send(self, _request: Request) -> Response:
        """What changes for the vans, before it is sent."""
        common = self._common()
        changes = compare(self.desk.book(_number(common["in_force"])), self.desk.book(common["base"]))
        return self.page(
            "site_send.html",
            changes=changes,
            warnings=self.desk.warnings(common["base"]),
            vans=self.desk.holdings(),
            drawing=_json(drawing(drawn_changes(changes))),
            **common,
        )

    def send(self, request: Request, fields: Fields) -> Response:
        """Put the newest version in force."""
        try:
            self.desk.send(_base(fields), who=self.who(request))
        except SiteBusyError:
            raise HTTPException(409, f"Nothing was sent. {_BUSY}") from None
        return _see("/sites")


def _see(path: str) -> Response:
    return RedirectResponse(path, status_code=303)


def _json(value: object) -> str:
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"))


def _base(fields: Fields) -> int:
    text = fields.get("base", "")
    return int(text) if text.isdecimal() and len(text) < 10 else -1  # noqa: PLR2004 - no more digits than versions


def _note(fields: Fields) -> str:
    return " ".join(fields.get("note", "").split())[:_LONGEST_NOTE]


def _number(version: Any) -> int | None:  # noqa: ANN401 - a SiteVersion or None
    return None if version is None else int(version.version)


def _site_of(book: Book, site_id: str | None) -> Site:
    return next(site for site in book.sites if site.id == site_id)
