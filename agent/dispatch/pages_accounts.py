"""The pages of accounts: log in and out, one's own password, and what an administrator does with accounts.

Each page is complete without script, and its forms go back to it with what went wrong in words.
"""

from __future__ import annotations

import secrets
from collections.abc import Callable
from typing import Any
from urllib.parse import quote

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import BaseRoute, Route

from agent.dispatch.accounts import Accounts, LoggedIn, RefusedError, Waiting, doer_of
from agent.dispatch.guard import Guard, current, form_token
from agent.dispatch.permits import ROLE_WORDS, Caller

Page = Callable[..., HTMLResponse]
_NO_STORE = {"cache-control": "no-store"}


def routes(page: Page, accounts: Accounts, guard: Guard) -> list[BaseRoute]:
    """The routes of these pages; `page` renders a template with values."""
    pages = _AccountPages(page, accounts, guard)
    return [
        Route("/login", pages.login),
        Route("/login", pages.log_in, methods=["POST"]),
        Route("/logout", pages.log_out, methods=["POST"]),
        Route("/me", pages.me),
        Route("/me/password", pages.set_password, methods=["POST"]),
        Route("/me/end-sessions", pages.end_own_sessions, methods=["POST"]),
        Route("/accounts", pages.all),
        Route("/accounts", pages.make, methods=["POST"]),
        Route("/accounts/{account}", pages.one),
        Route("/accounts/{account}", pages.change, methods=["POST"]),
    ]


def text_of(form: FormData, field: str) -> str:
    """A field of a form as text; nothing where it is missing or a file."""
    value = form.get(field)
    return value if isinstance(value, str) else ""


def see(path: str) -> RedirectResponse:
    """Go and look at another page, after something was done."""
    return RedirectResponse(path, 303, _NO_STORE)


def own_path(text: str) -> str:
    """A path of this board, from what an address says; its beginning where it says another host's or none."""
    good = text.startswith("/") and not text.startswith(("//", "/\\")) and text.isprintable() and "\\" not in text
    return text if good and not text.startswith("/login") else "/"


