"""Log-in and the pages of people in a real browser: by keyboard alone, on a phone and a desk, light and dark."""

from __future__ import annotations

import ssl
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import httpx
import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page

from agent.dispatch import guard
from agent.dispatch.accounts import Accounts
from agent.dispatch.audit import COMMAND_LINE, Doer, keep
from agent.dispatch.loaded import load
from agent.dispatch.main import Dispatch
from agent.dispatch.passwords import Passwords
from tests.dispatch.conftest import free_port, until
from tests.dispatch.scenario import BADGE, HOSTILE, fill, write_sites
from tests.dispatch.test_board import StoppedClock
from tests.dispatch.visitor import NOW_S, PASSWORDS, QUICK, ROLES
from tests.dispatch.watching import Watched

pytestmark = pytest.mark.integration
# What WCAG 2.2 asks at level AAA for text in sunlight, beside axe's own rules.
AXE = {"resultTypes": ["violations"], "rules": {"color-contrast-enhanced": {"enabled": True}}}
BADGE_PAGE = f"/badge/{BADGE['epc']}"
PAGES = ("/me", "/accounts", "/accounts/Ferrow", "/audit", "/api-access", BADGE_PAGE)


@pytest.fixture
def dispatch(tmp_path: Path) -> Iterator[Dispatch]:
    """A running dispatch side, without a broker, with an account of each role."""
    write_sites(tmp_path / "geofences")
    config = tmp_path / "dispatch.toml"
    config.write_text(
        f'[dispatch]\nport = {free_port()}\n[mqtt]\nport = {free_port()}\n[sites]\ndir = "geofences"\n'
    )
    running = Dispatch(load(config), clock=StoppedClock(NOW_S))
    fill(running.store, now_s=NOW_S)
    quick = Accounts(running.store, clock=StoppedClock(NOW_S), passwords=Passwords(QUICK))
    for name, role in ROLES.items():
        quick.make(name, role, PASSWORDS[name], COMMAND_LINE, badge=BADGE["epc"] if name == "Ferrow" else None)
    with running:
        until(lambda: running.is_ready, "the board to answer")
        yield running


def log_in(page: Page, name: str) -> None:
    """By the form."""
    page.get_by_label("Name", exact=True).fill(name)
    page.get_by_label("Password").fill(PASSWORDS[name])
    page.get_by_role("button", name="Log in").click()
    page.wait_for_url(lambda url: "/login" not in url)


def tab_to(page: Page, what: str) -> None:
    """Press Tab until the element with this text has the focus, which must then be seen."""
    for _ in range(40):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.textContent.trim()") == what:
            assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") != "none"
            return
    raise AssertionError(f"Tab never came to {what}")


@pytest.mark.parametrize("script", [True, False])
def test_in_and_out_by_the_keyboard(watch: Callable[..., Watched], dispatch: Dispatch, *, script: bool) -> None:
    """Log in, look, log out without a mouse, with script and without; the fields are those a password manager fills."""
    watched = watch("/van/van-07", java_script_enabled=script)
    page = watched.page
    assert "/login?next=%2Fvan%2Fvan-07" in page.url
    fields = page.locator("input:not([type=hidden])")
    assert [fields.nth(n).get_attribute("autocomplete") for n in range(2)] == ["username", "current-password"]
    assert page.locator("input[name=name]:focus").count() == 1, "the first field has the focus"
    page.keyboard.type("Ferrow")
    page.keyboard.press("Tab")
    page.keyboard.type("wrong to begin with")
    page.keyboard.press("Enter")
    page.get_by_text("Name and password do not fit").wait_for()
    assert "403" in watched.wrong.pop(), "which the browser notes, rightly"
    assert page.locator("input[name=name]").input_value() == "Ferrow"
    assert page.locator("input[name=password]:focus").count() == 1, "now the password's"
    page.keyboard.type(PASSWORDS["Ferrow"])
    page.keyboard.press("Enter")
    page.wait_for_url("**/van/van-07")
    assert page.get_by_role("heading", name="van-07").is_visible()
    if script:
        tab_to(page, "Ferrow")
    else:
        page.get_by_role("link", name="Ferrow", exact=True).focus()
    page.keyboard.press("Enter")
    page.wait_for_url("**/me")
    if script:
        tab_to(page, "Log out")
    else:
        page.get_by_role("button", name="Log out", exact=True).focus()
    page.keyboard.press("Enter")
    page.wait_for_url("**/login")
    page.goto(dispatch.address)
    assert "/login" in page.url


