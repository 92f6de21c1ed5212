"""By which names the board answers, so that no page of another site borrows one.

A page whose own name is made to point at the board's address (DNS rebinding) asks by that name. An address in digits
needs no name and cannot be borrowed; so where nobody gave the board a name, addresses and the computer's own names are
what is answered to.
"""

from __future__ import annotations

import socket
from collections.abc import Sequence
from ipaddress import ip_address
from urllib.parse import urlsplit

from starlette.datastructures import Headers
from starlette.middleware.trustedhost import TrustedHostMiddleware
from starlette.types import ASGIApp, Receive, Scope, Send

LOOPBACK = ("127.0.0.1", "localhost", "[::1]")


class OwnHosts:
    """Answers to `allowed_hosts`, and with `any_address` to addresses in digits; 400 for every other name."""

    def __init__(self, app: ASGIApp, allowed_hosts: Sequence[str], *, any_address: bool = False) -> None:
        self._app, self._any_address = app, any_address
        self._named = TrustedHostMiddleware(app, allowed_hosts=list(allowed_hosts))

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer, or refuse."""
        if self._any_address and scope["type"] == "http" and is_address(Headers(scope=scope).get("host", "")):
            await self._app(scope, receive, send)
        else:
            await self._named(scope, receive, send)


def is_address(host: str) -> bool:
    """Whether what stands in `Host` is an address in digits, with or without a port."""
    try:
        ip_address(urlsplit(f"//{host}").hostname or "")
    except ValueError:
        return False
    return True


def own_names() -> tuple[str, ...]:
    """What this computer calls itself, alone and as mDNS calls it (RFC 6762); a domain is not guessed."""
    name = socket.gethostname().lower()
    short = name.partition(".")[0]
    return tuple(dict.fromkeys((name, short, f"{short}.local"))) if short else ()