class _AccountPages:
    def __init__(self, page: Page, accounts: Accounts, guard: Guard) -> None:
        self._page, self._accounts, self._guard = page, accounts, guard

    # -- log in and out ------------------------------------------------------------------------------------------------

    def login(self, request: Request) -> Response:
        """The log-in page."""
        if self._guard.is_open or current().role is not None:
            return see(own_path(request.query_params.get("next", "")))
        return self._login(current(), then=own_path(request.query_params.get("next", "")))

    def _login(self, caller: Caller, *, then: str, status: int = 200, name: str = "", **more: Any) -> Response:  # noqa: ANN401 - what a template is given
        key = caller.form_key or secrets.token_urlsafe(16)
        values = {"name": name, "then": then, "form_token": form_token(key), "accounts_exist": self._accounts.exist}
        answer = self._page("login.html", status, **values, **more)
        if not caller.form_key:
            self._guard.cookies.put(answer, self._guard.cookies.form, key)
        return answer

    async def log_in(self, request: Request) -> Response:
        """Try name and password."""
        form, caller, cookies = await request.form(), current(), self._guard.cookies
        name, then = text_of(form, "name"), own_path(text_of(form, "next"))
        tried = await run_in_threadpool(
            self._accounts.log_in,
            name,
            text_of(form, "password"),
            address=caller.address,
            browser=request.cookies.get(cookies.browser),
            agent=request.headers.get("user-agent", ""),
        )
        if isinstance(tried, Waiting):
            wait = int(tried.seconds) + 1
            answer = await run_in_threadpool(self._login, caller, then=then, status=429, name=name, wait=wait)
            answer.headers["retry-after"] = str(wait)
            return answer
        if not isinstance(tried, LoggedIn):
            return await run_in_threadpool(self._login, caller, then=then, status=403, name=name, wrong=True)
        if caller.session is not None:
            await run_in_threadpool(self._accounts.log_out, caller.session, doer_of(caller))
        answer = see(then)
        cookies.put(answer, cookies.session, tried.session)
        cookies.put(answer, cookies.browser, tried.browser)
        cookies.take(answer, cookies.form)
        return answer

    def log_out(self, _request: Request) -> Response:
        """End this session."""
        caller, cookies = current(), self._guard.cookies
        if caller.session is not None:
            self._accounts.log_out(caller.session, doer_of(caller))
        answer = see("/login")
        cookies.take(answer, cookies.session)
        answer.headers["clear-site-data"] = '"cache"'
        return answer

    # -- oneself -------------------------------------------------------------------------------------------------------

    def me(self, request: Request) -> Response:
        """One's own account."""
        return self._me(done=request.query_params.get("done", ""))

    def _me(self, *, status: int = 200, **more: Any) -> Response:  # noqa: ANN401 - what a template is given
        name = current().name or ""
        account, sessions = self._accounts.one(name), self._accounts.sessions(name)
        return self._page("me.html", status, account=account, sessions=sessions, roles=ROLE_WORDS, **more)

    async def set_password(self, request: Request) -> Response:
        """Change one's own password."""
        form, caller = await request.form(), current()
        fresh = text_of(form, "new")
        if fresh != text_of(form, "again"):
            return await run_in_threadpool(self._me, status=422, problem="the two new passwords are not the same")
        try:
            await run_in_threadpool(
                self._accounts.set_password,
                caller.name or "",
                fresh,
                doer_of(caller),
                old=text_of(form, "old"),
                session_kept=caller.session,
            )
        except RefusedError as error:
            return await run_in_threadpool(self._me, status=422, problem=str(error))
        return see("/me?done=password")

    def end_own_sessions(self, _request: Request) -> Response:
        """End one's sessions on other browsers."""
        caller = current()
        self._accounts.end_sessions(caller.name or "", doer_of(caller), but=caller.session)
        return see("/me?done=sessions")

    # -- an administrator ----------------------------------------------------------------------------------------------

    def all(self, request: Request) -> Response:
        """Every account, and a form for another."""
        return self._all(done=request.query_params.get("done", ""))

    def _all(self, *, status: int = 200, **more: Any) -> Response:  # noqa: ANN401 - what a template is given
        return self._page("accounts.html", status, accounts=self._accounts.all(), roles=ROLE_WORDS, **more)

    async def make(self, request: Request) -> Response:
        """Make an account."""
        form = await request.form()
        name, role, badge = (text_of(form, field).strip() for field in ("name", "role", "badge"))
        given = {"name": name, "role": role, "badge": badge}
        try:
            await run_in_threadpool(
                self._accounts.make, name, role, text_of(form, "password"), doer_of(current()), badge=badge or None
            )
        except RefusedError as error:
            return await run_in_threadpool(self._all, status=422, problem=str(error), given=given)
        return see(f"/accounts?done={quote(name, safe='')}")

    def one(self, request: Request) -> Response:
        """One account with its sessions."""
        return self._one(request.path_params["account"], done=request.query_params.get("done", ""))

    def _one(self, name: str, *, status: int = 200, **more: Any) -> Response:  # noqa: ANN401 - what a template is given
        account = self._accounts.one(name)
        if account is None:
            raise HTTPException(404, "There is no such account.")
        sessions = self._accounts.sessions(name)
        return self._page("account.html", status, account=account, sessions=sessions, roles=ROLE_WORDS, **more)

    async def change(self, request: Request) -> Response:
        """Change an account, give it a password, or end its sessions."""
        form, name, doer = await request.form(), request.path_params["account"], doer_of(current())
        what = text_of(form, "what")
        try:
            if what == "sessions":
                await run_in_threadpool(self._accounts.end_sessions, name, doer)
            elif what == "password":
                await run_in_threadpool(self._accounts.set_password, name, text_of(form, "password"), doer)
            elif what == "account":
                await run_in_threadpool(
                    self._accounts.change,
                    name,
                    doer,
                    role=text_of(form, "role"),
                    badge=text_of(form, "badge").strip() or None,
                    disabled=text_of(form, "disabled") == "yes",
                )
            else:
                raise HTTPException(400, "Nothing was asked that is done here.")
        except RefusedError as error:
            return await run_in_threadpool(self._one, name, status=422, problem=str(error))
        return see("/login" if name == current().name else f"/accounts/{quote(name, safe='')}?done={what}")
