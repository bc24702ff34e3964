"""The page of a bank: what it answers, how the bank is drawn, and that nothing of a name is taken for markup."""

from __future__ import annotations

import re
import sqlite3
from html.parser import HTMLParser
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from seeded_site import WEAK_BLOCK, weak_cabin
from shown_bank import Shape, ShownSite, found, healthy
from web_client import client_of

from loggerd.model.access import Role, SignedIn
from loggerd.model.alarm import Alarm, AlarmKey, AlarmState
from loggerd.model.finding import Quality
from loggerd.model.ledger import Instant
from loggerd.outputs.web import bank_page, overview
from loggerd.outputs.web.streaming import Stream
from loggerd.plans import bank_named
from loggerd.settings.load import load_settings
from loggerd.settings.site import SiteSettings
from loggerd.settings.texts import load_texts

if TYPE_CHECKING:
    from starlette.testclient import TestClient

ROUTES = (*overview.ROUTES, *bank_page.ROUTES)
STREAMS: tuple[Stream, ...] = ()
DAY_MS = 86_400_000


def client(site: ShownSite, who: SignedIn | None = None) -> TestClient:
    return client_of(
        site.settings, who or SignedIn("anna", Role.KEEPER), clock=site.clock, routes=ROUTES, streams=STREAMS
    )


def page(site: ShownSite, who: SignedIn | None = None) -> str:
    response = client(site, who).get(f"/bank/{site.shapes[0].name}")
    assert response.status_code == 200
    return str(response.text)


def text(html: str) -> str:
    """What a person reads, on one line."""
    return " ".join(re.sub(r"<[^>]+>", " ", html).split())


def verdict(html: str) -> tuple[str, str]:
    """Kind and words of the verdict."""
    match = re.search(r'<section class="verdict (\w+)">(.*?)</section>', html, re.DOTALL)
    assert match is not None
    return match[1], text(match[2])


