"""What comes in at a form's route: refused by its headers, cut off at its length, parsed aside where it is long."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from starlette.requests import Request
from starlette.types import Message, Scope

from agent.dispatch import forms, guard
from agent.dispatch.forms import form_of
from agent.dispatch.guard import Ended
from agent.dispatch.permits import Caller
from agent.dispatch.store import DispatchStore, open_store
from tests.dispatch.visitor import Depot

PART = 4096


@pytest.fixture
def depot(tmp_path: Path) -> Iterator[Depot]:
    """A board with an account of each role."""
    store: DispatchStore = open_store(tmp_path / "dispatch.sqlite")
    yield Depot(store, tmp_path)
    store.close()


def scope_of(path: str, **headers: str) -> Scope:
    """A POST as a server hands it on."""
    named = {"host": "localhost", "content_type": "application/x-www-form-urlencoded", **headers}
    told = [(key.replace("_", "-").encode(), value.encode()) for key, value in named.items()]
    return {
        "type": "http", "method": "POST", "path": path, "raw_path": path.encode(), "query_string": b"",
        "headers": told, "client": ("10.66.0.1", 4000), "scheme": "http", "server": ("localhost", 80),
        "http_version": "1.1", "root_path": "",
    }  # fmt: skip


def send_without_end(depot: Depot, path: str, **headers: str) -> tuple[int, int]:
    """Send a form that never ends; the status, and how many parts of 4 KiB the board took before it answered."""
    status, taken = [], 0

    async def receive() -> Message:
        nonlocal taken
        taken += 1
        assert taken < 10_000, "it is read without end"
        return {"type": "http.request", "body": b"x" * PART, "more_body": True}

    async def send(message: Message) -> None:
        if message["type"] == "http.response.start":
            status.append(message["status"])

    asyncio.run(depot.app(scope_of(path, **headers), receive, send))
    return status[0], taken


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"origin": "http://elsewhere.example"}, 403),
        ({"sec_fetch_site": "cross-site"}, 403),
        ({"content_type": "multipart/form-data; boundary=x; charset=punycode"}, 415),
        ({"content_type": "application/x-www-form-urlencoded; charset=idna"}, 415),
        ({"content_type": "multipart/form-data; charset=no-such; boundary=x"}, 415),
        ({"content_length": str(17 * 1024 * 1024)}, 413),
        ({"content_length": "9" * 5000}, 413),
    ],
)
def test_what_headers_decide_is_decided_before_the_body(depot: Depot, headers: dict[str, str], status: int) -> None:
    """Nobody who has not logged in makes the board read or decode what it refuses anyway."""
    assert send_without_end(depot, "/login", **headers) == (status, 0)


def test_a_log_in_is_cut_off_at_16_kib(depot: Depot) -> None:
    """A body whose length nobody told is read no further than the route takes."""
    assert send_without_end(depot, "/login") == (413, 16 * 1024 // PART + 1)


def test_a_form_may_name_utf_8(depot: Depot) -> None:
    """As some programs write it."""
    visitor = depot.visitor()
    body = f"form_token={visitor.token_on('/login')}&name=Sarre&password=corn+hall+rear+dock"
    headers = {"content-type": 'application/x-www-form-urlencoded; charset="UTF8"'}
    assert visitor.ask("POST", "/login", content=body, headers=headers).status_code == 303


def test_sites_and_notes_may_be_long(depot: Depot) -> None:
    """What is long by its nature gets as far as its own page: a country's sites, a note in any script."""
    sarre = depot.visitor("Sarre")
    long = '{"type": "FeatureCollection", "features": [' + " " * 1_000_000 + "]}"
    files = {"files": ("long.geojson", long.encode())}
    answer = sarre.ask("POST", "/badge-note", data={"form_token": sarre.token_on("/me"), "text": "\u9752" * 2000})
    assert answer.status_code in (404, 422), "it is read, and refused for its badge"
    sent = sarre.ask("POST", "/site-import", data={"form_token": sarre.token_on("/me")}, files=files)
    assert sent.status_code != 413


@pytest.mark.parametrize(("length", "aside"), [(1000, False), (200_000, True)])
def test_a_long_form_is_parsed_in_a_thread(monkeypatch: pytest.MonkeyPatch, length: int, *, aside: bool) -> None:
    """The server's loop goes on serving others meanwhile; the form is the same."""
    where: list[int] = []

    class Watched(Request):
        def form(self, **more: object):  # type: ignore[no-untyped-def]  # noqa: ANN202 - as its base
            where.append(threading.get_ident())
            return super().form(**more)  # type: ignore[arg-type]

    monkeypatch.setattr(forms, "Request", Watched)
    body = b'--b\r\ncontent-disposition: form-data; name="text"\r\n\r\n' + b"x" * length + b"\r\n--b--\r\n"
    request = Request(scope_of("/", content_type="multipart/form-data; boundary=b"))
    form = asyncio.run(form_of(request, body))
    assert form["text"] == "x" * length
    assert (where != [threading.get_ident()]) == aside


def test_a_session_is_looked_up_aside(monkeypatch: pytest.MonkeyPatch, depot: Depot) -> None:
    """A stream asks for its listener's session in a thread; what fails there ends no stream and is asked again."""
    monkeypatch.setattr(guard, "_LOOK_AT_SESSION_EVERY_S", 0.0)
    answers: list[bool | Exception] = [OSError("the database is locked"), False, True]
    where: list[int] = []

    class Asked(guard.Guard):
        def ended(self, caller: Caller) -> bool:
            assert caller.session == "x"
            where.append(threading.get_ident())
            answer = answers.pop(0) if len(answers) > 1 else answers[0]
            if isinstance(answer, Exception):
                raise answer
            return answer

    async def story() -> None:
        ended = Ended(Asked(depot.accounts, clock=depot.clock), Caller(name="Sarre", role="dispatch", session="x"))
        async with asyncio.timeout(10):
            while not ended.look():  # noqa: ASYNC110 - as a stream asks it
                await asyncio.sleep(0.001)

    asyncio.run(story())
    assert len(where) >= 3
    assert threading.get_ident() not in where
