"""Every page in a real browser: as pictures to be looked at, without faults of accessibility, within its width."""

from __future__ import annotations

import re

import pytest
from axe_playwright_python.sync_playwright import Axe
from browser_tools import PICTURES, Opener, sign_in
from playwright.sync_api import Page

PATHS = (
    "/", "/bank/house", "/bank/house/cycles", "/bank/house/months", "/bank/house/curves", "/bank/house/limits",
    "/bank/house/log", "/bank/house/log/new", "/bank/house/log/new?kind=hydrometer_round", "/log", "/alarms",
    "/alarms/history", "/logger", "/account", "/api",
)  # fmt: skip
SERIOUS = ("serious", "critical")


def _name(path: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", path.strip("/")) or "first"


def _faults(page: Page) -> list[str]:
    """What axe-core finds that is serious (https://github.com/dequelabs/axe-core, its own grading)."""
    found = Axe().run(page).response["violations"]
    return [
        f"{one['id']}: {one['help']} ({node['html'][:200]})"
        for one in found
        if one["impact"] in SERIOUS
        for node in one["nodes"]
    ]


@pytest.mark.parametrize("width", [360, 1280])
def test_each_page_fits_and_is_drawn(opened: Opener, address: str, width: int) -> None:
    PICTURES.mkdir(parents=True, exist_ok=True)
    page = opened(width)
    page.goto(f"{address}/sign-in")
    page.screenshot(path=PICTURES / f"sign-in-{width}.png", full_page=True)
    sign_in(page, address)
    wide = []
    for path in PATHS:
        answer = page.goto(f"{address}{path}")
        assert answer is not None
        assert answer.status == 200, path
        page.screenshot(path=PICTURES / f"{_name(path)}-{width}.png", full_page=True)
        if page.evaluate("document.documentElement.scrollWidth") > width:
            wide.append(path)
    assert wide == []


@pytest.mark.parametrize("colours", ["light", "dark"])
def test_each_page_can_be_used_by_everybody(opened: Opener, address: str, colours: str) -> None:
    page = opened(360, color_scheme=colours, bypass_csp=True)
    page.goto(f"{address}/sign-in")
    found = {"/sign-in": _faults(page)}
    sign_in(page, address)
    for path in PATHS:
        page.goto(f"{address}{path}")
        page.evaluate("document.querySelectorAll('details').forEach(one => { one.open = true })")
        found[path] = _faults(page)

    assert {path: faults for path, faults in found.items() if faults} == {}


def test_axe_sees_a_fault_where_there_is_one(opened: Opener, address: str) -> None:
    page = opened(360, bypass_csp=True)
    page.goto(f"{address}/sign-in")
    page.evaluate("document.querySelectorAll('label').forEach(one => one.remove())")

    assert any(one.startswith("label") for one in _faults(page))


def test_the_first_page_is_small(opened: Opener, address: str) -> None:
    """Complete in three seconds at 64 kbit/s are 24 kB with everything; the line's delay takes of that."""
    page = opened()
    sign_in(page, address)
    sizes: list[int] = []
    page.on("requestfinished", lambda request: sizes.append(sum(_transferred(request))))
    page.context.clear_cookies(name="nothing")
    page.reload()
    page.wait_for_timeout(500)

    assert len(sizes) >= 2
    assert sum(sizes) < 22_000, sizes


def _transferred(request: object) -> tuple[int, int]:
    sizes = request.sizes()  # type: ignore[attr-defined]
    return sizes["responseBodySize"], sizes["responseHeadersSize"]
