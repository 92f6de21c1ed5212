"""Accounts: passwords, sessions, what a failed log-in costs, what the audit log says of it all."""

from __future__ import annotations

import argparse
import ast
import csv
import io
import stat
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
import sqlalchemy as sa

from agent.dispatch import audit
from agent.dispatch.accounts import IDLE_S, LONGEST_S, Accounts, RefusedError, Waiting
from agent.dispatch.audit import COMMAND_LINE, AuditLog, Wanted, guarded
from agent.dispatch.main import add_arguments, run
from agent.dispatch.pages_accounts import own_path
from agent.dispatch.passwords import Cost, Passwords, problem_of
from agent.dispatch.schema_accounts import account, failure, session
from agent.dispatch.schema_accounts import audit as audit_table
from agent.dispatch.settings import parse_dispatch
from agent.dispatch.store import DispatchStore, open_store
from agent.errors import ConfigError
from tests.dispatch.visitor import NOW_S, PASSWORDS, QUICK, Depot, Visitor

WRONG = "not the right one at all"


@pytest.fixture
def store(tmp_path: Path) -> Iterator[DispatchStore]:
    """An empty store."""
    opened = open_store(tmp_path / "dispatch.sqlite")
    yield opened
    opened.close()


@pytest.fixture
def depot(store: DispatchStore, tmp_path: Path) -> Depot:
    """A board with an account of each role."""
    return Depot(store, tmp_path)


def kinds_of(depot: Depot, **wanted: str) -> list[tuple[str, str | None, str]]:
    """The log, oldest first, as kind, who and subject."""
    found = AuditLog(depot.store).entries(Wanted(**wanted))
    return [(each.kind, each.who, each.subject) for each in reversed(found)]


# -- passwords ---------------------------------------------------------------------------------------------------------


def test_a_hash_is_argon2id_at_the_least_cost_that_owasp_names() -> None:
    """argon2id with 19 MiB, 2 passes, 1 lane (OWASP, Password Storage Cheat Sheet), salted: never twice the same."""
    passwords = Passwords()
    first, second = passwords.hash("corn hall rear dock"), passwords.hash("corn hall rear dock")
    assert first.startswith("$argon2id$v=19$m=19456,t=2,p=1$")
    assert first != second
    assert passwords.fits(first, "corn hall rear dock")
    assert not passwords.fits(first, "corn hall front dock")
    assert not passwords.fits(None, "nobody has this password")
    assert not passwords.fits("no hash at all", "x")
    assert Passwords(Cost(memory_kib=32, passes=1)).is_outdated(first)


@pytest.mark.parametrize(
    ("password", "good"),
    [
        ("corn hall rear dock", True), ("Ždát u vrat skladiště", True), ("short", False), ("x" * 201, False),
        ("password1234", False), ("Quill2026Quill", False), ("aaaaaaaaaaaaaa", False), ("123456123456", False),
    ],
)  # fmt: skip
def test_what_may_be_a_password(password: str, *, good: bool) -> None:
    """Long ones of any letters; none that is too short, too long, everybody's, the name, or one letter again."""
    assert (problem_of(password, name="Quill") is None) == good


def test_an_old_hash_is_made_anew(depot: Depot, store: DispatchStore) -> None:
    """When the cost was raised since, the next log-in keeps the hash at the new one."""
    dearer = Accounts(store, clock=depot.clock, passwords=Passwords(Cost(memory_kib=16, passes=1)))
    assert dearer.log_in("Sarre", PASSWORDS["Sarre"], address="a") is not None
    with store.reading() as connection:
        kept = sa.select(account.c.password).where(account.c.name == "Sarre")
        assert "m=16," in connection.execute(kept).scalar_one()


# -- log in and out ----------------------------------------------------------------------------------------------------


