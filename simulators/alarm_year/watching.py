"""One bank's readings to alarms and mails: fold, conditions, desk and outbox as the service has them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from loggerd.alarms.conditions import ALARM_CONDITIONS
from loggerd.alarms.desk import Desk
from loggerd.alarms.from_findings import conditions_of
from loggerd.alarms.from_health import DeviceHealth, LoggerHealth, conditions_of_devices, conditions_of_logger
from loggerd.model.alarm import AlarmChange, AlarmEvent, AlarmKey, ConditionNow
from loggerd.model.finding import Finding
from loggerd.model.ledger import Instant
from loggerd.model.scan import ClockState
from simulators.alarm_year.cases import HOURLY, Watch
from simulators.alarm_year.keeper import Mailbox, Mailed
from simulators.alarm_year.truth import BankTruth, runaway_minutes
from simulators.judging.chemistry import Layout
from simulators.judging.judge import BANK, DEVICES, INTERVAL_MS, CaseFold, Piece
from simulators.judging.stream import DAY_MS, Chunk, Streams

HEATS_ITSELF = "thermal_runaway"


@dataclass(frozen=True)
class Raised:
    """An alarm as it was raised. `looked_ms`: the look that noticed it; `told`: how often it has been raised in a row
    (more than once: it comes and goes); `root`: the alarm that it follows from."""

    key: AlarmKey
    at_ms: int
    looked_ms: int
    told: int
    root: AlarmKey | None
    hidden: bool
    reason: str


@dataclass
class BankYear:
    """What became of one bank."""

    watch: Watch
    start_ms: int
    truth: BankTruth
    raised: list[Raised] = field(default_factory=list)
    changes: list[AlarmChange] = field(default_factory=list)
    mails: list[Mailed] = field(default_factory=list)
    heard_ms: dict[str, int] = field(default_factory=dict)
    """Last reading of each device."""

    @property
    def end_ms(self) -> int:
        return self.start_ms + self.watch.case.days * DAY_MS

    @property
    def begin_ms(self) -> int | None:
        """When its fault begins; None for a healthy bank."""
        fault = self.watch.case.fault
        return None if fault is None else self.start_ms + fault.begin_day * DAY_MS


class AlarmWatch:
    """The service's part for one bank. Push its days in order."""

    def __init__(self, watch: Watch, layout: Layout) -> None:
        self._fold = CaseFold(watch.case, layout)
        start_ms = self._fold.start_ms
        self.year = BankYear(watch, start_ms, BankTruth(layout.rated_amp_hours))
        self._desk = Desk(ALARM_CONDITIONS)
        self._mailbox = Mailbox(start_ms)
        self._newest: dict[tuple[str, str], Finding] = {}
        self._found: list[ConditionNow] = []
        self.year.heard_ms = dict.fromkeys(DEVICES, start_ms)
        self._clock_unset = ""
        self.year.mails = self._mailbox.mails

    def push(self, day: int, chunk: Chunk) -> None:
        """One day's readings, and a look at the alarms after each piece of them."""
        watch = self.year.watch
        begun = watch.case.fault is not None and day >= watch.case.fault.begin_day
        for piece in self._fold.pieces(day, chunk, watch.minutes if begun else HOURLY):
            self._take(piece)
            self._look(self.year.start_ms + piece.until_mono_ms)

    def _take(self, piece: Piece) -> None:
        for block in piece.blocks:
            self.year.heard_ms[block.device] = self.year.start_ms + int(block.mono_ms[-1])
            unset = int(block.clock[-1]) == ClockState.NOT_SET
            self._clock_unset = "the clock has not been set since the board was started" if unset else ""
        if piece.findings:
            self._newest.update({one.key: one for one in piece.findings})
            found = list(self._newest.values())
            self._found = conditions_of(BANK, found, ALARM_CONDITIONS, self._fold.channels)

    def _look(self, now_ms: int) -> None:
        now, desk, mailbox = Instant(1, now_ms), self._desk, self._mailbox
        devices = [DeviceHealth(name, now_ms - at_ms, INTERVAL_MS) for name, at_ms in self.year.heard_ms.items()]
        logger = conditions_of_logger(LoggerHealth(clock_unset=self._clock_unset))
        for results in (
            desk.look(now, [*self._found, *conditions_of_devices(devices), *logger]),
            desk.act(now, mailbox.answers(desk.alarms, now_ms)),
        ):
            mailbox.hear(results, now_ms)
            self.year.changes += results.changes
            self.year.raised += [self._raised(one, now_ms) for one in results.changes if _is_raised(one)]
        mailbox.deliver(desk.alarms, now_ms)

    def _raised(self, change: AlarmChange, now_ms: int) -> Raised:
        alarm = self._desk.alarms[change.key]
        hidden = change.after is change.before
        return Raised(change.key, change.at.at_ms, now_ms, alarm.told, change.root, hidden, alarm.reason)


def _is_raised(change: AlarmChange) -> bool:
    return change.event is AlarmEvent.RAISED


def watched(watches: Sequence[Watch]) -> list[BankYear]:
    """Simulate banks of one layout together, and follow the alarms of each."""
    streams = Streams([one.case for one in watches])
    followed = [AlarmWatch(one, streams.layout) for one in watches]
    for day, chunks in enumerate(streams.run()):
        assert streams.record is not None
        under_way = [(bank, one) for bank, one in enumerate(followed) if day < one.year.watch.case.days]
        for (bank, one), chunk in zip(under_way, chunks, strict=True):
            fault = one.year.watch.case.fault
            if fault is not None and day >= fault.begin_day:
                amps = streams.record.string_amps[:, bank].sum(axis=1)
                runaway = np.zeros(len(amps), dtype=bool)
                if fault.cause == HEATS_ITSELF:
                    runaway = runaway_minutes(streams.record, bank, streams.sites)
                one.year.truth.take(amps, runaway, one.year.start_ms + day * DAY_MS)
            one.push(day, chunk)
    return [one.year for one in followed]