class Boxes(HTMLParser):
    """Numbers of the blocks drawn, string by string, in the order of the page."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.strings: list[list[int]] = []
        self.poles: list[str] = []
        self.watched: list[int] = []
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        words = (given.get("class") or "").split()
        if tag == "ol" and "bank-string" in words:
            self.strings.append([])
        elif tag == "li" and "pole" in words:
            self.poles.append(given["aria-label"] or "")
        elif tag == "li" and "box" in words:
            number = int(given["data-block"] or "0")
            self.strings[-1].append(number)
            if "watch" in words:
                self.watched.append(number)


@pytest.fixture(name="seeded", scope="module")
def _seeded(tmp_path_factory: pytest.TempPathFactory) -> SiteSettings:
    return weak_cabin(tmp_path_factory.mktemp("cabin"))


def seeded_page(seeded: SiteSettings) -> str:
    return str(client_of(seeded, routes=ROUTES, streams=STREAMS).get("/bank/house").text)


# -- answers ----------------------------------------------------------------------------------------------------------


def test_the_bad_block_is_named_in_words_and_framed(seeded: SiteSettings) -> None:
    html = seeded_page(seeded)
    assert re.search(rf"<dt>Block</dt>\s*<dd><details><summary>[^<]*[Bb]lock {WEAK_BLOCK}\b", html)
    assert f"Block {WEAK_BLOCK}, the one to watch" in html
    boxes = Boxes(html)
    assert boxes.watched == [WEAK_BLOCK]
    assert boxes.strings == [[1, 2, 3, 4, 5, 6, 7, 8]]
    assert re.search(r"[0-9] of the last [0-9] discharges agree", html), "how many discharges agree"


def test_the_bad_block_is_far_below_its_peers_by_phase_and_the_others_are_not(seeded: SiteSettings) -> None:
    html = seeded_page(seeded)
    table = re.search(r'<table class="phases">(.*?)</table>', html, re.DOTALL)
    assert table is not None
    rows = re.findall(r'<th scope="row">(\d+)[^<]*</th>(.*?)</tr>', table[1], re.DOTALL)
    by_block = {int(number): [int(one) for one in re.findall(r'number">([+-]?\d+)', cells)] for number, cells in rows}
    assert len(by_block) == 8
    low = by_block.pop(WEAK_BLOCK)
    assert len(low) == 4
    assert max(low) < -10
    assert all(abs(one) < 10 for cells in by_block.values() for one in cells)
    assert "Medians of the last" in html, "from which span"


def test_an_alarm_says_what_to_do_by_when_with_what_and_care(seeded: SiteSettings) -> None:
    html = seeded_page(seeded)
    kind, words = verdict(html)
    assert kind == "week"
    assert "Go there this week" in words
    assert "Next:" in words
    assert re.search(r"Act within 3 days: .* \(UTC\+02:00\)", words)
    assert "Caution: Hydrogen, Acid, Over 60 V" in words, "before the first step is read on"
    told = text(html)
    for part in ("Bring along:", "What not to do", "Caution", "licensed practice govern"):
        assert part in told
    assert "dangerous to touch" in told, "this bank passes 60 V"


def test_a_bank_under_60_volts_is_not_warned_of_it(tmp_path: Path) -> None:
    site = ShownSite.of(tmp_path, Shape(per_string=2)).read()
    raised = Instant(1, site.clock.wall_ms())
    alarm = Alarm(AlarmKey("house", "set_point_high", "bank"), AlarmState.UNACKNOWLEDGED, True, raised=raised)
    told = text(page(site.tell(alarms=[alarm])))
    assert "Hydrogen:" in told
    assert "dangerous to touch" not in told


def test_a_healthy_bank_says_nothing_to_do_and_why_it_can(tmp_path: Path) -> None:
    site = ShownSite.of(tmp_path).read()
    site.tell(*healthy(site.shapes[0], site.clock.wall_ms() - 2 * DAY_MS))
    kind, words = verdict(page(site))
    assert kind == "none"
    assert "Nothing to do" in words
    assert "No alarm stands" in words
    assert "The record of the last week is good" in words
    assert "Of 1 thing nothing can be told yet." in words
    told = text(page(site))
    assert "Last proven full 2 days ago." in told
    assert "The bank has 97 % of its rated capacity (87 to 107 %), by a discharge down to the end voltage." in told
    assert "None. All 4 blocks that are judged go along with the others" in told


def test_witnesses_of_capacity_stand_apart(tmp_path: Path) -> None:
    site = ShownSite.of(tmp_path).read()
    site.tell(*healthy(site.shapes[0], site.clock.wall_ms()))
    told = text(page(site))
    assert "A discharge down to the end voltage 97.5 Ah (87.8 to 107.2)" in told
    assert "What the acid stands for (this is no capacity) 110 Ah (99 to 121)" in told
    assert "A shorter discharge" not in told


def test_something_to_watch_is_not_called_nothing_to_do(tmp_path: Path) -> None:
    site = ShownSite.of(tmp_path).read()
    low = found("blocks.cause", "block 2", "low_capacity", -12.0, reason="4 of the last 5 discharges agree: lower")
    site.tell(*healthy(site.shapes[0], site.clock.wall_ms()), low)
    kind, words = verdict(page(site))
    assert kind == "watch"
    assert "Block 2 holds less than its peers: -12.0 %" in words
    assert "Prove a full charge, then test this block" in words
    assert "Charging gives hydrogen" in words
    assert Boxes(page(site)).watched == [2]


def test_the_weightiest_block_is_the_one_to_watch_and_others_are_named(tmp_path: Path) -> None:
    site = ShownSite.of(tmp_path).read()
    site.tell(
        found("blocks.cause", "block 1", "low_capacity", -12.0),
        found("blocks.short", "block 3", "shorted_cell", 2.0),
    )
    html = page(site)
    assert Boxes(html).watched == [3]
    assert "Watch block 3: shorted cell." in text(html)
    assert "Block 1: Block 1 holds less than its peers" in text(html)


@pytest.mark.parametrize(
    ("condition", "kind", "words"),
    [
        ("shorted_cell", "now", "Go there now"),
        ("set_point_high", "week", "Go there this week"),
        ("water_due", "round", "see to it on the next round"),
    ],
)
def test_the_visit_is_that_of_the_alarm(tmp_path: Path, condition: str, kind: str, words: str) -> None:
    site = ShownSite.of(tmp_path).read()
    raised = Instant(1, site.clock.wall_ms())
    site.tell(alarms=[Alarm(AlarmKey("house", condition, "bank"), AlarmState.ACKNOWLEDGED, True, raised=raised)])
    assert verdict(page(site))[0] == kind
    assert words in verdict(page(site))[1]


def test_the_most_urgent_alarm_comes_first_and_what_follows_from_it_is_told_with_it(tmp_path: Path) -> None:
    site = ShownSite.of(tmp_path).read()
    raised = Instant(1, site.clock.wall_ms())
    root = AlarmKey("house", "shorted_cell", "block 2")
    keys = [AlarmKey("house", "water_due", "bank"), root, AlarmKey("house", "out_of_balance", "block 2")]
    alarms = [
        Alarm(key, AlarmState.UNACKNOWLEDGED, True, raised=raised, root=root if key is keys[2] else None)
        for key in keys
    ]
    told = text(page(site.tell(alarms=alarms)))
    assert told.index("Shorted cell: block 2, bank house") < told.index("Also standing")
    assert "Water is due: bank house" in told[told.index("Also standing") :]
    assert "Follows from this, and needs no visit of its own Going out of balance: block 2" in told


def test_the_verdict_says_since_when_and_leads_to_the_alarm(tmp_path: Path) -> None:
    site = ShownSite.of(tmp_path).read()
    key = AlarmKey("house", "shorted_cell", "block 2")
    raised, since = (Instant(1, site.clock.wall_ms() - hours * 3_600_000) for hours in (1, 5))
    html = page(site.tell(alarms=[Alarm(key, AlarmState.UNACKNOWLEDGED, True, raised=raised, since=since)]))
    assert "it is so since Mon 21 Sep 2026, 11:16 (UTC+02:00)." in verdict(html)[1]
    place = re.search(r'href="/alarms#(\w+)"', html)
    assert place is not None
    assert f'id="{place[1]}"' in client_of(site.settings, clock=site.clock).get("/alarms").text


def test_what_is_put_aside_does_not_call_but_is_counted(tmp_path: Path) -> None:
    site = ShownSite.of(tmp_path).read()
    raised = Instant(1, site.clock.wall_ms())
    shelved = Alarm(AlarmKey("house", "set_point_high", "bank"), AlarmState.SHELVED, True, raised=raised)
    site.tell(*healthy(site.shapes[0], site.clock.wall_ms()), alarms=[shelved])
    assert verdict(page(site))[0] == "none"
    assert "1 more put aside or held back" in text(page(site))


# -- what is missing --------------------------------------------------------------------------------------------------


def test_without_a_reading_it_says_so_and_not_that_all_is_well(tmp_path: Path) -> None:
    html = page(ShownSite.of(tmp_path).begin())
    kind, words = verdict(html)
    assert (kind, "Cannot tell" in words) == ("unknown", True)
    assert "No reading of this bank is in the record yet." in words
    assert "never heard" in text(html)
    assert len(Boxes(html).strings[0]) == 4, "the bank is drawn all the same"


def test_readings_without_findings_are_not_called_healthy(tmp_path: Path) -> None:
    kind, words = verdict(page(ShownSite.of(tmp_path).read()))
    assert kind == "unknown"
    assert "less than a day of them is judged" in words


def test_old_readings_are_not_called_healthy_and_say_since_when(tmp_path: Path) -> None:
    site = ShownSite.of(tmp_path).read()
    site.tell(*healthy(site.shapes[0], site.clock.wall_ms()))
    site.clock.pass_by(3 * 3_600_000)
    html = page(site)
    kind, words = verdict(html)
    assert kind == "unknown"
    assert "not heard since Mon 21 Sep 2026, 16:16 (UTC+02:00)" in words
    assert "what has happened since is not known" in words
    assert re.search(r'class="state"[^>]*>Not heard since', html)
    live = html[html.index('<table class="live">') : html.index("Evidence")]
    assert "ago" not in text(live)
    assert live.count("not heard since") == 4


def test_an_alarm_of_a_bank_that_went_silent_says_both(tmp_path: Path) -> None:
    site = ShownSite.of(tmp_path).read()
    raised = Instant(1, site.clock.wall_ms())
    site.tell(alarms=[Alarm(AlarmKey("house", "water_due", "bank"), AlarmState.ACKNOWLEDGED, True, raised=raised)])
    site.clock.pass_by(3 * 3_600_000)
    kind, words = verdict(page(site))
    assert kind == "round"
    assert "not heard since" in words


def test_a_record_of_an_older_form_is_said_and_nothing_is_shown(tmp_path: Path) -> None:
    site = ShownSite.of(tmp_path).read()
    connection = sqlite3.connect(site.path)
    connection.execute("PRAGMA user_version = 1")
    connection.close()
    for place in ("/", "/bank/house"):
        response = client(site).get(place)
        assert response.status_code == 503
        assert "older form" in response.text


def test_a_bank_that_does_not_exist_is_not_found(tmp_path: Path) -> None:
    response = client(ShownSite.of(tmp_path).begin()).get("/bank/barn")
    assert response.status_code == 404
    assert "there is no bank &#34;barn&#34;" in response.text


def test_what_the_logger_doubts_comes_with_what_to_do(tmp_path: Path) -> None:
    site = ShownSite.of(tmp_path).read()
    site.tell(found("meter.zero_offset", "amps", "offset", 0.4), found("quality.record", "bank", "fair", 80.0))
    told = text(page(site))
    doubts = told[told.index("What the logger doubts in itself") :]
    assert doubts.count("80 % of the time is covered") == 2, "among the doubts, and as evidence"
    assert doubts.index("The meter shows a current where none flows") < doubts.index("80 % of the time")
    assert "Look at the supply and the cable of the instrument" in doubts


def doubts(html: str) -> str:
    """The answer to what the logger doubts."""
    match = re.search(r"<dt>Doubts</dt>\s*<dd>(.*?)</dd>", html, re.DOTALL)
    assert match is not None
    return text(match[1])


def test_a_good_record_is_no_doubt(tmp_path: Path) -> None:
    site = ShownSite.of(tmp_path).read()
    assert doubts(page(site)).startswith("How good the readings are cannot be told yet.")
    site.tell(found("quality.record", "bank", "good", 100.0))
    assert doubts(page(site)).startswith("None. The record of the last week is good")
    site.tell(*healthy(site.shapes[0], site.clock.wall_ms()))
    told = doubts(page(site))
    assert told.startswith("None of the readings; 1 thing cannot be told yet.")
    assert "Too early for a trend of the bank&#39;s resistance." in told
    site.tell(found("meter.zero_offset", "amps", "offset", 0.4))
    assert doubts(page(site)).startswith("The meter shows a current where none flows")


def test_what_cannot_be_told_is_counted_alike_everywhere(seeded: SiteSettings) -> None:
    """A finding that is to be looked at is not among it, though its cause is not known."""
    told = text(seeded_page(seeded))
    counts = [
        re.search(pattern, told)
        for pattern in (r"(\d+) things cannot be told yet", r"what is missing \((\d+)\)", r"Cannot tell \((\d+)\)")
    ]
    assert len({one[1] for one in counts if one is not None}) == 1
    assert None not in counts


def test_poor_readings_are_said_beside_what_rests_on_them(tmp_path: Path) -> None:
    site = ShownSite.of(tmp_path).read()
    site.tell(found("full_charge.last", "bank", "full_proven", 0.8, quality=Quality.POOR))
    assert "at 0.80 A per 100 Ah (on poor readings)." in text(page(site))


# -- the drawing ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "shape", [Shape(per_string=2), Shape(strings=2, per_string=12), Shape(per_string=40, cells=1), Shape(strings=4)]
)
def test_the_bank_is_drawn_in_its_real_order(tmp_path: Path, shape: Shape) -> None:
    site = ShownSite.of(tmp_path, shape).read()
    html = page(site)
    boxes = Boxes(html)
    bank, _ = bank_named(site.settings, shape.name)
    for number, string in enumerate(boxes.strings, 1):
        assert string == [one for one in range(1, bank.blocks + 1) if bank.string_of_block(one) == number]
    assert len(boxes.strings) == shape.strings
    assert boxes.poles == ["positive end", "negative end"] * shape.strings
    assert ("the strings lie in parallel" in text(html)) == (shape.strings > 1)


def test_a_block_against_its_peers_now_is_a_signed_number_and_a_bar(tmp_path: Path) -> None:
    """0.3 V below peers of three cells is 100 mV per cell; the peers of the others have the same median as before."""
    html = page(ShownSite.of(tmp_path).read(low=2))
    drawn = r'data-block="(\d)">.*?class="apart">([^<]*)<.*?<rect x="(\d+)" y="2" width="(\d+)"'
    boxes = re.findall(drawn, html, re.DOTALL)
    assert boxes == [("1", "0", "30", "0"), ("2", "-100", "2", "28"), ("3", "0", "30", "0"), ("4", "0", "30", "0")]


def test_a_bank_without_taps_says_that_blocks_cannot_be_compared(tmp_path: Path) -> None:
    shape = Shape()
    site = ShownSite.of(tmp_path, shape)
    toml = (tmp_path / "site.toml").read_text(encoding="utf-8")
    (tmp_path / "bare.toml").write_text(toml[: toml.index('[[device.channel]]\nchannel = "block_1_celsius"')], "utf-8")
    bare = ShownSite(load_settings(tmp_path / "bare.toml"), site.shapes).begin()
    assert "No voltage of a block is measured" in text(page(bare))


# -- for one person ---------------------------------------------------------------------------------------------------


def test_names_with_markup_come_out_as_text(tmp_path: Path) -> None:
    name, site_name = "<b>'x&", '<script>"x&'
    site = ShownSite.of(tmp_path, Shape(name), site=site_name).read()
    raised = Instant(1, site.clock.wall_ms())
    alarms = [
        Alarm(AlarmKey(name, "shorted_cell", "<i>block"), AlarmState.UNACKNOWLEDGED, True, raised=raised),
        Alarm(AlarmKey("", "device_silent", "<u>meter"), AlarmState.UNACKNOWLEDGED, True, raised=raised),
    ]
    site.tell(*healthy(site.shapes[0], site.clock.wall_ms()), alarms=alarms)
    for place in ("/", "/bank/%3Cb%3E%27x%26"):
        html = client(site).get(place).text
        assert "&lt;b&gt;&#39;x&amp;" in html
        assert "&lt;script&gt;&#34;x&amp;" in html
        assert 'data-stream="/live/%3Cb%3E%27x%26"' in html
        assert not re.search(r"<(b>'|i>block|u>meter|script>\")", html)


def test_fahrenheit_and_decimal_comma_follow_the_person(tmp_path: Path) -> None:
    """20 °C are 68 °F by definition of the scales."""
    site = ShownSite.of(tmp_path).read()
    site.tell(*healthy(site.shapes[0], site.clock.wall_ms()))
    html = page(site, SignedIn("dieter", Role.READER, language="de", fahrenheit=True))
    assert "68,0 °F" in html
    assert "25,20 V" in html
    assert "25.20" not in html
    assert "20.0 °C" in page(site)


def test_sentences_of_the_analysis_are_not_mixed_into_another_language(tmp_path: Path) -> None:
    site = ShownSite.of(tmp_path).read()
    site.tell(found("full_charge.last", "bank", "full_proven", 0.8))
    html = page(site, SignedIn("dieter", Role.READER, language="de"))
    answers = html[html.index('<dl class="answers">') : html.index("</dl>")]
    assert "seen by hand" not in answers.lower()
    assert "seen by hand" in page(site)


def test_what_is_in_english_within_another_language_says_so_and_each_language_is_marked(tmp_path: Path) -> None:
    """WCAG 2.2, 3.1.2: parts in another language than the page's are marked."""
    site = ShownSite.of(tmp_path).read()
    site.tell(found("full_charge.last", "bank", "full_proven", 0.8))
    german, english = page(site, SignedIn("dieter", Role.READER, language="de")), page(site)
    says = load_texts("de").findings["full_charge.last"]["full_proven"].partition("{")[0]
    assert f'<span lang="de">{says}' in german
    assert "<dt>Why (in English)</dt><dd>seen by hand</dd>" in german
    assert "<dt>Why</dt><dd>seen by hand</dd>" in english
    assert ' lang="de"' not in english


