"""How the API answers.

Views as JSON, problems as problem details (RFC 9457), and an ETag by which nothing is sent twice.
"""

from __future__ import annotations

import base64
import hashlib
import http
from collections.abc import Mapping
from typing import Any

import msgspec
from starlette.requests import Request
from starlette.responses import Response

from agent.dispatch.words import rfc3339


def json_values(value: object) -> Any:  # noqa: ANN401 - JSON
    """Views as JSON values: times as RFC 3339 under names without `_s`."""
    return _timed(msgspec.to_builtins(value))


def _timed(value: Any) -> Any:  # noqa: ANN401 - JSON
    if isinstance(value, Mapping):
        return dict(
            (key.removesuffix("_s"), rfc3339(each) or None)
            if key.endswith("_s") and isinstance(each, int | float)
            else (key.removesuffix("_s") if each is None else key, _timed(each))
            for key, each in value.items()
        )
    return [_timed(each) for each in value] if isinstance(value, list | tuple) else value


def without_badges(value: Any) -> Any:  # noqa: ANN401 - JSON
    """JSON values without what they say of badges, for who is not to be told: left out, for an empty list would lie."""
    if isinstance(value, dict):
        return {key: without_badges(each) for key, each in value.items() if key != "badges"}
    return [without_badges(each) for each in value] if isinstance(value, list) else value


def json_answer(value: object, *, status: int = 200) -> Response:
    """JSON values as an answer that nobody keeps."""
    return Response(
        msgspec.json.encode(value), status, {"cache-control": "no-store"}, media_type="application/json"
    )


def known_answer(request: Request, value: object) -> Response:
    """JSON values with their ETag; without a body where the client has just these (RFC 9110, section 13.1.2)."""
    content = msgspec.json.encode(value)
    etag = f'"{hashlib.sha256(content).hexdigest()[:32]}"'
    headers = {"cache-control": "private, no-cache", "vary": "Authorization, Cookie", "etag": etag}
    known = [each.strip().removeprefix("W/") for each in request.headers.get("if-none-match", "").split(",")]
    if etag in known or "*" in known:
        return Response(status_code=304, headers=headers)
    return Response(content, headers=headers, media_type="application/json")


def problem(status: int, detail: str, headers: Mapping[str, str] | None = None) -> Response:
    """What went wrong, as RFC 9457 says it."""
    body = {"type": "about:blank", "title": http.HTTPStatus(status).phrase, "status": status, "detail": detail}
    kept = {"cache-control": "no-store", **(headers or {})}
    return Response(msgspec.json.encode(body), status, kept, media_type="application/problem+json")


def cursor(key: str | None) -> str | None:
    """Where a list goes on, after this key; opaque to the client."""
    return None if key is None else base64.urlsafe_b64encode(key.encode()).decode().rstrip("=")


def key_of(cursor: str) -> str | None:
    """The key of a cursor; None where it is none of ours."""
    try:
        return base64.b64decode(cursor + "=" * (-len(cursor) % 4), altchars=b"-_", validate=True).decode()
    except ValueError:
        return None