def test_log_in_look_log_out(depot: Depot) -> None:
    """A visitor is sent to log in, comes back to the page that was asked for, and is out again after logging out."""
    visitor = depot.visitor()
    sent = visitor.get("/driver-notice?x=1")
    assert sent.status_code == 200
    sent = visitor.get("/api-access?a=b")
    assert sent.headers["location"] == "/login?next=%2Fapi-access%3Fa%3Db"
    answer = visitor.log_in("Sarre", next="/api-access?a=b")
    assert (answer.status_code, answer.headers["location"]) == (303, "/api-access?a=b")
    page = visitor.get("/")
    assert page.status_code == 200
    assert "Sarre" in page.text
    assert page.headers["cache-control"] == "no-store"
    kept = httpx_cookie(visitor, "roadtally")
    assert visitor.send("/me", "/logout").headers["location"] == "/login"
    assert visitor.get("/").status_code == 303
    visitor.jar.set("roadtally", kept, domain="localhost.local")
    assert visitor.get("/").status_code == 303, "the session itself has ended, not only its cookie"
    told = kinds_of(depot, who="Sarre")
    assert told == [("logged-in", "Sarre", "Sarre"), ("logged-out", "Sarre", "Sarre")]


def httpx_cookie(visitor: Visitor, name: str) -> str:
    """A cookie's value."""
    return next(each.value or "" for each in visitor.jar.jar if each.name == name)


def test_cookies_are_strict(store: DispatchStore, tmp_path: Path) -> None:
    """HttpOnly, SameSite=Strict, for all paths and no domain; under TLS also Secure and bound to this host by name."""
    for secure, home in ((False, "http://localhost"), (True, "https://localhost")):
        depot = Depot(store, tmp_path, people=not secure, secure=secure)
        visitor = Visitor(depot.app, home=home)
        page = visitor.get("/login")
        answer = visitor.log_in("Quill")
        cookies = [*page.headers.get_list("set-cookie"), *answer.headers.get_list("set-cookie")]
        given = {each.split("=")[0] for each in cookies}
        assert given == {f"{'__Host-' if secure else ''}roadtally{end}" for end in ("", "-browser", "-form")}
        for each in cookies:
            parts = {part.strip().lower() for part in each.split(";")[1:]}
            assert {"httponly", "samesite=strict", "path=/"} <= parts
            assert ("secure" in parts) == secure
            assert not any(part.startswith("domain") for part in parts)


def test_the_database_holds_no_secret(depot: Depot, tmp_path: Path) -> None:
    """Neither a session, nor a known browser, nor a token, nor a password stands in the database's files."""
    visitor = depot.visitor("Quill")
    shown = visitor.send("/api-access", "/api-access/tokens", label="stock list", scope="read:items").text
    secret = shown.split('id="secret">')[1].split("<")[0]
    assert secret.startswith("roadtally_")
    assert secret not in visitor.get("/api-access").text, "it is shown once"
    held = b"".join(path.read_bytes() for path in tmp_path.glob("dispatch.sqlite*"))
    assert b"stock list" in held
    cookies = (httpx_cookie(visitor, name) for name in ("roadtally", "roadtally-browser"))
    for each in (secret, *cookies, *PASSWORDS.values()):
        assert each.encode() not in held


def test_a_session_ends(depot: Depot) -> None:
    """After a shift without use, and after a day however much it is used."""
    for steps, step_s in (([IDLE_S - 1, IDLE_S + 1], "idle"), ([IDLE_S / 2] * 6, "absolute")):
        visitor, answers, passed = depot.visitor("Sarre"), [], 0.0
        for each in steps:
            depot.clock.utc_s += each
            passed += each
            answers.append((visitor.get("/").status_code, passed))
        expected = [(200 if (step_s == "idle" and n == 0) or (step_s == "absolute" and t < LONGEST_S) else 303, t)
                    for n, (_, t) in enumerate(answers)]  # fmt: skip
        assert answers == expected, step_s
    depot.accounts.sweep()
    with depot.store.reading() as connection:
        assert connection.execute(sa.select(sa.func.count()).select_from(session)).scalar() == 0


def test_who_is_disabled_or_demoted_is_out_at_once(depot: Depot) -> None:
    """Disabling or a lower role ends every session of an account; a higher one ends none."""
    boss, visitor = depot.visitor("Quill"), depot.visitor("Ferrow")
    assert boss.send("/accounts/Ferrow", "/accounts/Ferrow", what="account", role="dispatch").status_code == 303
    assert visitor.get("/").status_code == 200
    boss.send("/accounts/Ferrow", "/accounts/Ferrow", what="account", role="look")
    assert visitor.get("/").status_code == 303
    visitor = depot.visitor("Ferrow")
    boss.send("/accounts/Ferrow", "/accounts/Ferrow", what="account", role="look", disabled="yes")
    assert visitor.get("/").status_code == 303
    assert visitor.log_in("Ferrow").status_code == 403
    visitor = depot.visitor("Sarre")
    boss.send("/accounts/Sarre", "/accounts/Sarre", what="sessions")
    assert visitor.get("/").status_code == 303


