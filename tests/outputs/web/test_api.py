"""The interface for programs: the same as the commands say, a page at a time, and every oddity refused in words."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pytest
from page_forms import forms_of
from seeded_site import END_MS, weak_cabin
from web_client import TestClient, client_of

from loggerd.analysis.findings import newest
from loggerd.clock import AcceleratedClock
from loggerd.ledger_view import view_ledger
from loggerd.model.ledger import LedgerName
from loggerd.outputs.findings_json import findings_document
from loggerd.outputs.ledger_json import ledger_document
from loggerd.outputs.web.api import ENDPOINTS, ROUTES
from loggerd.settings.load import load_settings
from loggerd.settings.site import SiteSettings
from loggerd.store.record import RecordReader

BANK = "/api/v1/banks/house"
LEDGERS = ("cycles", "phases", "full_to_full")
PAGED = [one.path.replace("{bank}", "house") for one in ENDPOINTS if any(p.name == "before" for p in one.parameters)]


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> SiteSettings:
    return weak_cabin(Path(tmp_path_factory.mktemp("api")))


@pytest.fixture(scope="module")
def client(site: SiteSettings) -> TestClient:
    return client_of(site)


def all_pages(client: TestClient, address: str, name: str, limit: int) -> list[dict[str, Any]]:
    """All rows, from page to page."""
    rows: list[dict[str, Any]] = []
    before = ""
    while True:
        page = client.get(f"{address}?limit={limit}{before}").raise_for_status().json()
        assert 0 < len(page[name]) <= limit or page["before"] is None
        rows += page[name]
        if page["before"] is None:
            return rows
        before = f"&before={page['before']}"


# -- what it says --


@pytest.mark.parametrize("ledger", LEDGERS)
def test_a_ledger_is_the_one_that_the_command_prints(site: SiteSettings, client: TestClient, ledger: str) -> None:
    view = view_ledger(site, "house")
    stored = [one for one in view.entries if one.complete]
    expected = ledger_document("house", stored, (), view.text)[ledger]
    rows = all_pages(client, f"{BANK}/{ledger}", ledger, 7)
    ids = [row.pop("id") for row in rows]
    with_open = ledger_document("house", view.entries, (), view.text)[ledger]
    assert len(rows) > 2
    assert len(set(ids)) == len(ids)
    assert rows[::-1] == [one for one in with_open if one in rows]
    assert [one for one in expected if one not in rows] == []


def test_depths_are_counted_in_bands_as_by_the_command(site: SiteSettings, client: TestClient) -> None:
    page = client.get(f"{BANK}/depth_bands?limit=500").json()
    counted = sum(row["cycles"] for row in page["depth_bands"])
    assert counted == sum(band["cycles"] + band["open_cycles"] for band in page["bands"]) > 5


def test_findings_are_those_of_the_command(site: SiteSettings, client: TestClient) -> None:
    view = view_ledger(site, "house")
    assert client.get(f"{BANK}/findings").json() == findings_document("house", newest(view.findings), view.text)


def test_the_history_of_findings_has_each_once_newest_first(site: SiteSettings, client: TestClient) -> None:
    rows = all_pages(client, f"{BANK}/findings/history", "findings", 13)
    reader = RecordReader.open(Path(site.record.path))
    try:
        stored = [one.id for one in reader.findings("house")]
    finally:
        reader.close()
    assert sorted(row["id"] for row in rows) == stored
    assert [row["at"] for row in rows] == sorted((row["at"] for row in rows), reverse=True)


def test_a_time_asked_for_is_kept_to(client: TestClient) -> None:
    rows = client.get(f"{BANK}/findings/history?from=2026-09-10T00:00:00Z&until=2026-09-12T00:00:00Z").json()
    assert {row["at"][:10] for row in rows["findings"]} <= {"2026-09-10", "2026-09-11"}
    assert rows["findings"]
    cycles = client.get(f"{BANK}/cycles?from=2026-09-10T00:00:00Z&until=2026-09-12T00:00:00Z").json()["cycles"]
    assert cycles
    assert all(row["end"] >= "2026-09-10" and row["start"] < "2026-09-12" for row in cycles)


def test_a_time_without_an_offset_is_local(client: TestClient) -> None:
    """The cabin is in Vienna: midnight there was 22:00 UTC in September 2026."""
    local = client.get(f"{BANK}/findings/history?from=2026-09-11&until=2026-09-12").json()
    told = client.get(f"{BANK}/findings/history?from=2026-09-10T22:00:00Z&until=2026-09-12T00:00:00%2B02:00").json()
    assert local == told
    assert local["findings"]


def test_the_answer_says_what_the_page_says(client: TestClient) -> None:
    answer = client.get(f"{BANK}/answer").json()
    page = client.get("/bank/house").raise_for_status().text
    assert answer["verdict"]["says"] in page
    assert {one["subject"] for one in answer["wrong"]} >= {"block 5"}
    assert answer["capacity"]["finding"]["name"] == "capacity.summary"
    assert answer["full"]["finding"]["name"] == "full_charge.last"


def test_old_readings_are_told_as_old(site: SiteSettings) -> None:
    late = client_of(site, clock=AcceleratedClock(END_MS + 86_400_000, 1))
    assert late.get(f"{BANK}/live").json()["current"]["late"] is True
    answer = late.get(f"{BANK}/answer").json()
    assert answer["late"] is True
    now = client_of(site).get(f"{BANK}/live").json()
    assert now["current"]["late"] is False
    assert {one["channel"] for one in now["values"]} >= {"volts", "amps", "block_5_volts"}


def test_a_curve_holds_the_readings_of_its_time(client: TestClient) -> None:
    """Against the readings of the same hour, as they are taken away as CSV."""
    span = "from=2026-09-20T10:00:00Z&until=2026-09-20T11:00:00Z"
    curve = client.get(f"{BANK}/curve?{span}&channels=volts,amps&points=2000").raise_for_status().json()
    lines = csv.DictReader(io.StringIO(client.get(f"/export/house.csv?{span}").text))
    volts = [float(line["volts"]) for line in lines if line["volts"]]
    (column,) = (one for one in curve["channels"] if one["name"] == "volts")
    assert (curve["tier_seconds"], column["unit"]) == (0, "V")
    assert column["mean"] == pytest.approx(volts)
    assert (curve["from"], curve["until"]) == ("2026-09-20T10:00:00.000Z", "2026-09-20T11:00:00.000Z")


def test_a_long_curve_is_of_summaries_and_no_longer_than_asked_for(client: TestClient) -> None:
    curve = client.get(f"{BANK}/curve?from=2026-08-25&until=2026-09-21&points=100").raise_for_status().json()
    assert curve["tier_seconds"] >= 900
    assert {len(one["time_ms"]) <= 100 for one in curve["channels"]} == {True}
    assert max(len(one["time_ms"]) for one in curve["channels"]) > 20


@pytest.mark.parametrize(
    ("query", "words"),
    [
        ("channels=wattage", "there is no wattage"), ("channels=", "found"), ("channels=volts,,amps", "expected names"),
        ("channels=%C3%BC", "expected names"), ("points=9", "from 10 to 2000"), ("points=2001", "from 10 to 2000"),
        ("from=2026-09-20T10:00:00Z&until=2026-09-20T10:00:30Z", "at least a minute"),
        ("until=1970-01-01T00:00:00Z", "at least a minute"),
    ],
)  # fmt: skip
def test_a_curve_that_cannot_be_drawn_is_refused(client: TestClient, query: str, words: str) -> None:
    told = client.get(f"{BANK}/curve?{query}")
    assert told.status_code == 422
    assert words in told.json()["fault"]


def test_alarms_that_stand_and_their_changes(client: TestClient) -> None:
    alarms = client.get("/api/v1/alarms").json()["alarms"]
    assert alarms
    assert alarms[0]["key"]["bank"] == "house"
    changes = all_pages(client, "/api/v1/alarms/history", "changes", 1)
    assert {json.dumps(one["key"]) for one in alarms} <= {json.dumps(one["key"]) for one in changes}


def test_without_a_record_what_needs_none_is_answered(tmp_path: Path) -> None:
    settings = weak_cabin(tmp_path)
    (tmp_path / "record.sqlite").unlink()
    bare = client_of(settings, routes=ROUTES)
    for address in ("/api/v1/site", f"{BANK}/limits", "/api/v1/openapi.json", "/api"):
        assert bare.get(address).status_code == 200, address
    refused = bare.get(f"{BANK}/answer")
    assert refused.status_code == 503
    assert "no record" in refused.json()["fault"]


# -- what it refuses --


@pytest.mark.parametrize("address", PAGED)
@pytest.mark.parametrize(
    "query",
    [
        "limit=0", "limit=501", "limit=-1", "limit=nan", "limit=1e400", "limit=1e1", f"limit={2**70}", "limit=5.0",
        "limit=%D9%A5", "limit=%20", "limit=", "limit=5&limit=6", "limit=1_0", "limit=%2B5", "limit=0x10",
        f"before={2**63}", "before=-1", "before=%00", f"before={'9' * 4500}",
        "from=0000-01-01T00:00:00Z", "from=9999-12-31T23:59:59Z", "from=1969-12-31T23:59:59Z", "from=2026-02-30",
        "from=2026-13-01", "from=now", "from=1790000000", "until=1970-01-01T00:00:00%2B14:00", "from=2026-W38-1",
        "from=%D9%A2%D9%A0%D9%A2%D9%A6-01-01", "from=2026-05-02&until=2026-05-01", "from=2026-05-01T00:00:00%00",
        "sort=id", "limits=5", "%00=1", "=", "a" * 300 + "=1",
    ],
)  # fmt: skip
def test_odd_parameters_are_refused_in_words(client: TestClient, address: str, query: str) -> None:
    told = client.get(f"{address}?{query}")
    assert told.status_code == 422, told.text
    assert list(told.json()) == ["fault"]
    assert len(told.json()["fault"]) < 600


def test_parameters_are_checked_before_anything_is_looked_up(client: TestClient) -> None:
    assert client.get("/api/v1/banks/nowhere/cycles?limit=0").status_code == 422
    assert client.get("/api/v1/banks/nowhere/cycles?limit=1").status_code == 404


def test_too_many_parameters_are_refused(client: TestClient) -> None:
    assert client.get("/api/v1/log?" + "&".join("limit=5" for _ in range(5000))).status_code == 422


def test_every_endpoint_refuses_what_it_does_not_know(client: TestClient) -> None:
    for one in ENDPOINTS:
        if one.method == "GET":
            told = client.get(one.path.replace("{bank}", "house") + "?unheard=of")
            assert told.status_code == 422, one.path
            assert '"unheard": there is no such parameter' in told.json()["fault"]


@pytest.mark.parametrize(
    "name",
    ["..", "%2e%2e", "..%2f..%2fetc%2fpasswd", "house%2f..", "%00", "house%00", "house%0d%0aSet-Cookie:%20a=b",
     "%ff%fe", "a" * 5000, "%F0%9F%94%8B", "house'--", "%22", "%5c..%5c", "HOUSE"],
)  # fmt: skip
def test_paths_that_lead_elsewhere_lead_nowhere(client: TestClient, name: str) -> None:
    for address in (f"/api/v1/banks/{name}/cycles", f"/export/{name}.csv", f"/export/{name}/cycles.csv"):
        told = client.get(address)
        assert told.status_code == 404, address
        assert "set-cookie" not in told.headers
        if address.startswith("/api/"):
            assert list(told.json()) == ["fault"]


def test_a_name_with_markup_stays_text(tmp_path: Path) -> None:
    weak_cabin(tmp_path)
    name = "<img src=x onerror=alert(1)> & Söhne"
    path = tmp_path / "site.toml"
    path.write_text(path.read_text(encoding="utf-8").replace('"house"', f'"{name}"'), encoding="utf-8")
    client = client_of(load_settings(path), routes=ROUTES)
    page = client.get("/api").raise_for_status().text
    assert "<img" not in page
    assert "&lt;img src=x" in page
    told = client.get("/api/v1/site")
    assert told.headers["content-type"] == "application/json"
    assert told.headers["x-content-type-options"] == "nosniff"
    assert told.json()["banks"][0]["name"] == name
    assert client.get(f"/api/v1/banks/{quote(name, safe='')}/cycles").json()["cycles"] == []


def test_files_are_had_from_the_page_for_days_that_it_proposes(client: TestClient) -> None:
    """The last 30 days and today: a form whose fields may not be empty, as an empty time is refused."""
    form = forms_of(client.get("/api").raise_for_status().text)[0]
    assert form.action == "/export/house.csv"
    assert form.values == {"from": "2026-08-22", "until": "2026-09-22"}
    assert all("required" in given for given in form.attributes.values())
    told = client.get("/export/house/cycles.csv", params=form.values)
    assert told.status_code == 200
    assert told.headers["content-disposition"].startswith("attachment")
    assert len(told.text.splitlines()) > 20


def test_every_page_leads_to_the_files(client: TestClient, site: SiteSettings) -> None:
    pages = client_of(site)
    for address in ("/", "/alarms", "/logger", "/bank/house/limits"):
        assert 'href="/api"' in pages.get(address).text


def test_a_page_for_people_lists_every_endpoint(client: TestClient) -> None:
    page = client.get("/api").raise_for_status().text
    assert [one.path for one in ENDPOINTS if f"<code>{one.method} {one.path}</code>" not in page] == []
    assert "<script" not in page


def test_ledger_names_are_those_of_the_interface() -> None:
    assert {one.value for one in LedgerName} == {*LEDGERS, "depth_bands"}
