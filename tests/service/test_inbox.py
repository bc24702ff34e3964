"""The inbox: requests are taken in with a commit, once; what cannot be used is set aside and holds nothing up."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from hand_recording import HandClock, ask, note, opened, reading, site

from loggerd.errors import RequestRefused
from loggerd.inbox import MOST_AT_ONCE, MOST_BYTES, Inbox, Request
from loggerd.model.log_book import LogEntry
from loggerd.recording import Recording
from loggerd.settings.site import SiteSettings
from loggerd.store.record import RecordReader, RecordWriter, TakenIn
from loggerd.taking_in import HANDLERS, LOG_ENTRY, Answer, Intake, hand_in, take_in


@pytest.fixture
def settings(tmp_path: Path) -> SiteSettings:
    return site(tmp_path)


@pytest.fixture
def clock() -> HandClock:
    return HandClock()


@pytest.fixture
def inbox(settings: SiteSettings) -> Inbox:
    return Inbox(Path(settings.record.path))


@pytest.fixture
def recording(settings: SiteSettings, clock: HandClock) -> Iterator[Recording]:
    with closing(opened(settings, clock)) as found:
        yield found


def log_of(inbox: Inbox) -> list[TakenIn]:
    with closing(RecordReader.open(inbox.folder.with_suffix(""))) as reader:
        return reader.log_entries()


def left(inbox: Inbox) -> list[str]:
    return sorted(path.name for path in inbox.folder.iterdir())


def test_a_request_is_taken_in_with_the_next_commit(recording: Recording, inbox: Inbox, clock: HandClock) -> None:
    reading(recording, clock)
    path = ask(inbox, "aaaa", note("größer"))
    clock.pass_by(5)
    assert log_of(inbox) == []

    recording.commit()

    (taken,) = log_of(inbox)
    assert taken.entry == LogEntry("aaaa", "house", "note", 1_789_000_000_000, "anna", {}, "größer")
    assert (taken.session, taken.mono_ms, taken.wall_ms) == (recording.session, clock.mono_ms(), clock.wall_ms())
    assert left(inbox) == []
    assert not inbox.is_waiting(path)
    assert inbox.refusal(path) is None


def test_requests_are_taken_in_the_order_of_their_names(recording: Recording, inbox: Inbox) -> None:
    ask(inbox, "cccc", note("third"), 3_000_000_000_000)
    ask(inbox, "bbbb", note("second", corrects="aaaa"), 2)
    ask(inbox, "aaaa", note("first"), 1)

    recording.commit()

    assert [one.entry.uid for one in log_of(inbox)] == ["aaaa", "bbbb", "cccc"]


def test_what_was_taken_in_but_not_taken_away_counts_once(recording: Recording, inbox: Inbox, tmp_path: Path) -> None:
    path = ask(inbox, "aaaa", note())
    shutil.copy(path, tmp_path / "kept")
    recording.commit()
    # As after a kill between the commit and the removal; and the same thing asked for under another name.
    shutil.copy(tmp_path / "kept", path)
    shutil.copy(tmp_path / "kept", path.with_name("twin.json"))

    recording.commit()

    assert [one.entry.uid for one in log_of(inbox)] == ["aaaa"]
    assert left(inbox) == []


def test_a_uid_that_comes_twice_in_one_commit_counts_once(recording: Recording, inbox: Inbox) -> None:
    path = ask(inbox, "aaaa", note())
    shutil.copy(path, path.with_name("twin.json"))
    recording.commit()
    assert len(log_of(inbox)) == 1
    assert left(inbox) == []


def body(**changed: Any) -> str:
    return json.dumps({"what": LOG_ENTRY, "uid": "bbbb", "body": note(**changed)})


BAD = {
    "not JSON": ("{", "it is not JSON"),
    "not text": (b"\xff\xfe", "it is not JSON"),
    "nested": ("[" * 100_000, "it has more than"),
    "nested a little less": ("[" * 60_000, "it is not JSON"),
    "a list": ("[]", "it is not a request"),
    "no body": ('{"what": "log_entry", "uid": "bbbb"}', "it is not a request"),
    "no what": ('{"uid": "bbbb", "body": {}}', "it does not say what it asks for"),
    "no uid": ('{"what": "log_entry", "body": {}}', "no usable"),
    "uid with a path": ('{"what": "log_entry", "uid": "../x", "body": {}}', "no usable"),
    "unknown": (
        '{"what": "dance", "uid": "bbbb", "body": {}}',
        'nobody knows what "dance" asks for; expected log_entry',
    ),
    "empty": ("", "it is not JSON"),
    "long": (b" " * (MOST_BYTES + 1), "it has more than 65536 bytes"),
    "bank": (body(bank="boat"), "there is no such bank; this site has: house"),
    "kind": (body(kind="dance"), 'kind: found "dance"'),
    "who": (body(who=""), "who tells it"),
    "control": (body(who="a\x1b"), "who tells it"),
    "when": (body(happened_at_ms="now"), "when it happened"),
    "never": (body(happened_at_ms=10**15), "when it happened"),
    "value": (body(kind="watering", data={"litres": "many"}), 'litres: found "many"'),
    "shape": (body(kind="watering", data={"litres": [1]}), "neither text nor number"),
    "nan": (body(kind="watering", data={"litres": float("nan")}), "NaN is no number"),
    "huge": (body(kind="watering", data={"litres": 10**400}), "too large"),
    "no text": (body(text=None), "kind, text or data are missing"),
    "corrects nothing": (body(corrects="zzzz"), "it corrects an entry zzzz that is not in the record"),
    "corrects a number": (body(corrects=4), "it corrects an entry 4 that is not in the record"),
    "corrects another kind": (body(kind="treatment", corrects="aaaa"), 'entry aaaa is "note"'),
}


@pytest.mark.parametrize("name", BAD)
def test_a_bad_request_is_set_aside_and_holds_nothing_up(recording: Recording, inbox: Inbox, name: str) -> None:
    content, reason = BAD[name]
    ask(inbox, "aaaa", note())
    recording.commit()
    bad = inbox.folder / "0-bad.json"
    bad.write_bytes(content if isinstance(content, bytes) else content.encode())
    ask(inbox, "cccc", note("good"))

    recording.commit()

    assert [one.entry.uid for one in log_of(inbox)] == ["aaaa", "cccc"]
    assert left(inbox) == ["0-bad.json.refused", "0-bad.json.refused.txt"]
    assert reason in (inbox.refusal(bad) or "")
    recording.commit()
    assert left(inbox) == ["0-bad.json.refused", "0-bad.json.refused.txt"]


@pytest.mark.parametrize("make", ["folder", "pipe", "link"])
def test_what_is_no_file_is_set_aside(recording: Recording, inbox: Inbox, make: str) -> None:
    ask(inbox, "aaaa", note())
    bad = inbox.folder / "0.json"
    if make == "folder":
        bad.mkdir()
    elif make == "pipe":
        os.mkfifo(bad)
    else:
        bad.symlink_to("/dev/zero")

    recording.commit()

    assert len(log_of(inbox)) == 1
    assert inbox.refusal(bad) == "it is not a plain file"


def test_drafts_and_other_files_are_left_alone(recording: Recording, inbox: Inbox) -> None:
    inbox.make_folder()
    for name in (".1-aaaa.json.tmp", "readme.txt", ".hidden.json"):
        (inbox.folder / name).write_text("{")
    recording.commit()
    assert left(inbox) == [".1-aaaa.json.tmp", ".hidden.json", "readme.txt"]


def test_an_inbox_that_is_no_folder_does_not_stop_readings(
    recording: Recording, inbox: Inbox, clock: HandClock, caplog: pytest.LogCaptureFixture
) -> None:
    inbox.folder.write_text("")
    for _ in range(3):
        reading(recording, clock)
        recording.commit()
    assert recording.writer.last_mono_ms(recording.session) == clock.mono_ms()
    assert caplog.text.count("no request is taken in") == 1
    with pytest.raises(RequestRefused, match="nothing can be put in"):
        ask(inbox, "aaaa", note())


def test_a_flood_is_taken_in_over_several_commits(recording: Recording, inbox: Inbox) -> None:
    for number in range(MOST_AT_ONCE + 5):
        ask(inbox, f"uid-{number:04d}", note(str(number)), number)
    recording.commit()
    assert len(log_of(inbox)) == MOST_AT_ONCE
    recording.commit()
    assert [one.entry.text for one in log_of(inbox)] == [str(number) for number in range(MOST_AT_ONCE + 5)]


def test_a_record_that_takes_nothing_leaves_requests_where_they_are(
    recording: Recording, inbox: Inbox, clock: HandClock
) -> None:
    reading(recording, clock)
    recording.commit()
    connection = recording.writer._connection
    pages = connection.execute("PRAGMA page_count").fetchone()[0]
    connection.execute(f"PRAGMA max_page_count = {pages}")
    recording.writer._ballast.release()
    for number in range(40):
        ask(inbox, f"uid-{number:04d}", note("x" * 499), number)

    recording.commit()
    assert "takes nothing" in recording.status()
    assert log_of(inbox) == []
    assert len(left(inbox)) == 40

    connection.execute("PRAGMA max_page_count = 1000000")
    recording.commit_rest()
    assert len(log_of(inbox)) == 40
    assert left(inbox) == []


def test_other_requests_have_handlers_of_their_own(settings: SiteSettings, inbox: Inbox) -> None:
    seen: list[Request] = []

    def shelve(request: Request, intake: Intake) -> None:
        assert intake.session == 1
        if request.body["alarm"] == "none":
            raise RequestRefused("there is no such alarm")
        seen.append(request)

    ask(inbox, "aaaa", {"alarm": "low_volts"}, 1, "shelve")
    bad = ask(inbox, "bbbb", {"alarm": "none"}, 2, "shelve")
    ask(inbox, "cccc", note(), 3)
    with closing(RecordWriter.open(Path(settings.record.path))) as writer:
        writer.begin_session("live", 1, 1, "")
        intake = take_in(inbox, settings, writer, (1, 5, 6), {**HANDLERS, "shelve": shelve})
    assert [one.uid for one in seen] == ["aaaa"]
    assert [one.uid for one in intake.requests] == ["aaaa", "cccc"]
    assert [one.entry.uid for one in intake.log] == ["cccc"]
    assert inbox.refusal(bad) == "there is no such alarm"


# -- without a service, and beside one --


def test_without_a_service_the_command_takes_the_whole_inbox_in(
    settings: SiteSettings, inbox: Inbox, clock: HandClock
) -> None:
    ask(inbox, "aaaa", note("waits since last week"))

    assert hand_in(settings, LOG_ENTRY, "bbbb", note(), clock, 0.001) is Answer.TAKEN_IN

    assert [one.entry.uid for one in log_of(inbox)] == ["aaaa", "bbbb"]
    assert left(inbox) == []


def test_beside_a_service_the_command_waits_for_its_commit(
    settings: SiteSettings, recording: Recording, inbox: Inbox, clock: HandClock
) -> None:
    assert hand_in(settings, LOG_ENTRY, "bbbb", note(), clock, 0.001) is Answer.WAITING
    assert log_of(inbox) == []
    recording.commit()
    assert [one.entry.uid for one in log_of(inbox)] == ["bbbb"]


def test_a_refusal_is_told_to_who_asked(settings: SiteSettings, inbox: Inbox, clock: HandClock) -> None:
    with pytest.raises(RequestRefused, match="there is no such bank"):
        hand_in(settings, LOG_ENTRY, "bbbb", note(bank="boat"), clock, 1)
    assert len(left(inbox)) == 2


def test_an_entry_made_between_two_runs_comes_after_all_that_was_read(
    settings: SiteSettings, inbox: Inbox, clock: HandClock
) -> None:
    recording = opened(settings, clock)
    reading(recording, clock)
    clock.pass_by(30_000)
    ask(inbox, "aaaa", note())
    recording.commit_rest()
    recording.close()
    clock.pass_by(50_000_000)

    hand_in(settings, LOG_ENTRY, "bbbb", note(), clock, 1)

    first, second = log_of(inbox)
    assert (second.session, second.mono_ms) == (first.session, first.mono_ms)
    assert second.wall_ms == first.wall_ms + 50_000_000
