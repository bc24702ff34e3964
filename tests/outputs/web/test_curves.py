"""Readings of any stretch of time: no dip is lost, times have their offsets, rows are few, and nonsense gets words."""

from __future__ import annotations

import re
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from urllib.parse import quote
from xml.etree import ElementTree

import numpy as np
import pytest
from seeded_site import DAY_MS, END_MS, tell, weak_cabin
from web_client import TestClient, client_of

from loggerd.model.log_book import LogEntry
from loggerd.model.scan import ScanBlock
from loggerd.outputs.curves import MOST_POINTS, Column, block_spread, channels_of, curve, tier_for
from loggerd.outputs.web import curves
from loggerd.settings.site import SiteSettings
from loggerd.store.record import HOUR_MS, Commit, RecordReader, RecordWriter

SECOND_MS = 1000
DIP_COUNTS = 3_210
"""Of the bank voltage, a hundredth of a volt each."""


@pytest.fixture
def site(tmp_path: Path) -> SiteSettings:
    return weak_cabin(tmp_path)


@pytest.fixture
def client(site: SiteSettings) -> TestClient:
    return client_of(site, routes=curves.ROUTES, streams=())


def column(site: SiteSettings, name: str, from_ms: int, until_ms: int, most: int = MOST_POINTS) -> Column:
    with closing(RecordReader.open(Path(site.record.path))) as reader:
        return curve(reader, site, "house", (name,), from_ms, until_ms, most).columns[0]


def add_hour(site: SiteSettings, seal: bool, dip_counts: int | None = DIP_COUNTS) -> int:
    """One more hour of bank voltage at one reading a second with a dip of one of them; when the dip was."""
    path = Path(site.record.path)
    with closing(RecordReader.open(path)) as reader:
        volts = next(one for one in reader.series() if one.channel.name == "volts")
    wall = END_MS // HOUR_MS * HOUR_MS + 2 * HOUR_MS
    with closing(RecordWriter.open(path)) as writer:
        session = writer.begin_session("live", wall, 0, "")
        stamps = np.arange(0, HOUR_MS, SECOND_MS)
        counts = np.full(len(stamps), 5_000)
        if dip_counts is not None:
            counts[1234] = dip_counts
        same = np.full(len(stamps), wall)
        writer.commit(Commit((ScanBlock(volts.device, session, (volts.id,), stamps, same, same * 0, (counts,)),)))
        if seal:
            writer.seal(session, HOUR_MS)
    return wall + 1234 * SECOND_MS