def test_an_open_stream_ends_with_its_session(depot: Depot) -> None:
    """The guard says of a session that was ended that its stream may go on no more, and looking keeps none alive."""
    visitor = depot.visitor("Sarre")
    caller = depot.accounts.of_session(httpx_cookie(visitor, "roadtally"), address="x", form_key="")
    guard = guard_of(depot)
    assert caller is not None
    depot.clock.utc_s += IDLE_S - 10
    assert not guard.ended(caller)
    depot.clock.utc_s += 20
    assert guard.ended(caller)


def guard_of(depot: Depot):  # type: ignore[no-untyped-def]  # noqa: ANN201 - a test's way in
    """The guard of a board."""
    return depot.app.routes[0].app._guard  # type: ignore[attr-defined]


def test_the_last_administrator_stays(depot: Depot) -> None:
    """Nobody can take away the last account that may administer."""
    boss = depot.visitor("Quill")
    answer = boss.send("/accounts/Quill", "/accounts/Quill", what="account", role="look")
    assert (answer.status_code, "the last account that may administer" in answer.text) == (422, True)


def test_ones_own_password(depot: Depot) -> None:
    """The present one is asked for; a new one ends the other sessions, and the old one fits no more."""
    here, there = depot.visitor("Ferrow"), depot.visitor("Ferrow")
    old, new = PASSWORDS["Ferrow"], "two cable trunks and a rack"
    for fields, says in (
        ({"old": WRONG, "new": new, "again": new}, "not your present password"),
        ({"old": old, "new": new, "again": new + "!"}, "not the same"),
        ({"old": old, "new": "short", "again": "short"}, "at least 12 characters"),
    ):
        answer = here.send("/me", "/me/password", **fields)
        assert (answer.status_code, says in answer.text) == (422, True)
    assert here.send("/me", "/me/password", old=old, new=new, again=new).headers["location"] == "/me?done=password"
    assert here.get("/me").status_code == 200
    assert there.get("/me").status_code == 303
    assert there.log_in("Ferrow", old).status_code == 403
    assert there.log_in("Ferrow", new).status_code == 303


def test_guesses_at_the_present_password_are_counted(depot: Depot) -> None:
    """Who sits at another's open browser cannot try passwords there without end."""
    visitor = depot.visitor("Ferrow")
    new = "two cable trunks and a rack"
    said = [visitor.send("/me", "/me/password", old=WRONG, new=new, again=new).text for _ in range(5)]
    assert "too many tries" in said[-1]
    told = [each for each in kinds_of(depot) if each[0] == "password-refused"]
    assert told == [("password-refused", "Ferrow", "Ferrow")] * sum("not your present" in each for each in said) != []


@pytest.mark.parametrize(
    ("text", "path"),
    [
        ("/van/van-07?x=1", "/van/van-07?x=1"), ("//elsewhere.example/", "/"), ("https://elsewhere.example", "/"),
        ("/\\elsewhere.example", "/"), ("", "/"), ("/login?next=/", "/"), ("/a\r\nset-cookie: x", "/"),
        ("javascript:x", "/"),
    ],
)  # fmt: skip
def test_a_log_in_leads_to_this_board_only(text: str, path: str) -> None:
    """What `next` says is followed on this board alone."""
    assert own_path(text) == path


# -- failed log-ins ----------------------------------------------------------------------------------------------------


def test_failures_make_wait_and_a_restart_forgets_none(depot: Depot, tmp_path: Path) -> None:
    """Three wrong ones are free, then each waits longer, the right one too; another process on the database says so."""
    visitor = depot.visitor()
    assert [visitor.log_in("Sarre", WRONG).status_code for _ in range(4)] == [403, 403, 403, 429]
    answer = visitor.log_in("Sarre")
    assert (answer.status_code, answer.headers["retry-after"]) == (429, "3")
    assert "Wait 3 s and try again" in answer.text
    again = open_store(tmp_path / "dispatch.sqlite")
    other = Accounts(again, clock=depot.clock, passwords=Passwords(QUICK))
    assert isinstance(other.log_in("Sarre", PASSWORDS["Sarre"], address="10.0.0.9"), Waiting)
    again.close()
    depot.clock.utc_s += 2
    assert visitor.log_in("Sarre", WRONG).status_code == 403
    assert visitor.log_in("Sarre").headers["retry-after"] == "5", "the wait has doubled"
    depot.clock.utc_s += 4
    assert visitor.log_in("Sarre").status_code == 303
    assert depot.visitor().log_in("Sarre", WRONG).status_code == 403, "a log-in that went well begins anew"


