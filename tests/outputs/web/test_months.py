"""Figures over months: witnesses apart, bands, what was done, refusals with their reasons, few points."""

from __future__ import annotations

import re
import sqlite3
from contextlib import closing
from pathlib import Path
from xml.etree import ElementTree

import pytest
from seeded_site import DAY_MS, END_MS, tell, weak_cabin
from web_client import TestClient, client_of

from loggerd.model.finding import Finding, Grade
from loggerd.model.ledger import Instant
from loggerd.model.log_book import LogEntry
from loggerd.model.results import FoldResults
from loggerd.outputs.web import months
from loggerd.settings.site import SiteSettings
from loggerd.store.record import BankResults, Commit, RecordReader, RecordWriter

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture
def site(tmp_path: Path) -> SiteSettings:
    return weak_cabin(tmp_path)


def page_of(site: SiteSettings, query: str = "") -> str:
    response = client_of(site, routes=months.ROUTES, streams=()).get(f"/bank/house/months{query}")
    assert response.status_code == 200
    return response.text


def part(page: str, title: str) -> str:
    """What stands below a heading."""
    found = re.search(rf"<h2>{re.escape(title)}.*?</h2>(.*?)(?=<h2>)", page, re.DOTALL)
    assert found is not None, title
    return found[1]


def points(text: str) -> list[ElementTree.Element]:
    drawing = re.search(r'<svg [^>]*class="chart".*?</svg>', text, re.DOTALL)
    assert drawing is not None
    return [one for one in ElementTree.fromstring(drawing[0]).iter() if one.get("class") == "point"]


def add(site: SiteSettings, *found: Finding) -> None:
    path = Path(site.record.path)
    with closing(RecordReader.open(path)) as reader:
        revision = reader.revisions("house")[-1].id
        checkpoint = reader.checkpoint("house", revision)
    assert checkpoint is not None
    with closing(RecordWriter.open(path)) as writer:
        position, state = checkpoint
        results = BankResults("house", revision, FoldResults(findings=found), position, state)
        writer.commit(Commit(results=(results,)))


def finding(name: str, days: float, value: float, grade: Grade = Grade.OBSERVED, verdict: str = "sound") -> Finding:
    at = Instant(1, END_MS + round(days * DAY_MS))
    return Finding(name, "bank", verdict, grade, "why", at, value, value * 0.9, value * 1.1)


def test_resistance_is_drawn_with_its_bands(site: SiteSettings) -> None:
    with sqlite3.connect(site.record.path) as connection:
        told = connection.execute("SELECT value FROM finding WHERE name = 'resistance.bank' ORDER BY id").fetchall()
    shown = part(page_of(site), "Resistance of the bank")
    assert len(points(shown)) == len(told) >= 3
    assert f"{told[-1][0]:.3f}" in shown
    assert shown.count('class="band"') == len(told)
    worst = part(page_of(site), "Resistance of the worst block")
    assert "block 5" in worst


def test_witnesses_of_the_capacity_are_told_apart(site: SiteSettings) -> None:
    add(
        site,
        finding("capacity.observed", 1, 200.0),
        finding("capacity.inferred", 2, 190.0, Grade.INFERRED),
        finding("capacity.observed", 5, 180.0, Grade.TESTED),
    )
    shown = part(page_of(site, "?from=2026-09-20&until=2026-10-10"), "Capacity, by witness")
    assert re.findall(r'class="points (s\d)"><title>([^<]*)', shown) == [
        ("s0", "tested by a discharge test"),
        ("s1", "observed, full to the end voltage"),
        ("s2", "inferred from shorter discharges"),
    ]
    assert len(points(shown)) == 3


def test_without_a_capacity_the_reason_and_no_forecast(site: SiteSettings) -> None:
    shown = part(page_of(site), "Capacity, by witness")
    assert "Cannot tell" in shown
    assert "No discharge from a proven full" in shown
    assert "No forecast of the end of its life" in shown


def test_a_forecast_or_its_refusal_is_told_as_it_was_found(site: SiteSettings) -> None:
    add(site, finding("trends.end_of_life", 1, 3.5, Grade.INFERRED, "date"))
    shown = part(page_of(site), "Capacity, by witness")
    assert "No forecast" not in shown
    assert "3.5" in shown


def test_never_more_points_than_stated(site: SiteSettings) -> None:
    add(site, *[finding("resistance.bank", n / 24, 30.0 + n % 7, verdict="measured") for n in range(1500)])
    shown = part(page_of(site, "?from=2026-09-22&until=2026-11-21"), "Resistance of the bank")
    assert 300 < len(points(shown)) <= months.MOST_POINTS


def test_what_was_done_stands_in_every_chart_escaped(site: SiteSettings) -> None:
    tell(site, LogEntry("", "house", "treatment", END_MS - 5 * DAY_MS, "anna", {}, "<i>desulfation</i> & hope"))
    page = page_of(site)
    assert "<i>desulfation" not in page
    drawings = re.findall(r'<svg [^>]*class="chart".*?</svg>', page, re.DOTALL)
    assert len(drawings) >= 4
    for one in drawings:
        signs = [part for part in ElementTree.fromstring(one).iter() if part.get("class") == "sign"]
        assert [sign.findtext(f"{SVG}title", "").endswith("<i>desulfation</i> & hope") for sign in signs] == [True]


def test_an_earlier_telling_is_shown_where_the_later_one_had_no_readings(site: SiteSettings) -> None:
    before = len(points(part(page_of(site), "Resistance of the bank")))
    with sqlite3.connect(site.record.path) as connection:
        connection.execute(
            "INSERT INTO revision (bank, fingerprint, settings_json, reason, created_wall_ms, raw_from_ms)"
            " SELECT bank, 'new', settings_json, '', 0, ? FROM revision",
            (END_MS,),
        )
    assert len(points(part(page_of(site), "Resistance of the bank"))) == before


@pytest.mark.parametrize("query", ["from=x", "from=9999-01-01", "from=2026-09-05&until=2026-09-01"])
def test_nonsense_gets_words(site: SiteSettings, query: str) -> None:
    client: TestClient = client_of(site, routes=months.ROUTES, streams=())
    assert client.get(f"/bank/house/months?{query}").status_code == 400
    assert client.get("/bank/barn/months").status_code == 404


def test_a_record_without_anything(site: SiteSettings) -> None:
    Path(site.record.path).unlink()
    RecordWriter.open(Path(site.record.path)).close()
    page = page_of(site)
    assert page.count("Cannot tell: nothing of this was found in that time.") == len(months.TOPICS)
