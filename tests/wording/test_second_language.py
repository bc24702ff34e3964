"""A mail in another language than English has no English sentence in it but under the heading that says so."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from mail_samples import (
    NOW_MS,
    SHORT,
    SITE,
    alarm_of,
    changed,
    every_mail,
    finding,
    raised,
    reader,
    watched,
    week,
)

from loggerd.alarms.heartbeats import NoticeKind
from loggerd.model.alarm import AlarmEvent, AlarmState
from loggerd.model.ledger import Figure
from loggerd.outputs.picture import png
from loggerd.settings.texts import load_texts
from loggerd.wording.digest import compose_digest
from loggerd.wording.digest_figures import summarise
from loggerd.wording.mail import Mail, compose

# Little words that nearly every English sentence has and no German one (nor a name in the samples).
ENGLISH = re.compile(
    r"\b(the|and|of|is|are|has|have|with|for|this|which|does|it|from|by|than|too|its)\b", re.IGNORECASE
)
GERMAN = load_texts("de")
_MAILS = every_mail("de")


def parts(text: str) -> tuple[str, str]:
    """What stands before the heading of the details, and what under it."""
    before, _, after = text.partition(GERMAN.words["details"])
    return before, after


def both(mail: Mail) -> tuple[str, ...]:
    """The text before the details, in both forms, the picture's description included."""
    html = re.sub(r"<style>.*?</style>|style=\"[^\"]*\"|<[a-z/!][^>\"]*>", " ", mail.html, flags=re.DOTALL)
    return parts(mail.plain)[0], parts(html)[0].partition("<body")[2], mail.subject


@pytest.mark.parametrize("name", [name for name in _MAILS if name != "mixed"])
def test_no_mail_has_english_before_its_details(name: str) -> None:
    for text in both(_MAILS[name]):
        assert ENGLISH.findall(text) == []


def test_what_a_keeper_has_written_is_quoted_as_it_is() -> None:
    """In the mixed mail somebody acknowledges in English; nothing else of it is."""
    for text in both(_MAILS["mixed"]):
        others = " ".join(text.split()).replace("the night watch (I have seen it)", "")
        assert ENGLISH.findall(others) == []
    assert "the night watch" in _MAILS["mixed"].html


def test_the_little_words_find_english() -> None:
    found = [name for name, mail in every_mail("en").items() if ENGLISH.search(mail.plain)]
    assert found == list(_MAILS)


def test_reasons_stand_last_with_what_they_are_about() -> None:
    why = "the rests of 3 nights agree with this"
    mail = compose([raised(alarm_of(SHORT, reason=why))], SITE, reader("de"))
    before, after = parts(mail.plain)
    assert why not in before
    assert " ".join(after.split()) == f": - Zellenschluss: Block 7, Batterie barn: {why}"
    assert GERMAN.words["governs"][:30] in before
    assert GERMAN.words["details"] not in compose([raised(alarm_of(SHORT))], SITE, reader("de")).plain


def test_what_happened_by_itself_is_explained_at_the_end() -> None:
    why = "it has cleared, which ends a shelf of this kind"
    item = changed(SHORT, AlarmEvent.UNSHELVED, AlarmState.NORMAL, why=why)
    item = replace(item, alarm=replace(item.alarm, active=False))
    before, after = parts(compose([item], SITE, reader("de")).plain)
    assert ENGLISH.findall(before) == []
    assert why in " ".join(after.split())
    assert why in " ".join(compose([item], SITE, reader()).plain.split())


def test_a_digest_says_at_the_end_why_something_is_not_known() -> None:
    unknown = Figure("charge_factor", None, reason="the charge of it has not ended")
    cycles = replace(summarise((), NOW_MS, NOW_MS), count=2, out=unknown, deepest=unknown)
    newest = tuple(
        replace(finding(name, "cannot_tell"), reason=f"there is no {name} of this bank")
        for name in ("full_charge.days_since", "capacity.summary")
    )
    bank = replace(week().banks[0], cycles=cycles, newest=newest)
    mail = compose_digest(replace(week(), banks=(bank,)), SITE, reader("de"), png)
    for text in both(mail):
        assert ENGLISH.findall(text) == []
    after = " ".join(parts(mail.plain)[1].split())
    for told in (
        "Batterie barn, Entnommen: the charge of it has not ended",
        "Batterie barn, Kapazität: there is no capacity.summary of this bank",
    ):
        assert told in after
    english = " ".join(compose_digest(replace(week(), banks=(bank,)), SITE, reader(), png).plain.split())
    assert "Taken out: not known (the charge of it has not ended)" in english


@pytest.mark.parametrize("language", ["en", "de"])
def test_a_watcher_tells_since_when_and_who_tells_it(language: str) -> None:
    words = load_texts(language).words
    silent = " ".join(watched(NoticeKind.SILENT, language).plain.split())
    assert "Mon 23 Nov" in silent or "Mo 23. Nov." in silent
    assert "22.0 h" in silent or "22,0 h" in silent
    assert words["watch_by"].format(name="office") in silent
    assert words["watch_still"] not in silent
    assert words["watch_still"] in " ".join(watched(NoticeKind.STILL, language).plain.split())
    assert words["watch_never"] in " ".join(watched(NoticeKind.SILENT, language, heard=False).plain.split())
    back = watched(NoticeKind.BACK, language)
    assert words["watch_back"] in back.subject
    assert "Hill farm" in back.subject
