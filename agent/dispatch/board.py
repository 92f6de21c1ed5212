"""The dispatcher's board: complete pages, the same facts as JSON, and one event stream that keeps open pages true.

Every route is behind `agent.dispatch.guard`. Everything is rendered with autoescape under a Content-Security-Policy
without any `unsafe-`; nothing is asked of a foreign host.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import AsyncIterator, Callable, Collection
from datetime import UTC, datetime, timedelta, tzinfo
from functools import partial
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import jinja2
from msgspec import Struct
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response, StreamingResponse
from starlette.routing import BaseRoute, Mount, Route
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from agent.clock import Clock
from agent.dispatch import api, pages_accounts, pages_people, pages_vans, words
from agent.dispatch.accounts import Accounts
from agent.dispatch.answers import json_answer, json_values, problem, without_badges
from agent.dispatch.finding import Finder
from agent.dispatch.guard import Ended, Guard, current, form_token, then_reload
from agent.dispatch.hosts import OwnHosts
from agent.dispatch.item_evidence import ToldEvidence
from agent.dispatch.live import Changes, Feed, pump
from agent.dispatch.pages_day import DayPages
from agent.dispatch.pages_items import ItemPages, Items, KeptEvidence
from agent.dispatch.pages_site_import import SiteImport
from agent.dispatch.pages_sites import SitePages
from agent.dispatch.people import People
from agent.dispatch.places import Places
from agent.dispatch.queries import Queries
from agent.dispatch.queries_day import DayQueries
from agent.dispatch.site_desk import SiteDesk
from agent.dispatch.store import DispatchStore
from agent.dispatch.views import BrokerLink, VanLine
from agent.errors import ConfigError
from agent.records import Problem
from agent.vehicle import Privacy as VanPrivacy

_HERE = Path(__file__).parent
_SECURITY = {
    "content-security-policy": (
        "default-src 'self'; img-src 'self' data:; object-src 'none'; base-uri 'none'; form-action 'self';"
        " frame-ancestors 'none'"
    ),
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
}


class DriverNotice(Struct, frozen=True):
    """What the driver's notice says beside what is always so; texts as configured, None where not configured."""

    organisation: str | None = None
    contact: str | None = None
    working_hours: str | None = None
    keep_days: int = 90
    keep_badges_days: int = 14
    van_keep_reads_days: int = VanPrivacy().keep_reads_days


class Access(Struct, frozen=True, kw_only=True):
    """Who may use the board. `required`: log in even while there is no account; `secure`: it is reached by TLS."""

    store: DispatchStore
    accounts: Accounts
    people: People
    required: bool = False
    secure: bool = False


class Board(Struct, frozen=True, kw_only=True):
    """What the board is made of. Without `access` there is no log-in.

    `hosts` are the names that it answers to; with `any_address` it answers to addresses in digits too.
    """

    queries: Queries
    places: Places
    clock: Clock
    changes: Changes
    broker: Callable[[], BrokerLink]
    zone: tzinfo = UTC
    notice: DriverNotice = DriverNotice()
    hosts: tuple[str, ...] = ("127.0.0.1", "localhost")
    any_address: bool = False
    open_to_network: bool = False
    sites: SiteDesk | None = None
    stopping: Callable[[], bool] = lambda: False
    access: Access | None = None
    kept_evidence: KeptEvidence | None = None


def create_app(board: Board) -> Starlette:
    """The board as an ASGI application; its lifespan runs the pump."""
    return _Pages(board).app()