def test_no_sentence_ends_twice(seeded: SiteSettings) -> None:
    for address in ("/bank/house", "/alarms"):
        told = text(client_of(seeded).get(address).text)
        assert ".." not in told


def test_millivolts_per_cell_are_explained(tmp_path: Path) -> None:
    told = text(page(ShownSite.of(tmp_path, Shape(cells=6)).read()))
    assert "mV per cell: thousandths of a volt, shared out among its 6 cells" in told


def test_the_page_keeps_to_its_own_policy_and_can_be_printed(seeded: SiteSettings) -> None:
    """No inline style or script, which the policy forbids; the sheet has rules for paper, on which buttons and
    navigation are not wanted and folded evidence is."""
    html = seeded_page(seeded)
    assert " style=" not in html
    assert not re.search(r"<script(?![^>]* src=)", html)
    assert not re.search(r'(src|href)="(https?:)?//', html)
    style = client_of(seeded, routes=ROUTES, streams=STREAMS).get("/static/style.css").text
    paper = style[style.index("@media print") :]
    assert re.search(r"nav, .*\.no-print \{ display: none", paper)
    assert "::details-content" in paper
    assert "prefers-color-scheme: dark" in style


def test_without_a_script_there_is_an_age_at_each_value_and_a_link_to_load_anew(tmp_path: Path) -> None:
    site = ShownSite.of(tmp_path).read()
    site.clock.pass_by(42_000)
    html = page(site)
    rows = re.findall(r'data-live="(\w+)">([^<]+)</td>\s*<td class="age"[^>]*>([^<]+)<', html)
    assert [(key, age) for key, _, age in rows] == [
        ("volts", "42 s ago"),
        ("amps", "42 s ago"),
        ("blocks_celsius", "42 s ago"),
    ]
    assert 'href="/bank/house">Load anew</a>' in html


def test_the_first_page_is_small(seeded: SiteSettings) -> None:
    """20 kB are two and a half seconds of 64 kbit/s."""
    served = client_of(seeded, routes=ROUTES, streams=STREAMS)
    first = served.get("/", headers={"accept-encoding": "gzip"})
    carried = re.findall(r'(?:href|src)="(/static/[^"]+)"', first.text)
    assert len(carried) == 3
    answers = [first, *(served.get(one, headers={"accept-encoding": "gzip"}) for one in carried)]
    assert sum(int(one.headers["content-length"]) for one in answers) < 20_000
