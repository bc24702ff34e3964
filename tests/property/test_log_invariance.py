"""Each entry of the log book is told at one frame: the same live, folded anew, in any pieces, over any restart."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from fold_tools import bank as small_bank
from frame_tools import START_MS, bank_plan
from hypothesis import HealthCheck, event, given, settings
from hypothesis import strategies as st

from loggerd.analysis.axis import SessionAxis
from loggerd.analysis.entered_log import Entered, EnteredLog
from loggerd.analysis.findings import TOPICS
from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.fold import BankFold
from loggerd.analysis.plan import BankPlan
from loggerd.model.finding import Finding, Grade
from loggerd.model.ledger import Instant
from loggerd.model.log_book import LogEntry
from loggerd.model.scan import ScanBlock

BANK = small_bank(200.0, blocks=4, cells=3)
PLAN = bank_plan(BANK, ("amps", "volts"))
MINUTE = 60_000


class Listener:
    """A topic that tells each entry it hears of, with the frame."""

    def __init__(self, ground: Ground) -> None:
        self.heard = 0

    def push(self, moment: Moment) -> list[Finding]:
        at = Instant(moment.frame.session, moment.frame.end_ms)
        found = []
        for one in moment.entries:
            self.heard += 1
            found.append(Finding("listener.heard", one.uid, str(self.heard), Grade.OBSERVED, repr(one.entered), at))
        return found

    def to_plain(self) -> dict[str, Any]:
        return {"heard": self.heard}

    def load_plain(self, plain: dict[str, Any]) -> None:
        self.heard = plain["heard"]


@pytest.fixture(autouse=True)
def listening(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(TOPICS, "listener", Listener)


@dataclass(frozen=True)
class Session:
    """Readings of a session as they were committed, and after which commit each entry came."""

    axis: SessionAxis
    commits: tuple[ScanBlock, ...]
    entries: tuple[tuple[int, Entered], ...]

    def whole(self) -> list[ScanBlock]:
        return [block for block in self.commits if len(block)]


def block_of(session: int, at_ms: list[int]) -> ScanBlock:
    at = np.array(at_ms, dtype=np.int64)
    zeros = np.zeros(len(at), dtype=np.int64)
    volts = np.full(len(at), 25_000, dtype=np.int64)
    return ScanBlock("meter", session, (0, 1), at, zeros, zeros, (zeros, volts))


@st.composite
def histories(draw: st.DrawFn) -> list[Session]:
    """Sessions one after the other, some of them without a reading; entries at the end of commits, or at the end.

    `entered` is never before a reading of its commit, as the service stamps it; a command that finds no service
    stamps with the last reading.
    """
    sessions: list[Session] = []
    at, number = START_MS + draw(st.integers(0, 299_999)), 0
    for order in range(draw(st.integers(1, 4))):
        axis = SessionAxis(order + 1, 0, draw(st.booleans()), interval_ms={"meter": MINUTE}, order=order)
        commits, entries = [], []
        for commit in range(draw(st.integers(1, 6))):
            count = draw(st.integers(0, 7))
            commits.append(block_of(order + 1, [at + step * MINUTE for step in range(1, count + 1)]))
            at += count * MINUTE
            for _ in range(draw(st.sampled_from([0, 0, 1, 2]))):
                at += draw(st.sampled_from([0, 0, 1, 20_000, 299_999]))
                number += 1
                one = LogEntry(f"entry-{number}", "bank", "note", 0, "anna", {}, "", None, Instant(order + 1, at))
                entries.append((commit, Entered(order, one)))
        sessions.append(Session(axis, tuple(commits), tuple(entries)))
        at += draw(st.sampled_from([1, 1000, 280_000, 5_000_000]))
    return sessions


def live(plan: BankPlan, sessions: list[Session], restarts: Iterator[bool]) -> list[Finding]:
    """As the service does it: entries are told to the fold with the commit that stores them."""
    plan = replace(plan, log=EnteredLog())
    fold, found = BankFold(plan), []
    for session in sessions:
        for number, commit in enumerate(session.commits):
            plan.log.add([entered for own, entered in session.entries if own == number])
            found.extend(fold.push(session.axis, [commit]).findings)
            if next(restarts):
                state = fold.dump()
                fold = BankFold(plan)
                fold.load(state)
    return found + list(fold.view().findings)


def anew(plan: BankPlan, sessions: list[Session], cuts: list[int]) -> list[Finding]:
    """As recomputing does it: the whole log book is there from the beginning, readings come in other pieces."""
    log = EnteredLog(entered for session in sessions for _, entered in session.entries)
    fold, found = BankFold(replace(plan, log=log)), []
    for session in sessions:
        blocks = session.whole()
        if not blocks:
            continue
        at = [int(one) for block in blocks for one in block.mono_ms]
        bounds = sorted({0, len(at), *(cut for cut in cuts if cut < len(at))})
        for begin, end in pairwise(bounds):
            found.extend(fold.push(session.axis, [block_of(session.axis.session, at[begin:end])]).findings)
    return found + list(fold.view().findings)


def heard(findings: list[Finding]) -> list[Finding]:
    return [one for one in findings if one.name == "listener.heard"]


@settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture]
)
@given(histories(), st.lists(st.integers(1, 40), max_size=6), st.randoms(use_true_random=False))
def test_each_entry_is_told_once_at_the_same_frame(sessions: list[Session], cuts: list[int], chance: Any) -> None:
    restarts = iter(lambda: chance.random() < 0.4, None)
    folded = anew(PLAN, sessions, cuts)

    assert live(PLAN, sessions, restarts) == folded
    told = [one.subject for one in heard(folded)]
    every = [entered.entry.uid for session in sessions for _, entered in session.entries]
    # What came after the last frame was closed waits for the next one.
    assert told == every[: len(told)]
    if any(session.whole() for session in sessions):
        assert told == every
    event(f"entries {min(len(every), 5)}, sessions {len(sessions)}")


def test_an_entry_between_two_readings_is_told_with_the_frame_it_lies_in() -> None:
    axis = SessionAxis(1, 0, interval_ms={"meter": MINUTE})
    at = [START_MS + minute * MINUTE for minute in range(16)]
    log = EnteredLog(
        Entered(0, LogEntry(uid, "bank", "note", 0, "anna", {}, "", None, Instant(1, START_MS + millis)))
        for uid, millis in (("first", 299_999), ("second", 300_000), ("third", 610_000))
    )
    found = heard(list(BankFold(replace(PLAN, log=log)).push(axis, [block_of(1, at)]).findings))
    assert [(one.subject, one.at.at_ms - START_MS) for one in found] == [
        ("first", 300_000),
        ("second", 600_000),
        ("third", 900_000),
    ]


def test_an_entry_that_would_go_back_is_not_taken() -> None:
    late = Entered(1, LogEntry("late", "bank", "note", 0, "anna", entered=Instant(2, 5)))
    log = EnteredLog([late])
    with pytest.raises(ValueError, match="lies before one that was taken in earlier"):
        log.add([Entered(0, LogEntry("early", "bank", "note", 0, "anna", entered=Instant(1, 900)))])
    assert len(log) == 1
