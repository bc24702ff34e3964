"""Alarm mails, as a keeper gets them."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC
from html.parser import HTMLParser
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st
from mail_samples import (
    BARN,
    DAY_MS,
    HOUR_MS,
    NOW_MS,
    SHORT,
    SITE,
    VERDICTS,
    alarm_of,
    changed,
    every_mail,
    finding,
    flood,
    mixed_alarms,
    one_of_each,
    raised,
    reader,
    short_alarm,
)

from loggerd.alarms.conditions import ALARM_CONDITIONS
from loggerd.model.alarm import AlarmEvent, AlarmKey, AlarmState
from loggerd.model.bank import Bank, BankType
from loggerd.model.ledger import Figure, Instant
from loggerd.settings.texts import load_texts
from loggerd.wording.mail import MOST_IN_FULL, BankFacts, Site, compose, findings_behind
from loggerd.wording.plain_text import WIDTH
from loggerd.wording.reader import Reader

LANGUAGES = ("en", "de")
_MAILS = {language: every_mail(language) for language in LANGUAGES}
_EVERY = [(language, name) for language in LANGUAGES for name in _MAILS[language]]


class _Words(HTMLParser):
    """Words that are shown, and addresses of whatever a page would fetch or lead to."""

    def __init__(self) -> None:
        super().__init__()
        self.words: list[str] = []
        self.fetched: list[str] = []
        self.linked: list[str] = []
        self.tags: set[str] = set()
        self._hidden = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self._hidden = tag in ("style", "title")
        for name, value in attrs:
            if name in ("src", "background", "poster", "srcset", "data"):
                self.fetched.append(value or "")
            if name == "href":
                self.linked.append(value or "")

    def handle_endtag(self, tag: str) -> None:
        self._hidden = False

    def handle_data(self, data: str) -> None:
        if not self._hidden:
            self.words.extend(data.split())


def _read(page: str) -> _Words:
    parser = _Words()
    parser.feed(page)
    return parser


def _flat(text: str) -> str:
    return " ".join(text.split())


@pytest.mark.parametrize(("language", "name"), _EVERY)
def test_plain_text_fits_an_old_telephone(language: str, name: str) -> None:
    mail = _MAILS[language][name]
    for line in mail.plain.splitlines():
        assert len(line) <= WIDTH or line.startswith("https://")
        assert line == line.rstrip()
    (mail.plain + mail.subject).encode("latin-1")
    told = mail.plain.replace("raw_days", "")  # a key of the settings that the keeper is sent to
    assert not re.search(r"[{}\[\]]|None|\bnan\b|_", told), "a place that was not filled, or a name from the code"


@pytest.mark.parametrize(("language", "name"), _EVERY)
def test_html_says_what_the_plain_text_says_and_fetches_nothing(language: str, name: str) -> None:
    mail = _MAILS[language][name]
    page = _read(mail.html)
    missing = {word.strip(":") for word in mail.plain.split()} - {word.strip(":") for word in page.words}
    missing = {
        word for word in missing if not word.startswith(("=", "https://")) and not re.match(r"[-!]$|\d+\.$", word)
    }
    assert missing == set()
    assert set(page.fetched) == {f"cid:{one.content_id}" for one in mail.attachments}
    assert all(link.startswith("https://farm.example/") for link in page.linked)
    assert page.tags.isdisjoint({"script", "link", "iframe", "form", "object"})
    assert "url(" not in mail.html
    assert "@import" not in mail.html
    assert 'content="light dark"' in mail.html


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("number", range(len(ALARM_CONDITIONS)))
def test_every_alarm_says_all_that_a_keeper_needs(language: str, number: int) -> None:
    item, texts = one_of_each()[number], load_texts(language)
    plain = _flat(compose([item], SITE, reader(language)).plain)
    text = texts.alarm[item.alarm.key.condition]
    why = "reason" if texts.english else "details"
    for heading in ("act_by", "since", "seen", why, "causes", "do", "do_not", "parts"):
        assert f"{texts.words[heading]}:" in plain, heading
    for sentence in (*text.causes, *text.do, *text.do_not, *text.parts):
        assert sentence in plain
    assert texts.words["governs"] in plain
    for name in text.cautions:
        assert texts.cautions[name] in plain
    assert (f"{texts.words['caution']}:" in plain) == bool(text.cautions)
    assert texts.visits[ALARM_CONDITIONS[number].visit.value] in plain


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("condition", [one.name for one in ALARM_CONDITIONS])
def test_an_alarm_without_figures_is_still_whole_sentences(language: str, condition: str) -> None:
    key = AlarmKey("barn", condition, "block 3")
    plain = compose([raised(alarm_of(key))], SITE, reader(language)).plain
    assert not re.search(r"[\[\]{}]|\( |\s[.,;:]|::|:\s*\.|,\s*\.", plain)
    assert load_texts(language).words["seen"] not in plain


def test_a_shorted_cell_reads_well() -> None:
    mail = short_alarm()
    assert mail.subject == "Hill farm, now: shorted cell, block 7, bank barn"
    plain = _flat(mail.plain)
    assert "Block 7 stands about a cell (2 V) below its peers, also at rest: -2.03 V." in plain
    assert "Against its peers: -2.03 V (-2.08 to -1.98)" in plain
    assert "Act by: within 24 h: Thu 26 Nov 2026, 07:05 (UTC+01:00)" in plain
    assert "Since: Wed 25 Nov 2026, 06:35 (UTC+01:00)" in plain


def test_what_follows_from_an_alarm_is_told_under_it_alone() -> None:
    plain = _flat(short_alarm().plain)
    assert plain.count("Going out of balance") == 1
    assert "Follows from this, and needs no visit of its own: - Going out of balance: block 7, bank barn" in plain
    assert load_texts("en").alarm["out_of_balance"].do[1] not in plain


def test_what_follows_through_another_is_told_under_the_first() -> None:
    weak, limp = AlarmKey("barn", "weak_block", "block 7"), AlarmKey("barn", "out_of_balance", "block 7")
    items = [raised(alarm_of(SHORT)), raised(alarm_of(weak, root=SHORT)), raised(alarm_of(limp, root=weak))]
    plain = _flat(compose(items, SITE, reader()).plain)
    under = plain[plain.index("Follows from this") :]
    assert "Block holds less: block 7" in under
    assert "Going out of balance: block 7" in under
    assert plain.count("Follows from this") == 1
    for one in ("weak_block", "out_of_balance"):
        assert load_texts("en").alarm[one].do[1] not in plain


def test_an_alarm_whose_root_is_not_in_the_mail_is_not_lost() -> None:
    item = raised(alarm_of(AlarmKey("barn", "out_of_balance", "block 7"), root=SHORT))
    assert load_texts("en").alarm["out_of_balance"].do[0] in _flat(compose([item], SITE, reader()).plain)


def test_two_alarms_that_name_each_other_as_root_are_both_told() -> None:
    other = AlarmKey("barn", "out_of_balance", "block 7")
    items = [raised(alarm_of(SHORT, root=other)), raised(alarm_of(other, root=SHORT))]
    plain = compose(items, SITE, reader()).plain
    assert "Shorted cell" in plain
    assert "Going out of balance" in plain


def test_the_most_urgent_comes_first() -> None:
    mail = mixed_alarms()
    order = [mail.plain.index(title) for title in ("Thermal runaway", "Nearly empty", "Instrument is silent")]
    assert order == sorted(order)
    assert mail.subject == "Hill farm, now: thermal runaway, bank barn, and 2 more"
    assert mail.plain.index("Changes:") > order[-1]


def test_changes_are_short() -> None:
    mail = mixed_alarms()
    plain = _flat(mail.plain)
    assert "acknowledged by the night watch (I have seen it)" in plain
    assert "temperature probe fault, the temperature of block 2, bank barn: is over" in plain
    assert load_texts("en").alarm["probe_fault"].do[0] not in plain


def test_one_that_is_over_by_now_no_longer_calls() -> None:
    item = raised(alarm_of(SHORT))
    over = replace(item, alarm=replace(item.alarm, active=False, state=AlarmState.RETURNED))
    cleared = changed(SHORT, AlarmEvent.CLEARED, AlarmState.RETURNED)
    mail = compose([over, cleared], SITE, reader())
    assert mail.subject == "Hill farm: shorted cell, block 7, bank barn: is over, and 1 more"
    assert "shorted cell, block 7, bank barn: has begun" in _flat(mail.plain)
    assert "What to do" not in mail.plain


def test_one_that_comes_off_a_shelf_is_told_in_full() -> None:
    off = changed(SHORT, AlarmEvent.UNSHELVED, AlarmState.UNACKNOWLEDGED)
    assert "What to do:" in compose([off], SITE, reader()).plain


def test_one_that_is_raised_on_the_shelf_does_not_call() -> None:
    hidden = changed(SHORT, AlarmEvent.RAISED, AlarmState.SHELVED)
    assert "What to do:" not in compose([hidden], SITE, reader()).plain


def test_one_that_was_acknowledged_by_now_says_by_whom() -> None:
    item = raised(replace(alarm_of(SHORT), acknowledged_by="the night watch"))
    assert "Acknowledged: the night watch" in compose([item], SITE, reader()).plain


def test_an_alarm_told_twice_is_told_once_in_full() -> None:
    alarm = alarm_of(SHORT)
    mail = compose([raised(alarm), raised(alarm, event=AlarmEvent.RE_ALARMED)], SITE, reader())
    assert mail.plain.count("What to do:") == 1


def test_a_flood_is_folded_and_all_are_listed() -> None:
    mail = flood(count=200)
    assert mail.plain.count("What to do:") == MOST_IN_FULL
    plain = _flat(mail.plain)
    for number in range(200):
        assert re.search(rf"block {1 + number}, bank barn", plain), number
    assert "and 199 more" in mail.subject
    assert len(mail.subject) <= 120


def test_a_caution_is_said_in_full_once() -> None:
    plain = _flat(mixed_alarms().plain)
    assert plain.count("gas that explodes from 4 %") == 1
    assert "Hydrogen: see the cautions above" in plain


@pytest.mark.parametrize(
    ("cells", "highest", "warned"), [(12, 2.45, False), (24, 2.45, False), (24, 2.58, True), (36, 2.2, True)]
)
def test_over_60_volts_is_said_where_it_applies(cells: int, highest: float, warned: bool) -> None:
    bank = Bank("b", BankType.AGM, 1, cells // 6, 6, 100.0, 20.0)
    site = Site("s", {"b": BankFacts(bank, highest)})
    mail = compose([raised(alarm_of(AlarmKey("b", "shorted_cell", "block 1")))], site, reader())
    assert ("Over 60 V:" in mail.plain) is warned


def test_parallel_strings_do_not_add_volts() -> None:
    assert not BankFacts(Bank("b", BankType.AGM, 4, 4, 6, 400.0, 20.0), 2.45).over_60_volts


def test_times_are_local_and_daylight_saving_shows() -> None:
    """2026-10-25 00:30 UTC is 02:30 in summer time, an hour later it is 02:30 again."""
    summer_ms = 1_792_888_200_000
    words = Reader(load_texts("en"), ZoneInfo("Europe/Vienna"))
    assert words.instant(summer_ms) == "Sun 25 Oct 2026, 02:30 (UTC+02:00)"
    assert words.instant(summer_ms + HOUR_MS) == "Sun 25 Oct 2026, 02:30 (UTC+01:00)"
    assert Reader(load_texts("de"), UTC).instant(summer_ms) == "So 25. Okt. 2026, 00:30 (UTC+00:00)"
    assert "(UTC-03:30)" in Reader(load_texts("en"), ZoneInfo("America/St_Johns")).instant(NOW_MS)


@pytest.mark.parametrize("at_ms", [-(10**18), -1, 0, 10**18])
def test_a_clock_that_is_far_off_is_no_error(at_ms: int) -> None:
    assert reader().instant(at_ms)


def test_units_and_comma_are_the_keepers() -> None:
    assert "12,4 Grad (11,9 bis 12,9)" in _flat(mixed_alarms("de").plain)
    assert "22.3 °F (21.4 to 23.2)" in _flat(mixed_alarms(fahrenheit=True).plain)
    assert reader(fahrenheit=True).amount(50.0, "°C", 1) == "122.0 °F"
    assert Reader(load_texts("en"), decimal_comma=True).number(1.5, 1) == "1,5"
    assert reader().number(-0.04, 1) == "0.0"
    assert reader().amount(1.0, "days", 0) == "1 day"


def test_figures_without_a_name_for_keepers_are_left_out() -> None:
    item = raised(alarm_of(SHORT, Figure("blocks.short", 2.0), Figure("memory", 0.3), Figure("lowest_volts", None)))
    plain = compose([item], SITE, reader()).plain
    assert "0.3" not in plain
    assert "Lowest voltage" not in plain


def test_a_clock_that_is_not_set_is_said() -> None:
    mail = compose([raised(alarm_of(SHORT))], replace(SITE, clock_set=False), reader())
    assert "The clock of the logger is not set: all times here are guessed." in _flat(mail.plain)


def test_an_alarm_that_nobody_acknowledged_is_told_again() -> None:
    item = replace(raised(alarm_of(SHORT)), escalated=True)
    assert "nobody has acknowledged it" in _flat(compose([item], SITE, reader()).plain)
    over = replace(item, alarm=replace(item.alarm, active=False))
    assert "What to do:" not in compose([over], SITE, reader()).plain


def test_one_that_comes_and_goes_says_so() -> None:
    item = raised(replace(alarm_of(SHORT), told=6))
    assert "It has come and gone 6 times." in compose([item], SITE, reader()).plain


def test_an_alarm_of_an_earlier_version_is_told_without_advice() -> None:
    mail = compose([raised(alarm_of(AlarmKey("barn", "gone_by_now", "bank")))], SITE, reader())
    assert "Gone by now: bank barn" in mail.plain


def test_nothing_to_tell_is_a_mistake_of_the_caller() -> None:
    with pytest.raises(ValueError, match="something to tell"):
        compose([], SITE, reader())


def test_findings_behind_an_alarm() -> None:
    findings = [
        finding("blocks.cause", "shorted_cell", "block 7"),
        finding("blocks.cause", "shorted_cell", "block 6"),
        finding("blocks.short", "gone", "block 7"),
        finding("heat.high", "too_hot", "block 7", 61.0),
    ]
    assert findings_behind(alarm_of(SHORT), findings) == (findings[0],)
    assert findings_behind(alarm_of(AlarmKey("", "unheard_of", "x")), findings) == ()


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize(("name", "verdict"), VERDICTS)
def test_every_finding_can_be_told(language: str, name: str, verdict: str) -> None:
    for subject in ("bank", "string 2", "block 7", "link 7", "block_7_celsius", "amps", "string_2_amps", "odd name"):
        for value in (12.5, None):
            told = reader(language).trusted(finding(name, verdict, subject, value))
            assert not re.search(r"[{}\[\]_]|None", told)
            assert told[0] == told[0].upper()


_NASTY = st.text(st.characters(codec="utf-8"), max_size=200) | st.sampled_from(
    [
        "a\r\nBcc: x@y",
        "<script>alert(1)</script>",
        '" onmouseover="x',
        "{value}",
        "[x]",
        "&amp;",
        "ünï ж 電池 🔋",
        "x" * 300,
    ]
)


@given(_NASTY, _NASTY, _NASTY, _NASTY)
def test_what_comes_from_outside_does_no_harm(site: str, subject: str, who: str, reason: str) -> None:
    """Names and reasons with anything in them: one line of subject, no markup of theirs, lines short."""
    key = AlarmKey("b", "sensor_fault", subject)
    items = [
        raised(alarm_of(key, reason=reason)),
        changed(AlarmKey("", "device_silent", subject), AlarmEvent.ACKNOWLEDGED, AlarmState.ACKNOWLEDGED, who, reason),
    ]
    mail = compose(items, Site(site, {"b": BankFacts(BARN)}), reader())
    assert mail.subject.isprintable()
    assert len(mail.subject) <= 120
    assert _read(mail.html).tags <= {
        "html", "head", "meta", "title", "style", "body", "div", "p", "span", "h1", "h2", "ul", "ol", "li", "b", "br",
    }  # fmt: skip
    assert all(len(line) <= WIDTH for line in mail.plain.splitlines())


@given(st.lists(st.sampled_from(one_of_each()), min_size=1, max_size=60), st.integers(0, 400))
def test_every_alarm_is_in_the_mail(items: list, days: int) -> None:  # type: ignore[type-arg]
    """Whatever comes together in one mail: each is named in it, the same mail each time."""
    at = Instant(1, NOW_MS + days * DAY_MS)
    moved = [replace(item, alarm=replace(item.alarm, raised=at)) for item in items]
    mail = compose(moved, SITE, reader())
    plain = _flat(mail.plain).lower()
    for item in items:
        assert load_texts("en").alarm[item.alarm.key.condition].title in plain
    assert compose(moved, SITE, reader()) == mail