def test_a_page_left_open_leaves(
    watch: Callable[..., Watched], dispatch: Dispatch, monkeypatch: pytest.MonkeyPatch
) -> None:
    """When an administrator ends a session, its open page goes to the log-in page by itself."""
    monkeypatch.setattr(guard, "_LOOK_AT_SESSION_EVERY_S", 0.2)
    page = watch("/").page
    with page.expect_response(lambda answer: "/live" in answer.url):
        log_in(page, "Sarre")
    dispatch.accounts.end_sessions("Sarre", Doer("Quill", "test"))
    page.wait_for_url("**/login")


def test_an_administrators_morning(watch: Callable[..., Watched], dispatch: Dispatch) -> None:
    """An account is made and changed, a token made, seen once and revoked, and the log tells all of it."""
    page = watch("/accounts").page
    log_in(page, "Quill")
    page.get_by_label("Name", exact=True).fill("Okafor")
    page.get_by_label("Role").select_option("dispatch")
    page.get_by_label("Password").fill("a trunk of cables more")
    page.get_by_role("button", name="Make the account").click()
    page.get_by_text("is made. Tell the person").wait_for()
    page.get_by_role("link", name="Okafor").click()
    page.get_by_label("Disabled").check()
    page.get_by_role("button", name="Keep this").click()
    page.get_by_text("Done, and kept in the audit log").wait_for()
    page.goto(dispatch.address + "api-access")
    page.get_by_label("What it is for").fill("stock list")
    page.get_by_label("read:items").check()
    page.get_by_role("button", name="Make the token").click()
    secret = page.locator("#secret").inner_text()
    answer = httpx.get(dispatch.address + "api/1/items", headers={"authorization": f"Bearer {secret}"})
    assert answer.status_code == 200
    page.get_by_role("button", name="Revoke stock list").click()
    page.get_by_text("revoked").first.wait_for()
    page.goto(dispatch.address + "audit?who=Quill")
    shown = page.locator("tbody tr td:nth-child(3)").all_inner_texts()
    assert shown == ["API token revoked", "API token made", "account changed", "account made", "logged in"]


@pytest.mark.parametrize(("width", "scheme"), [(320, "dark"), (1280, "light")])
def test_pages_fit_and_axe_finds_nothing(
    watch: Callable[..., Watched], dispatch: Dispatch, width: int, scheme: str
) -> None:
    """No violation by axe-core, 7:1 included; nothing scrolls sideways; every target is 44 px; hostile names."""
    with dispatch.store.writing() as connection:
        keep(connection, Doer(HOSTILE[:80], "10.0.0.7"), "sites-changed", HOSTILE, at_s=NOW_S, after={"name": HOSTILE})
    dispatch.accounts.make_token(HOSTILE[:90], ["read:vans", "read:people"], Doer("Quill", "test"))
    watched = watch("/", width=width, scheme=scheme)
    page = watched.page
    for path in ("/login", *PAGES):
        if path == "/me":
            log_in(page, "Quill")
        page.goto(dispatch.address.rstrip("/") + path)
        found = Axe().run(page, options=AXE).response["violations"]
        assert found == [], (path, [(each["id"], each["nodes"][0]["html"][:200]) for each in found])
        assert watched.fits(), path
        assert watched.small_targets() == [], path
        small = page.evaluate(
            """[...document.querySelectorAll("input:not([type=checkbox]), select, textarea, label.choice")]
               .filter((each) => each.offsetHeight && each.offsetHeight < 44).map((each) => each.outerHTML)"""
        )
        assert small == [], path


def test_the_board_takes_tls_itself(tmp_path: Path) -> None:
    """With its own certificate the board answers by https, and its cookies are Secure and bound to the host."""
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes", "-days", "2",
         "-subj", "/CN=localhost", "-addext", "subjectAltName=DNS:localhost,IP:127.0.0.1",
         "-keyout", tmp_path / "board.key", "-out", tmp_path / "board.crt"],
        check=True, capture_output=True,
    )  # fmt: skip
    config = tmp_path / "dispatch.toml"
    config.write_text(
        f'[dispatch]\nport = {free_port()}\nlog_in = true\ncert_file = "board.crt"\nkey_file = "board.key"\n'
        f"[mqtt]\nport = {free_port()}\n"
    )
    context = ssl.create_default_context(cafile=str(tmp_path / "board.crt"))
    with Dispatch(load(config)) as running:
        until(lambda: running.is_ready, "the board to answer")
        assert running.address.startswith("https://")
        answer = httpx.get(running.address + "login", verify=context)
        assert answer.headers["set-cookie"].startswith("__Host-roadtally-form=")
        assert "Secure" in answer.headers["set-cookie"]
        assert httpx.get(running.address, verify=context).status_code == 303
