"""A real browser (Debian's chromium, driven by Playwright) on the pages of a seeded site, served by a process."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from browser_tools import Opener, access
from pages_process import pages
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright
from seeded_site import weak_cabin

CHROMIUM = shutil.which("chromium") or "/usr/bin/chromium"
ARGUMENTS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
]  # fmt: skip


_LOST = re.compile("ERR_(INCOMPLETE_CHUNKED_ENCODING|CONNECTION_REFUSED|CONNECTION_RESET|EMPTY_RESPONSE)")


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Of one module: Playwright keeps an event loop running in this thread, with which no other test could have one."""
    with sync_playwright() as driver:
        one = driver.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield one
        one.close()


@pytest.fixture(scope="session")
def weak_site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the seeded cabin, a keeper and a reader."""
    folder = tmp_path_factory.mktemp("site")
    weak_cabin(folder)
    access(folder, "add", "anna", "--role", "keeper", "--password-stdin")
    access(folder, "add", "ben", "--role", "reader", "--password-stdin")
    return folder


@pytest.fixture
def site_copy(weak_site: Path, tmp_path: Path) -> Path:
    """A copy that a test may change."""
    for path in weak_site.iterdir():
        if path.is_file():
            shutil.copy(path, tmp_path / path.name)
    return tmp_path


@pytest.fixture(scope="session")
def address(weak_site: Path) -> Iterator[str]:
    """Pages that tests only look at."""
    with pages(weak_site) as (_, where):
        yield where


@pytest.fixture
def opened(browser: Browser) -> Iterator[Opener]:
    """Opens a page in a browser of its own; what its console complains of fails the test."""
    contexts: list[BrowserContext] = []
    complaints: list[str] = []

    def open_page(width: int = 360, height: int = 740, **options: object) -> Page:
        context = browser.new_context(viewport={"width": width, "height": height}, **options)  # type: ignore[arg-type]
        context.set_default_timeout(20_000)
        contexts.append(context)
        page = context.new_page()
        page.on("console", lambda one: complaints.append(one.text) if one.type == "error" else None)
        page.on("pageerror", lambda one: complaints.append(str(one)))
        return page

    yield open_page
    for context in contexts:
        context.close()
    # Servers end before browsers do here: that a stream broke off then is no fault of the page.
    assert [one for one in complaints if not _LOST.search(one)] == []
