"""Takes the README's pictures of the board from a demo: `make pictures`, or `python -m tests.pictures.take`.

Seed, speed and moment are fixed, so that they show the same day each time; look at them before committing them. Needs
Debian's chromium. About two minutes.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import httpx
from playwright.sync_api import Browser, sync_playwright

from agent.units import format_utc, parse_utc

HERE = Path(__file__).parent
SEED, SPEED, PORT = 2, 120, 8490
# Late in the morning of that seed's day: on the way with 46 things aboard, and online.
MOMENT = parse_utc("2026-03-04T11:20:00.000Z")
LONGEST_WAIT_S = 300.0
MOST_BYTES = 300_000
PICTURES = (
    ("vans-1280.png", "/", 1280, 760),
    ("vans-390.png", "/", 390, 844),
    ("van-1280.png", "/van/van-07", 1280, 1000),
)


def main() -> int:
    """Start a demo, wait for the moment, take every picture, end the demo; 1 where a picture is too large."""
    options = ["--seed", str(SEED), "--speed", str(SPEED), "--port", str(PORT)]
    demo = subprocess.Popen(
        [sys.executable, "-m", "agent", "demo", *options], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    )
    try:
        board = address_of(demo)
        wait(lambda: shown_s(board) >= MOMENT, f"the dispatch clock to reach {format_utc(MOMENT)}")
        with sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
            sizes = {name: take(browser, board + path, HERE / name, size) for name, path, *size in PICTURES}
            browser.close()
    finally:
        demo.terminate()
        demo.communicate(timeout=30)
    for name, size in sizes.items():
        sys.stdout.write(f"{name}: {size / 1000:.0f} kB{'' if size <= MOST_BYTES else ', too large'}\n")
    return int(max(sizes.values()) > MOST_BYTES)


def address_of(demo: subprocess.Popen[str]) -> str:
    """The page's address, which the demo prints at its top."""
    assert demo.stdout is not None
    for line in demo.stdout:
        found = re.search(r"http://127\.0\.0\.1:\d+", line)
        if found:
            return found.group()
    raise SystemExit("the demo ended without saying where its page is")


def shown_s(board: str) -> float:
    """The dispatch clock of the board, seconds since 1970; 0 while nobody answers."""
    try:
        found = re.search(r'data-now="([\d.]+)"', httpx.get(board).text)
    except httpx.HTTPError:
        return 0.0
    return float(found.group(1)) if found else 0.0


def wait(condition: Callable[[], bool], what: str) -> None:
    """Until `condition` holds; SystemExit past the deadline."""
    deadline = time.monotonic() + LONGEST_WAIT_S
    while not condition():
        if time.monotonic() > deadline:
            raise SystemExit(f"waited in vain for {what}")
        time.sleep(0.5)


def take(browser: Browser, address: str, picture: Path, size: list[int]) -> int:
    """A page as it first shows on a screen of `size`; returns the picture's bytes."""
    width, height = size
    page = browser.new_page(viewport={"width": width, "height": height}, color_scheme="light")
    page.goto(address)
    if page.locator("#map").count():
        page.locator(".van-mark").wait_for()
    page.screenshot(path=picture)
    page.close()
    return picture.stat().st_size


if __name__ == "__main__":
    sys.exit(main())
