"""The site on one screen: a verdict for each bank; of one bank alone, its own page."""

from __future__ import annotations

import re
from pathlib import Path

from shown_bank import Shape, ShownSite, found, healthy
from web_client import client_of

from loggerd.model.access import Role, SignedIn
from loggerd.model.alarm import Alarm, AlarmKey, AlarmState
from loggerd.model.ledger import Instant
from loggerd.outputs.web import bank_page, overview

ROUTES = (*overview.ROUTES, *bank_page.ROUTES)


def first_page(site: ShownSite, who: SignedIn | None = None) -> str:
    response = client_of(site.settings, who, clock=site.clock, routes=ROUTES, streams=()).get("/")
    assert response.status_code == 200
    return str(response.text)


def keeper() -> SignedIn:
    return SignedIn("anna", Role.KEEPER)


def text(html: str) -> str:
    return " ".join(re.sub(r"<[^>]+>", " ", html).split())


def articles(html: str) -> list[str]:
    return [text(one) for one in re.findall(r"<article.*?</article>", html, re.DOTALL)]


def three_banks(folder: Path) -> ShownSite:
    """One with an alarm, one healthy, one without findings."""
    site = ShownSite.of(folder, Shape("barn"), Shape("house"), Shape("pump")).read()
    raised = Instant(1, site.clock.wall_ms())
    alarms = [Alarm(AlarmKey("barn", "shorted_cell", "block 2"), AlarmState.UNACKNOWLEDGED, True, raised=raised)]
    site.tell(alarms=alarms, bank="barn")
    return site.tell(*healthy(site.shapes[1], site.clock.wall_ms() - 86_400_000), bank="house")


def test_each_bank_has_one_verdict_its_alarm_its_last_full_charge_and_its_readings(tmp_path: Path) -> None:
    barn, house, pump = articles(first_page(three_banks(tmp_path), keeper()))
    assert "barn Go there now" in barn
    assert "Shorted cell: block 2, bank barn" in barn
    assert "Since Mon 21 Sep 2026, 16:16 (UTC+02:00)" in barn
    assert "house Nothing to do" in house
    assert "Last proven full 24 h 00 min ago." in house
    assert "pump Cannot tell yet" in pump
    for one in (barn, house, pump):
        assert "Voltage 25.20 V just now" in one
        assert "Current 1.0 A just now" in one
        assert "Charging" in one


def test_the_block_to_watch_is_named(tmp_path: Path) -> None:
    site = three_banks(tmp_path)
    site.tell(found("blocks.short", "block 3", "shorted_cell", -2.0), bank="pump")
    told = articles(first_page(site, keeper()))
    assert ["Watch block 3: shorted cell." in one for one in told] == [False, False, True]


def test_the_others_are_one_link_away(tmp_path: Path) -> None:
    html = first_page(three_banks(tmp_path), keeper())
    for name in ("barn", "house", "pump"):
        assert f'href="/bank/{name}">{name}</a>' in html


def test_a_site_of_one_bank_answers_at_once(tmp_path: Path) -> None:
    site = ShownSite.of(tmp_path).read()
    html = first_page(site, keeper())
    assert "The bank as it stands" in html
    assert '<a href="/" aria-current="page">Now</a>' in html


def test_what_stands_of_the_logger_itself_is_said_before_the_banks(tmp_path: Path) -> None:
    site = three_banks(tmp_path)
    raised = Instant(1, site.clock.wall_ms())
    silent = Alarm(AlarmKey("", "device_silent", "meter of pump"), AlarmState.UNACKNOWLEDGED, True, raised=raised)
    told = text(first_page(site.tell(alarms=[silent]), keeper()))
    assert "The logger itself" in told
    assert told.index('the instrument "meter of pump"'.replace('"', "&#34;")) < told.index("Go there now")


def test_old_readings_say_since_when_and_never_nothing_to_do(tmp_path: Path) -> None:
    site = three_banks(tmp_path)
    site.clock.pass_by(2 * 86_400_000)
    _, house, _ = articles(first_page(site, keeper()))
    assert "house Cannot tell" in house
    assert "Nothing to do" not in house
    assert house.count("ot heard since Mon 21 Sep 2026, 16:16 (UTC+02:00)") == 4


def test_before_the_first_reading_every_bank_is_there(tmp_path: Path) -> None:
    site = ShownSite.of(tmp_path, Shape("barn"), Shape("house")).begin()
    for one in articles(first_page(site, keeper())):
        assert "Cannot tell" in one
        assert "No reading of this bank is in the record yet." in one


def test_a_finding_that_no_alarm_tells_is_something_to_watch(tmp_path: Path) -> None:
    site = three_banks(tmp_path)
    site.tell(found("full_charge.days_since", "bank", "overdue", 15.0), bank="house")
    _, house, _ = articles(first_page(site, keeper()))
    assert "house No visit needed; something to watch" in house
    assert "no full charge for 15 days" in house


def test_many_banks_are_not_followed_each_by_a_connection_of_its_own(tmp_path: Path) -> None:
    """A browser opens six connections to a host at most: HTML Living Standard's note on EventSource, from memory."""
    few = first_page(three_banks(tmp_path), keeper())
    assert len(re.findall("data-stream=", few)) == 3
    many = ShownSite.of(tmp_path, *(Shape(f"cart {number}") for number in range(1, 9))).begin()
    html = first_page(many, keeper())
    assert len(articles(html)) == 8
    assert "data-stream=" not in html


def test_nobody_sees_anything_without_signing_in(tmp_path: Path) -> None:
    site = three_banks(tmp_path)
    for place in ("/", "/bank/house"):
        response = client_of(site.settings, None, clock=site.clock, routes=ROUTES, streams=()).get(place)
        assert response.status_code == 303
        assert response.headers["location"].startswith("/sign-in?next=")
