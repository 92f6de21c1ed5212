"""Stands before every route of the board: who asks, may they, and did their own page ask.

`Guard.over` wraps routes by the table in `agent.dispatch.permits`; one that is not in it cannot be served. A request
that changes something must come from a page of this board: by `Origin` and `Sec-Fetch-Site` where the browser sends
them, and always by a token that only such a page holds, unless it carries an API token, which no browser adds by
itself. What headers can decide is decided before the body is read (`agent.dispatch.forms`). A handler asks `current()`
for who it serves.
"""

from __future__ import annotations

import asyncio
import hashlib
import hmac
import logging
import secrets
from collections.abc import AsyncIterator, Iterable
from contextvars import ContextVar
from typing import Any
from urllib.parse import quote, urlsplit

from msgspec import Struct
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import BaseRoute, Mount, Route
from starlette.types import ASGIApp, Receive, Scope, Send

from agent.clock import Clock
from agent.dispatch.accounts import Accounts
from agent.dispatch.forms import again_from, body_of, check_headers, form_of, is_form
from agent.dispatch.permits import PERMITS, Caller, Permit, caller_without_login, permits

log = logging.getLogger(__name__)
FORM_FIELD, FORM_HEADER = "form_token", "x-form-token"
_SAFE = ("GET", "HEAD")
_AN_HOUR_S, _HALF_A_YEAR_S = 3600, 180 * 86_400
_LOOK_AT_SESSION_EVERY_S = 5.0
_RATE_PER_S, _BURST = 10.0, 100.0  # of one API token, judgement: a page every second has ten times that
_current: ContextVar[Caller] = ContextVar("caller", default=Caller())  # noqa: B039 - frozen


class Cookies(Struct, frozen=True):
    """What the board's cookies are called; under TLS they are bound to this very host (`__Host-`)."""

    secure: bool = False

    @property
    def _prefix(self) -> str:
        return "__Host-" if self.secure else ""

    @property
    def session(self) -> str:
        """Holds a session's secret."""
        return f"{self._prefix}roadtally"

    @property
    def browser(self) -> str:
        """By which a browser that has logged in before is known."""
        return f"{self._prefix}roadtally-browser"

    @property
    def form(self) -> str:
        """From which the token of the log-in form is made."""
        return f"{self._prefix}roadtally-form"

    def put(self, answer: Response, name: str, secret: str) -> None:
        """Set one: the session's until the browser closes, the known browser's for half a year."""
        age = _HALF_A_YEAR_S if name == self.browser else _AN_HOUR_S if name == self.form else None
        answer.set_cookie(name, secret, max_age=age, path="/", secure=self.secure, httponly=True, samesite="strict")

    def take(self, answer: Response, name: str) -> None:
        """Take one away."""
        answer.delete_cookie(name, path="/", secure=self.secure, httponly=True, samesite="strict")


def current() -> Caller:
    """Who is being served."""
    return _current.get()


def form_token(key: str) -> str:
    """What a page's forms carry in `FORM_FIELD`, made from a secret that only the same browser sends."""
    return hmac.new(key.encode(), b"roadtally form", hashlib.sha256).hexdigest()


