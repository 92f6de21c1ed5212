"""The vans' page: a line each, narrowed and ordered as asked, beside the map; and what is being loaded into one van.

An open page changes its rows in place; a row moves only when somebody asks for the order anew.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any
from urllib.parse import urlencode

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from agent.clock import Clock
from agent.dispatch.fleet_order import OTHER_PLACES, SHOWN, SORTS, Look, look_of, ordered, reasons, trouble
from agent.dispatch.queries import Queries
from agent.dispatch.views import VanLine

Render = Callable[..., Response]


def routes(render: Render, queries: Queries, clock: Clock, last_id: Callable[[], str]) -> list[BaseRoute]:
    """What the board adds. `last_id` is the newest event of the stream."""
    pages = _Vans(render, queries, clock, last_id)
    return [Route("/", pages.vans), Route("/loading/{vehicle}", pages.loading)]


def row_values(line: VanLine) -> dict[str, Any]:
    """What `_van.html` is given beside the line."""
    found = reasons(line)
    return {"van": line, "reasons": found, "trouble": trouble(found)}


class _Vans:
    def __init__(self, render: Render, queries: Queries, clock: Clock, last_id: Callable[[], str]) -> None:
        self._render, self._queries, self._clock, self._last_id = render, queries, clock, last_id

    def vans(self, request: Request) -> Response:
        """Every van, or those asked for, and the map."""
        last_id = self._last_id()  # before asking: what happens meanwhile is told twice rather than never
        look = look_of(request.query_params)
        lines = self._queries.vans(now_s=self._clock.utc())
        told = ordered(lines, look)
        troubles = [trouble(found) for _, found in (told if not look.is_narrowed else ordered(lines, Look()))]
        return self._render(
            "vans.html",
            rows=[{"van": line, "reasons": found, "trouble": trouble(found)} for line, found in told],
            count=len(lines),
            urgent=troubles.count(2),
            to_look_at=len(troubles) - troubles.count(0),
            look=look,
            places=_places(lines),
            sorts=SORTS,
            shown=SHOWN,
            link=lambda **changed: _link(look, **changed),
            strangers=self._queries.strangers(),
            last_id=last_id,
        )

    def loading(self, request: Request) -> Response:
        """What the plan loads where one van stands; with `?part=1` only what changes."""
        last_id = self._last_id()
        vehicle = request.path_params["vehicle"]
        if not self._queries.vans(now_s=self._clock.utc(), only=vehicle):
            raise HTTPException(404, f"No van {vehicle[:60]} was ever heard.")
        page = self._queries.loading(vehicle, now_s=self._clock.utc())
        template = "_loading.html" if "part" in request.query_params else "loading.html"
        return self._render(template, page=page, vehicle=vehicle, last_id=last_id)


def _link(look: Look, **changed: str) -> str:
    """This page's address, with something changed."""
    asked = {"find": look.text, "place": look.place, "show": look.shown, "sort": look.sort} | changed
    if asked["sort"] == "urgent":
        asked["sort"] = ""
    query = urlencode({key: value for key, value in asked.items() if value})
    return f"/?{query}" if query else "/"


def _places(lines: Iterable[VanLine]) -> list[tuple[str, str, int]]:
    """The places where vans are: value, name, how many."""
    sites: dict[str, tuple[str, int]] = {}
    others = dict.fromkeys(OTHER_PLACES, 0)
    for line in lines:
        if line.place.site is not None:
            name, count = sites.get(line.place.site, (line.place.name or line.place.site, 0))
            sites[line.place.site] = (name, count + 1)
        else:
            others[f"~{line.place.kind}"] += 1
    found = [
        (site, name, count) for site, (name, count) in sorted(sites.items(), key=lambda each: each[1][0].casefold())
    ]
    return found + [(key, OTHER_PLACES[key], count) for key, count in others.items() if count]
