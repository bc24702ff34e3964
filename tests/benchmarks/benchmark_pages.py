"""Time of the server for each page over a five-year record, memory of the pages, and the first page over a thin line.

Run: python tests/benchmarks/benchmark_pages.py [--months 60]
The record tells of months of a golf fleet (three banks, 28 channels), made of one month repeated: what pages read is
there as after years of service. Times are of whole requests to the application, over loopback, the median of five.
"""

from __future__ import annotations

import argparse
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import httpx
from playwright.sync_api import sync_playwright
from showing import add_helpers, machine, resident_bytes, show, title

add_helpers()
from long_record import MONTH_MS, long_record  # noqa: E402
from pages_process import pages  # noqa: E402
from seeded_site import END_MS  # noqa: E402

AIM_MS, AIM_MEGABYTES, AIM_PAGE_BYTES, AIM_SECONDS = 150.0, 150.0, 100_000, 3.0
_PASSWORD = "a barrel of salt water"
_BANK = "/bank/cart_2"
_LOADED = "performance.getEntriesByType('navigation')[0].loadEventEnd"
_BYTES = """[...performance.getEntriesByType('navigation'), ...performance.getEntriesByType('resource')]
    .reduce((sum, one) => sum + one.transferSize, 0)"""


def addresses(months: int) -> list[str]:
    """Every page with what makes it dear: the whole record, a year."""
    year = f"from={_date(END_MS - 12 * MONTH_MS)}&until={_date(END_MS)}"
    every = f"from={_date(END_MS - months * MONTH_MS)}&until={_date(END_MS)}"
    return [
        "/", _BANK, f"{_BANK}/cycles", f"{_BANK}/cycles?{every}", f"{_BANK}/months", f"{_BANK}/curves",
        f"{_BANK}/curves?{year}", f"{_BANK}/curves?{every}", f"{_BANK}/limits", f"{_BANK}/log", "/log", "/alarms",
        "/alarms/history", "/logger", "/account",
    ]  # fmt: skip


def _date(at_ms: int) -> str:
    return time.strftime("%Y-%m-%d", time.gmtime(at_ms / 1000))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--months", type=int, default=60)
    options = parser.parse_args()
    print(machine())
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        settings = long_record(folder, options.months, "golf")
        channels = len({(one.bank, channel.channel) for one in settings.devices for channel in one.channels})
        size = Path(settings.record.path).stat().st_size / 1e6
        title(f"pages over {options.months} months, {channels} channels, record of {size:.0f} MB")
        command = [sys.executable, "-m", "loggerd", "access", str(folder / "site.toml"), "add", "anna"]
        words = ["--role", "keeper", "--password-stdin"]
        subprocess.run([*command, *words], input=f"{_PASSWORD}\n", text=True, check=True, capture_output=True)
        with pages(folder) as (process, address):
            _time_pages(address, options.months)
            _time_thin_line(address)
            show("memory of the pages' process", resident_bytes(process.pid, "VmHWM") / 1e6, "MB", AIM_MEGABYTES)


def _time_pages(address: str, months: int) -> None:
    with httpx.Client(base_url=address, timeout=60, headers={"Accept-Encoding": "gzip"}) as client:
        form = {"name": "anna", "password": _PASSWORD, "next": "/"}
        signed = client.post("/sign-in", data=form, headers={"Origin": address, "Sec-Fetch-Site": "same-origin"})
        assert signed.status_code == 303, signed.text
        for path in addresses(months):
            times = []
            for _ in range(5):
                begun = time.perf_counter()
                answer = client.get(path)
                times.append((time.perf_counter() - begun) * 1000)
            if answer.status_code != 200:
                print(f"  {path:<62} NOT MEASURED: {answer.status_code}")
                continue
            show(path, statistics.median(times), "ms", AIM_MS)


def _time_thin_line(address: str) -> None:
    """The first page in chromium, nothing kept from before, at 64 kbit/s with 300 ms of delay."""
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
        page = browser.new_context(viewport={"width": 360, "height": 740}).new_page()
        page.goto(f"{address}/sign-in")
        page.get_by_label("Name").fill("anna")
        page.get_by_label("Password").fill(_PASSWORD)
        page.get_by_role("button", name="Sign in").click()
        page.wait_for_url(f"{address}/")
        line = page.context.new_cdp_session(page)
        line.send("Network.enable")
        line.send("Network.setCacheDisabled", {"cacheDisabled": True})
        speed = {"offline": False, "latency": 300, "downloadThroughput": 8000, "uploadThroughput": 8000}
        line.send("Network.emulateNetworkConditions", speed)
        seconds, sizes = [], []
        for _ in range(3):
            page.goto(f"{address}{_BANK}", wait_until="load")
            seconds.append(page.evaluate(_LOADED) / 1000)
            sizes.append(page.evaluate(_BYTES))
        browser.close()
    show("answer page of a bank, all that is transferred", max(sizes), "bytes", AIM_PAGE_BYTES)
    show("complete at 64 kbit/s", statistics.median(seconds), "s", AIM_SECONDS)


if __name__ == "__main__":
    main()