class Guard:
    """See the module. Without `accounts`, or while none exist and none are `required`, everybody is let in."""

    def __init__(
        self, accounts: Accounts | None, *, clock: Clock, required: bool = False, secure: bool = False
    ) -> None:
        self._accounts, self._clock, self._required = accounts, clock, required
        self.cookies = Cookies(secure)
        self._open_key = secrets.token_urlsafe(32)
        self._buckets: dict[str, tuple[float, float]] = {}

    @property
    def is_open(self) -> bool:
        """Whether everybody is let in."""
        return not self._required and (self._accounts is None or not self._accounts.exist)

    def over(self, routes: Iterable[BaseRoute]) -> list[BaseRoute]:
        """The same routes, each behind its permit."""
        guarded: list[BaseRoute] = []
        for route in routes:
            assert isinstance(route, Route | Mount)  # noqa: S101 - the board has no other
            methods = ("GET",) if isinstance(route, Mount) else sorted((route.methods or set()) - {"HEAD"})
            table = {method: PERMITS[method, route.path] for method in methods}
            route.app = _Guarded(route.app, self, table, asks=isinstance(route, Route))
            guarded.append(route)
        return guarded

    def ended(self, caller: Caller) -> bool:
        """Whether somebody who was let in would not be any more; for streams, which outlast a request."""
        if caller.session is None or self._accounts is None:
            return not self.is_open and caller.token is None
        return self._accounts.of_session(caller.session, address=caller.address, form_key="", touch=False) is None

    # -- who -----------------------------------------------------------------------------------------------------------

    def caller(self, request: Request) -> Caller:
        """Who sends this; an unknown token raises 401."""
        address = request.client.host if request.client is not None else ""
        if self.is_open:
            return caller_without_login(address, self._open_key)
        bearer = request.headers.get("authorization")
        if bearer is not None and self._accounts is not None:
            kind, _, secret = bearer.partition(" ")
            found = None
            if kind.lower() == "bearer":
                found = self._accounts.of_token(secret.strip(), address=address)
            if found is None:
                raise _unknown('Bearer error="invalid_token"')
            self._pace(found.token or "")
            return found
        secret = request.cookies.get(self.cookies.session, "")
        if secret and self._accounts is not None:
            person = self._accounts.of_session(secret, address=address, form_key=secret)
            if person is not None:
                return person
        return Caller(address=address, form_key=request.cookies.get(self.cookies.form, ""))

    def _pace(self, token: str) -> None:
        now_s = self._clock.mono()
        left, at_s = self._buckets.get(token, (_BURST, now_s))
        left = min(left + (now_s - at_s) * _RATE_PER_S, _BURST)
        self._buckets[token] = (max(left - 1, 0.0), now_s)
        if left < 1:
            wait = f"{max(int((1 - left) / _RATE_PER_S) + 1, 1)}"
            raise HTTPException(429, "Too many requests with this token; slow down.", {"retry-after": wait})

    # -- may they ------------------------------------------------------------------------------------------------------

    def refusal(self, permit: Permit, caller: Caller, request: Request) -> Response | None:
        """None where the caller may; a way to the log-in page for a person; else raises 401 or 403."""
        if permits(permit, caller):
            return None
        if caller.token is not None:
            needs = permit.scope or "no token's"
            header = {"www-authenticate": f'Bearer error="insufficient_scope", scope="{permit.scope or ""}"'}
            raise HTTPException(403, f"This needs the scope {needs}; the token has {' '.join(caller.scopes)}.", header)
        if caller.role is not None:
            if caller.name is None:
                raise HTTPException(403, "There are no accounts yet; make the first one on the command line.")
            raise HTTPException(403, f"This is for accounts with the role {permit.role}; yours is {caller.role}.")
        if not request.url.path.startswith("/api/") and _is_page(request):
            then, url = "", request.url
            if request.method in _SAFE and url.path != "/":
                then = "?next=" + quote(url.path + (f"?{url.query}" if url.query else ""), safe="")
            return RedirectResponse(f"/login{then}", 303, {"cache-control": "no-store"})
        raise _unknown("Bearer")

    # -- did their own page ask ----------------------------------------------------------------------------------------

    def check_origin(self, request: Request) -> None:
        """Raise 403 where the browser says that another site's page asked; nothing of the body is read for that."""
        origin, site = request.headers.get("origin"), request.headers.get("sec-fetch-site")
        foreign = site is not None and site != "same-origin"
        if origin is not None:
            parts = urlsplit(origin)
            foreign |= parts.netloc.lower() != request.headers.get("host", "").lower()
            foreign |= self.cookies.secure and parts.scheme != "https"
        if foreign:
            raise HTTPException(403, "This came from a page of another site and was not done.")

    async def check_own_page(self, caller: Caller, request: Request, body: bytes) -> None:
        """Raise 403 unless a page of this board asked, in this browser."""
        given: Any = request.headers.get(FORM_HEADER)
        if given is None and caller.form_key and is_form(request):
            form = await form_of(request, body)
            given = form.get(FORM_FIELD)
            await form.close()
        fits = isinstance(given, str) and given.isascii() and bool(caller.form_key)
        if not fits or not hmac.compare_digest(given, form_token(caller.form_key)):
            raise HTTPException(403, "This page is too old, so nothing was done; load it again and repeat it.")


def _is_page(request: Request) -> bool:
    """Whether a person's browser asks for a page of its own, rather than a script for a part."""
    return request.headers.get("sec-fetch-dest", "document") == "document" and "part" not in request.query_params


def _unknown(challenge: str) -> HTTPException:
    return HTTPException(401, "Log in, or send a token that is in force.", {"www-authenticate": challenge})


class _Guarded:
    """One route's application behind the guard."""

    def __init__(self, app: ASGIApp, guard: Guard, table: dict[str, Permit], *, asks: bool) -> None:
        self._app, self._guard, self._table = app, guard, table
        self._asks = asks or any(permit.role is not None for permit in table.values())

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        method = scope["method"]
        permit = self._table.get("GET" if method == "HEAD" else method)
        if permit is None:
            raise HTTPException(405, "Nothing is done here in this way.", {"allow": ", ".join(self._table)})
        if not self._asks:  # files, the same for everybody
            await self._app(scope, receive, send)
            return
        asked = Request(scope, receive)
        caller = await asyncio.to_thread(self._guard.caller, asked)
        refused = self._guard.refusal(permit, caller, asked)
        if refused is not None:
            await refused(scope, receive, send)
            return
        if method not in _SAFE:
            if caller.token is None:
                self._guard.check_origin(asked)
            check_headers(asked, most=permit.most)
            body = await body_of(asked, most=permit.most)
            if caller.token is None:
                await self._guard.check_own_page(caller, asked, body)
            receive = again_from(body)
        kept = _current.set(caller)
        try:
            await self._app(scope, receive, send)
        finally:
            _current.reset(kept)


class Ended:
    """Whether a stream's listener may listen no more; looked at every few seconds. For the server's loop."""

    def __init__(self, guard: Guard, caller: Caller) -> None:
        self._guard, self._caller, self._looked = guard, caller, asyncio.get_running_loop().time()
        self._looking: asyncio.Task[None] | None = None
        self.is_so = False

    def look(self) -> bool:
        """What is known; looks again if it is time, in a thread, as that asks the database."""
        now = asyncio.get_running_loop().time()
        busy = self._looking is not None and not self._looking.done()
        if now - self._looked >= _LOOK_AT_SESSION_EVERY_S and not busy:
            self._looked, self._looking = now, asyncio.create_task(self._look())
        return self.is_so

    async def _look(self) -> None:
        try:
            self.is_so = await asyncio.to_thread(self._guard.ended, self._caller)
        except Exception:
            log.exception("whether a listener's session has ended could not be looked up; tried again")


async def then_reload(stream: AsyncIterator[str], ended: Ended) -> AsyncIterator[str]:
    """The stream as long as its listener may hear it; then the page is told to load anew, which asks to log in."""
    async for text in stream:
        if ended.is_so:
            break
        yield text
    if ended.is_so:
        yield "event: reload\ndata: null\n\n"
