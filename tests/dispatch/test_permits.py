"""Who may do what: every route of the board, asked by everybody."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
import sqlalchemy as sa
from hypothesis import given
from hypothesis import strategies as st
from starlette.routing import Mount, Route

from agent.dispatch import schema
from agent.dispatch.accounts import counted_address
from agent.dispatch.audit import COMMAND_LINE
from agent.dispatch.guard import Guard
from agent.dispatch.permits import (
    FORGOTTEN_AFTER_S,
    PERMITS,
    ROLE_WORDS,
    ROLES,
    SCOPES,
    Caller,
    Permit,
    permits,
    wait_s,
)
from agent.dispatch.store import DispatchStore, open_store
from tests.dispatch.scenario import BADGE, fill, item
from tests.dispatch.test_board import StoppedClock
from tests.dispatch.visitor import NOW_S, Depot, Visitor
from tests.dispatch.visitor import ROLES as ROLE_OF

PATHS = {
    "{vehicle}": "van-07", "{epc:path}": item(0)["epc"], "{manifest:path}": "van-07/2026-03-02/1",
    "{account}": "Ferrow", "{token}": "0123456789ab", "{site}": "depot", "{version:int}": "1",
    "{date}": "2026-03-02",
}  # fmt: skip
WHO = {role: name for name, role in ROLE_OF.items()}


@pytest.fixture
def store(tmp_path: Path) -> Iterator[DispatchStore]:
    """A store with the scenario's two vans."""
    opened = open_store(tmp_path / "dispatch.sqlite")
    fill(opened, now_s=NOW_S)
    yield opened
    opened.close()


@pytest.fixture
def depot(store: DispatchStore, tmp_path: Path) -> Depot:
    """A board with an account of each role."""
    return Depot(store, tmp_path)


def routes_of(depot: Depot) -> list[tuple[str, str, Permit]]:
    """Every route as method, a path that fits it, and its permit; asked of the application itself."""
    found = []
    for route in depot.app.routes:
        assert isinstance(route, Route | Mount)
        methods = {"GET"} if isinstance(route, Mount) else (route.methods or set()) - {"HEAD"}
        path = route.path + ("/board.css" if isinstance(route, Mount) else "")
        if route.path == "/badge/{epc:path}":
            path = f"/badge/{BADGE['epc']}"
        for part, value in PATHS.items():
            path = path.replace(part, value)
        assert "{" not in path, "give PATHS a value for it"
        found += [(method, path, PERMITS[method, route.path]) for method in sorted(methods)]
    assert len(found) > 30
    return found


def everything_in(store: DispatchStore) -> str:
    """All that the database holds, but when somebody was last seen."""
    with store.reading() as connection:
        return repr(
            [
                (table.name, dict(row._mapping) | {"seen_s": 0, "used_s": 0})
                for table in schema.metadata.sorted_tables
                for row in connection.execute(sa.select(table))
            ]
        )


def is_refused(answer: httpx.Response) -> bool:
    """Whether somebody was sent to log in, or away."""
    return answer.status_code in (401, 403) or answer.headers.get("location", "").startswith("/login")


def test_no_route_without_its_role(depot: Depot) -> None:
    """Where accounts exist, each route refuses nobody-in-particular and every role below its own, and takes its own."""
    visitors: dict[str | None, Visitor] = {None: depot.visitor()}
    visitors |= {role: depot.visitor(WHO[role]) for role in ROLES}
    for method, path, permit in routes_of(depot):
        if path == "/live":
            continue  # a stream; below
        for role, visitor in visitors.items():
            below = permit.role is not None and (role is None or ROLES.index(role) < ROLES.index(permit.role))  # type: ignore[arg-type]
            answer = visitor.ask(method, path)
            if below:
                assert is_refused(answer), (method, path, role)
            elif method == "GET":
                # No copy of a store lies here that a picture could be drawn from.
                good = 404 if path.startswith("/evidence-picture/") else 200
                leads = answer.headers.get("location", "")  # home, or to the van's newest day
                assert answer.status_code == good or leads == "/" or leads.startswith("/van/"), (path, role)


def test_the_stream_asks_too(depot: Depot) -> None:
    """The event stream is closed to who has not logged in."""
    assert depot.visitor().get("/live", headers={"sec-fetch-dest": "empty"}).status_code == 401


def test_nothing_changes_without_the_forms_token(depot: Depot, store: DispatchStore) -> None:
    """Every route that changes something refuses an administrator's browser that brings no token, or another's."""
    visitor, other = depot.visitor("Quill"), depot.visitor("Sarre")
    foreign, before, tried = other.token_on("/me"), everything_in(store), 0
    for method, path, _ in routes_of(depot):
        if method == "GET":
            continue
        tried += 1
        for data in ({}, {"form_token": foreign}, {"form_token": "0" * 64}, {"form_token": ""}):
            answer = visitor.ask(method, path, data=data)
            assert answer.status_code == 403, (path, data)
            assert "nothing was done" in answer.text
    assert tried >= 9
    assert everything_in(store) == before


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://elsewhere.example"},
        {"origin": "null"},
        {"origin": "http://localhost:8471"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
        {"sec-fetch-site": "none"},
    ],
)
def test_nothing_changes_from_another_site(depot: Depot, headers: dict[str, str]) -> None:
    """Even with the right token, a form that another site's page sent is refused."""
    visitor = depot.visitor("Sarre")
    token = visitor.token_on("/me")
    answer = visitor.ask("POST", "/me/end-sessions", data={"form_token": token}, headers=headers)
    assert (answer.status_code, "another site" in answer.text) == (403, True)
    good = {"origin": "http://localhost", "sec-fetch-site": "same-origin"}
    assert visitor.ask("POST", "/me/end-sessions", data={"form_token": token}, headers=good).status_code == 303


