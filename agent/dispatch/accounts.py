"""Accounts, their sessions and tokens, in the database: every change with its audit entry in one transaction.

Secrets are given out once and kept as SHA-256. A log-in that fails makes the next one wait, by account, by browser
that has logged in before, and by address (`agent.dispatch.permits.wait_s`); that is kept here, so a restart forgets
none of it. A browser that was known before has a count of its own: whoever guesses at an account does not shut its
owner out. After OWASP's "Slow Down Online Guessing Attacks with Device Cookies". Knows nothing of HTTP.
"""

from __future__ import annotations

import hashlib
import re
import secrets
from collections.abc import Collection
from ipaddress import IPv6Address, IPv6Network, ip_address
from typing import Any

import sqlalchemy as sa
from msgspec import Struct

from agent.clock import Clock
from agent.dispatch import audit
from agent.dispatch.audit import Doer
from agent.dispatch.badges import is_epc
from agent.dispatch.passwords import Passwords, problem_of
from agent.dispatch.permits import FORGOTTEN_AFTER_S, ROLES, Caller, Counted, Role, known_scopes, wait_s
from agent.dispatch.schema_accounts import account, failure, known_browser, session, token
from agent.dispatch.store import DispatchStore
from agent.dispatch.views import AccountView, SessionView, TokenView
from agent.errors import RoadtallyError

IDLE_S, LONGEST_S = 8 * 3600.0, 24 * 3600.0
"""When a session ends: after a shift without a request, and after a day in any case. Judgement."""
_KNOWN_BROWSER_S = 180 * 86_400.0
_SEEN_EVERY_S = 60.0
_NAME = re.compile(r"[^\W_](?:[\w .@'-]{0,58}[\w.])?")
TOKEN_PREFIX = "roadtally_"  # noqa: S105 - by which a secret that leaked is found and known for what it is


class RefusedError(RoadtallyError):
    """What was asked cannot be done, in words for the person who asked."""


class LoggedIn(Struct, frozen=True):
    """The secrets of a new session and of the browser it was made in."""

    name: str
    session: str
    browser: str


class Waiting(Struct, frozen=True):
    """A log-in that was not looked at: so many seconds too early."""

    seconds: float


