"""Who may do what on the board: one table of routes, and the rules that decide; pure.

Every route stands in `PERMITS` with the least role of a person and the scope of a token; a route that nobody listed
cannot be served (`agent.dispatch.guard`). Where there are no accounts yet, the loopback is open and
`caller_without_login` is everybody. Also here: how long a failed log-in makes the next one wait.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import Literal

from msgspec import Struct

Role = Literal["look", "dispatch", "administer"]
Scope = Literal["read:vans", "read:items", "read:sites", "read:people", "read:audit"]
ROLES: tuple[Role, ...] = ("look", "dispatch", "administer")
ROLE_WORDS: dict[str, str] = {
    "look": "look: sees vans, items and sites, with the badges that were aboard; of the badges' records the own one",
    "dispatch": "dispatch: as look, sees every badge's record and changes sites",
    "administer": "administer: as dispatch, with accounts, tokens and the audit log",
}
SCOPES: dict[Scope, str] = {
    "read:vans": "vans, their legs and manifests, without badges",
    "read:items": "items and their custody",
    "read:sites": "sites and their outlines",
    "read:people": "the badges aboard, beside what the other scopes give",
    "read:audit": "the audit log",
}


MOST_FORM = 16 * 1024
_MOST_NOTE = 64 * 1024  # 2000 letters of any script, each up to 12 octets in a form
_MOST_SITES = 17 * 1024 * 1024  # the sites of a whole country, and the form around them


class Permit(Struct, frozen=True):
    """What a route asks for: `role` null where anybody may come, `scope` null where no token may.

    `account` says that it makes no sense without one, so that it stays shut where there is no log-in; `most` is how
    many octets of a form are taken.
    """

    role: Role | None
    scope: Scope | None = None
    account: bool = False
    most: int = MOST_FORM


class Caller(Struct, frozen=True, kw_only=True):
    """Who asks: a person in a session, a token, or nobody known. `form_key` is what its forms' tokens are made from."""

    name: str | None = None
    role: Role | None = None
    badge: str | None = None
    scopes: tuple[str, ...] = ()
    token: str | None = None
    session: str | None = None
    address: str = ""
    form_key: str = ""

    @property
    def sees_people(self) -> bool:
        """Whether badges belong into what this caller is told."""
        return self.may_read("read:people")

    def may_read(self, scope: Scope) -> bool:
        """Whether an answer may hold what this scope opens; a person's role has decided before."""
        return self.token is None or scope in self.scopes


def caller_without_login(address: str, form_key: str) -> Caller:
    """Everybody, where no account was ever made."""
    return Caller(role="administer", address=address, form_key=form_key)


