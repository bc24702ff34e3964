"""The ledger of cycles a page at a time, one cycle in full, and the same as a file."""

from __future__ import annotations

import csv
import io
import re
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from seeded_site import END_MS, weak_cabin
from web_client import TestClient, client_of

from loggerd.ledger_view import view_ledger
from loggerd.model.ledger import LedgerName
from loggerd.outputs.web import cycles
from loggerd.settings.site import SiteSettings
from loggerd.store.record import EntryWish, RecordReader, RecordWriter


@pytest.fixture
def site(tmp_path: Path) -> SiteSettings:
    return weak_cabin(tmp_path)


@pytest.fixture
def client(site: SiteSettings) -> TestClient:
    return client_of(site, routes=cycles.ROUTES, streams=())


def stored(site: SiteSettings) -> list[int]:
    """Ids of all cycles, the newest first."""
    with closing(RecordReader.open(Path(site.record.path))) as reader:
        return [one.id for one in reader.entries("house", LedgerName.CYCLES)][::-1]


def walk(client: TestClient, query: str = "") -> list[int]:
    """Ids of the cycles of all pages, following the links."""
    found: list[int] = []
    address = f"/bank/house/cycles{query}"
    for _ in range(60):
        page = client.get(address)
        assert page.status_code == 200
        found += [int(one) for one in re.findall(r'<th scope="row"><a href="/bank/house/cycles/(\d+)"', page.text)]
        older = re.search(r'href="([^"]*)" rel="next"', page.text)
        if older is None:
            return found
        address = "/bank/house/cycles" + older[1].replace("&amp;", "&")
    raise AssertionError("the pages do not end")


