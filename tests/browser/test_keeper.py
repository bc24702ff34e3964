"""What a keeper does on the pages, in a real browser."""

from __future__ import annotations

import re
from pathlib import Path

from browser_tools import Opener, sign_in
from pages_process import pages
from playwright.sync_api import expect

from loggerd.settings.load import load_settings
from loggerd.store.record import RecordReader


def test_the_answer_comes_first_and_names_the_bad_block(opened: Opener, address: str) -> None:
    page = opened()
    sign_in(page, address)

    expect(page.get_by_role("heading", level=1)).to_contain_text("Go there this week")
    box = page.get_by_role("heading", level=1).bounding_box()
    assert box is not None
    assert box["y"] < 300, "the verdict is on the first screen of a phone"
    expect(page.get_by_text(re.compile("Block 5, the one to watch"))).to_be_visible()


def test_a_cycle_opens_to_its_curve_with_phases(opened: Opener, address: str) -> None:
    page = opened(1280)
    sign_in(page, address)
    page.get_by_role("link", name="Cycles", exact=True).click()
    table = page.get_by_role("table").first
    table.get_by_role("link").first.click()

    expect(page.get_by_role("heading", level=1)).to_contain_text("Cycle")
    expect(page.locator("main svg").first).to_be_visible()
    expect(page.locator("main")).to_contain_text("discharge")


def test_an_alarm_is_acknowledged(opened: Opener, site_copy: Path) -> None:
    with pages(site_copy) as (_, address):
        page = opened()
        sign_in(page, address)
        page.get_by_role("link", name="Alarms", exact=True).click()
        page.get_by_role("button", name="Acknowledge").first.click()
        page.wait_for_load_state()
        expect(page.locator("main")).to_contain_text(re.compile("acknowledged", re.IGNORECASE))
    settings = load_settings(site_copy / "site.toml")
    reader = RecordReader.open(Path(settings.record.path))
    assert "anna" in {one.acknowledged_by for one in reader.alarms()}
    reader.close()


def test_a_round_with_decimal_commas_lands_as_numbers(opened: Opener, site_copy: Path) -> None:
    with pages(site_copy) as (_, address):
        page = opened()
        sign_in(page, address)
        page.goto(f"{address}/bank/house/log/new?kind=hydrometer_round")
        cells = page.get_by_placeholder("SG")
        assert cells.count() == 24
        for number in range(24):
            cells.nth(number).fill("1,265" if number != 13 else "1,225")
        page.get_by_label("Temperature of the electrolyte, the same for all").fill("21,5")
        page.get_by_role("button", name="Write it down").click()
        page.wait_for_url(re.compile(r"/bank/house/log(\?|$)"))
        expect(page.locator("main")).to_contain_text(re.compile("Hydrometer round", re.IGNORECASE))
    settings = load_settings(site_copy / "site.toml")
    reader = RecordReader.open(Path(settings.record.path))
    (taken,) = reader.log_entries("house")
    reader.close()
    assert taken.entry.kind == "hydrometer_round"
    assert "1.225" in str(taken.entry.data)
    assert "21.5" in str(taken.entry.data)


def test_a_sheet_is_printed_without_what_only_a_screen_needs(opened: Opener, address: str, tmp_path: Path) -> None:
    page = opened(1280)
    sign_in(page, address)
    page.emulate_media(media="print")

    expect(page.get_by_role("heading", level=1)).to_be_visible()
    expect(page.locator("nav").first).to_be_hidden()
    sheet = tmp_path / "sheet.pdf"
    page.pdf(path=sheet, format="A4")
    assert sheet.read_bytes().startswith(b"%PDF-")


def test_a_live_value_changes_and_a_lost_server_is_told(opened: Opener, site_copy: Path) -> None:
    with pages(site_copy, "--reading") as (process, address):
        page = opened()
        sign_in(page, address)
        page.goto(f"{address}/bank/house")
        expect(page.locator("main")).to_contain_text("49.80 V", timeout=60_000)
        expect(page.locator("main")).to_contain_text("49.95 V", timeout=60_000)
        process.kill()
        expect(page.locator("main")).to_contain_text(re.compile("no connection to the logger", re.IGNORECASE))


def test_pages_are_whole_without_scripts(opened: Opener, site_copy: Path) -> None:
    with pages(site_copy) as (_, address):
        page = opened(360, java_script_enabled=False)
        sign_in(page, address)
        expect(page.get_by_role("heading", level=1)).to_contain_text("Go there this week")
        expect(page.get_by_text(re.compile("Voltage"))).to_be_visible()
        page.goto(f"{address}/bank/house/curves")
        expect(page.locator("main svg").first).to_be_visible()
        page.goto(f"{address}/alarms")
        page.get_by_role("button", name="Acknowledge").first.click()
        page.wait_for_load_state()
        expect(page.locator("main")).to_contain_text(re.compile("acknowledged", re.IGNORECASE))


def test_a_reader_sees_no_buttons(opened: Opener, address: str) -> None:
    page = opened()
    sign_in(page, address, "ben")
    page.goto(f"{address}/alarms")

    expect(page.get_by_role("button", name="Acknowledge")).to_have_count(0)


def test_names_with_markup_are_text(opened: Opener, site_copy: Path) -> None:
    settings = site_copy / "site.toml"
    hostile = '<img src=x onerror=\\"document.title=1\\">'
    text = settings.read_text(encoding="utf-8")
    settings.write_text(text.replace('name = "Cabin above the lake"', f'name = "{hostile}"'), encoding="utf-8")
    with pages(site_copy) as (_, address):
        page = opened()
        sign_in(page, address)
        expect(page.locator("header")).to_contain_text("<img src=x onerror=")
        assert page.locator("img[src=x]").count() == 0
