"""The logger's own page: clock, instruments, card, mail; and what it says while the service is silent."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from page_forms import tags_of, text_of
from running_service import SettableClock
from seeded_site import END_MS, weak_cabin
from web_client import READER, client_of

from loggerd import __version__
from loggerd import status as status_module
from loggerd.model.outbox import Lane, MailNote, MailState, NewMail, OutboxUpdate
from loggerd.model.scan import ClockState
from loggerd.settings.load import load_settings
from loggerd.settings.site import SiteSettings
from loggerd.status import BELIEVED_MS, DeviceStatus, ServiceStatus, StatusKeeper, write_status
from loggerd.store.record import Commit, RecordEvent, RecordReader, RecordWriter

HOUR_MS = 3_600_000
MAIL = """
[mail]
server = "mail.example.org"
from = "logger@example.org"
[webhook]
url = "https://hooks.example.org/secret-part"
[[keeper]]
name = "anna"
mail = "anna@example.org"
"""


@pytest.fixture
def site(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[SiteSettings]:
    memory = tmp_path / "run"
    memory.mkdir()
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(memory))
    monkeypatch.setattr(status_module, "_FOLDERS", (memory,))
    yield weak_cabin(tmp_path)


def record_of(settings: SiteSettings) -> Path:
    return Path(settings.record.path)


def told(settings: SiteSettings) -> ServiceStatus:
    """A service that has run for two days and has read two instruments, one of them badly."""
    now = StatusKeeper(record_of(settings), SettableClock(END_MS), []).now("4321 scans read")
    devices = (
        DeviceStatus("shunt", 2000, 1990, 6, 2, 1, 1, 12, "no answer within 1 s", END_MS - 5_000),
        DeviceStatus("taps", 900, 0, 900, 0, 0, 0, 40, "no answer within 1 s", None),
    )
    return replace(
        now,
        began_boot_ms=now.boot_ms - 48 * HOUR_MS,
        began_ms=END_MS - 48 * HOUR_MS,
        written_bytes=12_000_000,
        memory_bytes=61_000_000,
        record_bytes_begun=record_of(settings).stat().st_size - 600_000,
        looked_ms=END_MS - 30_000,
        devices=devices,
    )


def rows(html: str) -> dict[str, str]:
    """Names and what they are."""
    found = re.findall(r"<dt>(.*?)</dt><dd>(.*?)</dd>", html, re.DOTALL)
    return {text_of(name): text_of(what) for name, what in found}


def instruments(html: str) -> dict[str, list[str]]:
    """Instruments: what is said of each."""
    body = html[html.index("<h2>Instruments</h2>") : html.index("<h2>Record and card</h2>")]
    found = {}
    for item in re.findall(r"<li>(.*?)</li>", body, re.DOTALL):
        name, *lines = [text_of(one) for one in re.findall(r"<(?:h3|p)>(.*?)</(?:h3|p)>", item, re.DOTALL)]
        found[name] = lines
    return found


def test_without_a_word_of_the_service_the_page_says_so_and_shows_what_the_record_knows(site: SiteSettings) -> None:
    html = client_of(site).get("/logger").text
    shown = rows(html)
    assert "The service is not running, or too old to tell. What the record says stands below" in text_of(html)
    assert shown["Last reading in the record"].startswith("Mon 21 Sep 2026, 16:1")
    assert shown["Written to disks"].startswith("cannot tell")
    assert shown["Size"].endswith("MB")
    assert "on average since the first reading" in shown["Growth"]
    reader = RecordReader.open(record_of(site))
    size, version = reader.health().file_bytes, reader.health().schema_version
    reader.close()
    a_day = float(shown["Growth"].split()[0])
    assert a_day == pytest.approx(size / 30 / 1000, rel=0.05), "thirty days are in the record"
    assert shown["Form of the record"] == f"version {version}"
    assert shown["These pages"].startswith(f"loggerd {__version__}, Python 3.")
    assert {lines[1] for lines in instruments(html).values()} == {"Polls: cannot tell"}
    assert set(instruments(html)) == {device.name for device in site.devices}


def test_what_the_service_tells_is_shown(site: SiteSettings) -> None:
    write_status(record_of(site), told(site))
    html = client_of(site, READER).get("/logger").text
    shown = rows(html)
    assert "not running" not in text_of(html)
    assert "runs since Sat 19 Sep 2026, 16:13 (UTC+02:00), for 2 days" in text_of(html)
    assert shown["It says"] == "4321 scans read"
    assert shown["Memory it holds"] == "61.0 MB"
    # 12 MB and 600 kB in two days.
    assert shown["Written to disks"] == "6.0 MB a day, since the service began"
    assert shown["Growth"] == "300.0 kB a day, since the service began"
    devices = instruments(html)
    assert devices["shunt"][1:] == [
        "Polls: 0.5 % of 2000 failed: 6 silent, 2 garbled, 1 refused, 1 not there; 12 left out",
        "Last fault: no answer within 1 s",
    ]
    assert devices["shunt"][0].startswith("Heard: Mon 21 Sep 2026, 16:13 (UTC+02:00), ")
    assert devices["taps"][0].startswith("Heard: not since the service began; in the record until ")
    assert devices["taps"][1] == "Polls: 100.0 % of 900 failed: 900 silent; 40 left out"
    assert devices["weather"][1:] == ["Polls: cannot tell"], "an instrument the service does not know of"


def test_an_instrument_without_a_fault_is_said_to_have_none(site: SiteSettings) -> None:
    fine = DeviceStatus("shunt", 500, 500, 0, 0, 0, 0, 0, "", END_MS - 5_000)
    write_status(record_of(site), replace(told(site), devices=(fine,)))
    assert instruments(client_of(site).get("/logger").text)["shunt"][1:] == ["Polls: none of 500 failed"]


def test_whether_a_sign_of_life_is_sent_is_told(site: SiteSettings) -> None:
    assert rows(client_of(site).get("/logger").text)["Sign of life"].startswith("none is sent: if this logger dies")
    path = record_of(site).with_name("site.toml")
    beat = '[heartbeat]\nat = "06:30"\nto = ["anna"]\n'
    path.write_text(path.read_text(encoding="utf-8") + MAIL + beat, encoding="utf-8")
    told_of = rows(client_of(load_settings(path)).get("/logger").text)["Sign of life"]
    assert told_of == "every day at 06:30, local time, to anna"


def test_the_room_on_the_disk_is_told_in_days_of_this_growth(
    site: SiteSettings, monkeypatch: pytest.MonkeyPatch
) -> None:
    from loggerd.store import care

    monkeypatch.setattr(care, "free_bytes", lambda _: 30_000_000)
    write_status(record_of(site), told(site))
    assert rows(client_of(site).get("/logger").text)["Room lasts"] == "100 days at this rate"


def test_a_service_that_fell_silent_is_not_said_to_run(site: SiteSettings) -> None:
    status = told(site)
    write_status(record_of(site), replace(status, boot_ms=status.boot_ms - BELIEVED_MS - 1000))
    shown = text_of(client_of(site).get("/logger").text)
    assert "The service is not running, or too old to tell" in shown
    assert "4321 scans read" not in shown


def test_pages_and_service_of_different_versions_are_told_of(site: SiteSettings) -> None:
    write_status(record_of(site), replace(told(site), program="0.0.1"))
    assert "loggerd 0.0.1, Python" in text_of(client_of(site).get("/logger").text)
    assert "another version than these pages" in text_of(client_of(site).get("/logger").text)


def test_an_unset_clock_and_its_steps_are_told(site: SiteSettings) -> None:
    writer = RecordWriter.open(record_of(site))
    session = writer.last_session()
    assert session is not None
    text = "the wall clock was set forward by 90.0 s <b>"
    writer.commit(
        Commit(
            events=(
                RecordEvent(session.id, 1, END_MS - 2 * HOUR_MS, "clock_step", "clock", text),
                RecordEvent(session.id, 2, END_MS - 9 * 24 * HOUR_MS, "lost", "taps", "long ago"),
            )
        )
    )
    writer.close()
    clock = SettableClock(END_MS)
    clock.said = ClockState.NOT_SET
    html = client_of(site, clock=clock).get("/logger").text
    shown = rows(html)
    assert "Not set since the machine was started: all times are guessed" in text_of(html)
    assert shown["Set by more than a second"] == f"Mon 21 Sep 2026, 14:13 (UTC+02:00): {text} (1 in all)"
    assert "clock step, clock: the wall clock was set forward" in text_of(html)
    assert tags_of(html, "b") == []
    assert "long ago" not in text_of(html)


def with_mail(site: SiteSettings) -> SiteSettings:
    path = record_of(site).with_name("site.toml")
    path.write_text(path.read_text(encoding="utf-8") + MAIL, encoding="utf-8")
    return load_settings(path)


def mail(lane: Lane, address: str, subject: str) -> NewMail:
    return NewMail(lane, "anna", "alarms", address, f"<{subject}@x>", subject, b"content", False, END_MS - HOUR_MS, ())


def test_what_became_of_mail_is_told_and_what_the_server_said(site: SiteSettings) -> None:
    changed = with_mail(site)
    writer = RecordWriter.open(record_of(site))
    address = "https://hooks.example.org/secret-part"
    numbers = writer.update_outbox(
        OutboxUpdate(
            mails=(
                mail(Lane.MAIL, "anna@example.org", "accepted one"),
                mail(Lane.MAIL, "anna@example.org", "refused one"),
                mail(Lane.MAIL, "anna@example.org", "late one"),
                mail(Lane.WEBHOOK, address, "refused hook"),
            )
        )
    )
    at_ms = END_MS - HOUR_MS // 2
    writer.update_outbox(
        OutboxUpdate(
            notes=(
                MailNote(numbers[0], MailState.ACCEPTED, at_ms, "250 queued"),
                MailNote(numbers[1], MailState.REFUSED, at_ms, "550 5.1.1 <anna> unknown here"),
                MailNote(numbers[2], MailState.SENDING, at_ms),
                MailNote(numbers[2], MailState.QUEUED, at_ms, "451 try later", END_MS + HOUR_MS),
                MailNote(numbers[3], MailState.REFUSED, at_ms, "410 gone"),
            )
        )
    )
    writer.close()
    html = client_of(changed).get("/logger").text
    shown = rows(html)
    assert shown["Mail accepted last"].startswith("Mon 21 Sep 2026, 15:43 (UTC+02:00)")
    assert shown["Webhook accepted last"] == "none of the last 50 letters"
    told_of = [text_of(one) for one in re.findall(r"<li>(.*?)</li>", html, re.DOTALL)]
    refused = next(one for one in told_of if "refused one" in one)
    assert "Refused; it is not tried again" in refused
    assert "The answer was: 550 5.1.1 <anna> unknown here" in refused
    late = next(one for one in told_of if "late one" in one)
    assert "Tried 1 times, the next time Mon 21 Sep 2026, 17:13 (UTC+02:00)" in late
    assert "451 try later" in late
    assert not [one for one in told_of if "accepted one" in one]
    assert "secret-part" not in html


def test_without_mail_the_page_says_that_nobody_is_told(site: SiteSettings) -> None:
    assert rows(client_of(site).get("/logger").text)["Mail"] == "not set up; nobody is told of alarms by mail"