@pytest.mark.parametrize("seal", [True, False])
def test_a_dip_of_one_second_is_in_the_curve_of_an_hour_and_of_a_year(site: SiteSettings, seal: bool) -> None:
    """Also while the hour is not over, and so in no summary."""
    dip_ms = add_hour(site, seal)
    for span in (HOUR_MS, 2 * DAY_MS, 20 * DAY_MS, 365 * DAY_MS, 10 * 365 * DAY_MS):
        found = column(site, "volts", dip_ms + HOUR_MS - span, dip_ms + HOUR_MS, 290)
        assert len(found.mean) <= 290
        lowest = int(np.argmin(found.minimum))
        assert found.minimum[lowest] == pytest.approx(DIP_COUNTS / 100)
        assert found.minimum[lowest] <= found.mean[lowest] <= found.maximum[lowest]
        assert abs(int(found.time_ms[lowest]) - dip_ms) <= max(span // 100, 4 * HOUR_MS)


def test_the_drawing_of_a_year_reaches_down_to_the_dip(site: SiteSettings) -> None:
    dip_ms = add_hour(site, True)
    client = client_of(site, routes=curves.ROUTES, streams=())
    page = client.get(f"/bank/house/curves?from={dip_ms - 365 * DAY_MS}&until={dip_ms + HOUR_MS}&channels=volts").text
    assert re.search(r"lowest 32[.]10 V", page)
    strokes = [float(one) for path in _paths(page, "reach") for one in re.findall(r"M[\d.]+ ([\d.]+)V", path)]
    others = column(site, "volts", dip_ms - 365 * DAY_MS, dip_ms + HOUR_MS, 290)
    assert len(strokes) == int(np.count_nonzero(others.maximum > others.minimum + 0.1))
    assert max(strokes) > sorted(strokes)[-2] + 60


def _paths(page: str, kind: str) -> list[str]:
    name = "{http://www.w3.org/2000/svg}path"
    return [one.get("d") or "" for two in _drawings(page) for one in two.iter(name) if one.get("class") == kind]


def _drawings(page: str) -> list[ElementTree.Element]:
    """All drawings of a page; each is well-formed XML by itself."""
    found = [ElementTree.fromstring(one) for one in re.findall(r"<svg .*?</svg>", page, re.DOTALL)]
    assert found
    return found


def test_no_finer_row_is_lost_between_the_tiers(site: SiteSettings) -> None:
    """The readings are counted once in each tier: a reading a minute over the thirty days."""
    begin, end = END_MS - 20 * DAY_MS, END_MS - 10 * DAY_MS
    for span in ((begin, begin + 5 * HOUR_MS), (begin, begin + 3 * DAY_MS), (begin, end)):
        found = column(site, "amps", *span)
        assert int(found.count.sum()) == pytest.approx((span[1] - span[0]) / 60_000, abs=16)
        assert np.all(np.diff(found.time_ms) > 0)
    year = column(site, "amps", END_MS - 365 * DAY_MS, END_MS)
    assert int(year.count.sum()) == pytest.approx(30 * 24 * 60, abs=2)


def test_what_the_finer_tier_no_longer_keeps_is_shown_by_a_coarser_one(site: SiteSettings) -> None:
    begin, end = END_MS - 20 * DAY_MS, END_MS - 17 * DAY_MS
    before = column(site, "volts", begin, end)
    with closing(RecordWriter.open(Path(site.record.path))) as writer:
        writer._connection.execute("DELETE FROM summary WHERE tier_seconds = 60 AND span_ms < ?", (end - DAY_MS,))
        writer._connection.execute("DELETE FROM sealed WHERE first_wall_ms < ?", (end,))
    after = column(site, "volts", begin, end)
    assert after.time_ms[0] <= begin + 900_000
    assert after.minimum.min() == before.minimum.min()
    assert after.maximum.max() == before.maximum.max()
    gone = column(site, "volts", begin, begin + HOUR_MS)
    assert len(gone.mean), "the readings themselves are gone, the quarter-hours are not"


def test_values_outside_the_valid_range_do_not_spoil_a_curve(site: SiteSettings) -> None:
    dip_ms = add_hour(site, True, dip_counts=65_535)
    whole = column(site, "volts", dip_ms - DAY_MS * 300, dip_ms + HOUR_MS)
    assert whole.maximum.max() == pytest.approx(72.0), "the end of the valid range of the settings"
    assert whole.outside == 1
    readings = column(site, "volts", dip_ms - HOUR_MS, dip_ms + HOUR_MS)
    assert readings.maximum.max() == pytest.approx(50.0)
    assert readings.outside >= 1


def test_block_spread_is_the_highest_less_the_lowest_block(site: SiteSettings) -> None:
    with closing(RecordReader.open(Path(site.record.path))) as reader:
        names = [one.name for one in channels_of(reader, "house") if re.fullmatch(r"block_\d_volts", one.name)]
        found = curve(reader, site, "house", names, END_MS - 3 * HOUR_MS, END_MS)
    spread = block_spread(found)
    assert spread is not None
    table = np.array([one.mean for one in found.columns])
    assert len(names) == 8
    assert spread.mean == pytest.approx(table.max(axis=0) - table.min(axis=0))


@pytest.mark.parametrize(
    ("hours", "channels", "tier"),
    [
        (6, 1, 0),
        (6.1, 1, 60),
        (96, 20, 60),
        (97, 1, 900),
        (45 * 24, 8, 900),
        (45 * 24 + 1, 1, 14_400),
        (20 * 24, 30, 14_400),
    ],
)
def test_the_tier_goes_by_the_length_and_the_number_of_channels(hours: float, channels: int, tier: int) -> None:
    assert tier_for(round(hours * HOUR_MS), channels) == tier


@pytest.mark.parametrize("days", [0.1, 1, 3, 20, 44, 46, 400, 20_000])
def test_never_more_rows_than_stated(client: TestClient, days: float) -> None:
    from_ms = max(END_MS - round(days * DAY_MS), 0)
    found = client.get(f"/bank/house/curves.json?from={from_ms}&until={END_MS}").json()
    assert found["channels"]
    for one in found["channels"]:
        sizes = {len(one[name]) for name in ("time_ms", "minimum", "mean", "maximum", "count")}
        assert len(sizes) == 1
        assert 0 < sizes.pop() <= MOST_POINTS
        assert from_ms <= one["time_ms"][0] <= one["time_ms"][-1] < END_MS


NONSENSE: Sequence[tuple[str, str]] = (
    ("from=yesterday", "expected"),
    ("from=2026-13-45", "expected"),
    ("from=2026-09-01T25:00", "expected"),
    ("until=9999-12-31", "only years from 1970"),
    ("from=0001-01-01", "only years from 1970"),
    ("from=99999999999999", "only years from 1970"),
    ("from=9999-12-31T23:59:59-12:00", "expected|only years"),
    ("from=1969-12-31T23:00:00%2B00:00", "only years from 1970"),
    ("from=2026-09-02&until=2026-09-01T10:00", "not after its beginning"),
    ("from=2026-09-02T10:00&until=2026-09-02T10:00", "not after its beginning"),
    ("from=2026-09-02T10:00:00&until=2026-09-02T10:00:30", "shorter than a minute"),
    ("channels=volts,nonsense", "no such channel"),
    ("channels=%00", "no such channel"),
    ("from=%F0%9F%94%8B", "expected"),
)


@pytest.mark.parametrize("address", ["curves", "curves.json"])
@pytest.mark.parametrize(("query", "words"), NONSENSE)
def test_nonsense_gets_words_and_never_a_fault_of_ours(
    client: TestClient, address: str, query: str, words: str
) -> None:
    response = client.get(f"/bank/house/{address}?{query}")
    assert response.status_code == 400
    assert re.search(words, response.text)


def test_of_an_unknown_bank_and_of_times_without_readings(client: TestClient) -> None:
    assert client.get("/bank/barn/curves").status_code == 404
    page = client.get("/bank/house/curves?from=1990-01-01&until=1990-02-01")
    assert page.status_code == 200
    assert "no readings in this time" in page.text
    assert client.get("/bank/house/curves?from=1970-01-01&until=2199-01-01").status_code == 200


def test_times_across_the_change_of_the_clocks_have_the_offset_of_their_own(client: TestClient) -> None:
    """25 October 2026, 01:00 UTC: the European Union's clocks go back (directive 2000/84/EC)."""
    page = client.get("/bank/house/curves?from=2026-10-24&until=2026-10-25").text
    assert "Sat 24 Oct 2026, 00:00 (UTC+02:00) to Mon 26 Oct 2026, 00:00 (UTC+01:00)" in page
    asked = client.get("/bank/house/curves.json?from=2026-10-24&until=2026-10-25").json()
    assert asked["until_ms"] - asked["from_ms"] == 49 * HOUR_MS
    twice = [
        client.get(f"/bank/house/curves.json?from={quote(f'2026-10-25T02:30:00{offset}')}&until=2026-10-26").json()
        for offset in ("+02:00", "+01:00")
    ]
    assert twice[1]["from_ms"] - twice[0]["from_ms"] == HOUR_MS


def test_links_lead_to_the_time_before_and_back(client: TestClient) -> None:
    page = client.get("/bank/house/curves?from=2026-09-10&until=2026-09-10")
    earlier = re.search(r'href="([^"]*)" rel="prev"', page.text)
    assert earlier is not None
    before = client.get("/bank/house/curves" + earlier[1].replace("&amp;", "&"))
    assert "Wed 9 Sep 2026, 00:00 (UTC+02:00) to Thu 10 Sep 2026, 00:00 (UTC+02:00)" in before.text
    later = re.search(r'href="([^"]*)" rel="next"', before.text)
    assert later is not None
    again = client.get("/bank/house/curves" + later[1].replace("&amp;", "&"))
    assert _drawings(again.text)[0].findtext("*") == _drawings(page.text)[0].findtext("*")


def test_the_log_book_and_the_phases_stand_in_the_curve(site: SiteSettings) -> None:
    words = "<b>2 litres</b> & more"
    tell(site, LogEntry("", "house", "note", END_MS - 5 * HOUR_MS, "anna", {}, words))
    page = client_of(site, routes=curves.ROUTES, streams=()).get("/bank/house/curves").text
    assert "<b>2 litres" not in page
    signs = [one for one in _drawings(page)[0].iter() if one.get("class") == "sign"]
    assert [(one.findtext("*") or "").endswith(words) for one in signs] == [True]
    assert page.count("&lt;b&gt;2 litres&lt;/b&gt; &amp; more") > len(_drawings(page)) / 2
    letters = {one.text for one in _drawings(page)[0].iter() if one.get("class") == "letter"}
    assert letters == {"C", "D"}
    assert "<b>C</b> charge" in page
    assert 'style="' not in page