def test_many_guesses_at_once_gain_nothing(depot: Depot) -> None:
    """Of a dozen log-ins sent at the same time three are looked at, as of a dozen one after another."""

    def guess(number: int) -> object:
        return depot.accounts.log_in("Sarre", WRONG, address=f"10.66.0.{number}")

    with ThreadPoolExecutor(12) as pool:
        said = list(pool.map(guess, range(12)))
    assert (said.count(None), sum(isinstance(each, Waiting) for each in said)) == (3, 9)


def test_nobody_shuts_another_out(depot: Depot) -> None:
    """While somebody guesses at an account for a day, its owner gets in by a browser that has logged in before."""
    owner, thief = depot.visitor("Sarre"), Visitor(depot.app, address="10.66.0.1")
    owner.send("/me", "/logout")
    for _ in range(40):
        thief.log_in("Sarre", WRONG)
        depot.clock.utc_s += 60
    thief.log_in("Sarre", WRONG)
    fresh = Visitor(depot.app, address="10.0.0.2")
    assert fresh.log_in("Sarre").status_code == 429
    assert owner.log_in("Sarre").status_code == 303
    depot.clock.utc_s += 60
    assert fresh.log_in("Sarre").status_code == 303, "and by any other within a minute"


def test_an_address_that_tries_many_names_waits(depot: Depot) -> None:
    """One address trying a name after another is slowed down, other addresses are not; unknown names answer alike."""
    thief = Visitor(depot.app, address="10.66.0.1")
    said = [thief.log_in(f"nobody {n}", WRONG) for n in range(16)]
    assert [each.status_code for each in said] == [403] * 15 + [429]
    known = Visitor(depot.app, address="10.0.0.2").log_in("Sarre", WRONG)
    strip = lambda text: text.split("<main")[1].split('name="form_token"')[0]  # noqa: E731 - once, here
    assert strip(known.text) == strip(said[0].text)
    with depot.store.reading() as connection:
        counted = sa.select(failure.c.times).where(failure.c.what == "address 10.66.0.1")
        assert connection.execute(counted).scalar() == 15


def test_a_known_browser_waits_for_no_neighbour(depot: Depot) -> None:
    """Behind one address, as a depot's router gives it, guesses of another shut out no browser known before."""
    owner, thief = depot.visitor("Sarre"), depot.visitor()
    owner.send("/me", "/logout")
    assert [thief.log_in(f"nobody {n}", WRONG).status_code for n in range(16)][-1] == 429
    assert depot.visitor().log_in("Sarre").status_code == 429, "a fresh browser there waits"
    assert owner.log_in("Sarre").status_code == 303
    owner.send("/me", "/logout")
    said = [owner.log_in("Sarre", WRONG).status_code for _ in range(6)]
    assert said == [403] * 5 + [429], "its own failures count still"


def test_a_network_of_ipv6_is_one_address(depot: Depot) -> None:
    """Whoever takes a fresh address of the same /64 for each try waits all the same."""
    said = [Visitor(depot.app, address=f"2001:db8:0:7::{n:x}").log_in(f"nobody {n}", WRONG) for n in range(16)]
    assert [each.status_code for each in said] == [403] * 15 + [429]
    assert Visitor(depot.app, address="2001:db8:0:8::1").log_in("nobody", WRONG).status_code == 403


def test_a_name_that_is_nobodys_is_not_kept(depot: Depot) -> None:
    """Whoever types the password into the field for the name does not find it in the log."""
    depot.visitor().log_in(PASSWORDS["Quill"], WRONG)
    assert kinds_of(depot, kind="login-failed") == [("login-failed", None, "no account's name")]


# -- the audit log -----------------------------------------------------------------------------------------------------


