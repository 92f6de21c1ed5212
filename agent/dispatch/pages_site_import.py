"""Import of GeoJSON in two steps: a preview of what would change, drawn over what is there, then a version of it.

Nothing is kept between the two: the preview's form carries the texts, and they are judged again when it comes back.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Mapping
from typing import Any

import msgspec
from msgspec import Struct
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from agent.dispatch.pages_site_forms import Fields, Render, as_json, common_of, note_of, posted, saved
from agent.dispatch.site_desk import SiteDesk
from agent.dispatch.site_form import drawing, drawn_changes
from agent.dispatch.site_warnings import warnings_of
from agent.dispatch.sitebook import compare, merged, read_texts
from agent.errors import ConfigError
from agent.records import Problem


class SiteImport(Struct, frozen=True):
    """The routes; as `SitePages`."""

    desk: SiteDesk
    render: Render

    def routes(self) -> list[Route]:
        """What the board adds."""
        return [
            Route("/site-import", self.ask_import),
            Route("/site-import", posted(self.preview_import), methods=["POST"]),
            Route("/site-import/save", posted(self.save_import), methods=["POST"]),
        ]

    def ask_import(self, _request: Request) -> Response:
        """The form for files."""
        return self._import()

    def preview_import(self, _request: Request, fields: Fields) -> Response:
        """What files would change, before it counts."""
        if fields.get("from_files"):
            files = {name: json.dumps(part) for name, part in (self.desk.files or {}).items()}
        else:
            files = {}
            for name, octets in _uploaded(fields).items():
                try:
                    files[name] = octets.decode()
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
        book = self.desk.book(common_of(self.desk)["base"])
        try:
            given = read_texts(files)
            fresh = given if fields.get("all") else merged(book, given)
        except ConfigError as error:
            return self._import(problems=error.problems, files=len(files))
        known = set(self.desk.warnings(common_of(self.desk)["base"]))
        changes = compare(book, fresh)
        return self._import(
            changes=changes,
            count=Counter(each.kind for each in changes),
            warnings=[each for each in warnings_of(fresh.sites) if each not in known],
            elsewhere=self.desk.elsewhere(fresh),
            content=json.dumps(files),
            replaces=bool(fields.get("all")),
            from_files=bool(fields.get("from_files")),
            drawing=as_json(drawing(drawn_changes(changes))),
        )

    def _import(self, *, problems: tuple[Problem, ...] = (), **more: Any) -> Response:  # noqa: ANN401 - the template's
        nothing: dict[str, Any] = {"changes": None, "warnings": (), "elsewhere": (), "drawing": None, "files": 1}
        has_folder = self.desk.files is not None
        values = nothing | {"has_folder": has_folder} | more | common_of(self.desk)
        return self.render("site_import.html", 422 if problems else 200, problems=problems, **values)

    def save_import(self, _request: Request, fields: Fields) -> Response:
        """Keep what was previewed."""
        try:
            files = msgspec.json.decode(fields.get("content", ""), type=dict[str, str])
        except msgspec.MsgspecError:
            raise HTTPException(400, "Nothing was changed: begin with the import's own page.") from None
        book = self.desk.book(common_of(self.desk)["base"])
        try:
            given = read_texts(files)
            fresh = given if fields.get("all") else merged(book, given)
            digest = self.desk.files_digest if fields.get("from_files") else None
            note = note_of(fields) or "imported from " + ", ".join(files)[:200]
            return saved(self.desk, fields, fresh, note, files=digest)
        except ConfigError as error:
            return self._import(problems=error.problems, files=len(files))


def _uploaded(fields: Fields) -> dict[str, bytes]:
    """The files' octets; 400 for a field of that name that no file made."""
    try:
        told = msgspec.json.decode(fields.get("uploaded", "{}"), type=dict[str, str])
        return {name: octets.encode("latin-1") for name, octets in told.items()}
    except (msgspec.MsgspecError, UnicodeEncodeError):
        raise HTTPException(400, "Nothing was changed: choose the files on the import's own page.") from None
