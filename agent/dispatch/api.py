"""The API under /api/1/: the facts of the pages as JSON, by the same queries; `agent.dispatch.openapi` describes it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TypeVar

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

import agent
from agent.clock import Clock
from agent.dispatch.answers import cursor, json_answer, json_values, key_of, known_answer, without_badges
from agent.dispatch.audit import AuditLog, Wanted, without_badges_of
from agent.dispatch.guard import current
from agent.dispatch.listing import Lists
from agent.dispatch.openapi import MOST_LISTED, USUALLY_LISTED, description
from agent.dispatch.places import Places
from agent.dispatch.queries import Queries
from agent.dispatch.store import DispatchStore

T = TypeVar("T")


def routes(store: DispatchStore, queries: Queries, places: Places, *, clock: Clock) -> list[BaseRoute]:
    """The API's routes."""
    api = _Api(store, queries, places, clock)
    return [
        Route("/api/1/openapi.json", api.openapi),
        Route("/api/1/vans", api.vans),
        Route("/api/1/vans/{vehicle}", api.van),
        Route("/api/1/manifests/{manifest:path}", api.manifest),
        Route("/api/1/items", api.items),
        Route("/api/1/items/{epc:path}", api.item),
        Route("/api/1/sites", api.sites),
        Route("/api/1/audit", api.audit),
    ]


def told_answer(request: Request, value: object) -> Response:
    """A view as JSON with its ETag, without the badges for who is not to be told of them."""
    told = json_values(value)
    return known_answer(request, told if current().sees_people else without_badges(told))


class _Api:
    def __init__(self, store: DispatchStore, queries: Queries, places: Places, clock: Clock) -> None:
        self._queries, self._places, self._clock = queries, places, clock
        self._lists, self._log = Lists(store, places, queries.plan), AuditLog(store)

    def openapi(self, _request: Request) -> Response:
        """The description of all this."""
        return json_answer(description(agent.__version__))

    def vans(self, request: Request) -> Response:
        """Every van at a glance, by id."""
        now_s = self._clock.utc()
        after, limit = _page(request)
        ids = self._lists.vehicles(after=after, most=limit + 1)
        lines = self._queries.vans(now_s=now_s, only=ids[:limit])
        return told_answer(request, {"vans": lines, "next": _next(ids, limit, lambda each: each)})

    def van(self, request: Request) -> Response:
        """All of one van."""
        found = self._queries.van(request.path_params["vehicle"], now_s=self._clock.utc())
        return told_answer(request, _found(found, "van"))

    def manifest(self, request: Request) -> Response:
        """One leg's manifest by its id."""
        name = request.path_params["manifest"]
        return told_answer(request, _found(self._queries.manifest(name.partition("/")[0], name), "manifest"))

    def items(self, request: Request) -> Response:
        """Items by EPC."""
        after, limit = _page(request)
        found = self._lists.items(after=after, most=limit + 1, aboard=request.query_params.get("aboard"))
        return told_answer(request, {"items": found[:limit], "next": _next(found, limit, lambda each: each.epc)})

    def item(self, request: Request) -> Response:
        """One item."""
        return told_answer(request, _found(self._queries.item(request.path_params["epc"]), "item"))

    def sites(self, request: Request) -> Response:
        """The sites' outlines."""
        return known_answer(request, self._places.geojson())

    def audit(self, request: Request) -> Response:
        """What people did, newest first."""
        after, limit = _page(request)
        if after is not None and not (after.isascii() and after.isdigit() and len(after) < 16):  # noqa: PLR2004 - as SQLite counts
            raise HTTPException(400, "This cursor is none of this list's.")
        asked = request.query_params
        wanted = Wanted(asked.get("who"), asked.get("kind"), before=None if after is None else int(after))
        found = self._log.entries(wanted, most=limit + 1)
        if not current().sees_people:
            found = tuple(without_badges_of(each) for each in found)
        following = _next(found, limit, lambda each: str(each.number))
        return told_answer(request, {"entries": found[:limit], "next": following})


def _found(view: object | None, what: str) -> object:
    if view is None:
        raise HTTPException(404, f"There is no such {what}.")
    return view


def _page(request: Request) -> tuple[str | None, int]:
    """After which key, and how many."""
    given, limit = request.query_params.get("cursor"), request.query_params.get("limit", f"{USUALLY_LISTED}")
    if not (limit.isascii() and limit.isdigit() and len(limit) < 6 and 1 <= int(limit) <= MOST_LISTED):  # noqa: PLR2004 - digits
        raise HTTPException(400, f"A limit is a whole number from 1 to {MOST_LISTED}.")
    after = None if given is None else key_of(given)
    if given is not None and (after is None or "\0" in after):
        raise HTTPException(400, "This cursor is none of this list's.")
    return after, int(limit)


def _next(found: Sequence[T], limit: int, key: Callable[[T], str]) -> str | None:
    return cursor(key(found[limit - 1])) if len(found) > limit else None
