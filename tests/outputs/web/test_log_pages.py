"""The log book on the pages: what was told, and forms that take what keepers type with wet gloves."""

from __future__ import annotations

import re
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from page_forms import PageForm, forms_of, tags_of, text_of
from seeded_site import END_MS, tell, weak_cabin
from web_client import OWN, READER, TestClient, client_of

from loggerd.clock import AcceleratedClock
from loggerd.inbox import Inbox, new_uid
from loggerd.model.access import Role, SignedIn
from loggerd.model.bank import Bank, BankType
from loggerd.model.log_book import LogEntry, numbered
from loggerd.model.log_kinds import LOG_KINDS, Form, log_kind
from loggerd.model.log_values import check_values, count_of
from loggerd.outputs.web import log_pages
from loggerd.outputs.web.log_form import Typed, form_view
from loggerd.settings.site import SiteSettings
from loggerd.settings.texts import load_texts
from loggerd.store.record import RecordReader, RecordWriter
from loggerd.taking_in import log_body, take_in_here
from loggerd.wording.reader import Reader

VIENNA = ZoneInfo("Europe/Vienna")
NEW = "/bank/house/log/new"


@pytest.fixture
def site(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> SiteSettings:
    monkeypatch.setattr(log_pages, "WAIT_SECONDS", 0.2)
    return weak_cabin(tmp_path)


def entries(settings: SiteSettings) -> list[LogEntry]:
    reader = RecordReader.open(Path(settings.record.path))
    try:
        return [one.entry for one in reader.log_entries()]
    finally:
        reader.close()


def form_of(client: TestClient, kind: str, corrects: str = "") -> PageForm:
    answer = client.get(f"{NEW}?kind={kind}" + (f"&corrects={corrects}" if corrects else ""))
    assert answer.status_code == 200
    return next(one for one in forms_of(answer.text) if one.method == "post")


def send(client: TestClient, form: PageForm, **typed: str) -> tuple[int, str, dict[str, str]]:
    """Fill in values by their names of the catalogue (or day, clock); gives the status, the text after it, the form."""
    given = {name if name in form.values else f"v_{name}": text for name, text in typed.items()}
    assert set(given) <= set(form.values), "a keeper can only type where there is a field"
    answer = client.post(form.action, data={**form.values, **given}, headers=OWN)
    if answer.status_code == 303:
        return 303, text_of(client.get(answer.headers["location"]).text), {}
    forms = [one for one in forms_of(answer.text) if one.method == "post"]
    return answer.status_code, text_of(answer.text), forms[0].values if forms else {}


# -- telling --


def test_a_hydrometer_round_with_decimal_commas_lands_as_numbers(site: SiteSettings) -> None:
    client = client_of(site)
    status, said, _ = send(
        client, form_of(client, "hydrometer_round"), cell_1="1,265", cell_2="1.260", cell_24="1238", celsius="21,5"
    )
    assert status == 303
    (entry,) = entries(site)
    assert entry.data == {"cell_1": 1.265, "cell_2": 1.26, "cell_24": 1.238, "celsius": 21.5}
    assert (entry.bank, entry.kind, entry.who, entry.corrects) == ("house", "hydrometer_round", "anna", None)
    assert abs(entry.happened_at_ms - END_MS) < 120_000
    assert f"Written down, as entry {entry.uid}." in said
    # Referred to 25 °C: 0.0007 for each kelvin, 3.5 K below (the product's own rule, checked in tests/reference).
    assert "specific gravity at 25 °C: 1.236 (cell 24) to 1.263 (cell 1)" in said


def test_a_cell_out_of_range_is_named_and_the_others_stay(site: SiteSettings) -> None:
    client = client_of(site)
    form = form_of(client, "hydrometer_round")
    answer = client.post(
        form.action, data={**form.values, "v_cell_6": "1,265", "v_cell_7": "9,9", "v_hydrometer": "no. 3"}, headers=OWN
    )
    assert answer.status_code == 400
    assert 'Cell 7, specific gravity: found "9,9"; expected 1.000 to 1.400' in text_of(answer.text)
    again = next(one for one in forms_of(answer.text) if one.method == "post")
    kept = {name: again.values[f"v_{name}"] for name in ("cell_6", "cell_7", "cell_8", "hydrometer")}
    assert kept == {"cell_6": "1,265", "cell_7": "9,9", "cell_8": "", "hydrometer": "no. 3"}
    wrong = {name for name, given in again.attributes.items() if given.get("aria-invalid") == "true"}
    assert wrong == {"v_cell_7"}
    (said_of,) = again.attributes["v_cell_7"]["aria-describedby"].split()
    assert any(given.get("id") == said_of for given in tags_of(answer.text, "p"))
    assert again.values["uid"] == form.values["uid"], "it is still the same form"
    assert entries(site) == []
    assert Inbox(Path(site.record.path)).requests() == []


def test_what_is_missing_is_said_of_its_field(site: SiteSettings) -> None:
    client = client_of(site)
    status, said, _ = send(client, form_of(client, "block_swapped"), position="3")
    assert status == 400
    assert "Serial number of the block put in: missing" in said
    status, said, _ = send(client, form_of(client, "watering"))
    assert status == 400
    assert "expected at least one of" in said
    status, said, _ = send(client, form_of(client, "note"))
    assert (status, entries(site)) == (400, [])


def test_the_same_form_sent_twice_makes_one_entry(site: SiteSettings) -> None:
    client = client_of(site)
    form = form_of(client, "note")
    for _ in range(2):
        status, said, _ = send(client, form, text="vent cap of cell 3 was loose")
        assert (status, f"as entry {form.values['uid']}." in said) == (303, True)
    assert [one.uid for one in entries(site)] == [form.values["uid"]]


def test_the_same_form_sent_twice_while_it_waits_makes_one_entry(site: SiteSettings) -> None:
    client = client_of(site)
    form = form_of(client, "note")
    path = Path(site.record.path)
    writer = RecordWriter.open(path)
    try:
        for _ in range(2):
            status, said, _ = send(client, form, text="loose")
            assert status == 303
            assert f"Entry {form.values['uid']} is kept: it waits" in said
        assert len(list(Inbox(path).folder.glob("*.json"))) == 1
    finally:
        writer.close()
    assert take_in_here(site, path, Inbox(path), AcceleratedClock(END_MS, 1))
    assert [one.uid for one in entries(site)] == [form.values["uid"]]
    shown = client.get(f"/bank/house/log?told={form.values['uid']}").text
    assert f"Written down, as entry {form.values['uid']}." in text_of(shown)


def test_what_is_changed_in_a_form_that_was_sent_is_not_lost_in_silence(site: SiteSettings) -> None:
    client = client_of(site)
    form = form_of(client, "note")
    send(client, form, text="loose")
    status, said, values = send(client, form, text="loose, and cracked")
    assert status == 409
    assert f"this form was sent before, with other values, and made entry {form.values['uid']}" in said
    assert values["v_text"] == "loose, and cracked"
    assert [one.text for one in entries(site)] == ["loose"]


def test_a_form_without_its_mark_is_refused(site: SiteSettings) -> None:
    client = client_of(site)
    form = form_of(client, "note")
    for uid in ("", "../../x", "ABCDEF0123", "0123456789abcdef"):
        answer = client.post(form.action, data={**form.values, "uid": uid, "v_text": "x"}, headers=OWN)
        assert answer.status_code == 400
    assert entries(site) == []


def test_each_form_has_a_mark_of_its_own(site: SiteSettings) -> None:
    client = client_of(site)
    assert len({form_of(client, "note").values["uid"] for _ in range(5)}) == 5


def test_an_unknown_kind_or_bank_is_not_there(site: SiteSettings) -> None:
    client = client_of(site)
    assert client.get(f"{NEW}?kind=party").status_code == 404
    assert client.get("/bank/boat/log").status_code == 404
    assert client.get("/bank/boat/log/new?kind=note").status_code == 404
    form = form_of(client, "note")
    assert client.post(form.action, data={**form.values, "kind": "party"}, headers=OWN).status_code == 404
    assert entries(site) == []


# -- when --


def test_the_form_begins_with_now_in_local_time(site: SiteSettings) -> None:
    now = datetime.fromtimestamp(END_MS / 1000, VIENNA)
    form = form_of(client_of(site), "note")
    assert form.values["day"] == f"{now:%Y-%m-%d}"
    assert form.values["clock"] in (f"{now:%H:%M}", f"{now.replace(minute=now.minute + 1):%H:%M}")


def test_a_local_time_is_told(site: SiteSettings) -> None:
    client = client_of(site)
    send(client, form_of(client, "note"), text="in summer", day="2026-07-01", clock="12:00")
    send(client, form_of(client, "note"), text="in winter", day="2026-01-01", clock="12:00")
    told = {one.text: one.happened_at_ms for one in entries(site)}
    # Central European Summer Time is UTC+2, Central European Time UTC+1 (Directive 2000/84/EC).
    assert told["in summer"] == 1_782_900_000_000
    assert told["in winter"] == 1_767_265_200_000


@pytest.mark.parametrize(
    ("day", "clock"),
    [("2026-09-22", "12:00"), ("2126-09-21", "12:00"), ("1926-09-21", "12:00"), ("0026-09-21", "12:00"), ("", "12:00"),
     ("2026-02-30", "12:00"), ("2026-09-21", ""), ("2026-09-21", "25:00"), ("9999-12-31", "23:59")],
)  # fmt: skip
def test_a_time_to_come_or_an_ancient_one_is_refused_with_words(site: SiteSettings, day: str, clock: str) -> None:
    client = client_of(site)
    status, said, values = send(client, form_of(client, "note"), text="kept", day=day, clock=clock)
    assert status == 400
    assert "When: found" in said
    assert (values["v_text"], values["day"]) == ("kept", day)
    assert entries(site) == []


# -- correcting --


def test_a_correction_is_pre_filled_and_both_are_shown(site: SiteSettings) -> None:
    tell(site, LogEntry("", "house", "watering", END_MS - 86_399_123, "ben", {"litres": 2.5, "distilled": True}))
    (former,) = entries(site)
    client = client_of(site)
    html = client.get("/bank/house/log").text
    (link,) = [one["href"] for one in tags_of(html, "a") if "corrects=" in one.get("href", "")]
    form = next(one for one in forms_of(client.get(link).text) if one.method == "post")
    assert (form.values["v_litres"], form.values["v_distilled"]) == ("2.5", "yes")
    status, _, _ = send(client, form, litres="3,5")
    assert status == 303
    first, second = entries(site)
    assert first == former, "what was told stays as it was"
    assert (second.corrects, second.who, second.data) == (former.uid, "anna", {"litres": 3.5, "distilled": True})
    assert second.happened_at_ms == former.happened_at_ms, "seconds that the form cannot show are not lost"
    shown = text_of(client.get("/log").text)
    assert f"Does not hold any more: entry {second.uid} holds instead." in shown
    assert f"Corrects entry {former.uid} (it said: litres: 2.50 l; distilled: yes)" in shown
    links = [one["href"] for one in tags_of(client.get("/log").text, "a") if "corrects=" in one.get("href", "")]
    assert [link for link in links if former.uid in link] == [], "what does not hold is not corrected again"


def test_a_correction_of_another_kind_or_of_nothing_is_refused(site: SiteSettings) -> None:
    tell(site, LogEntry("", "house", "note", END_MS - 1000, "ben", {}, "a note"))
    (former,) = entries(site)
    client = client_of(site)
    assert client.get(f"{NEW}?kind=watering&corrects={former.uid}").status_code == 400
    assert client.get(f"{NEW}?kind=note&corrects=nothing").status_code == 404
    form = form_of(client, "note")
    answer = client.post(form.action, data={**form.values, "corrects": "0000000000", "v_text": "x"}, headers=OWN)
    assert answer.status_code == 404
    assert len(entries(site)) == 1


# -- the form --


@pytest.mark.parametrize("kind", [one.name for one in LOG_KINDS])
def test_every_field_of_the_catalogue_has_its_place(site: SiteSettings, kind: str) -> None:
    """What can be told is told by the form: each field with its label, unit and range."""
    client = client_of(site)
    html = client.get(f"{NEW}?kind={kind}").text
    form = next(one for one in forms_of(html) if one.method == "post")
    shown = text_of(html)
    bank = Bank("house", BankType.FLOODED_ANTIMONY, 1, 8, 3, 225.0, 20.0)
    labelled = {given["for"] for given in tags_of(html, "label")}
    for one in log_kind(kind).fields:
        count = count_of(bank, one.each)
        names = [numbered(one.each, n + 1, one.end) for n in range(count)] if one.each else [one.name]
        for name in names:
            assert f"v_{name}" in form.values
            assert f"v_{name}" in labelled or form.attributes[f"v_{name}"].get("aria-label")
        if one.form is Form.NUMBER:
            high = f"{one.high:.{one.decimals}f}"
            assert f"{one.low:.{one.decimals}f} to {high} {one.unit}".strip() in shown
            wanted = "decimal" if one.low >= 0 else ""
            assert {form.attributes[f"v_{name}"].get("inputmode", "") for name in names} == {wanted}
    assert "v_text" in form.values


def test_cells_stand_in_their_blocks_and_blocks_in_their_strings() -> None:
    bank = Bank("two", BankType.FLOODED_ANTIMONY, 2, 2, 3, 100.0, 20.0)
    view = form_view(log_kind("hydrometer_round"), bank, (), Typed({}), Reader(load_texts("en"), VIENNA))
    (grid,) = view.grids
    found = {
        (string, block): [(cell.title, [one.name for one in cell.fields]) for cell in cells]
        for string, blocks in grid.strings
        for block, cells in blocks
    }
    assert list(found) == [
        ("String 1", "Block 1"),
        ("String 1", "Block 2"),
        ("String 2", "Block 3"),
        ("String 2", "Block 4"),
    ]
    assert found["String 2", "Block 3"] == [
        ("Cell 7", ["cell_7", "cell_7_celsius"]),
        ("Cell 8", ["cell_8", "cell_8_celsius"]),
        ("Cell 9", ["cell_9", "cell_9_celsius"]),
    ]


def test_a_bank_of_very_many_cells_gets_one_long_field_that_is_understood() -> None:
    bank = Bank("large", BankType.FLOODED_ANTIMONY, 4, 60, 2, 1000.0, 20.0)
    kind, reader = log_kind("hydrometer_round"), Reader(load_texts("en"), VIENNA)
    told = {f"cell_{n}": "1.250" for n in range(1, 480)}
    view = form_view(kind, bank, (), Typed(told), reader)
    assert view.grids == ()
    row = next(one for one in view.fields if one.name == "cells")
    checked = check_values(kind.name, bank, {"cells": row.typed})
    assert checked.faults == []
    assert checked.data == {f"cell_{n}": 1.25 for n in range(1, 480)}


def test_a_keeper_who_reads_fahrenheit_types_fahrenheit(site: SiteSettings) -> None:
    keeper = SignedIn("fred", Role.KEEPER, fahrenheit=True)
    client = client_of(site, keeper)
    html = client.get(f"{NEW}?kind=hydrometer_round").text
    assert "-40.0 to 176.0 °F" in text_of(html)
    send(
        client, form_of(client, "hydrometer_round"), cell_1="1.265", celsius="77", cell_1_celsius="25 C", cell_2="1.25"
    )
    (entry,) = entries(site)
    assert entry.data["celsius"] == pytest.approx(25.0)
    assert entry.data["cell_1_celsius"] == pytest.approx(25.0)
    assert entry.data["cell_2"] == 1.25
    again = form_of(client, "hydrometer_round", entry.uid)
    send(client, again)
    assert entries(site)[1].data == entry.data, "a correction that changes nothing changes nothing"


def test_a_keeper_with_a_decimal_comma_sees_commas_and_corrects_with_them(site: SiteSettings) -> None:
    client = client_of(site, SignedIn("gerda", Role.KEEPER, language="de"))
    send(client, form_of(client, "watering"), litres="2,5")
    form = form_of(client, "watering", entries(site)[0].uid)
    assert form.values["v_litres"] == "2,5"
    send(client, form)
    assert entries(site)[1].data == {"litres": 2.5}


def test_only_channels_of_the_bank_in_volts_and_amps_can_be_held_against_a_meter(site: SiteSettings) -> None:
    client = client_of(site)
    html = client.get(f"{NEW}?kind=reference_reading").text
    offered = {given["value"] for given in tags_of(html, "option")} - {""}
    assert {"volts", "amps", "block_5_volts"} <= offered
    assert not [name for name in offered if name.endswith("celsius")]
    status, _, _ = send(client, form_of(client, "reference_reading"), channel="amps", value="-12,6 A")
    assert status == 303
    assert entries(site)[0].data == {"channel": "amps", "value": -12.6}


# -- the book --


def test_a_reader_reads_and_cannot_write(site: SiteSettings) -> None:
    form = form_of(client_of(site), "note")
    reading = client_of(site, READER)
    html = reading.get("/bank/house/log").text
    assert not [one for one in tags_of(html, "a") if "/log/new" in one.get("href", "")]
    assert reading.get(f"{NEW}?kind=note").status_code == 403
    assert reading.post(form.action, data={**form.values, "v_text": "x"}, headers=OWN).status_code == 403
    assert entries(site) == []


def test_the_book_goes_on_page_by_page_newest_first(site: SiteSettings) -> None:
    path = Path(site.record.path)
    inbox = Inbox(path)
    for number in range(120):
        entry = LogEntry(new_uid(), "house", "note", END_MS - 3_600_000 * (number // 3), "ben", {}, f"note-{number}")
        inbox.put("log_entry", entry.uid, log_body(entry), END_MS + number)
    assert take_in_here(site, path, inbox, AcceleratedClock(END_MS, 1))
    client, place, pages = client_of(site), "/log", []
    while place:
        html = client.get(place).text
        pages.append([int(one) for one in re.findall(r"note-(\d+)", html)])
        links = [one["href"] for one in tags_of(html, "a") if "before=" in one.get("href", "")]
        place = links[0] if links else ""
    assert [len(page) for page in pages] == [50, 50, 20]
    seen = [number for page in pages for number in page]
    assert sorted(seen) == list(range(120))
    assert [number // 3 for number in seen] == sorted(number // 3 for number in seen)


def test_markup_in_the_book_is_shown_as_it_was_written(site: SiteSettings) -> None:
    nasty = '<script>alert(1)</script><img src=x onerror="x">'
    client = client_of(site)
    send(client, form_of(client, "note"), text=nasty)
    send(client, form_of(client, "block_swapped"), position="1", old_serial=nasty, new_serial="2")
    uid = entries(site)[0].uid
    status, _, values = send(client, form_of(client, "watering"), litres=nasty)
    assert (status, values["v_litres"]) == (400, nasty)
    for place in ("/log", "/bank/house/log", f"{NEW}?kind=note&corrects={uid}", f"/log?entry={uid}"):
        html = client.get(place).text
        assert tags_of(html, "script") == []
        assert tags_of(html, "img") == []
    assert nasty in text_of(client.get("/log").text)
    assert form_of(client, "note", uid).values["v_text"] == nasty


def test_a_refused_entry_says_why(site: SiteSettings) -> None:
    """As when the settings changed while it waited: the service takes it in later, and cannot."""
    inbox, uid = Inbox(Path(site.record.path)), new_uid()
    inbox.refuse(inbox.put("log_entry", uid, {}, END_MS), "there is no such bank")
    shown = text_of(client_of(site).get(f"/log?told={uid}").text)
    assert f"Entry {uid} was refused: there is no such bank" in shown
