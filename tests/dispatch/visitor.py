"""A board with accounts, and visitors who ask it as browsers and programs do, without a server between."""

from __future__ import annotations

import asyncio
import re
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import httpx
from starlette.applications import Starlette

from agent.dispatch.accounts import Accounts
from agent.dispatch.audit import COMMAND_LINE, Doer
from agent.dispatch.board import Access, Board, create_app
from agent.dispatch.live import Changes
from agent.dispatch.loading import plan_of
from agent.dispatch.passwords import Cost, Passwords
from agent.dispatch.people import Assigned, People
from agent.dispatch.places import Places
from agent.dispatch.queries import Queries
from agent.dispatch.store import DispatchStore
from agent.dispatch.views import BrokerLink
from agent.register import Register
from agent.sites import parse_sites
from tests.dispatch.scenario import DAY_S, MINUTE_S, write_sites
from tests.dispatch.test_board import StoppedClock

NOW_S = DAY_S + 126 * MINUTE_S
QUICK = Cost(memory_kib=8, passes=1)
PASSWORDS = {"Ferrow": "tern street playhouse", "Sarre": "corn hall rear dock", "Quill": "seven moving heads here"}
ROLES = {"Ferrow": "look", "Sarre": "dispatch", "Quill": "administer"}


class Depot:
    """A board whose clock the test moves, with an account of each role unless `people` says otherwise."""

    def __init__(
        self,
        store: DispatchStore,
        folder: Path,
        *,
        people: bool = True,
        assigned: Assigned | None = None,
        register: Register | None = None,
        **more: Any,
    ) -> None:
        text = (write_sites(folder / "geofences") / "sites.geojson").read_text()
        self.places = Places(parse_sites({"sites.geojson": text}))
        self.clock, self.store = StoppedClock(NOW_S), store
        self.accounts = Accounts(store, clock=self.clock, passwords=Passwords(QUICK))
        if people:
            for name, role in ROLES.items():
                badge = "urn:epc:id:gsrnp:9521141.0000000042" if name == "Ferrow" else None
                self.accounts.make(name, role, PASSWORDS[name], COMMAND_LINE, badge=badge)
        zone = ZoneInfo("UTC")
        plan = assigned or Assigned()
        self.people = People(store, self.places, clock=self.clock, zone=zone, assigned=plan, keep_days=14)
        known = Register() if register is None else register
        names = {listing.epc: listing.name for listing in known.listings}
        self.queries = Queries(store, places=self.places, names=names, plan=plan_of((), known))
        self.board = Board(
            queries=self.queries,
            places=self.places,
            clock=self.clock,
            changes=Changes(),
            broker=lambda: BrokerLink(connected=True, since_s=NOW_S),
            access=Access(store=store, accounts=self.accounts, people=self.people, **more),
        )
        self.app: Starlette = create_app(self.board)

    def visitor(self, name: str | None = None, **more: Any) -> Visitor:
        """Somebody with a browser of their own, logged in if named."""
        visitor = Visitor(self.app, **more)
        if name is not None:
            answer = visitor.log_in(name)
            assert answer.status_code == 303, answer.text
        return visitor

    def program(self, *scopes: str) -> Visitor:
        """A program with a fresh token of these scopes."""
        return Visitor(self.app, token=self.accounts.make_token("test", scopes, Doer("Quill", "test")))


class Visitor:
    """Keeps cookies as a browser does."""

    def __init__(
        self, app: Starlette, *, token: str | None = None, home: str = "http://localhost", address: str = "127.0.0.1"
    ) -> None:
        self._app, self._home, self._address = app, home, address
        self.jar = httpx.Cookies()
        self._headers = {} if token is None else {"authorization": f"Bearer {token}"}

    def ask(self, method: str, path: str, **more: Any) -> httpx.Response:
        """One request; redirects are not followed."""

        async def once() -> httpx.Response:
            transport = httpx.ASGITransport(app=self._app, client=(self._address, 40_000))
            async with httpx.AsyncClient(transport=transport, base_url=self._home, cookies=self.jar) as client:
                answer = await client.request(method, path, headers=self._headers | more.pop("headers", {}), **more)
                self.jar = client.cookies
                return answer

        return asyncio.run(once())

    def get(self, path: str, **more: Any) -> httpx.Response:
        """GET."""
        return self.ask("GET", path, **more)

    def token_on(self, page: str) -> str:
        """The hidden token of a page's forms."""
        found = re.search(r'name="form_token" value="([0-9a-f]{64})"', self.get(page).text)
        assert found is not None, page
        return found[1]

    def send(self, page: str, path: str, **fields: Any) -> httpx.Response:
        """Fill in a form of `page` and send it."""
        return self.ask("POST", path, data={"form_token": self.token_on(page), **fields})

    def log_in(self, name: str, password: str | None = None, **more: str) -> httpx.Response:
        """Try to log in."""
        given = PASSWORDS[name] if password is None else password
        return self.send("/login", "/login", name=name, password=given, **more)
