"""By which names the board answers."""

from __future__ import annotations

import asyncio
import socket

import httpx
import pytest
from starlette.responses import PlainTextResponse

from agent.dispatch.hosts import OwnHosts
from agent.dispatch.main import _hosts
from agent.dispatch.settings import parse_dispatch

OPEN = 'host = "0.0.0.0"\nallow_without_login = true\n'
TLS = 'host = "0.0.0.0"\nlog_in = true\ncert_file = "c"\nkey_file = "k"\n'


def status_of(settings: str, host: str) -> int:
    """What a board with these settings answers to who asks by this name."""
    hosts, any_address = _hosts(parse_dispatch(f"[dispatch]\n{settings}", file="d"))
    app = OwnHosts(PlainTextResponse("here"), hosts, any_address=any_address)

    async def once() -> int:
        async with httpx.AsyncClient(transport=httpx.ASGITransport(app=app), base_url="http://localhost") as client:
            return (await client.get("/", headers={"host": host})).status_code

    return asyncio.run(once())


@pytest.mark.parametrize(
    ("settings", "host", "status"),
    [
        (OPEN, "192.168.7.20:8470", 200), (OPEN, "[fd00::7]:8470", 200), (OPEN, "localhost", 200),
        (OPEN, f"{socket.gethostname().lower()}:8470", 200),
        (OPEN, "rebound.elsewhere.example:8470", 400), (OPEN, "192.168.7.20.elsewhere.example", 400),
        (OPEN, "0x7f.elsewhere", 400), (OPEN, "", 400), (OPEN, "[::1", 400),
        (OPEN + 'name = "dispatch.depot.example"', "dispatch.depot.example", 200),
        (OPEN + 'name = "dispatch.depot.example"', "rebound.elsewhere.example", 400),
        ("", "127.0.0.1:8470", 200), ("", "rebound.elsewhere.example", 400), ("", "192.168.7.20", 400),
        (TLS, "dispatch.depot.example", 200),
    ],
)  # fmt: skip
def test_no_page_borrows_a_name(settings: str, host: str, status: int) -> None:
    """A board that asks for no log-in answers to addresses and its own names: DNS rebinding comes by another name."""
    assert status_of(settings, host) == status
