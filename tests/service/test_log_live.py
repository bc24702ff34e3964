"""What the running service told its findings of the log book is what a fold of the whole record tells them."""

from __future__ import annotations

import random
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from hand_recording import HandClock, ask, note, opened, reading, site

from loggerd.analysis.findings import TOPICS
from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.folding import Follower
from loggerd.inbox import Inbox
from loggerd.ledger_view import view_ledger
from loggerd.model.finding import Finding, Grade
from loggerd.model.ledger import Instant
from loggerd.model.scan import ClockState
from loggerd.recording import Recording
from loggerd.settings.site import SiteSettings
from loggerd.store.record import RecordReader, RecordWriter
from loggerd.taking_in import LOG_ENTRY, Answer, hand_in


class Listener:
    """A topic that tells each entry it hears of."""

    def __init__(self, ground: Ground) -> None:
        self.heard = 0

    def push(self, moment: Moment) -> list[Finding]:
        at = Instant(moment.frame.session, moment.frame.end_ms)
        self.heard += len(moment.entries)
        return [
            Finding("listener.heard", one.uid, one.text, Grade.OBSERVED, f"{one.entered} {self.heard}", at)
            for one in moment.entries
        ]

    def to_plain(self) -> dict[str, Any]:
        return {"heard": self.heard}

    def load_plain(self, plain: dict[str, Any]) -> None:
        self.heard = plain["heard"]


@pytest.fixture(autouse=True)
def listening(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(TOPICS, "listener", Listener)


def heard(settings: SiteSettings) -> list[Finding]:
    """What the current revision has stored."""
    with closing(RecordReader.open(Path(settings.record.path))) as reader:
        found = [one.finding for one in reader.findings("house")]
    return [one for one in found if one.name == "listener.heard"]


def fold_anew(settings: SiteSettings) -> None:
    path = Path(settings.record.path)
    with closing(RecordWriter.open(path)) as writer:
        assert Follower(settings, path, writer, 0, "folded anew", anew=True).catch_up()


def entries(settings: SiteSettings) -> list[str]:
    with closing(RecordReader.open(Path(settings.record.path))) as reader:
        return [one.entry.uid for one in reader.log_entries("house")]


def live(settings: SiteSettings, clock: HandClock, chance: random.Random) -> int:
    """Some days of service: commits, entries, stops, kills, clocks that are set; returns the number of entries."""
    inbox, number = Inbox(Path(settings.record.path)), 0
    recording = opened(settings, clock)
    for _ in range(160):
        what = chance.random()
        if what < 0.35:
            number += 1
            ask(inbox, f"uid-{number:04d}", note(f"live {number}"), number)
        if what > 0.5:
            for _ in range(chance.randrange(9)):
                reading(recording, clock, chance.choice((0.0, 5.0, -8.0)))
        clock.pass_by(chance.choice((0, 7, 20_000)))
        recording.commit()
        while recording.behind:
            recording.catch_up_some()
        if chance.random() < 0.12:
            recording, number = _again(settings, recording, clock, chance, number)
    recording.commit_rest()
    recording.close()
    return number


def _again(
    settings: SiteSettings, recording: Recording, clock: HandClock, chance: random.Random, number: int
) -> tuple[Recording, int]:
    """Stop, or be cut off; perhaps an entry by a command that finds no service; start again."""
    if chance.random() < 0.5:
        recording.commit_rest()
    recording.close()
    if chance.random() < 0.3:
        clock.step(chance.choice((-3_600_000, 900_000)))
    clock.said = chance.choice((ClockState.SET, ClockState.SET, ClockState.NOT_SET))
    for _ in range(chance.choice((0, 0, 1, 2))):
        number += 1
        clock.pass_by(chance.choice((0, 100_000, 5_000_000)))
        assert hand_in(settings, LOG_ENTRY, f"uid-{number:04d}", note(f"by hand {number}"), clock, 1) is Answer.TAKEN_IN
    clock.pass_by(chance.choice((1, 100_000, 5_000_000)))
    return opened(settings, clock), number


@pytest.mark.parametrize("seed", range(4))
def test_live_tells_findings_of_each_entry_as_recomputing_does(tmp_path: Path, seed: int) -> None:
    settings, clock = site(tmp_path), HandClock()
    count = live(settings, clock, random.Random(seed))
    told = entries(settings)
    assert sorted(told) == [f"uid-{number:04d}" for number in range(1, count + 1)], "none lost, none doubled"
    stored = heard(settings)
    assert len(stored) > 20
    assert [one.subject for one in stored] == told[: len(stored)]
    view = [one for one in view_ledger(settings, "house", 0).findings if one.name == "listener.heard"]
    assert [one.subject for one in view] == told, "at the end of the record nothing is left untold"

    fold_anew(settings)

    assert heard(settings) == stored
    assert [one for one in view_ledger(settings, "house", 0).findings if one.name == "listener.heard"] == view


def test_an_entry_that_was_stored_without_being_told_is_told_after_the_restart(tmp_path: Path) -> None:
    settings, clock = site(tmp_path), HandClock()
    recording = opened(settings, clock)
    for _ in range(3):
        reading(recording, clock)
    ask(Inbox(Path(settings.record.path)), "aaaa", note())
    recording.commit()
    recording.close()
    assert heard(settings) == []

    recording = opened(settings, clock)
    recording.catch_up_some()
    for _ in range(6):
        reading(recording, clock)
    recording.commit_rest()
    recording.close()

    assert [one.subject for one in heard(settings)] == ["aaaa"]