@pytest.mark.parametrize("size", [1, 7, 50])
def test_every_cycle_is_on_exactly_one_page(
    site: SiteSettings, client: TestClient, size: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(cycles, "PAGE", size)
    every = stored(site)
    assert len(every) > 20
    assert walk(client) == every


def test_days_and_depth_choose(site: SiteSettings, client: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cycles, "PAGE", 3)
    with closing(RecordReader.open(Path(site.record.path))) as reader:
        every = list(reader.entries("house", LedgerName.CYCLES))[::-1]
    deep = [one.id for one in every if (one.entry.figure("depth_of_discharge").value or 0) >= 0.125]
    assert 0 < len(deep) < len(every)
    assert walk(client, "?depth=12.5") == walk(client, "?depth=12,5") == deep
    begin, end = 1_788_386_400_000, 1_788_645_600_000  # 3 September 2026 and 6 September 2026, 00:00 in Vienna
    some = [one.id for one in every if one.entry.end.at_ms >= begin and one.entry.start.at_ms < end]
    assert walk(client, "?from=2026-09-03&until=2026-09-05") == some
    assert 2 <= len(some) < len(every)
    assert "No cycle like that" in client.get("/bank/house/cycles?depth=99").text


def test_figures_are_those_of_the_record(site: SiteSettings, client: TestClient) -> None:
    newest = stored(site)[0]
    with closing(RecordReader.open(Path(site.record.path))) as reader:
        one = reader.entry("house", newest)
    assert one is not None
    out = one.entry.figure("discharge_amp_hours")
    page = client.get("/bank/house/cycles").text
    row = next(part for part in page.split("<tr") if f"/bank/house/cycles/{newest}" in part)
    assert (
        f'<td class="number">{out.value:.1f}<br><span class="band-text">{out.low:.1f} to {out.high:.1f}</span>' in row
    )
    full = client.get(f"/bank/house/cycles/{newest}").text
    factor = one.entry.figure("charge_factor")
    assert f"{factor.value:.3f} ({factor.low:.3f} to {factor.high:.3f})" in full


def test_the_open_cycle_is_that_of_the_command(site: SiteSettings, client: TestClient) -> None:
    opened = [one for one in view_ledger(site, "house").entries if not one.complete and one.ledger is LedgerName.CYCLES]
    assert len(opened) == 1
    page = client.get("/bank/house/cycles").text
    row = next(part for part in page.split("<tr") if "open: not over yet" in part)
    assert f'<td class="number">{opened[0].figure("discharge_amp_hours").value:.1f}<br>' in row
    assert page.count("open: not over yet") == 1
    assert "open: not over yet" not in client.get("/bank/house/cycles?until=2026-09-10").text


def test_full_goes_by_the_charges_within_the_cycle(site: SiteSettings, client: TestClient) -> None:
    """The record's own findings on the charges: the seeded bank has proven ones, and ones that ended early."""
    page = client.get("/bank/house/cycles").text
    told = re.findall(r"<td>(full, proven|full, likely|ended early|not known|open)</td>", page)
    assert len(told) == len(stored(site)) + 1
    assert {"full, proven", "ended early"} <= set(told)
    with sqlite3.connect(site.record.path) as connection:
        connection.execute("UPDATE finding SET verdict = 'full_likely' WHERE verdict = 'full_proven'")
    again = client.get("/bank/house/cycles").text
    assert again.count("<td>full, likely</td>") >= told.count("full, proven")


def test_counts_by_depth_come_to_those_of_the_record(site: SiteSettings, client: TestClient) -> None:
    with closing(RecordReader.open(Path(site.record.path))) as reader:
        shown_cycles = [one.entry for one in reader.entries("house", LedgerName.CYCLES)]
        begin, end = shown_cycles[0].start.at_ms, shown_cycles[-1].end.at_ms
        ranges = [one.entry for one in reader.entries("house", LedgerName.DEPTH_BANDS)]
    counted = [one.figure("cycles").value or 0.0 for one in ranges if begin <= one.end.at_ms <= end]
    assert len(ranges) - 2 <= len(counted) < len(ranges)
    page = client.get("/bank/house/cycles").text
    table = page[page.index("Cycles counted by depth") :]
    shown = [float(one) for one in re.findall(r'<td class="number">([\d.]+)</td>', table)]
    assert sum(shown) == sum(counted) > 0


def test_a_cycle_leads_to_the_one_before_and_the_one_after(site: SiteSettings, client: TestClient) -> None:
    every = stored(site)
    middle = client.get(f"/bank/house/cycles/{every[3]}").text
    assert f'href="/bank/house/cycles/{every[4]}" rel="prev"' in middle
    assert f'href="/bank/house/cycles/{every[2]}" rel="next"' in middle
    assert 'rel="next"' not in client.get(f"/bank/house/cycles/{every[0]}").text
    assert 'rel="prev"' not in client.get(f"/bank/house/cycles/{every[-1]}").text
    assert middle.count("<svg") >= 4
    assert "no readings in this time" not in middle


def test_the_file_has_what_the_page_shows(site: SiteSettings, client: TestClient) -> None:
    response = client.get("/bank/house/cycles.csv?depth=12.5")
    assert response.headers["content-type"].startswith("text/csv")
    rows = list(csv.DictReader(io.StringIO(response.text)))
    assert [int(row["id"]) for row in rows] == walk(client, "?depth=12.5")
    assert all(float(row["discharge_amp_hours_band_low"]) < float(row["discharge_amp_hours"]) for row in rows)
    assert all(row["start"].endswith("Z") for row in rows)
    empty = client.get("/bank/house/cycles.csv?depth=99")
    assert empty.text.startswith("id,start,end")


@pytest.mark.parametrize(
    "query",
    ["from=x", "until=9999-01-01", "from=2026-09-05&until=2026-09-01", "depth=deep", "depth=-1", "depth=nan",
     "before=-3", "before=x", "before=99999999999999999999"],
)  # fmt: skip
def test_nonsense_gets_words(client: TestClient, query: str) -> None:
    for address in ("cycles", "cycles.csv"):
        response = client.get(f"/bank/house/{address}?{query}")
        assert response.status_code == 400
        assert re.search("expected|number|only years|not after", response.text)


@pytest.mark.parametrize("entry", ["0", "999999", "x", "-1", "99999999999999999999", "1%2F2"])
def test_what_is_no_cycle_is_not_there(client: TestClient, entry: str) -> None:
    assert client.get(f"/bank/house/cycles/{entry}").status_code == 404


def test_an_entry_of_another_ledger_is_no_cycle(site: SiteSettings, client: TestClient) -> None:
    with closing(RecordReader.open(Path(site.record.path))) as reader:
        phase = next(reader.entries("house", LedgerName.PHASES)).id
    assert client.get(f"/bank/house/cycles/{phase}").status_code == 404


def test_a_bank_without_cycles(site: SiteSettings, client: TestClient) -> None:
    with sqlite3.connect(site.record.path) as connection:
        connection.execute("DELETE FROM figure WHERE entry IN (SELECT id FROM entry WHERE ledger = 'cycles')")
        connection.execute("DELETE FROM entry WHERE ledger = 'cycles'")
    page = client.get("/bank/house/cycles?until=2026-12-01")
    assert page.status_code == 200
    assert "nothing was discharged" not in page.text
    Path(site.record.path).unlink()
    RecordWriter.open(Path(site.record.path)).close()
    page = client.get("/bank/house/cycles")
    assert page.status_code == 200
    assert "No cycle yet: nothing was discharged and charged again" in page.text
    assert "has not looked at these readings yet" in page.text


def test_a_ledger_of_other_settings_says_so(site: SiteSettings, client: TestClient) -> None:
    with sqlite3.connect(site.record.path) as connection:
        connection.execute("UPDATE revision SET fingerprint = 'of before'")
    page = client.get("/bank/house/cycles").text
    assert "The settings are not those of this ledger" in page
    assert "open: not over yet" not in page


def test_the_clock_of_the_test_stands_at_the_end_of_the_past(site: SiteSettings) -> None:
    with closing(RecordReader.open(Path(site.record.path))) as reader:
        newest = next(iter(reader.newest_entries(EntryWish("house", LedgerName.CYCLES), 1).entries))
    assert newest.entry.end.at_ms < END_MS
