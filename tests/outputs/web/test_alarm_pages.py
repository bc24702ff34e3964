"""Alarms on the pages: what stands and what is hidden, what keepers say to it, and every change."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

import pytest
from page_forms import PageForm, forms_of, tags_of, text_of
from running_service import SettableClock
from seeded_site import END_MS, weak_cabin
from web_client import KEEPER, OWN, READER, TestClient, client_of

from loggerd.alarms.conditions import ALARM_CONDITIONS
from loggerd.inbox import Inbox
from loggerd.model.access import Role, SignedIn
from loggerd.model.alarm import (
    Alarm,
    AlarmChange,
    AlarmEvent,
    AlarmKey,
    AlarmResults,
    AlarmState,
    Priority,
)
from loggerd.model.ledger import Figure, Instant
from loggerd.outputs.web import alarm_pages
from loggerd.outputs.web.alarm_views import anchor_of
from loggerd.settings.site import SiteSettings
from loggerd.store.record import Commit, RecordReader, RecordWriter

HOUR_MS = 3_600_000
SILENT = AlarmKey("", "device_silent", "taps")
SHORTED = AlarmKey("house", "shorted_cell", "block_5")
WEAK = AlarmKey("house", "weak_block", "block_5")


@pytest.fixture
def site(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> SiteSettings:
    monkeypatch.setattr(alarm_pages, "WAIT_SECONDS", 0.2)
    return weak_cabin(tmp_path)


def store(settings: SiteSettings, *alarms: Alarm, changes: Sequence[AlarmChange] = ()) -> None:
    """Put alarms into the record as a commit of the service would."""
    writer = RecordWriter.open(Path(settings.record.path))
    writer.commit(Commit(alarms=AlarmResults(tuple(alarms), tuple(changes))))
    writer.close()


def session_of(settings: SiteSettings) -> int:
    reader = RecordReader.open(Path(settings.record.path))
    try:
        return reader.sessions()[-1].id
    finally:
        reader.close()


def standing(settings: SiteSettings, key: AlarmKey, **more: object) -> Alarm:
    at = Instant(session_of(settings), END_MS - 24 * HOUR_MS)
    values: dict[str, object] = {"state": AlarmState.UNACKNOWLEDGED, "active": True, "raised": at, "since": at, **more}
    return Alarm(key, **values)  # type: ignore[arg-type]


def change(
    settings: SiteSettings, key: AlarmKey, event: AlarmEvent, who: str, why: str, hours_ago: float
) -> AlarmChange:
    at = Instant(session_of(settings), END_MS - round(hours_ago * HOUR_MS))
    return AlarmChange(key, at, event, AlarmState.UNACKNOWLEDGED, AlarmState.SHELVED, who, why)


def alarms_of(settings: SiteSettings) -> list[Alarm]:
    reader = RecordReader.open(Path(settings.record.path))
    try:
        return reader.alarms()
    finally:
        reader.close()


def alarm_of(settings: SiteSettings, key: AlarmKey) -> Alarm:
    return next(one for one in alarms_of(settings) if one.key == key)


def form_with(html: str, key: AlarmKey, label: str) -> PageForm:
    """The form of that alarm that has that button."""
    return next(
        one
        for one in forms_of(html)
        if one.values.get("condition") == key.condition
        and one.values["subject"] == key.subject
        and any(words.startswith(label) for _, _, words in one.buttons)
    )


def press(client: TestClient, key: AlarmKey, label: str, **typed: str) -> tuple[int, str]:
    """Press a button of the page; gives the status and what the page after it says."""
    form = form_with(client.get("/alarms").text, key, label)
    answer = client.post(form.action, data={**form.pressed(label), **typed}, headers=OWN)
    if answer.status_code != 303:
        return answer.status_code, text_of(answer.text)
    return 303, text_of(client.get(answer.headers["location"]).text)


# -- looking --


def test_a_standing_alarm_is_told_in_full(site: SiteSettings) -> None:
    figure = Figure("hours_left", 7.25, 6.0, 9.0)
    store(site, standing(site, SHORTED, evidence=(figure,), reason="it lies 2 V below the others"))
    shown = text_of(client_of(site).get("/alarms").text)
    for part in (
        "Shorted cell: block 5, bank house",
        "Urgent - Visit: now",
        "Not acknowledged yet",
        "within 24 h: Mon 21 Sep 2026, 16:13 (UTC+02:00)",
        "Sun 20 Sep 2026, 16:13 (UTC+02:00)",
        "Likely causes, the likeliest first",
        "What to do",
        "What not to do",
        "Bring along",
        "Hydrogen: charging gives off gas",
        "it lies 2 V below the others",
        "Hours left at this load: 7.2 h (6.0 to 9.0)",
    ):
        assert part in shown


def test_what_to_do_comes_before_what_was_seen_and_why(site: SiteSettings) -> None:
    store(site, standing(site, SHORTED, reason="it lies 2 V below the others."))
    html = client_of(site).get("/alarms").text
    article = html[html.index('id="' + anchor_of(SHORTED)) :]
    shown = text_of(article[: article.index("</article>")])
    assert shown.index("What to do") < shown.index("Bring along") < shown.index("Likely causes, the likeliest first")
    assert "it lies 2 V below the others." in shown
    assert "others.." not in shown


@pytest.mark.parametrize(("hours", "old"), [(0, False), (2, True)])
def test_old_readings_do_not_tell_how_it_stands_now(site: SiteSettings, hours: int, old: bool) -> None:
    clock = SettableClock(END_MS + hours * HOUR_MS)
    shown = text_of(client_of(site, clock=clock).get("/alarms").text)
    assert "Last reading in the record: Mon 21 Sep 2026, 16:13 (UTC+02:00), " in shown
    assert ("What has happened since is not known here" in shown) is old


def test_the_pages_of_alarms_and_of_the_bank_agree_on_order_and_on_what_follows(site: SiteSettings) -> None:
    """Through another one too: the limp follows from the weak block, which follows from the shorted cell."""
    limp = AlarmKey("house", "out_of_balance", "block_5")
    for one in alarms_of(site):
        store(site, Alarm(one.key))
    store(
        site,
        standing(site, limp, root=WEAK),
        standing(site, AlarmKey("house", "water_due", "bank")),
        standing(site, WEAK, root=SHORTED),
        standing(site, SHORTED),
    )
    alarms = text_of(client_of(site).get("/alarms").text)
    bank = text_of(client_of(site).get("/bank/house").text)
    titles = ["Block holds less: block 5", "Going out of balance: block 5", "Water is due: bank house"]
    under = (alarms[alarms.index("Follows from this") :], bank[bank.index("Follows from this") :])
    first, second = (sorted(titles, key=shown.index) for shown in under)
    assert first == second
    also = bank[bank.index("Also standing") : bank.index("The bank as it stands")]
    assert "Water is due" in also
    assert "Block holds less" not in also
    assert "Going out of balance" not in also


def test_no_alarm_stands(site: SiteSettings) -> None:
    store(site, standing(site, SHORTED))
    assert "No alarm stands" not in text_of(client_of(site).get("/alarms").text)
    for one in alarms_of(site):
        store(site, Alarm(one.key))
    assert "No alarm stands" in text_of(client_of(site).get("/alarms").text)


def test_what_follows_stands_beneath_its_root_and_the_most_urgent_comes_first(site: SiteSettings) -> None:
    priorities = {one.name: one.priority for one in ALARM_CONDITIONS}
    assert priorities["shorted_cell"] is Priority.HIGH
    assert priorities["device_silent"] is Priority.MEDIUM
    store(site, standing(site, SILENT), standing(site, SHORTED), standing(site, WEAK, root=SHORTED))
    html = client_of(site).get("/alarms").text
    articles = re.findall(r"<article.*?</article>", html, re.DOTALL)
    heads = [text_of(one[: one.index("</h2>")]) for one in articles]
    assert heads[0].startswith("Shorted cell")
    assert heads.index("Shorted cell: block 5, bank house") < heads.index('Instrument is silent: the instrument "taps"')
    assert not any(head.startswith("Block holds less") for head in heads)
    assert "Block holds less: block 5, bank house" in text_of(articles[0])
    assert "Follows fromShorted cell: block 5, bank house" in text_of(articles[0])


def test_alarms_that_name_each_other_as_root_are_all_shown(site: SiteSettings) -> None:
    store(site, standing(site, SHORTED, root=WEAK), standing(site, WEAK, root=SHORTED))
    shown = text_of(client_of(site).get("/alarms").text)
    assert "Shorted cell: block 5" in shown
    assert "Block holds less: block 5" in shown


def test_hidden_alarms_are_listed_apart_with_who_why_and_until_when(site: SiteSettings) -> None:
    until_ms = END_MS + 48 * HOUR_MS
    shelved = standing(site, SHORTED, state=AlarmState.SHELVED, shelved_until_ms=until_ms)
    out = standing(site, WEAK, state=AlarmState.OUT_OF_SERVICE, active=False)
    quiet = standing(site, SILENT, state=AlarmState.SUPPRESSED)
    store(
        site,
        shelved,
        out,
        quiet,
        changes=(
            change(site, SHORTED, AlarmEvent.SHELVED, "ben", "an earlier reason", 200),
            change(site, SHORTED, AlarmEvent.SHELVED, "anna", "the block comes on Friday", 2),
            change(site, WEAK, AlarmEvent.REMOVED, "carl", "probe is being mended", 3),
            change(site, SILENT, AlarmEvent.SUPPRESSED, "loggerd", "equalizing", 1),
        ),
    )
    html = client_of(site).get("/alarms").text
    hidden = html[html.index('id="hidden"') :]
    parts = [text_of(one) for one in re.findall(r"<article.*?</article>", hidden, re.DOTALL)]
    first = next(one for one in parts if one.startswith("Shorted cell"))
    assert "anna, Mon 21 Sep 2026, 14:13 (UTC+02:00)" in first
    assert "the block comes on Friday" in first
    assert "an earlier reason" not in first
    assert "Wed 23 Sep 2026, 16:13 (UTC+02:00)" in first
    second = next(one for one in parts if one.startswith("Block holds less"))
    assert "probe is being mended" in second
    assert "somebody puts it back into service" in second
    assert "does not hold at present" in second
    third = next(one for one in parts if one.startswith("Instrument is silent"))
    assert "equalizing" in third
    assert "Shorted cell" not in text_of(html[: html.index('id="hidden"')])


# -- acting --


def test_acknowledging_without_a_service_is_taken_in_at_once(site: SiteSettings) -> None:
    store(site, standing(site, SHORTED))
    status, said = press(client_of(site), SHORTED, "Acknowledge")
    assert status == 303
    assert "Taken in. Shorted cell: block 5, bank house: acknowledged by anna, Mon 21 Sep 2026" in said
    now = alarm_of(site, SHORTED)
    assert (now.state, now.acknowledged_by) == (AlarmState.ACKNOWLEDGED, "anna")
    buttons = [words for one in forms_of(client_of(site).get("/alarms").text) for _, _, words in one.buttons]
    assert not any("Acknowledge: Shorted" in words for words in buttons), "there is nothing left to acknowledge"


def test_who_acknowledges_is_who_is_signed_in_whatever_the_form_says(site: SiteSettings) -> None:
    store(site, standing(site, SHORTED))
    press(client_of(site, SignedIn("dora", Role.KEEPER)), SHORTED, "Acknowledge", who="anna")
    assert alarm_of(site, SHORTED).acknowledged_by == "dora"


def test_while_the_service_holds_the_record_it_waits_and_is_said_to(site: SiteSettings) -> None:
    store(site, standing(site, SHORTED))
    client = client_of(site)
    writer = RecordWriter.open(Path(site.record.path))
    try:
        status, said = press(client, SHORTED, "Acknowledge")
        assert status == 303
        assert "Acknowledge: it waits, and the service takes it in with its next commit" in said
        assert alarm_of(site, SHORTED).state is AlarmState.UNACKNOWLEDGED
        waiting = Inbox(Path(site.record.path)).requests()
    finally:
        writer.close()
    assert [(one.what, one.body["event"], one.body["who"]) for one in waiting] == [
        ("alarm_action", "acknowledged", "anna")
    ]


@pytest.mark.parametrize(
    ("label", "hours"),
    [("Shelve for 8 hours", 8), ("Shelve for 1 day", 24), ("Shelve for 7 days", 168), ("Shelve for 30 days", 720)],
)
def test_shelving_hides_it_for_so_long_and_it_can_be_taken_off(site: SiteSettings, label: str, hours: int) -> None:
    store(site, standing(site, SHORTED))
    status, said = press(client_of(site), SHORTED, label, why="the block comes on Friday")
    assert status == 303, said
    shelved = alarm_of(site, SHORTED)
    assert shelved.state is AlarmState.SHELVED
    assert shelved.shelved_until_ms is not None
    assert abs(shelved.shelved_until_ms - END_MS - hours * HOUR_MS) < 5 * 60_000
    assert "the block comes on Friday" in said
    press(client_of(site), SHORTED, "Take off the shelf")
    assert alarm_of(site, SHORTED).state is AlarmState.UNACKNOWLEDGED


def test_out_of_service_and_back(site: SiteSettings) -> None:
    store(site, standing(site, SHORTED))
    press(client_of(site), SHORTED, "Take out of service", why="block is on the bench")
    assert alarm_of(site, SHORTED).state is AlarmState.OUT_OF_SERVICE
    press(client_of(site), SHORTED, "Put back into service")
    assert alarm_of(site, SHORTED).state is AlarmState.UNACKNOWLEDGED


def test_to_hide_an_alarm_a_reason_is_needed(site: SiteSettings) -> None:
    store(site, standing(site, SHORTED))
    status, said = press(client_of(site), SHORTED, "Shelve for 1 day", why="  ")
    assert status == 409
    assert "not done: say why" in said
    assert alarm_of(site, SHORTED).state is AlarmState.UNACKNOWLEDGED


def test_a_reason_that_cannot_be_kept_stands_in_the_form_again(site: SiteSettings) -> None:
    store(site, standing(site, SHORTED))
    client = client_of(site)
    form = form_with(client.get("/alarms").text, SHORTED, "Shelve for 1 day")
    reason = "long " * 120
    answer = client.post(form.action, data={**form.pressed("Shelve for 1 day"), "why": reason}, headers=OWN)
    assert answer.status_code == 409
    assert form_with(answer.text, SHORTED, "Shelve for 1 day").values["why"] == reason.strip()


def test_what_its_state_does_not_allow_is_refused_with_words(site: SiteSettings) -> None:
    store(site, standing(site, SHORTED))
    client = client_of(site)
    form = form_with(client.get("/alarms").text, SHORTED, "Acknowledge")
    answer = client.post(form.action, data={**form.values, "act": "return"}, headers=OWN)
    assert answer.status_code == 409
    assert 'not done: it stands at "not acknowledged yet", where this cannot be asked of it' in text_of(answer.text)
    assert not Inbox(Path(site.record.path)).requests()


def test_the_same_button_twice_is_not_an_error(site: SiteSettings) -> None:
    store(site, standing(site, SHORTED))
    client = client_of(site)
    form = form_with(client.get("/alarms").text, SHORTED, "Acknowledge")
    answers = [client.post(form.action, data=form.pressed("Acknowledge"), headers=OWN) for _ in range(2)]
    assert [one.status_code for one in answers] == [303, 303]
    assert alarm_of(site, SHORTED).state is AlarmState.ACKNOWLEDGED


@pytest.mark.parametrize(
    ("changed", "status"),
    [({"subject": "block_77"}, 404), ({"uid": "../../etc"}, 400), ({"uid": ""}, 400), ({"act": "switch_off"}, 400)],
)
def test_a_form_that_is_not_ours_does_nothing(site: SiteSettings, changed: dict[str, str], status: int) -> None:
    store(site, standing(site, SHORTED))
    client = client_of(site)
    form = form_with(client.get("/alarms").text, SHORTED, "Acknowledge")
    answer = client.post("/alarms/act", data={**form.pressed("Acknowledge"), **changed}, headers=OWN)
    assert answer.status_code == status
    assert alarm_of(site, SHORTED).state is AlarmState.UNACKNOWLEDGED


def test_a_reader_sees_no_button_and_may_not_act(site: SiteSettings) -> None:
    store(site, standing(site, SHORTED))
    form = form_with(client_of(site, KEEPER).get("/alarms").text, SHORTED, "Acknowledge")
    reading = client_of(site, READER)
    html = reading.get("/alarms").text
    assert "Shorted cell" in text_of(html)
    assert forms_of(html) == []
    assert tags_of(html, "button") == []
    answer = reading.post(form.action, data=form.pressed("Acknowledge"), headers=OWN)
    assert answer.status_code == 403
    assert alarm_of(site, SHORTED).state is AlarmState.UNACKNOWLEDGED


def test_a_link_cannot_make_the_page_say_that_something_was_done(site: SiteSettings) -> None:
    store(site, standing(site, SHORTED))
    query = "told=0123456789&act=acknowledge&bank=house&condition=shorted_cell&subject=block_5"
    assert "Taken in" not in text_of(client_of(site).get(f"/alarms?{query}").text)


# -- history --


def test_the_history_tells_who_when_and_why(site: SiteSettings) -> None:
    store(
        site, standing(site, SHORTED), changes=(change(site, SHORTED, AlarmEvent.SHELVED, "anna", "comes Friday", 2),)
    )
    shown = text_of(client_of(site).get("/alarms/history").text)
    said = "Mon 21 Sep 2026, 14:13 (UTC+02:00) Shorted cell: block 5, bank house: put aside for a while, by anna."
    assert said in shown
    assert "Why: comes Friday" in shown


def test_the_history_goes_on_page_by_page_without_losing_or_doubling_a_change(site: SiteSettings) -> None:
    # Several at the same instant, where a page ends: they must neither be lost nor come twice.
    changes = [change(site, SHORTED, AlarmEvent.SHELVED, "anna", f"reason {n}", 1 + n // 7) for n in range(230)]
    store(site, standing(site, SHORTED), changes=changes)
    client = client_of(site)
    place, seen, pages = "/alarms/history?of=bank+house", [], 0
    while place:
        html = client.get(place).text
        seen += re.findall(r"Why: (reason \d+)", html)
        pages += 1
        links = [one["href"] for one in tags_of(html, "a") if "before=" in one.get("href", "")]
        place = links[0] if links else ""
    assert pages == 3
    assert sorted(seen) == sorted(f"reason {n}" for n in range(230))


def test_the_history_can_be_narrowed_to_a_bank_and_to_days(site: SiteSettings) -> None:
    changes = (
        change(site, SHORTED, AlarmEvent.SHELVED, "anna", "of the bank", 2),
        change(site, SILENT, AlarmEvent.SHELVED, "anna", "of the logger", 2),
        change(site, SHORTED, AlarmEvent.SHELVED, "anna", "of last week", 24 * 7),
    )
    store(site, standing(site, SHORTED), changes=changes)
    client = client_of(site)

    def whys(query: str) -> set[str]:
        return set(re.findall(r"Why: (of [a-z ]+)", client.get(f"/alarms/history?{query}").text))

    assert whys("") == {"of the bank", "of the logger", "of last week"}
    assert whys("of=bank+house") == {"of the bank", "of last week"}
    assert whys("of=logger") == {"of the logger"}
    assert whys("from=2026-09-21") == {"of the bank", "of the logger"}
    assert whys("until=2026-09-20") == {"of last week"}
    assert whys("until=2026-09-21") == {"of the bank", "of the logger", "of last week"}
    for wrong in ("of=bank+nowhere", "from=yesterday", "before=x"):
        assert client.get(f"/alarms/history?{wrong}").status_code == 400


# -- hostile names --


def test_markup_in_names_and_reasons_is_shown_as_it_was_written(site: SiteSettings) -> None:
    nasty = "<script>alert(1)</script>"
    key = AlarmKey("house", "sensor_fault", nasty)
    store(
        site,
        standing(site, key, state=AlarmState.SHELVED, shelved_until_ms=END_MS + HOUR_MS, reason=nasty),
        changes=(change(site, key, AlarmEvent.SHELVED, nasty, '"><img src=x>', 1),),
    )
    client = client_of(site)
    for place in ("/alarms", "/alarms/history"):
        html = client.get(place).text
        assert tags_of(html, "script") == []
        assert tags_of(html, "img") == []
        assert nasty in text_of(html)