def test_every_change_is_told_with_before_and_after(depot: Depot) -> None:
    """Who, from where, what, before and after, without any secret; a page shows it by person, kind and day."""
    boss = Visitor(depot.app, address="10.0.0.7")
    boss.log_in("Quill")
    given = {"name": "Okafor", "role": "look", "password": "a trunk of cables more"}
    boss.send("/accounts", "/accounts", **given)
    boss.send("/accounts/Okafor", "/accounts/Okafor", what="account", role="dispatch")
    newest = AuditLog(depot.store).entries(Wanted(kind="account-changed"))[0]
    assert (newest.who, newest.origin, newest.subject) == ("Quill", "10.0.0.7", "Okafor")
    assert newest.before == '{"role":"look","badge":null,"disabled":false}'
    assert newest.after == '{"role":"dispatch","badge":null,"disabled":false}'
    text = repr(AuditLog(depot.store).entries(Wanted(), most=1000))
    assert "a trunk of cables more" not in text
    assert "argon2" not in text
    page = boss.get("/audit?who=Quill&kind=account-made&day=2026-03-02").text
    assert ("Okafor" in page, "account changed</div>" in page) == (True, False)
    assert "Nothing was done that fits" in boss.get("/audit?day=2026-03-03").text
    assert boss.get("/audit?day=yesterday").status_code == 400


def test_the_log_goes_on_page_by_page(depot: Depot) -> None:
    """A hundred entries a page, each shown once, however many come in between."""
    with depot.store.writing() as connection:
        for n in range(250):
            audit.keep(connection, COMMAND_LINE, "sites-changed", f"site {n}", at_s=NOW_S)
    boss, path, found = depot.visitor("Quill"), "/audit?kind=sites-changed", []
    while path:
        page = boss.get(path).text
        found += [part.split("<")[0] for part in page.split('<span class="name">site ')[1:]]
        path = page.split('href="/audit?')[1].split('"')[0] if "Older entries" in page else ""
        path = path and "/audit?" + path.replace("&amp;", "&")
        with depot.store.writing() as connection:
            audit.keep(connection, COMMAND_LINE, "sites-changed", "later", at_s=NOW_S)
    assert found == [str(n) for n in reversed(range(250))]


def test_a_spreadsheet_calculates_nothing(depot: Depot) -> None:
    """A cell that begins as a formula is text in the file (OWASP, CSV injection); the file is told in the log."""
    with depot.store.writing() as connection:
        audit.keep(connection, COMMAND_LINE, "sites-changed", '=HYPERLINK("http://elsewhere.example","x")', at_s=NOW_S)
    answer = depot.visitor("Quill").get("/audit.csv?kind=sites-changed")
    rows = list(csv.reader(io.StringIO(answer.text)))
    assert rows[0] == ["number", "at", "who", "from", "kind", "subject", "before", "after"]
    assert rows[1][5] == '\'=HYPERLINK("http://elsewhere.example","x")'
    for each in ("+1", "-1", "@SUM(A1)", "\t=1", "  =1", "＝1"):  # noqa: RUF001 - a full-width one too
        assert guarded(each).startswith("'")
    for cell, told in (
        ("a;=1+1", "a;'=1+1"), ("a\t@SUM(A1)", "a\t'@SUM(A1)"), ('a; "-1', "a; \"'-1"), ("a\n+1", "a\n'+1"),
        ("a;b\tc", "a;b\tc"), ("1-2=3", "1-2=3"),
    ):  # fmt: skip
        assert guarded(cell) == told
    assert guarded("Quay Seven stage") == "Quay Seven stage"
    assert kinds_of(depot)[-1] == ("audit-taken", "Quill", "")


def test_nothing_in_the_program_changes_the_log() -> None:
    """No call of `update` or `delete` anywhere in the dispatch side names the audit table."""
    seen = 0
    for path in Path(audit.__file__).parent.rglob("*.py"):
        names = {"audit_table"} | ({"audit"} if path.name in ("audit.py", "schema_accounts.py") else set())
        names |= {"entries"} if path.name == "people.py" else set()
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.args:
                seen += node.func.attr == "delete"
                if node.func.attr in ("update", "delete") and isinstance(node.args[0], ast.Name):
                    assert node.args[0].id not in names, f"{path.name}, line {node.lineno}"
    assert seen > 5


