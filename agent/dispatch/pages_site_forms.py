"""What the sites' pages share: how a form comes in, and what every page is told.

Who may come here, and that their own page asked, `agent.dispatch.guard` has seen to before.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable, Mapping
from typing import Any

from starlette.datastructures import UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from agent.dispatch.accounts import doer_of
from agent.dispatch.audit import Doer
from agent.dispatch.forms import form_of
from agent.dispatch.guard import current
from agent.dispatch.site_desk import SiteDesk
from agent.dispatch.site_store import SiteBusyError
from agent.dispatch.sitebook import Book

_LONGEST_NOTE = 500
BUSY = "Somebody has saved another version since this page was made. Look at it, and save again if it still holds."

Render = Callable[..., Response]
Fields = Mapping[str, str]


def posted(act: Callable[[Request, Fields], Response]) -> Callable[[Request], Any]:
    """A form's answer, given in a worker thread.

    Files come as the field `uploaded`: a JSON object of name to octets, each octet as one character.
    """

    async def answer(request: Request) -> Response:
        form = await form_of(request, await request.body())
        fields: dict[str, str] = {}
        files: dict[str, str] = {}
        for key, value in form.multi_items():
            if not isinstance(value, UploadFile):
                fields[key] = value
            elif value.filename:
                files[value.filename] = (await value.read()).decode("latin-1")
        await form.close()
        if files:
            fields["uploaded"] = json.dumps(files)
        return await asyncio.to_thread(act, request, fields)

    return answer


def common_of(desk: SiteDesk) -> dict[str, Any]:
    """What every page of the sites says: which version is the newest, and which counts."""
    versions = desk.versions()
    newest = versions[0] if versions else None
    return {
        "versions": versions,
        "newest": newest,
        "base": 0 if newest is None else newest.version,
        "in_force": next((each for each in versions if each.sent_s is not None), None),
        "is_draft": newest is not None and newest.sent_s is None,
        "publishes": desk.publishes,
    }


def doer() -> Doer:
    """Who is asking, for the version and the audit log."""
    return doer_of(current())


def saved(desk: SiteDesk, fields: Fields, book: Book, note: str, *, files: str | None = None) -> Response:
    """Keep a book as the next version and show all sites; 409 where somebody else was quicker."""
    try:
        desk.save(book, base=base_of(fields), doer=doer(), note=note, files=files)
    except SiteBusyError:
        raise HTTPException(409, f"Nothing was changed. {BUSY}") from None
    return see("/sites")


def see(path: str) -> Response:
    """Go there and look: a reload of it changes nothing again."""
    return RedirectResponse(path, status_code=303)


def as_json(value: object) -> str:
    """For a `data-` attribute, which the template escapes."""
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"))


def base_of(fields: Fields) -> int:
    """The newest version when the form was made; -1 where it does not say."""
    text = fields.get("base", "")
    return int(text) if text.isdecimal() and len(text) < 10 else -1  # noqa: PLR2004 - no more digits than versions


def note_of(fields: Fields) -> str:
    """What the person said of the change, on one line."""
    return " ".join(fields.get("note", "").split())[:_LONGEST_NOTE]
