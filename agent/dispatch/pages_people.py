"""The pages of a badge's own record, of the audit log, and of how programs use the API, with its tokens."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import datetime, time, timedelta, tzinfo
from urllib.parse import quote

from starlette.concurrency import run_in_threadpool as in_thread
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response, StreamingResponse
from starlette.routing import BaseRoute, Route

from agent.clock import Clock
from agent.dispatch import audit
from agent.dispatch.accounts import Accounts, RefusedError, doer_of
from agent.dispatch.audit import AuditLog, Wanted
from agent.dispatch.guard import current
from agent.dispatch.pages_accounts import Page, see, text_of
from agent.dispatch.people import NoteError, People
from agent.dispatch.permits import SCOPES, may_see_badge
from agent.dispatch.store import DispatchStore
from agent.dispatch.views import AuditEntry

_A_PAGE, _A_FILE = 100, 100_000


def routes(
    page: Page, accounts: Accounts, people: People, store: DispatchStore, *, clock: Clock, zone: tzinfo
) -> list[BaseRoute]:
    """The routes of these pages; `page` renders a template with values."""
    badges, log, tokens = _BadgePages(page, people), _AuditPages(page, store, clock, zone), _TokenPages(page, accounts)
    return [
        Route("/badge/{epc:path}", badges.badge),
        Route("/badge-note", badges.add_note, methods=["POST"]),
        Route("/audit", log.page),
        Route("/audit.csv", log.csv),
        Route("/api-access", tokens.page),
        Route("/api-access/tokens", tokens.make, methods=["POST"]),
        Route("/api-access/tokens/{token}/revoke", tokens.revoke, methods=["POST"]),
    ]


class _BadgePages:
    def __init__(self, page: Page, people: People) -> None:
        self._page, self._people = page, people

    def badge(self, request: Request) -> Response:
        """A badge's record, for its person and for those who dispatch."""
        return self._badge(request.path_params["epc"])

    def _badge(self, epc: str, *, status: int = 200, problem: str = "", text: str = "", about: str = "") -> Response:
        caller = current()
        if not may_see_badge(caller, epc):
            raise HTTPException(403, "A badge's record is for the person who carries it, and for those who dispatch.")
        found = self._people.badge(epc)
        if found is None:
            raise HTTPException(404, "Nothing is kept of this badge.")
        self._people.looked_at(epc, caller, doer_of(caller))
        given = {"problem": problem, "text": text, "about": about}
        return self._page(
            "badge.html", status, badge=found, own=caller.badge == epc, keep_days=self._people.keep_days, **given
        )

    async def add_note(self, request: Request) -> Response:
        """Put a note beside the record."""
        form = await request.form()
        epc, text, about = (text_of(form, field) for field in ("epc", "text", "about"))
        if not may_see_badge(current(), epc):
            raise HTTPException(403, "Notes are for the person who carries the badge, and for those who dispatch.")
        try:
            await in_thread(self._people.add_note, epc, text, doer_of(current()), about=about or None)
        except NoteError as error:
            return await in_thread(self._badge, epc, status=422, problem=str(error), text=text, about=about)
        return see(f"/badge/{quote(epc, safe=':')}#notes")


class _AuditPages:
    def __init__(self, page: Page, store: DispatchStore, clock: Clock, zone: tzinfo) -> None:
        self._page, self._log, self._store = page, AuditLog(store), store
        self._clock, self._zone = clock, zone

    def _wanted(self, request: Request) -> Wanted:
        asked = request.query_params
        day, before = asked.get("day", ""), asked.get("before", "")
        from_s = to_s = None
        if day:
            try:
                start = datetime.combine(datetime.strptime(day, "%Y-%m-%d").date(), time(), self._zone)  # noqa: DTZ007 - the zone comes with the midnight
                from_s, to_s = start.timestamp(), (start + timedelta(days=1)).timestamp()
            except (ValueError, OverflowError) as error:
                raise HTTPException(400, "A day is written as 2026-03-02.") from error
        number = int(before) if before.isascii() and before.isdigit() and len(before) < 16 else None  # noqa: PLR2004 - as SQLite counts
        return Wanted(asked.get("who") or None, asked.get("kind") or None, None, from_s, to_s, number)

    def page(self, request: Request) -> Response:
        """The log, newest first, by person, kind and day."""
        wanted = self._wanted(request)
        found = self._log.entries(wanted, most=_A_PAGE + 1)
        kept = {key: request.query_params.get(key, "") for key in ("who", "kind", "day")}
        query = "&".join(f"{key}={quote(value, safe='')}" for key, value in kept.items() if value)
        older = found[_A_PAGE - 1].number if len(found) > _A_PAGE else None
        people, kinds = self._log.people(), audit.KINDS
        return self._page(
            "audit.html", entries=found[:_A_PAGE], people=people, kinds=kinds, asked=kept, query=query, older=older
        )

    def csv(self, request: Request) -> Response:
        """The same as a file; who takes it is in the log."""
        wanted, caller = self._wanted(request), current()
        with self._store.writing() as connection:
            asked = {key: value for key, value in request.query_params.items() if key in ("who", "kind", "day")}
            audit.keep(connection, doer_of(caller), "audit-taken", "", at_s=self._clock.utc(), after=asked)
        headers = {"content-disposition": 'attachment; filename="audit.csv"', "cache-control": "no-store"}
        text = _lines(self._pages(wanted))
        return StreamingResponse(text, media_type="text/csv; charset=utf-8; header=present", headers=headers)

    def _pages(self, wanted: Wanted) -> Iterator[tuple[AuditEntry, ...]]:
        taken = 0
        while taken < _A_FILE:
            found = self._log.entries(wanted, most=1000)
            if not found:
                return
            yield found
            taken += len(found)
            wanted = Wanted(wanted.who, wanted.kind, wanted.subject, wanted.from_s, wanted.to_s, found[-1].number)


def _lines(pages: Iterable[tuple[AuditEntry, ...]]) -> Iterator[str]:
    yield audit.csv_of(())
    for found in pages:
        yield audit.csv_of(found).split("\r\n", 1)[1]


class _TokenPages:
    def __init__(self, page: Page, accounts: Accounts) -> None:
        self._page, self._accounts = page, accounts

    def page(self, request: Request) -> Response:
        """How programs ask, and for administrators the tokens."""
        return self._tokens(str(request.base_url).rstrip("/"))

    def _tokens(self, address: str, *, status: int = 200, **more: object) -> Response:
        caller = current()
        tokens = self._accounts.tokens() if caller.name is not None and caller.role == "administer" else None
        return self._page("api_access.html", status, tokens=tokens, scopes=SCOPES, address=address, **more)

    async def make(self, request: Request) -> Response:
        """Make a token and show it, this once."""
        form, address = await request.form(), str(request.base_url).rstrip("/")
        chosen = [each for each in form.getlist("scope") if isinstance(each, str)]
        label = text_of(form, "label")
        try:
            secret = await in_thread(self._accounts.make_token, label, chosen, doer_of(current()))
        except RefusedError as error:
            more = {"problem": str(error), "label": label, "chosen": chosen}
            return await in_thread(self._tokens, address, status=422, **more)
        return await in_thread(self._tokens, address, secret=secret)

    def revoke(self, request: Request) -> Response:
        """End a token."""
        try:
            self._accounts.revoke_token(request.path_params["token"], doer_of(current()))
        except RefusedError as error:
            return self._tokens(str(request.base_url).rstrip("/"), status=422, problem=str(error))
        return see("/api-access")