def _sha256(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()


class Accounts:
    """See the module. Any thread may ask."""

    def __init__(self, store: DispatchStore, *, clock: Clock, passwords: Passwords | None = None) -> None:
        self._store, self._clock = store, clock
        self._passwords = Passwords() if passwords is None else passwords
        self._exist = False

    @property
    def exist(self) -> bool:
        """Whether an account was ever made; accounts are disabled, never deleted, so that it stays so."""
        if not self._exist:
            with self._store.reading() as connection:
                self._exist = connection.execute(sa.select(account.c.name).limit(1)).first() is not None
        return self._exist

    # -- log in and out ------------------------------------------------------------------------------------------------

    def log_in(
        self, name: str, password: str, *, address: str, browser: str | None = None, agent: str = ""
    ) -> LoggedIn | Waiting | None:
        """A new session; None where name and password do not fit, which says nothing of which of them."""
        name, now_s, doer = name.replace("\0", "").strip()[:60], self._clock.utc(), Doer(None, address)
        counted = self._count(name, address, browser, now_s=now_s)
        if isinstance(counted, Waiting):
            return counted
        with self._store.reading() as connection:
            row = connection.execute(sa.select(account).where(account.c.name == name)).first()
        fits = self._passwords.fits(None if row is None else row.password, password[: 4 * 200])
        with self._store.writing() as connection:
            # Looked at again: it may have been disabled while the hash was worked out.
            row = connection.execute(sa.select(account).where(account.c.name == name)).first()
            if not fits or row is None or row.disabled:
                # A name that is nobody's is not kept: it may be a password, typed into the wrong field.
                audit.keep(connection, doer, "login-failed", "no account's name" if row is None else name, at_s=now_s)
                return None
            own = sa.update(failure).where(failure.c.what == counted[-1], failure.c.times > 0)
            connection.execute(own.values(times=failure.c.times - 1))
            connection.execute(sa.delete(failure).where(failure.c.what == counted[0]))
            if self._passwords.is_outdated(row.password):
                fresh = sa.update(account).where(account.c.name == name)
                connection.execute(fresh.values(password=self._passwords.hash(password)))
            secret, known = secrets.token_urlsafe(32), browser
            connection.execute(
                sa.insert(session).values(
                    sha256=_sha256(secret), account=name, address=address[:200], browser=agent[:200].replace("\0", ""),
                    made_s=now_s, seen_s=now_s,
                )
            )  # fmt: skip
            if known is None or not counted[0].startswith("browser "):
                known = secrets.token_urlsafe(32)
                connection.execute(sa.insert(known_browser).values(sha256=_sha256(known), account=name, made_s=now_s))
            audit.keep(connection, Doer(name, address), "logged-in", name, at_s=now_s)
        return LoggedIn(name, secret, known)

    def _count(self, name: str, address: str, browser: str | None, *, now_s: float) -> tuple[str, ...] | Waiting:
        """Count a try as failed before it is looked at, so that many at once gain nothing; or say to wait.

        By account and address; of a browser that has logged in to this account before by the browser alone, so that
        nobody behind the same address shuts it out.
        """
        with self._store.writing() as connection:
            first: Counted = "account"
            key = f"account {name}"
            if browser is not None:
                here = sa.and_(known_browser.c.sha256 == _sha256(browser), known_browser.c.account == name)
                found = connection.execute(sa.select(known_browser.c.made_s).where(here)).scalar()
                if found is not None and now_s - found < _KNOWN_BROWSER_S:
                    first, key = "browser", f"browser {_sha256(browser)}"
            keys = (key,) if first == "browser" else (key, f"address {counted_address(address)}")
            rows = {row.what: row for row in connection.execute(sa.select(failure).where(failure.c.what.in_(keys)))}
            kinds: tuple[Counted, ...] = (first, "address")
            counts = zip(kinds, keys, strict=False)
            waits = [wait_s(what, rows[key].times, now_s - rows[key].last_s) for what, key in counts if key in rows]
            if any(waits):
                return Waiting(max(waits))
            for key in keys:
                row = rows.get(key)
                times = 0 if row is None or now_s - row.last_s >= FORGOTTEN_AFTER_S else row.times
                connection.execute(sa.delete(failure).where(failure.c.what == key))
                connection.execute(sa.insert(failure).values(what=key, times=times + 1, last_s=now_s))
        return keys

    def log_out(self, secret: str, doer: Doer) -> None:
        """End this session."""
        with self._store.writing() as connection:
            connection.execute(sa.delete(session).where(session.c.sha256 == _sha256(secret)))
            audit.keep(connection, doer, "logged-out", doer.who or "", at_s=self._clock.utc())

    def of_session(self, secret: str, *, address: str, form_key: str, touch: bool = True) -> Caller | None:
        """Who holds this session; None where it is none, has ended, or the account is disabled.

        Without `touch` this is no sign of life of the person.
        """
        now_s, here = self._clock.utc(), session.c.sha256 == _sha256(secret)
        with self._store.reading() as connection:
            query = sa.select(session.c.made_s, session.c.seen_s, account).join(
                account, account.c.name == session.c.account
            )
            row = connection.execute(query.where(here)).first()
        if row is None or row.disabled or now_s - row.seen_s >= IDLE_S or now_s - row[0] >= LONGEST_S:
            return None
        if touch and now_s - row.seen_s >= _SEEN_EVERY_S:
            with self._store.writing() as connection:
                connection.execute(sa.update(session).where(here).values(seen_s=now_s))
        return Caller(
            name=row.name, role=row.role, badge=row.badge, session=secret, address=address, form_key=form_key
        )

    def end_sessions(self, name: str, doer: Doer, *, but: str | None = None) -> int:
        """End every session of an account but the one given; how many there were."""
        with self._store.writing() as connection:
            gone = self._end(connection, name, but=but)
            audit.keep(connection, doer, "sessions-ended", name, at_s=self._clock.utc(), before={"sessions": gone})
        return gone

    def _end(self, connection: sa.Connection, name: str, *, but: str | None = None) -> int:
        which = session.c.account == name
        if but is not None:
            which &= session.c.sha256 != _sha256(but)
        return connection.execute(sa.delete(session).where(which)).rowcount

    def sweep(self) -> None:
        """Delete what has ended: sessions, failures and browsers long not seen."""
        now_s = self._clock.utc()
        with self._store.writing() as connection:
            old = (session.c.seen_s <= now_s - IDLE_S) | (session.c.made_s <= now_s - LONGEST_S)
            connection.execute(sa.delete(session).where(old))
            connection.execute(sa.delete(failure).where(failure.c.last_s < now_s - FORGOTTEN_AFTER_S))
            connection.execute(sa.delete(known_browser).where(known_browser.c.made_s < now_s - _KNOWN_BROWSER_S))

    # -- accounts ------------------------------------------------------------------------------------------------------

    def all(self) -> tuple[AccountView, ...]:
        """Every account by name."""
        now_s = self._clock.utc()
        live = (session.c.seen_s > now_s - IDLE_S) & (session.c.made_s > now_s - LONGEST_S)
        count = sa.select(sa.func.count()).where(session.c.account == account.c.name, live).scalar_subquery()
        with self._store.reading() as connection:
            rows = connection.execute(sa.select(account, count.label("sessions")).order_by(account.c.name)).all()
        keys = AccountView.__struct_fields__
        return tuple(AccountView(**{key: getattr(row, key) for key in keys}) for row in rows)

    def one(self, name: str) -> AccountView | None:
        """One account."""
        return next((each for each in self.all() if each.name == name), None)

    def sessions(self, name: str) -> tuple[SessionView, ...]:
        """Where an account is logged in, the last seen first."""
        now_s = self._clock.utc()
        live = (session.c.seen_s > now_s - IDLE_S) & (session.c.made_s > now_s - LONGEST_S)
        query = sa.select(session).where(session.c.account == name, live).order_by(session.c.seen_s.desc())
        with self._store.reading() as connection:
            rows = connection.execute(query).all()
        return tuple(SessionView(address=r.address, browser=r.browser, made_s=r.made_s, seen_s=r.seen_s) for r in rows)

    def make(self, name: str, role: str, password: str, doer: Doer, *, badge: str | None = None) -> None:
        """A new account; RefusedError says what is wrong with it."""
        name = name.strip()
        if not _NAME.fullmatch(name):
            raise RefusedError("a name has 1 to 60 letters, digits, blanks and . @ ' -; the first is a letter or digit")
        _check(role, badge)
        self._acceptable(password, name)
        hashed, now_s = self._passwords.hash(password), self._clock.utc()
        with self._store.writing() as connection:
            if connection.execute(sa.select(account.c.name).where(account.c.name == name)).first() is not None:
                raise RefusedError(f"there is an account {name} already")
            values = {"name": name, "role": role, "badge": badge, "disabled": False}
            connection.execute(sa.insert(account).values(**values, password=hashed, made_s=now_s, password_s=now_s))
            audit.keep(connection, doer, "account-made", name, at_s=now_s, after=values)

    def change(self, name: str, doer: Doer, *, role: str, badge: str | None, disabled: bool) -> None:
        """Another role or badge, disabled or enabled. Whoever may do less than before is logged out everywhere."""
        _check(role, badge)
        with self._store.writing() as connection:
            row = self._row(connection, name)
            before = {"role": row.role, "badge": row.badge, "disabled": row.disabled}
            after = {"role": role, "badge": badge, "disabled": disabled}
            if before == after:
                return
            if row.role == "administer" and not row.disabled and (role != "administer" or disabled):
                others = (account.c.role == "administer") & account.c.disabled.is_(False) & (account.c.name != name)
                if connection.execute(sa.select(account.c.name).where(others).limit(1)).first() is None:
                    raise RefusedError("this is the last account that may administer; make another one first")
            connection.execute(sa.update(account).where(account.c.name == name).values(**after))
            if disabled or ROLES.index(role) < ROLES.index(row.role):
                self._end(connection, name)
            audit.keep(connection, doer, "account-changed", name, at_s=self._clock.utc(), before=before, after=after)

    def set_password(
        self, name: str, password: str, doer: Doer, *, old: str | None = None, session_kept: str | None = None
    ) -> None:
        """A new password; every session but the given one ends. `old`, where given, must be the present one.

        Guesses at the present one are counted as log-ins are.
        """
        if old is not None:
            counted = self._count(name, doer.origin, None, now_s=self._clock.utc())
            if isinstance(counted, Waiting):
                raise RefusedError(f"too many tries; try again in {counted.seconds:.0f} s")
            with self._store.reading() as connection:
                row = self._row(connection, name)
            if not self._passwords.fits(row.password, old):
                with self._store.writing() as connection:
                    audit.keep(connection, doer, "password-refused", name, at_s=self._clock.utc())
                raise RefusedError("that is not your present password")
        self._acceptable(password, name)
        hashed, now_s = self._passwords.hash(password), self._clock.utc()
        with self._store.writing() as connection:
            self._row(connection, name)
            here = sa.update(account).where(account.c.name == name)
            connection.execute(here.values(password=hashed, password_s=now_s))
            connection.execute(sa.delete(failure).where(failure.c.what == f"account {name}"))
            connection.execute(sa.delete(known_browser).where(known_browser.c.account == name))
            gone = self._end(connection, name, but=session_kept)
            audit.keep(connection, doer, "password-changed", name, at_s=now_s, after={"sessions_ended": gone})

    def _acceptable(self, password: str, name: str) -> None:
        problem = problem_of(password, name=name)
        if problem is not None:
            raise RefusedError(problem)

    def _row(self, connection: sa.Connection, name: str) -> sa.Row[Any]:
        row = connection.execute(sa.select(account).where(account.c.name == name)).first()
        if row is None:
            raise RefusedError(f"there is no account {name[:60]}")
        return row

    # -- tokens --------------------------------------------------------------------------------------------------------

    def make_token(self, label: str, scopes: Collection[str], caller: Doer) -> str:
        """A new API token's secret, which nobody can ask for again."""
        label, granted, now_s = label.strip()[:100], known_scopes(scopes), self._clock.utc()
        if not label:
            raise RefusedError("say what the token is for, so that it can be told from the others")
        if not granted or caller.who is None:
            raise RefusedError("a token needs at least one scope, and somebody who makes it")
        secret, name = TOKEN_PREFIX + secrets.token_urlsafe(32), secrets.token_hex(6)
        with self._store.writing() as connection:
            connection.execute(
                sa.insert(token).values(
                    token=name, sha256=_sha256(secret), label=label.replace("\0", ""), scopes=" ".join(granted),
                    account=caller.who, made_s=now_s,
                )
            )  # fmt: skip
            audit.keep(connection, caller, "token-made", name, at_s=now_s, after={"label": label, "scopes": granted})
        return secret

    def revoke_token(self, name: str, doer: Doer) -> None:
        """End a token for good."""
        now_s = self._clock.utc()
        with self._store.writing() as connection:
            here = sa.update(token).where(token.c.token == name, token.c.revoked_s.is_(None))
            if connection.execute(here.values(revoked_s=now_s)).rowcount == 0:
                raise RefusedError("there is no such token, or it was revoked already")
            audit.keep(connection, doer, "token-revoked", name, at_s=now_s)

    def tokens(self) -> tuple[TokenView, ...]:
        """Every token, the newest first."""
        with self._store.reading() as connection:
            rows = connection.execute(sa.select(token).order_by(token.c.made_s.desc(), token.c.token)).all()
        return tuple(
            TokenView(
                token=row.token, label=row.label, scopes=tuple(row.scopes.split()), account=row.account,
                made_s=row.made_s, used_s=row.used_s, revoked_s=row.revoked_s,
            )
            for row in rows
        )  # fmt: skip

    def of_token(self, secret: str, *, address: str) -> Caller | None:
        """Who holds this token; None where it is none, was revoked, or its maker may administer no more."""
        now_s, here = self._clock.utc(), token.c.sha256 == _sha256(secret)
        with self._store.reading() as connection:
            maker = account.c.name == token.c.account
            query = sa.select(token, account.c.disabled, account.c.role).join(account, maker)
            row = connection.execute(query.where(here)).first()
        if row is None or row.revoked_s is not None or row.disabled or row.role != "administer":
            return None
        if row.used_s is None or now_s - row.used_s >= _SEEN_EVERY_S:
            with self._store.writing() as connection:
                connection.execute(sa.update(token).where(here).values(used_s=now_s))
        return Caller(name=row.account, scopes=tuple(row.scopes.split()), token=row.token, address=address)


def doer_of(caller: Caller) -> Doer:
    """Who the audit log names for a caller; a token is told beside the account that made it."""
    return Doer(caller.name, caller.address if caller.token is None else f"{caller.address}, token {caller.token}")


def _check(role: str, badge: str | None) -> Role:
    if role not in ROLES:
        raise RefusedError(f"a role is one of {', '.join(ROLES)}")
    if badge is not None and not is_epc(badge):
        raise RefusedError("a badge is given by its pure identity, such as urn:epc:id:gsrnp:9521141.0000000042")
    return role


def counted_address(address: str) -> str:
    """What failures of an address are counted by: of IPv6 the /64, as whoever has one address there has them all."""
    try:
        known = ip_address(address.partition("%")[0])
    except ValueError:
        return address[:200]
    if isinstance(known, IPv6Address):
        if known.ipv4_mapped is not None:
            return str(known.ipv4_mapped)
        return str(IPv6Network((known, 64), strict=False))
    return str(known)