_LOOK, _ANYBODY = Permit("look"), Permit(None)
_DISPATCH, _SITES = Permit("dispatch"), Permit("dispatch", most=_MOST_SITES)
_ME, _ADMINISTER = Permit("look", account=True), Permit("administer", account=True)
PERMITS: dict[tuple[str, str], Permit] = {
    ("GET", "/"): _LOOK,
    ("GET", "/van/{vehicle}"): _LOOK,
    ("GET", "/van/{vehicle}/day"): _LOOK,
    ("GET", "/van/{vehicle}/day/{date}"): _LOOK,
    ("GET", "/manifest/{manifest:path}"): _LOOK,
    ("GET", "/manifest/{manifest:path}/print"): _LOOK,
    ("GET", "/item/{epc:path}"): _LOOK,
    ("GET", "/loading/{vehicle}"): _LOOK,
    ("GET", "/search"): _LOOK,
    ("GET", "/evidence/{vehicle}/{epc:path}"): _LOOK,
    ("GET", "/evidence-picture/{vehicle}/{epc:path}"): _LOOK,
    ("GET", "/driver-notice"): _ANYBODY,
    ("GET", "/live"): _LOOK,
    ("GET", "/healthz"): _ANYBODY,
    ("GET", "/static"): _ANYBODY,
    # The API's paths of 0.1.0
    ("GET", "/api/vans"): Permit("look", "read:vans"),
    ("GET", "/api/van/{vehicle}"): Permit("look", "read:vans"),
    ("GET", "/api/manifest/{manifest:path}"): Permit("look", "read:vans"),
    ("GET", "/api/van/{vehicle}/day/{date}"): Permit("look", "read:vans"),
    ("GET", "/api/manifest/{manifest:path}/revisions"): Permit("look", "read:vans"),
    ("GET", "/api/item/{epc:path}"): Permit("look", "read:items"),
    ("GET", "/api/map"): Permit("look", "read:sites"),
    # The API
    ("GET", "/api/1/openapi.json"): _ANYBODY,
    ("GET", "/api/1/vans"): Permit("look", "read:vans"),
    ("GET", "/api/1/vans/{vehicle}"): Permit("look", "read:vans"),
    ("GET", "/api/1/vans/{vehicle}/days/{date}"): Permit("look", "read:vans"),
    ("GET", "/api/1/manifests/{manifest:path}/revisions"): Permit("look", "read:vans"),
    ("GET", "/api/1/manifests/{manifest:path}"): Permit("look", "read:vans"),
    ("GET", "/api/1/items"): Permit("look", "read:items"),
    ("GET", "/api/1/items/{epc:path}"): Permit("look", "read:items"),
    ("GET", "/api/1/sites"): Permit("look", "read:sites"),
    ("GET", "/api/1/audit"): Permit("administer", "read:audit"),
    # Sites
    ("GET", "/sites"): _LOOK,
    ("GET", "/sites/{site}"): _LOOK,
    ("POST", "/sites/{site}"): _SITES,
    ("POST", "/sites/{site}/retire"): _DISPATCH,
    ("GET", "/new-site"): _DISPATCH,
    ("POST", "/new-site"): _SITES,
    ("GET", "/site-import"): _DISPATCH,
    ("POST", "/site-import"): _SITES,
    ("POST", "/site-import/save"): _SITES,
    ("GET", "/site-hints"): _LOOK,
    ("GET", "/site-versions/{version:int}"): _LOOK,
    ("POST", "/site-versions/{version:int}/again"): _DISPATCH,
    ("GET", "/site-send"): _DISPATCH,
    ("POST", "/site-send"): _DISPATCH,
    ("GET", "/sites.geojson"): _LOOK,
    # People
    ("GET", "/login"): _ANYBODY,
    ("POST", "/login"): _ANYBODY,
    ("POST", "/logout"): _ME,
    ("GET", "/me"): _ME,
    ("POST", "/me/password"): _ME,
    ("POST", "/me/end-sessions"): _ME,
    ("GET", "/accounts"): Permit("administer"),
    ("POST", "/accounts"): _ADMINISTER,
    ("GET", "/accounts/{account}"): _ADMINISTER,
    ("POST", "/accounts/{account}"): _ADMINISTER,
    ("GET", "/api-access"): _LOOK,
    ("POST", "/api-access/tokens"): _ADMINISTER,
    ("POST", "/api-access/tokens/{token}/revoke"): _ADMINISTER,
    ("GET", "/audit"): Permit("administer"),
    ("GET", "/audit.csv"): Permit("administer"),
    ("GET", "/badge/{epc:path}"): _LOOK,  # further: `may_see_badge`
    ("POST", "/badge-note"): Permit("look", account=True, most=_MOST_NOTE),
}


def permits(permit: Permit, caller: Caller) -> bool:
    """Whether the caller has the role, or the scope, that a route asks for."""
    if permit.role is None:
        return True
    if caller.token is not None:
        return permit.scope is not None and permit.scope in caller.scopes
    if permit.account and caller.name is None:
        return False
    return caller.role is not None and ROLES.index(caller.role) >= ROLES.index(permit.role)


def may_see_badge(caller: Caller, epc: str) -> bool:
    """A badge's record is for the person who carries it, and for those who dispatch."""
    return caller.badge == epc or caller.role in ("dispatch", "administer")


def known_scopes(words: Collection[str]) -> tuple[Scope, ...]:
    """Those of `words` that are scopes, in the table's order."""
    return tuple(scope for scope in SCOPES if scope in words)


# -- failed log-ins ----------------------------------------------------------------------------------------------------

Counted = Literal["account", "browser", "address"]
# Judgement, all four: a person mistypes three times and is never kept waiting for more than a minute.
_FREE: dict[Counted, int] = {"account": 3, "browser": 5, "address": 15}
_FIRST_WAIT_S, _LONGEST_WAIT_S = 2.0, 60.0
FORGOTTEN_AFTER_S = 3600.0


def wait_s(what: Counted, times: int, since_s: float) -> float:
    """How long after `times` failures, the last of them `since_s` ago, the next try has to wait still.

    Doubles up to a minute and is forgotten after an hour, so that nobody can shut another out for good. A clock that
    was put back counts as no time passed.
    """
    over = times - _FREE[what]
    since_s = max(since_s, 0.0)
    if over < 0 or since_s >= FORGOTTEN_AFTER_S:
        return 0.0
    return max(min(_FIRST_WAIT_S * 2.0 ** min(over, 10), _LONGEST_WAIT_S) - since_s, 0.0)
