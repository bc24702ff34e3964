"""Signing in and being let in, for tests in a browser."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

from playwright.sync_api import Page

PASSWORD = "rain on a tin roof"
PICTURES = Path(__file__).parents[2] / "build" / "pages"
"""Where pages are written as pictures, to be looked at."""


def access(folder: Path, *words: str, password: str = PASSWORD) -> str:
    """`loggerd access` on the site in a folder."""
    command = [sys.executable, "-m", "loggerd", "access", str(folder / "site.toml"), *words]
    done = subprocess.run(command, input=f"{password}\n", text=True, capture_output=True, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout


Opener = Callable[..., Page]


def sign_in(page: Page, address: str, name: str = "anna") -> None:
    page.goto(f"{address}/sign-in")
    page.get_by_label("Name").fill(name)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url(f"{address}/")
