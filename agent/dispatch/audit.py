"""The audit log: what a person did, when, from where, and what was so before and after.

`keep` is the only way in and belongs into the transaction of the change itself, so that neither stands without the
other. Nothing here changes or deletes an entry.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Mapping
from typing import Any

import msgspec
import sqlalchemy as sa
from msgspec import Struct

from agent.dispatch.schema_accounts import audit
from agent.dispatch.store import DispatchStore
from agent.dispatch.views import AuditEntry
from agent.dispatch.words import rfc3339

KINDS = {
    "logged-in": "logged in",
    "login-failed": "log-in failed",
    "logged-out": "logged out",
    "account-made": "account made",
    "account-changed": "account changed",
    "password-changed": "password changed",
    "password-refused": "present password not known, so not changed",
    "sessions-ended": "sessions ended",
    "token-made": "API token made",
    "token-revoked": "API token revoked",
    "badge-looked-at": "a badge's record looked at",
    "badge-note": "note on a badge's record",
    "audit-taken": "audit log taken as a file",
    "sites-changed": "sites changed",
    "sites-in-force": "sites put in force",
}
"""What is done, and how a page says it; a kind that is not here is shown as it is called."""
_MOST_TEXT = 8000
_OF_BADGES = ("badge-looked-at", "badge-note")
_EPC = re.compile(r"urn:epc:[\w:.%/-]+")
MASKED = "not shown without the scope read:people"
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", *"＝＋－＠")  # noqa: RUF001 - the wide ones too

_WITHIN = re.compile(r"""([;\t\r\n][ "]*)(?=[-=+@＝＋－＠])""")  # noqa: RUF001 - likewise


class Doer(Struct, frozen=True):
    """Who does something: an account or null, and from where."""

    who: str | None
    origin: str


COMMAND_LINE = Doer(None, "command line")


class Wanted(Struct, frozen=True):
    """Which entries to look at; `before` is a cursor: only entries with a smaller number."""

    who: str | None = None
    kind: str | None = None
    subject: str | None = None
    from_s: float | None = None
    to_s: float | None = None
    before: int | None = None


def keep(
    connection: sa.Connection,
    doer: Doer,
    kind: str,
    subject: str,
    *,
    at_s: float,
    before: Mapping[str, Any] | None = None,
    after: Mapping[str, Any] | None = None,
) -> None:
    """Add an entry within the transaction of what it tells of. `before` and `after` hold no secrets."""
    connection.execute(
        sa.insert(audit).values(
            at_s=at_s, who=doer.who, origin=doer.origin[:200], kind=kind, subject=_clean(subject[:500]),
            before=_json(before), after=_json(after),
        )
    )  # fmt: skip


def _clean(text: str) -> str:
    return text.replace("\0", "\ufffd")  # PostgreSQL's texts hold no NUL


def _json(value: Mapping[str, Any] | None) -> str | None:
    if value is None:
        return None
    text = msgspec.json.encode(value).decode()
    if len(text) > _MOST_TEXT:
        # Whole or not at all, so that it stays JSON: the subject names where the whole is kept.
        text = msgspec.json.encode({"characters": len(text), "begins": text[: _MOST_TEXT // 4]}).decode()
    return text


class AuditLog:
    """Looks into the log."""

    def __init__(self, store: DispatchStore) -> None:
        self._store = store

    def entries(self, wanted: Wanted, *, most: int = 100) -> tuple[AuditEntry, ...]:
        """The newest entries that fit, newest first."""
        with self._store.reading() as connection:
            rows = connection.execute(_query(wanted).limit(most)).all()
        return tuple(entry_of(row) for row in rows)

    def people(self) -> tuple[str, ...]:
        """Everybody the log names."""
        with self._store.reading() as connection:
            found = sa.select(audit.c.who).where(audit.c.who.is_not(None)).distinct().order_by(audit.c.who)
            return tuple(connection.execute(found).scalars())


def _query(wanted: Wanted) -> sa.Select[Any]:
    at, query = audit.c, sa.select(audit).order_by(audit.c.number.desc())
    for column, value in ((at.who, wanted.who), (at.kind, wanted.kind), (at.subject, wanted.subject)):
        if value is not None:
            query = query.where(column == value)
    if wanted.from_s is not None:
        query = query.where(at.at_s >= wanted.from_s)
    if wanted.to_s is not None:
        query = query.where(at.at_s < wanted.to_s)
    return query if wanted.before is None else query.where(at.number < wanted.before)


def entry_of(row: sa.Row[Any]) -> AuditEntry:
    """A row of the log."""
    return AuditEntry(
        number=row.number, at_s=row.at_s, who=row.who, origin=row.origin, kind=row.kind,
        said=KINDS.get(row.kind, row.kind), subject=row.subject, before=row.before, after=row.after,
    )  # fmt: skip


def without_badges_of(entry: AuditEntry) -> AuditEntry:
    """The entry for who is not to be told of badges: no EPC in its subject or its texts."""

    def masked(text: str | None) -> str | None:
        return None if text is None else _EPC.sub(MASKED, text)

    subject = MASKED if entry.kind in _OF_BADGES else masked(entry.subject) or ""
    return msgspec.structs.replace(entry, subject=subject, before=masked(entry.before), after=masked(entry.after))


def csv_of(entries: Iterable[AuditEntry]) -> str:
    """The entries as CSV for a spreadsheet, which no cell of them can make calculate."""
    text = io.StringIO()
    rows = csv.writer(text, lineterminator="\r\n")
    rows.writerow(("number", "at", "who", "from", "kind", "subject", "before", "after"))
    for each in entries:
        cells = (each.who, each.origin, each.kind, each.subject, each.before, each.after)
        rows.writerow((each.number, rfc3339(each.at_s), *(guarded(cell or "") for cell in cells)))
    return text.getvalue()


def guarded(cell: str) -> str:
    """A cell that a spreadsheet takes for text: an apostrophe before what would begin a formula (OWASP).

    Also within it, after what a spreadsheet of another country takes for the end of a cell or row.
    """
    cell = _WITHIN.sub(r"\1'", cell)
    return f"'{cell}" if cell.lstrip(" ").startswith(_FORMULA) else cell
