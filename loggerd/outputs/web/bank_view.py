"""What the record says of a bank and of its site, gathered once for a page: nothing here reads the whole record."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from itertools import islice

from loggerd.analysis.axis import SessionAxis, shown_ms
from loggerd.analysis.compared_blocks import BlocksByPhase, blocks_by_phase
from loggerd.analysis.findings import newest
from loggerd.letters import Letters
from loggerd.live_values import LiveReader, LiveValues
from loggerd.model.alarm import Alarm
from loggerd.model.ledger import Instant, LedgerName
from loggerd.model.marks import Mark
from loggerd.outputs.web.asking import Ask
from loggerd.store.record import TakenIn
from loggerd.wording.alarm_part import Site
from loggerd.wording.bank_answer import CYCLE_DAYS, BankAnswer, BankKnown, answer_of
from loggerd.wording.digest_figures import CycleSummary, summarise
from loggerd.wording.standing import AlarmCard, cards, shown

MARK_DAYS = 7
LOG_DAYS = 14
_DAY_MS = 86_400_000
_MOST_MARKS = 3000
_MOST_LOG = 12


@dataclass(frozen=True)
class SiteLook:
    """What all banks share: alarms with their times as they are shown, time axes, what decides cautions."""

    alarms: tuple[Alarm, ...]
    axes: Mapping[int, SessionAxis]
    site: Site
    now_ms: int

    def shown_ms(self, instant: Instant) -> int:
        return shown_ms(self.axes, instant)


@dataclass(frozen=True)
class BankLook:
    """A bank in answers and newest readings."""

    answer: BankAnswer
    known: BankKnown
    live: LiveValues


@dataclass(frozen=True)
class MarkCount:
    """How many readings of a channel were doubted in the last days, and why."""

    channel: str
    words: str
    readings: int


def look_at_site(ask: Ask) -> SiteLook:
    """Raises StoreError."""
    alarms = tuple(shown(one, partial(shown_ms, ask.axes)) for one in ask.record.alarms())
    return SiteLook(alarms, ask.axes, Letters(ask.site).site(ask.record), ask.clock.wall_ms())


def loggers_cards(ask: Ask, look: SiteLook) -> tuple[AlarmCard, ...]:
    """Alarms that stand of the logger itself and its instruments."""
    return cards([one for one in look.alarms if not one.key.bank], (), look.site, ask.words)


def look_at_bank(ask: Ask, look: SiteLook, name: str, *, cycles: bool) -> BankLook:
    """Answers and newest readings of a bank. `cycles`: with those of the last CYCLE_DAYS. Raises StoreError."""
    live = LiveReader(ask.site, name).read(ask.record)
    known = BankKnown(
        name,
        tuple(newest(one.finding for one in ask.record.newest_findings(name))),
        tuple(one for one in look.alarms if one.key.bank == name),
        _cycles(ask, name, look.now_ms) if cycles else None,
        live.last_ms,
        live.silent(look.now_ms),
        look.now_ms,
        look.site,
        look.shown_ms,
    )
    return BankLook(answer_of(known, ask.words), known, live)


def _cycles(ask: Ask, name: str, now_ms: int) -> CycleSummary:
    start_ms = now_ms - CYCLE_DAYS * _DAY_MS
    entries = (one.entry for one in ask.record.entries(name, LedgerName.CYCLES, None, start_ms, now_ms))
    return summarise(entries, start_ms, now_ms)


def compared_blocks(ask: Ask, name: str) -> BlocksByPhase | None:
    """How the blocks stood to their peers by phase; None where no discharge was compared. Raises StoreError."""
    revisions = ask.record.revisions(name)
    stored = ask.record.checkpoint(name, revisions[-1].id) if revisions else None
    if stored is None:
        return None
    return blocks_by_phase(stored[1])


def marks_of_last_days(ask: Ask, name: str, now_ms: int) -> tuple[MarkCount, ...]:
    """Doubted readings of the last days by channel and reason, the most first."""
    counts: Counter[tuple[str, int]] = Counter()
    found = ask.record.marks(name, None, now_ms - MARK_DAYS * _DAY_MS, now_ms)
    for one in islice(found, _MOST_MARKS):
        counts[one.span.channel, one.span.mark] += one.span.readings
    return tuple(
        MarkCount(channel, "; ".join(Mark(mark).words()), readings)
        for (channel, mark), readings in counts.most_common()
    )


def log_of_last_days(ask: Ask, name: str, now_ms: int) -> tuple[TakenIn, ...]:
    """The newest entries of the log book about what happened in the last days, the newest first."""
    found = ask.record.log_between(name, now_ms - LOG_DAYS * _DAY_MS, now_ms + 1, _MOST_LOG)
    return tuple(reversed(found))
