"""A van's day and its manifests: pages, print and JSON, rendered from what `agent.dispatch.queries_day` answers."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime, timedelta, tzinfo
from functools import partial
from typing import Any

import msgspec
from markupsafe import Markup
from msgspec import Struct
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from agent.clock import Clock
from agent.dispatch import words
from agent.dispatch.day_rows import rows_of
from agent.dispatch.queries_day import DayQueries
from agent.dispatch.strip import draw
from agent.dispatch.strip_upright import draw_upright
from agent.dispatch.views_day import DayView, ManifestPage


class DayPages(Struct, frozen=True):
    """The routes. `render` renders a template, `answer` gives views as JSON."""

    days: DayQueries
    clock: Clock
    zone: tzinfo
    render: Callable[..., Response]
    answer: Callable[[object], Response]
    known: Callable[[Request, object], Response]

    def routes(self) -> list[Route]:
        """What the board adds; before its own, for a path may hold slashes."""
        return [
            Route("/van/{vehicle}/day", self.choose),
            Route("/van/{vehicle}/day/{date}", self.day),
            Route("/manifest/{manifest:path}/print", self.print),
            Route("/manifest/{manifest:path}", self.manifest),
            Route("/api/van/{vehicle}/day/{date}", self.api_day),
            Route("/api/manifest/{manifest:path}/revisions", self.api_revisions),
            Route("/api/1/vans/{vehicle}/days/{date}", self.api_1_day),
            Route("/api/1/manifests/{manifest:path}/revisions", self.api_1_revisions),
        ]

    # -- days ----------------------------------------------------------------------------------------------------------

    def choose(self, request: Request) -> Response:
        """On to the day asked for by `?date=`, else to today."""
        asked = request.query_params.get("date") or self.days.date_of(self.clock.utc())
        vehicle = request.path_params["vehicle"]
        if not _is_name(vehicle):
            raise HTTPException(404, "No such van was ever heard.")
        return RedirectResponse(f"/van/{vehicle}/day/{_date(asked).isoformat()}", 303)

    def day(self, request: Request) -> Response:
        """A van's day; with `?part=1` only what changes."""
        day = self._day(request)
        clock = partial(_day_clock, day=day, zone=self.zone)
        local = datetime.fromtimestamp(day.from_s, tz=self.zone)
        return self.render(
            "_day_body.html" if "part" in request.query_params else "day.html",
            day=day,
            rows=rows_of(day),
            # Drawn by us with every text in it escaped.
            strips=[Markup(draw(day, clock=clock)), Markup(draw_upright(day, clock=clock))],  # noqa: S704
            long_date=f"{local:%A} {local.day} {local:%B %Y}",
            daytime=self._moment(day.from_s),
        )

    def api_day(self, request: Request) -> Response:
        """The same as JSON."""
        return self.answer(self._day(request))

    def api_1_day(self, request: Request) -> Response:
        """The same, with its ETag."""
        return self.known(request, self._day(request))

    def _day(self, request: Request) -> DayView:
        day = self.days.day(request.path_params["vehicle"], _date(request.path_params["date"]), now_s=self.clock.utc())
        if day is None:
            raise HTTPException(404, f"No van {request.path_params['vehicle'][:60]} was ever heard.")
        return day

    def _moment(self, day_s: float) -> Callable[[float], str]:
        """A moment's clock time, with its date where that is not the page's."""
        return partial(words.clock_time, now_s=day_s, zone=self.zone)

    # -- manifests -----------------------------------------------------------------------------------------------------

    def manifest(self, request: Request) -> Response:
        """A leg's manifest with its revisions and what each changed."""
        return self._manifest(request, "manifest.html")

    def print(self, request: Request) -> Response:
        """The same revision for paper."""
        return self._manifest(request, "manifest_print.html")

    def _manifest(self, request: Request, template: str) -> Response:
        page = self._found(request)
        return self.render(
            template,
            page=page,
            leg=page.shown.manifest,
            daytime=self._moment(page.shown.manifest.departed_s),
            **_dates(page, self.zone),
        )

    def api_revisions(self, request: Request) -> Response:
        """Every revision, with what it changed."""
        return self.answer(self._found(request))

    def api_1_revisions(self, request: Request) -> Response:
        """The same, with its ETag."""
        return self.known(request, self._found(request))

    def _found(self, request: Request) -> ManifestPage:
        page = self.days.manifest(request.path_params["manifest"], key=request.query_params.get("revision"))
        if page is None:
            raise HTTPException(404, "There is no such manifest, or no such revision of it.")
        return page


def _dates(page: ManifestPage, zone: tzinfo) -> dict[str, Any]:
    local = datetime.fromtimestamp(page.shown.manifest.departed_s, tz=zone)
    return {"long_date": f"{local:%A} {local.day} {local:%B %Y}", "day_zone": words.zone_name(local)}


def _is_name(vehicle: str) -> bool:
    return vehicle.replace("-", "").isalnum() and vehicle.isascii()


def _date(text: str) -> date:
    try:
        found = msgspec.convert(text, date)
    except msgspec.ValidationError:
        raise HTTPException(404, f"{text[:40]} is no day; write it as 2026-03-02.") from None
    if not 1970 < found.year < 9998:  # noqa: PLR2004 - as agent.dispatch.words: a calendar's ends are no place to be
        raise HTTPException(404, f"{text[:40]} is a day that no van drove on.")
    return found


def _day_clock(at_s: float, *, day: DayView, zone: tzinfo) -> str:
    """Hours and minutes; the day's end is 24:00."""
    if abs(at_s - day.until_s) < timedelta(seconds=1).total_seconds():
        return "24:00"
    return f"{datetime.fromtimestamp(at_s, tz=zone):%H:%M}"
