"""A real browser for the page's tests."""

import re
import shutil
import time
from collections.abc import Iterator
from contextlib import contextmanager

from tests.parts import need_python

playwright = need_python("playwright.sync_api", "pip install playwright")

CHROMIUM = next((p for p in map(shutil.which, ("chromium", "chromium-browser", "google-chrome")) if p), None)
LIVE = "body[data-link=live]"


@contextmanager
def chromium() -> Iterator["playwright.Browser"]:
    with playwright.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        try:
            yield browser
        finally:
            browser.close()


@contextmanager
def opened(
    browser: "playwright.Browser", address: str, size=(1280, 720), scheme: str = "light"
) -> Iterator["playwright.Page"]:
    """A page that must not log an error, nor ask for anything from elsewhere."""
    context = browser.new_context(viewport={"width": size[0], "height": size[1]}, color_scheme=scheme)
    page = context.new_page()
    wrong: list[str] = []
    page.on("pageerror", lambda error: wrong.append(str(error)))
    own = re.match(r"https?://[^/]+/", address)[0]
    page.on(
        "request", lambda request: None if request.url.startswith(own) else wrong.append(f"asked for {request.url}")
    )
    page.goto(address)
    try:
        yield page
    finally:
        context.close()
    assert not wrong, wrong


def shown_cover(page: "playwright.Page") -> float:
    """How much of the cover NOT LIVE is seen: 0 to 1."""
    return float(page.evaluate("getComputedStyle(document.getElementById('dead')).opacity"))



def until(page: "playwright.Page", script: str, within_s: float = 30.0) -> None:
    """Waits until the script gives something true. (The page's own policy forbids Playwright's way of waiting.)"""
    ends_s = time.monotonic() + within_s
    while not page.evaluate(script):
        assert time.monotonic() < ends_s, f"not within {within_s:g} s: {script}"
        page.wait_for_timeout(30)
