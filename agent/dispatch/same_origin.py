"""Refuses a change that a page of another site makes a browser ask for; pure.

A browser says with every form where the form came from: by `Sec-Fetch-Site` (W3C Fetch Metadata), older ones by
`Origin` alone. What says neither is no browser, and carries nobody's session by itself.
"""

from __future__ import annotations

from collections.abc import Mapping
from urllib.parse import urlsplit


def why_foreign(headers: Mapping[str, str]) -> str | None:
    """Why a request that changes something must not be taken; None where it may. Header names in lower case."""
    told = headers.get("sec-fetch-site")
    if told is not None:
        if told in ("same-origin", "none"):
            return None
        return f"the form was sent from another site ({told}); open the board's own page and do it there"
    origin = headers.get("origin")
    if origin is None or urlsplit(origin).netloc == headers.get("host"):
        return None
    return f"the form was sent from {origin[:60]}; open the board's own page and do it there"
