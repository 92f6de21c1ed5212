"""How a form's octets come in: no more than its route takes, as UTF-8 alone, and parsed aside where they are many.

`multipart/form-data` may name any codec that Python has, and some of them take quadratic time; no browser sends
another than UTF-8 to a page that is UTF-8. So a body is refused by its headers before a single octet of it is read.
"""

from __future__ import annotations

import asyncio
import codecs

from python_multipart.multipart import parse_options_header
from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.types import Message, Receive

_ASIDE_FROM = 64 * 1024  # octets; judgement: fewer are parsed sooner than a thread is found
_MOST_PARTS = 50
_FORMS = ("application/x-www-form-urlencoded", "multipart/form-data")


def is_form(request: Request) -> bool:
    """Whether what comes is a form."""
    return request.headers.get("content-type", "").split(";")[0].strip().lower() in _FORMS


def check_headers(request: Request, *, most: int) -> None:
    """Raise 415 for a form in another charset than UTF-8, 413 for what is told to be too long."""
    _, options = parse_options_header(request.headers.get("content-type", ""))
    charset = options.get(b"charset", b"utf-8").decode("latin-1")
    try:
        known = codecs.lookup(charset).name
    except (LookupError, ValueError):
        known = ""
    if known != "utf-8":
        raise HTTPException(415, "Forms are taken in UTF-8 only, so nothing was done.")
    told = request.headers.get("content-length", "")
    if told.isascii() and told.isdigit() and (len(told) > 15 or int(told) > most):  # noqa: PLR2004 - digits
        raise _too_long(most)


async def body_of(request: Request, *, most: int) -> bytes:
    """The whole body; 413 as soon as it is too long."""
    parts, size = [], 0
    async for part in request.stream():
        size += len(part)
        if size > most:
            raise _too_long(most)
        parts.append(part)
    return b"".join(parts)


def _too_long(most: int) -> HTTPException:
    return HTTPException(413, f"No more than {most // 1024} KiB are taken here at once, so nothing was done.")


async def form_of(request: Request, body: bytes) -> FormData:
    """The form that the body holds; a long one is parsed in a thread, so that nobody else waits for it. Close it."""

    async def parse() -> FormData:
        again = Request(request.scope, again_from(body))
        return await again.form(max_fields=_MOST_PARTS, max_files=_MOST_PARTS, max_part_size=max(len(body), 1))

    if len(body) < _ASIDE_FROM:
        return await parse()
    return await asyncio.to_thread(lambda: asyncio.run(parse()))


def again_from(body: bytes) -> Receive:
    """A body that was read, for each reader from its beginning."""

    async def receive() -> Message:
        return {"type": "http.request", "body": body, "more_body": False}

    return receive
