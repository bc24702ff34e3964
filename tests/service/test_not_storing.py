"""The record takes nothing: readings wait, no alarm can be stored, and keepers are told all the same."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from hand_recording import SITE, HandClock, opened, reading
from hook_server import Called
from quick_bank import QuickBank
from quick_site import SHUNT, VOLTS, bank, device, settings_of, write_site
from running_service import SettableClock, recording_of, running
from smtp_servers import Manners, serving
from until import until

from loggerd import not_storing as not_storing_module
from loggerd import recording as recording_module
from loggerd.alarms.from_health import LONGEST_NOT_STORED_MS
from loggerd.errors import StoreFull
from loggerd.not_storing import RETRY_MS, NotStoring
from loggerd.recording import Recording
from loggerd.settings.load import load_settings
from loggerd.settings.site import SiteSettings
from loggerd.store.record import Commit, RecordWriter
from loggerd.waiting import NotStored

MAIL = """
[mail]
server = "127.0.0.1"
port = {port}
security = "none"
from = "loggerd@hut.example"

[[keeper]]
name = "anna"
mail = "anna@home.example"
language = "{language}"
{more}
"""
FULL = "record.sqlite: no space is left on the disk"
MINUTE = 60_000


class Disk:
    """Full or not, as told."""

    def __init__(self, clock: HandClock) -> None:
        self.clock = clock
        self.since_ms: int | None = None

    def fill(self) -> None:
        self.since_ms = self.clock.mono_ms()

    def look(self) -> NotStored | None:
        return None if self.since_ms is None else NotStored(self.since_ms, FULL)


@pytest.fixture
def manners() -> Iterator[Manners]:
    with serving(Manners()) as one:
        yield one


def site(folder: Path, port: int, language: str = "en", more: str = "") -> SiteSettings:
    path = folder / "site.toml"
    path.write_text(SITE + MAIL.format(port=port, language=language, more=more), encoding="utf-8")
    return load_settings(path)


def watch(settings: SiteSettings, disk: Disk) -> NotStoring:
    return NotStoring(settings, disk.look, disk.clock)


def pass_by(mail: NotStoring, clock: HandClock, minutes: int) -> None:
    for _ in range(minutes):
        clock.pass_by(MINUTE)
        mail.turn()


@pytest.mark.parametrize(("language", "words"), [("en", "cannot store"), ("de", "nicht speichern")])
def test_told_once_after_five_minutes_and_once_when_it_is_over(
    tmp_path: Path, manners: Manners, language: str, words: str
) -> None:
    clock = HandClock()
    disk = Disk(clock)
    mail = watch(site(tmp_path, manners.port, language), disk)
    pass_by(mail, clock, 10)
    disk.fill()
    pass_by(mail, clock, LONGEST_NOT_STORED_MS // MINUTE - 1)
    assert manners.taken == []
    pass_by(mail, clock, 60)
    (told,) = manners.taken
    assert told.receivers == ["anna@home.example"]
    assert words in told.text
    assert FULL in " ".join(told.text.split())
    disk.since_ms = None
    pass_by(mail, clock, 60)
    assert len(manners.taken) == 2
    assert words not in manners.taken[1].text
    disk.fill()
    pass_by(mail, clock, 10)
    assert len(manners.taken) == 3, "another fault is told anew"


def test_a_fault_that_is_over_in_time_is_not_told(tmp_path: Path, manners: Manners) -> None:
    clock = HandClock()
    disk = Disk(clock)
    mail = watch(site(tmp_path, manners.port), disk)
    disk.fill()
    pass_by(mail, clock, 4)
    disk.since_ms = None
    pass_by(mail, clock, 30)
    assert manners.taken == []


def test_tried_again_with_the_same_mail_until_it_is_accepted(tmp_path: Path, manners: Manners) -> None:
    clock = HandClock()
    disk = Disk(clock)
    mail = watch(site(tmp_path, manners.port), disk)
    tried: list[str] = []

    def busy(taken: object) -> str:
        tried.append(taken.message_id)  # type: ignore[attr-defined]
        return "451 later" if len(tried) < 3 else "250 taken"

    manners.data = busy
    disk.fill()
    pass_by(mail, clock, 5 + 3 * RETRY_MS // MINUTE + 30)
    assert len(tried) == 3
    assert len(set(tried)) == 1
    assert len(manners.taken) == 1


def test_a_refusal_is_final(tmp_path: Path, manners: Manners) -> None:
    clock = HandClock()
    disk = Disk(clock)
    mail = watch(site(tmp_path, manners.port), disk)
    tried: list[str] = []
    manners.rcpt = lambda receiver: tried.append(receiver) or "550 no such box"  # type: ignore[func-returns-value]
    disk.fill()
    pass_by(mail, clock, 60)
    assert len(tried) == 1


def test_quiet_hours_and_least_priority_hold_for_it_too(tmp_path: Path, manners: Manners) -> None:
    clock = HandClock()  # 16:13 in Vienna
    disk = Disk(clock)
    disk.fill()
    deaf = watch(site(tmp_path, manners.port, more='least_priority = "critical"'), disk)
    pass_by(deaf, clock, 10)
    assert manners.taken == []
    later = watch(site(tmp_path, manners.port, more='quiet = ["12:00", "18:00"]'), disk)
    pass_by(later, clock, 60)
    assert manners.taken == []
    pass_by(later, clock, 60)
    assert len(manners.taken) == 1


HOOK = """
[webhook]
url = "http://127.0.0.1:{port}/hut"
"""


def test_the_webhook_is_told_likewise_without_any_mail(tmp_path: Path) -> None:
    called, clock = Called(), HandClock()
    try:
        path = tmp_path / "site.toml"
        path.write_text(SITE + HOOK.format(port=called.port), encoding="utf-8")
        disk = Disk(clock)
        watching = NotStoring(load_settings(path), disk.look, clock)
        assert watching.tells_somebody
        called.status = 503
        disk.fill()
        pass_by(watching, clock, 2 * RETRY_MS // MINUTE)
        called.status = 204
        pass_by(watching, clock, 30)
        assert len(called.got) > 1
        assert len({body for _, body in called.got}) == len({head["Idempotency-Key"] for head, _ in called.got}) == 1
        (item,) = json.loads(called.got[0][1])["items"]
        assert (item["id"], item["kind"], item["priority"]) == (0, "change", "high")
        assert (item["change"]["key"][1], item["change"]["event"]) == ("not_storing", "raised")
        before = len(called.got)
        disk.since_ms = None
        pass_by(watching, clock, 30)
        (over,) = called.got[before:]
        assert json.loads(over[1])["items"][0]["change"]["event"] == "cleared"
    finally:
        called.close()


def test_a_site_that_names_nobody_tells_nobody(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    path.write_text(SITE, encoding="utf-8")
    clock = HandClock()
    assert not NotStoring(load_settings(path), Disk(clock).look, clock).tells_somebody


def full(self: RecordWriter, commit: Commit) -> None:
    raise StoreFull(FULL)


def test_the_recording_says_since_when_it_stores_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    clock = HandClock()
    settings = site(tmp_path, 25)
    recording: Recording = opened(settings, clock)
    monkeypatch.setattr(recording_module, "RETRY_SECONDS", 0.0)
    reading(recording, clock)
    recording.commit()
    assert recording.not_stored() is None
    with monkeypatch.context() as patch:
        patch.setattr(RecordWriter, "commit", full)
        for _ in range(3):
            reading(recording, clock)
            recording.commit()
    assert recording.not_stored() == NotStored(clock.mono_ms() - 2 * MINUTE, FULL)
    recording.commit()
    assert recording.not_stored() is None
    recording.close()


async def test_the_service_mails_while_its_record_takes_nothing(
    tmp_path: Path, manners: Manners, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recording_module, "RETRY_SECONDS", 0.2)
    monkeypatch.setattr(not_storing_module, "LOOK_SECONDS", 0.1)
    async with QuickBank() as quick:
        shunt = device("shunt", "house", quick.port, (SHUNT, VOLTS), poll_seconds=10)
        text = MAIL.format(port=manners.port, language="en", more="")
        settings = settings_of(write_site(tmp_path, bank("house"), shunt, text, commit_seconds=10))
        async with running(settings, SettableClock(speed=300.0)) as service:
            recording = recording_of(service)
            await until(lambda: recording._recorder.scans > 2)
            with monkeypatch.context() as patch:
                patch.setattr(RecordWriter, "commit", full)
                await until(lambda: bool(manners.taken))
                assert FULL in " ".join(manners.taken[0].text.split())
                assert recording.alive()
            await until(lambda: recording.not_stored() is None)
            await until(lambda: len(manners.taken) == 2)