class _Pages:
    """The routes; each answers from `Queries` in a worker thread."""

    def __init__(self, board: Board) -> None:
        self._board = board
        self._feed = Feed()
        access = board.access
        self._guard = Guard(
            None if access is None else access.accounts,
            clock=board.clock,
            required=access is not None and access.required,
            secure=access is not None and access.secure,
        )
        self._said: dict[str, VanLine] = {}
        self._templates = jinja2.Environment(
            loader=jinja2.FileSystemLoader(_HERE / "templates"),
            autoescape=True,
            undefined=jinja2.StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self._templates.filters |= {
            "age": words.age,
            "confidence": words.confidence,
            "figure": words.figure,
            "rfc3339": words.rfc3339,
        }

    def app(self) -> Starlette:
        """The application."""
        board = self._board
        days = DayQueries(board.queries, zone=board.zone, keep_s=board.notice.keep_badges_days * 86400.0)
        routes: list[BaseRoute] = [
            *DayPages(days, board.clock, board.zone, self._page, _json, api.told_answer).routes(),
            Route("/van/{vehicle}", self.van),
            Route("/driver-notice", self.driver_notice),
            Route("/live", self.live),
            Route("/healthz", self.healthz),
            Route("/api/vans", self.api_vans),
            Route("/api/van/{vehicle}", self.api_van),
            Route("/api/manifest/{manifest:path}", self.api_manifest),
            Route("/api/item/{epc:path}", self.api_item),
            Route("/api/map", self.api_map),
            Mount("/static", StaticFiles(directory=_HERE / "static")),
        ]
        board, access = self._board, self._board.access
        routes += pages_vans.routes(self._page, board.queries, board.clock, lambda: self._feed.last_id)
        routes += ItemPages(self._items(), self._page).routes()
        if access is not None:
            routes += api.routes(access.store, board.queries, board.places, clock=board.clock)
            routes += pages_accounts.routes(self._page, access.accounts, self._guard)
            routes += pages_people.routes(
                self._page, access.accounts, access.people, access.store, clock=board.clock, zone=board.zone
            )
        if board.sites is not None:
            routes += SitePages(board.sites, self._page).routes()
            routes += SiteImport(board.sites, self._page).routes()
        middleware = [
            # A page of another site must not reach the board by letting its own name point at the loopback.
            Middleware(OwnHosts, allowed_hosts=self._board.hosts, any_address=self._board.any_address),
            Middleware(_SecurityHeaders),
        ]
        return Starlette(
            routes=self._guard.over(routes),
            middleware=middleware,
            lifespan=self._lifespan,
            exception_handlers={HTTPException: self._error},
        )

    @contextlib.asynccontextmanager
    async def _lifespan(self, _app: Starlette) -> AsyncIterator[None]:
        lines = await asyncio.to_thread(self._board.queries.vans, now_s=self._board.clock.utc())
        self._said = {line.vehicle: line for line in lines}
        task = asyncio.create_task(
            pump(
                self._board.changes,
                self._feed,
                render_vans=self._news,
                render_broker=self._broker_banner,
                links=self._links,
            )
        )
        yield
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task

    def _links(self) -> dict[str, str]:
        return dict(self._board.queries.links(now_s=self._board.clock.utc()))

    # -- pages ---------------------------------------------------------------------------------------------------------

    def _render(self, template: str, **values: Any) -> str:  # noqa: ANN401 - what a template is given
        now_s = self._board.clock.utc()
        moment = partial(words.clock_time, now_s=now_s, zone=self._board.zone)
        local = datetime.fromtimestamp(now_s, tz=self._board.zone)
        offset = local.utcoffset() or timedelta()
        common = {
            "now_s": now_s,
            "moment": moment,
            "zone": words.zone_name(local),
            "offset_s": offset.total_seconds(),
            "broker": self._board.broker(),
            "changes_told": self._board.changes.told,
            "open_to_network": self._board.open_to_network,
            "has_sites": self._board.sites is not None,
            "last_id": self._feed.last_id,
            "caller": current(),
            "without_login": self._guard.is_open,
            "form_token": form_token(current().form_key),
        }
        return self._templates.get_template(template).render(**(common | values))

    def _page(self, template: str, status: int = 200, **values: Any) -> HTMLResponse:  # noqa: ANN401 - likewise
        return HTMLResponse(self._render(template, **values), status_code=status, headers={"cache-control": "no-store"})

    def van(self, request: Request) -> Response:
        """One van; with `?part=1` only what changes."""
        last_id = self._feed.last_id
        page = self._board.queries.van(request.path_params["vehicle"], now_s=self._board.clock.utc())
        if page is None:
            raise HTTPException(404, f"No van {request.path_params['vehicle'][:60]} was ever heard.")
        template = "_van_body.html" if "part" in request.query_params else "van.html"
        access = self._board.access
        drivers = () if access is None else access.people.assigned(page.line.vehicle)
        return self._page(template, van=page, drivers=drivers, last_id=last_id)

    def _items(self) -> Items:
        queries, clock = self._board.queries, self._board.clock
        zone = str(self._board.zone) if isinstance(self._board.zone, ZoneInfo) else "UTC"
        finder = Finder(queries.store, self._board.places, queries.plan)
        told = ToldEvidence(queries.store, self._board.places, zone)
        return Items(queries=queries, finder=finder, told=told, clock=clock, kept=self._board.kept_evidence)

    def driver_notice(self, _request: Request) -> Response:
        """The notice for drivers, to print."""
        return self._page("notice.html", notice=self._board.notice)

    def _error(self, request: Request, error: Exception) -> Response:
        assert isinstance(error, HTTPException)  # noqa: S101 - by its registration
        path, code = request.url.path, error.status_code
        if path.startswith("/api/1/") or (path.startswith("/api/") and code in (401, 403, 405, 429)):
            return problem(code, error.detail, error.headers)
        if path.startswith("/api/"):
            return _json({"error": error.detail}, status=code)
        answer = self._page("error.html", code, code=code, detail=error.detail)
        answer.headers.update(error.headers or {})
        return answer

    # -- live ----------------------------------------------------------------------------------------------------------

    async def live(self, request: Request) -> Response:
        """The event stream; `Last-Event-ID`, or `after` as the page was rendered, says what was seen."""
        last_id = request.headers.get("last-event-id") or request.query_params.get("after", "")
        ended = Ended(self._guard, current())
        stream = self._feed.stream(
            last_id, now=self._board.clock.utc, stopping=lambda: self._board.stopping() or ended.look()
        )
        headers = {"cache-control": "no-store"}
        return StreamingResponse(then_reload(stream, ended), media_type="text/event-stream", headers=headers)

    def _news(self, vehicles: Collection[str]) -> list[tuple[str, object]]:
        found: list[tuple[str, object]] = []
        for line in self._board.queries.vans(now_s=self._board.clock.utc(), only=vehicles):
            before, self._said[line.vehicle] = self._said.get(line.vehicle), line
            news = {
                "van": line.vehicle,
                "html": self._render("_van.html", **pages_vans.row_values(line)),
                "position": json_values(line.position),
                "says": _what_changed(before, line),
            }
            found.append((line.vehicle, news))
        return found

    def _broker_banner(self) -> object:
        return {"html": self._render("_broker.html")}

    # -- API -----------------------------------------------------------------------------------------------------------

    def healthz(self, _request: Request) -> Response:
        """Up, whether the broker is connected, and whether open pages are kept true."""
        link = self._board.broker()
        broker, told = "connected" if link.connected else "not connected", self._board.changes.told
        return _json({"ok": True, "broker": broker, "why": link.why, "changes": "told" if told else "not told"})

    def api_vans(self, _request: Request) -> Response:
        """Every van at a glance."""
        return _json({"vans": self._board.queries.vans(now_s=self._board.clock.utc())})

    def api_van(self, request: Request) -> Response:
        """All of one van."""
        return _found(self._board.queries.van(request.path_params["vehicle"], now_s=self._board.clock.utc()), "van")

    def api_manifest(self, request: Request) -> Response:
        """One leg's manifest by its id, `VEHICLE/TRIP/LEG`."""
        name = request.path_params["manifest"]
        return _found(self._board.queries.manifest(name.partition("/")[0], name), "manifest")

    def api_item(self, request: Request) -> Response:
        """One item."""
        return _found(self._board.queries.item(request.path_params["epc"]), "item")

    def api_map(self, _request: Request) -> Response:
        """Fences for the map, and for who may see vans these too."""
        sites = self._board.places.geojson()
        if not current().may_read("read:vans"):
            return _json({"sites": sites})
        lines = self._board.queries.vans(now_s=self._board.clock.utc())
        vans = {line.vehicle: line.position for line in lines if line.position is not None}
        return _json({"sites": sites, "vans": vans})


def _what_changed(before: VanLine | None, line: VanLine) -> str:
    """What a listener is told, in a sentence; nothing where only ages moved."""
    if before is None:
        return ""
    if before.link != line.link:
        return f"{line.vehicle} is {'not heard' if line.link in ('quiet', 'unknown') else line.link}"
    if before.place.text != line.place.text:
        return f"{line.vehicle}: {line.place.text}"
    if before.not_read != line.not_read:
        return f"{line.vehicle}: " + ("; ".join(each.why for each in line.not_read) or "everything is read again")
    known = {each.short for each in before.discrepancies}
    opened = [each.short for each in line.discrepancies if each.short not in known]
    if before.aboard != line.aboard and not opened:
        opened = [f"{line.aboard} aboard, before {before.aboard}"]
    return f"{line.vehicle}: {'; '.join(opened)}" if opened else ""


def _found(view: object | None, what: str) -> Response:
    if view is None:
        raise HTTPException(404, f"no such {what}")
    return _json(view)


def _json(value: object, *, status: int = 200) -> Response:
    told = json_values(value)
    return json_answer(told if current().sees_people else without_badges(told), status=status)


def listen(host: str, port: int) -> socket.socket:
    """A socket that listens for the board; ConfigError where the port is taken."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    listening = socket.socket(family, socket.SOCK_STREAM)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((host, port))
        listening.listen(128)
    except OSError as error:
        listening.close()
        what = f"the board cannot listen at {host}:{port}: {error.strerror}"
        do = "end what uses that port, or write another number"
        raise ConfigError([Problem(file="dispatch.toml", where="[dispatch] port", what=what, got="", do=do)]) from error
    return listening


class _SecurityHeaders:
    """Adds the same headers to every answer."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                own = [(name.encode(), text.encode()) for name, text in _SECURITY.items()]
                message["headers"] = [*message["headers"], *own]
            await send(message)

        await self._app(scope, receive, with_headers)