def test_an_entry_stands_or_falls_with_its_change(depot: Depot) -> None:
    """A change that fails leaves no entry, and the entry's number is never given again."""

    def change() -> None:
        with depot.store.writing() as connection:
            audit.keep(connection, COMMAND_LINE, "sites-changed", "x", at_s=NOW_S)
            raise RuntimeError

    with pytest.raises(RuntimeError):
        change()
    assert kinds_of(depot, kind="sites-changed") == []
    assert audit_table.dialect_options["sqlite"]["autoincrement"] is True


# -- the command line --------------------------------------------------------------------------------------------------


def command(*words: str) -> int:
    """`roadtally dispatch …`."""
    parser = argparse.ArgumentParser()
    add_arguments(parser)
    return run(parser.parse_args(words))


def test_accounts_on_the_command_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Made, listed, disabled, enabled; the password comes from a file, and what cannot be is refused in words."""
    config, secret = tmp_path / "dispatch.toml", tmp_path / "secret"
    config.write_text("")
    secret.write_text("seven moving heads here\nnot this line")
    at = ("--config", str(config))
    assert command("account", "add", "Quill", "--role", "administer", "--password-file", str(secret), *at) == 0
    assert "It is the first one" in capsys.readouterr().out
    assert command(*at, "account", "add", "Quill", "--role", "look", "--password-file", str(secret)) == 1
    assert "there is an account Quill already" in capsys.readouterr().err
    assert command("account", "disable", "Quill", *at) == 1
    assert "the last account that may administer" in capsys.readouterr().err
    assert command("account", "list", *at) == 0
    assert capsys.readouterr().out.startswith("Quill\tadminister\t0 sessions\tmade 20")
    secret.write_text("short\n")
    assert command("account", "password", "Quill", "--password-file", str(secret), *at) == 1
    with pytest.raises(ConfigError, match="cannot be read"):
        command("account", "password", "Quill", "--password-file", str(tmp_path / "nowhere"), *at)
    assert command() == 2


def test_a_password_is_asked_twice(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """On a terminal both must be the same."""
    config = tmp_path / "dispatch.toml"
    config.write_text("")
    told = iter(["seven moving heads here", "seven moving head here", *["seven moving heads here"] * 2])
    monkeypatch.setattr("agent.dispatch.account_command.run.__kwdefaults__", {"ask": lambda _prompt: next(told)})
    at = ("--config", str(config))
    assert command("account", "add", "Quill", "--role", "administer", *at) == 1
    assert command("account", "add", "Quill", "--role", "administer", *at) == 0
    assert stat.S_ISREG((tmp_path / "dispatch.db").stat().st_mode)


# -- who may reach the board -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("source", "says"),
    [
        ('host = "0.0.0.0"', "nobody has to log in"),
        ('host = "0.0.0.0"\nlog_in = true', "in the clear"),
        ('host = "0.0.0.0"\nlog_in = true\nbehind_tls = true', "past the proxy"),
        ('host = "0.0.0.0"\nlog_in = true\ncert_file = "a"', "needs its key"),
        ("log_in = true\nallow_without_login = true", "the opposite"),
        ('host = "0.0.0.0"\nlog_in = true\ncert_file = "a"\nkey_file = "b"', ""),
        ('log_in = true\nbehind_tls = true\nname = "dispatch.depot.example"', ""),
        ('host = "0.0.0.0"\nallow_without_login = true', ""),
    ],
)
def test_a_network_board_asks_for_log_in_and_tls(source: str, says: str) -> None:
    """Others than this computer reach the board by log-in under TLS, or where it is written that all may see it."""
    if not says:
        parse_dispatch(f"[dispatch]\n{source}\n", file="d")
        return
    with pytest.raises(ConfigError, match=says):
        parse_dispatch(f"[dispatch]\n{source}\n", file="d")


def test_a_name_is_one_that_can_be_told(depot: Depot) -> None:
    """Names of blanks, marks or control characters, a role that is none, a badge that is none: refused in words."""
    for name, role, badge in (
        ("", "look", None), ("-x", "look", None), ("a\u202eb", "look", None), ("x" * 61, "look", None),
        ("Okafor", "boss", None), ("Okafor", "look", "4711"), ("Sarre", "look", None),
    ):  # fmt: skip
        with pytest.raises(RefusedError):
            depot.accounts.make(name, role, "a trunk of cables more", COMMAND_LINE, badge=badge)