def test_a_token_opens_its_scopes_alone(depot: Depot) -> None:
    """By route and scope: a token with all the others is refused, one with just that is taken; no page is its."""
    every = set(SCOPES)
    programs = {scope: (depot.program(scope), depot.program(*(every - {scope}))) for scope in SCOPES}
    whole, asked = depot.program(*every), 0
    for method, path, permit in routes_of(depot):
        if permit.role is None:
            continue
        if permit.scope is None:
            assert whole.ask(method, path).status_code == 403, path
            continue
        asked += 1
        having, lacking = programs[permit.scope]
        assert having.ask(method, path).status_code == 200, path
        refused = lacking.ask(method, path)
        assert (refused.status_code, refused.headers["content-type"]) == (403, "application/problem+json"), path
        assert permit.scope in refused.json()["detail"]
    assert asked >= 12


def test_the_words_of_a_role_are_true(depot: Depot) -> None:
    """As its words say, `look` reads which badges were aboard on three pages, and of the records its own."""
    words, look = ROLE_WORDS["look"], depot.visitor("Ferrow")
    assert "with the badges that were aboard; of the badges' records the own one" in words
    depot.accounts.change("Ferrow", COMMAND_LINE, role="look", badge=None, disabled=False)
    for path, named in (
        ("/van/van-07", BADGE["name"]),
        ("/manifest/van-07/2026-03-02/1", BADGE["name"]),
        (f"/item/{item(0)['epc']}", BADGE["epc"]),  # an event tells the EPC alone; no register is here to name it
    ):
        assert named in look.get(path).text, path
    assert look.get(f"/badge/{BADGE['epc']}").status_code == 403
    depot.accounts.change("Ferrow", COMMAND_LINE, role="look", badge=BADGE["epc"], disabled=False)
    assert look.get(f"/badge/{BADGE['epc']}").status_code == 200


@pytest.mark.parametrize(
    ("address", "counted"),
    [
        ("10.0.0.2", "10.0.0.2"), ("::ffff:10.0.0.2", "10.0.0.2"), ("2001:db8:0:7::1", "2001:db8:0:7::/64"),
        ("2001:db8:0:7:ffff::9", "2001:db8:0:7::/64"), ("2001:db8:0:8::1", "2001:db8:0:8::/64"),
        ("fe80::1%eth0", "fe80::/64"), ("command line", "command line"),
    ],
)  # fmt: skip
def test_what_an_address_is_counted_by(address: str, counted: str) -> None:
    """Of IPv6 by its /64, the least that a network is given (RFC 6177), within which addresses are free to take."""
    assert counted_address(address) == counted


def test_an_unlisted_route_is_not_served() -> None:
    """A route that the table does not name stops the board at its start."""
    guard = Guard(None, clock=StoppedClock(0.0))
    with pytest.raises(KeyError, match="/forgotten"):
        guard.over([Route("/forgotten", lambda _request: None)])


def test_without_accounts_only_what_needs_none(store: DispatchStore, tmp_path: Path) -> None:
    """On the loopback without accounts every page opens and says that nobody logs in; accounts stay shut."""
    depot = Depot(store, tmp_path, people=False)
    visitor = depot.visitor()
    page = visitor.get("/")
    assert (page.status_code, "Without log-in, so this board answers this computer alone" in page.text) == (200, True)
    assert "account add NAME --role administer" in visitor.get("/accounts").text
    for method, path, permit in routes_of(depot):
        if path != "/live":
            refused = visitor.ask(method, path).status_code == 403
            assert refused == (permit.account or method != "GET") or path == "/login", (method, path)
    depot.accounts.make("Quill", "administer", "seven moving heads here", COMMAND_LINE)
    assert visitor.get("/").headers["location"] == "/login"


def test_log_in_may_be_required_before_there_is_an_account(store: DispatchStore, tmp_path: Path) -> None:
    """A board for the network lets nobody in while nobody has an account, and says how to make one."""
    visitor = Depot(store, tmp_path, people=False, required=True).visitor()
    assert visitor.get("/").headers["location"] == "/login"
    assert visitor.get("/api/vans").status_code == 401
    assert "There is no account yet" in visitor.get("/login").text


@given(st.sampled_from(["account", "browser", "address"]), st.integers(0, 10**6), st.floats(-1e6, 1e6))
def test_a_wait_ends(what: str, times: int, since_s: float) -> None:
    """However many failures, a person waits a minute at most, and nothing after an hour."""
    waits = wait_s(what, times, since_s)  # type: ignore[arg-type]
    assert 0.0 <= waits <= 60.0
    assert wait_s(what, times, FORGOTTEN_AFTER_S) == 0.0  # type: ignore[arg-type]
    assert wait_s(what, 2, 0.0) == 0.0  # type: ignore[arg-type]


def test_a_scope_is_no_role() -> None:
    """A token that may read opens nothing that only a person may."""
    caller = Caller(token="t", scopes=tuple(SCOPES))  # noqa: S106 - a name
    assert not permits(Permit("look"), caller)
    assert permits(Permit("administer", "read:audit"), caller)

