"""An item: found by whatever somebody types or scans, where it is, its custody, and the evidence for a decision.

The search is a plain form, so that a scanner that types its text and an Enter is enough, without script.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any
from urllib.parse import quote

from msgspec import Struct
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import BaseRoute, Route

from agent.clock import Clock
from agent.dispatch.badges import is_badge
from agent.dispatch.finding import Finder
from agent.dispatch.item_evidence import ToldEvidence, with_way
from agent.dispatch.queries import Queries
from agent.dispatch.told_picture import told_picture
from agent.errors import RoadtallyError
from agent.evidence import Evidence
from agent.evidence_account import say
from agent.picture import draw_page

Render = Callable[..., Response]
KeptEvidence = Callable[[str, str, float | None], Evidence | None]
"""Of a vehicle, an EPC and a moment: the evidence from a store's copy that lies here, None where none does."""
_VEHICLE = re.compile(r"[a-z0-9-]{1,40}")
_LONGEST_MOMENT = 20


class Items(Struct, frozen=True, kw_only=True):
    """What the pages are made from. `kept` is None where no folder of stores is configured."""

    queries: Queries
    finder: Finder
    told: ToldEvidence
    clock: Clock
    kept: KeptEvidence | None = None


class ItemPages(Struct, frozen=True):
    """The routes. `render` renders a template."""

    items: Items
    render: Render

    def routes(self) -> list[BaseRoute]:
        """What the board adds."""
        return [
            Route("/search", self.search),
            Route("/item/{epc:path}", self.item),
            Route("/evidence/{vehicle}/{epc:path}", self.evidence),
            Route("/evidence-picture/{vehicle}/{epc:path}", self.picture),
        ]

    def search(self, request: Request) -> Response:
        """What fits; the item itself where only one does and the text names it."""
        given = request.query_params.get("q", "")
        found = self.items.finder.find(given)
        if found.exact:
            return RedirectResponse(item_path(found.hits[0].epc), status_code=303)
        return self.render("search.html", found=found)

    def item(self, request: Request) -> Response:
        """One item; with `?part=1` only what changes."""
        epc = request.path_params["epc"]
        page = self.items.queries.item(epc, now_s=self.items.clock.utc())
        if page is None:
            raise HTTPException(404, "No vehicle and no register ever named this item.")
        template = "_item.html" if "part" in request.query_params else "item.html"
        return self.render(template, item=page)

    def evidence(self, request: Request) -> Response:
        """Why it is said to be aboard or not: the picture, the words, and what is missing."""
        vehicle, epc, at_s = _asked(request)
        evidence, source = self._evidence(vehicle, epc, at_s)
        moment = "" if at_s is None else f"?at={at_s:.3f}"
        # The sentences and lanes of `roadtally explain` speak of reads, so they are only for evidence that has them.
        return self.render(
            "evidence.html",
            evidence=evidence,
            vehicle=vehicle,
            drawn=told_picture(evidence) if source == "told" else None,
            paragraphs=say(evidence, around_s=at_s) if source == "kept" else (),
            picture=f"/evidence-picture/{vehicle}/{quote(epc, safe='')}{moment}",
            source=source,
        )

    def picture(self, request: Request) -> Response:
        """The drawing of evidence that has reads."""
        vehicle, epc, at_s = _asked(request)
        evidence, source = self._evidence(vehicle, epc, at_s)
        if source == "told":
            raise HTTPException(404, "The reads that this picture shows are not here.")
        drawn = draw_page(evidence, at_s=at_s)
        return Response(drawn, media_type="image/svg+xml", headers={"cache-control": "no-store"})

    def _evidence(self, vehicle: str, epc: str, at_s: float | None) -> tuple[Evidence, str]:
        if is_badge(self.items.queries.plan.register, epc):
            raise HTTPException(404, "There is no such item.")
        told = self.items.told.of(vehicle, epc, name=self._name(epc), at_s=at_s)
        if told is None:
            raise HTTPException(404, f"{vehicle} said nothing of this item that is kept here.")
        if self.items.kept is None:
            return with_way(told, _HOW_WITHOUT.format(vehicle=vehicle, epc=epc)), "told"
        try:
            kept = self.items.kept(vehicle, epc, at_s)
        except RoadtallyError as error:
            return with_way(told, f"The copy of its store that lies here cannot be used: {error}"), "told"
        if kept is None:
            return with_way(told, _HOW.format(vehicle=vehicle)), "told"
        return kept, "kept"

    def _name(self, epc: str) -> str:
        page = self.items.queries.item(epc)
        return epc if page is None else page.name


_HOW = (
    "To see them, put a copy of its store into the folder that [evidence] of dispatch.toml names, as {vehicle}.db, with"
    " its settings beside it as {vehicle}.toml, and load this page anew."
)
_HOW_WITHOUT = (
    "To see them, run `roadtally explain STORE --epc {epc} --config {vehicle}.toml` where a copy of its store lies, or"
    " name a folder for such copies under [evidence] in dispatch.toml: this page then draws from them."
)


def item_path(epc: str) -> str:
    """The address of an item's page."""
    return f"/item/{quote(epc, safe=':')}"


def _asked(request: Request) -> tuple[str, str, float | None]:
    vehicle, epc = request.path_params["vehicle"], request.path_params["epc"]
    if not _VEHICLE.fullmatch(vehicle):
        raise HTTPException(404, "No van is called so.")
    text: Any = request.query_params.get("at", "")
    if not text:
        return vehicle, epc, None
    if len(text) > _LONGEST_MOMENT or not re.fullmatch(r"\d{1,10}(\.\d{1,6})?", text, re.ASCII):
        raise HTTPException(400, "The moment is seconds since 1970, such as 1772435000.")
    return vehicle, epc, float(text)
