"""The newest reading of each channel of a bank, from the last minutes of the record: what is shown as it is now."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from loggerd.analysis.axis import SessionAxis
from loggerd.analysis.labels import label_one
from loggerd.analysis.lead import choose_lead
from loggerd.analysis.plan import thresholds
from loggerd.decoding.scaling import scale_at, to_fine
from loggerd.model.bank import Series
from loggerd.model.channels import MISSING, Channel
from loggerd.model.ledger import PhaseKind
from loggerd.model.scan import Integers, ScanBlock
from loggerd.plans import axes_of, bank_named
from loggerd.settings.domain import series_of_bank
from loggerd.settings.site import SiteSettings
from loggerd.store.record import Position, RecordReader, Session, StoredSeries

_LEAST_LOOK_MS = 600_000
_LONGEST_LOOK_MS = 7_200_000
_SLACK_MS = 10_000
_FINE = 1000
_KINDS = {1: PhaseKind.CHARGE, 0: PhaseKind.REST, -1: PhaseKind.DISCHARGE}


@dataclass(frozen=True)
class LiveValue:
    """The newest reading of a channel. `value` in the channel's own unit, None where none was read lately.

    `at_ms`: wall time of the last reading that is known of, None without any. From the age of `late_ms` on it is not
    live any more: three readings and two commits have not come. `doubted`: outside its valid range.
    """

    channel: Channel
    value: float | None
    at_ms: int | None
    late_ms: int
    doubted: bool = False

    def late(self, now_ms: int) -> bool:
        return self.value is None or self.at_ms is None or now_ms - self.at_ms > self.late_ms


@dataclass(frozen=True)
class LiveValues:
    """The newest readings of a bank, in the order of the settings.

    `amps`: the current that the ledgers go by (an averaged one, or the sum of the strings, where there is no other);
    `phase`: what it does by that, None where nothing was read lately. `before_ms`: the newest reading that is known of
    otherwise, as of instruments that the settings no longer name, or of a file that was read in.
    """

    bank: str
    values: tuple[LiveValue, ...] = ()
    amps: LiveValue | None = None
    phase: PhaseKind | None = None
    before_ms: int | None = None

    @property
    def by_name(self) -> dict[str, LiveValue]:
        return {one.channel.name: one for one in self.values}

    @property
    def last_ms(self) -> int | None:
        """Wall time of the newest reading of all."""
        times = [self.before_ms, *(one.at_ms for one in self.values)]
        return max((one for one in times if one is not None), default=None)

    def silent(self, now_ms: int) -> bool:
        """Whether no channel is live any more."""
        return all(one.late(now_ms) for one in self.values)


@dataclass(frozen=True)
class _Read:
    """One reading: fine units, wall time as it is shown."""

    fine: int
    at_ms: int
    series: Series


class LiveReader:
    """Reads the newest values of one bank, again and again: of the series that the settings name now."""

    def __init__(self, settings: SiteSettings, bank: str) -> None:
        self._bank, _ = bank_named(settings, bank)
        poll_ms = {one.name: round(one.poll_seconds * 1000) for one in settings.devices}
        commit_ms = round(settings.record.commit_seconds * 1000)
        self._wanted = series_of_bank(settings, bank)
        self._late_ms = {name: 3 * poll + 2 * commit_ms + _SLACK_MS for name, poll in poll_ms.items()}
        longest = max((self._late_ms[one.device] for one in self._wanted), default=0)
        self._look_ms = min(max(longest, _LEAST_LOOK_MS), _LONGEST_LOOK_MS)

    def read(self, record: RecordReader) -> LiveValues:
        """The newest values. Looks at the last minutes of the record only. Raises StoreError."""
        sessions, stored = record.sessions(), [one for one in record.series() if one.bank == self._bank.name]
        by_key = {one.key: one for one in self._wanted}
        series = {one.id: by_key[key] for one in stored if (key := _key(one)) in by_key}
        sealed = {series[one.id].channel.name: one.last_wall_ms for one in stored if one.id in series}
        newest = self._look(record, series, sessions, self._look_ms)
        if any(one.channel.name not in newest and not sealed.get(one.channel.name) for one in self._wanted):
            # Silent since before that, and of its readings none was sealed that would tell when the last one came.
            newest = self._look(record, series, sessions, _LONGEST_LOOK_MS)
        before_ms = max((one.last_wall_ms for one in stored if one.last_wall_ms is not None), default=None)
        return self._values(newest, sealed, before_ms)

    def _look(
        self, record: RecordReader, series: Mapping[int, Series], sessions: Sequence[Session], look_ms: int
    ) -> dict[str, _Read]:
        """The newest reading of each channel within so long before the newest of all, over a restart too."""
        newest: dict[str, _Read] = {}
        axes = axes_of(sessions)
        for session, mono_ms in _tails(sessions, look_ms):
            for window in record.windows(self._bank.name, Position(session, mono_ms)):
                if window.session != session:
                    break
                for block in window.blocks:
                    _take(block, axes[session], series, newest)
        return newest

    def _values(
        self, newest: Mapping[str, _Read], sealed: Mapping[str, int | None], before_ms: int | None
    ) -> LiveValues:
        values = []
        for one in self._wanted:
            name, late_ms = one.channel.name, self._late_ms[one.device]
            read = newest.get(name)
            if read is None:
                values.append(LiveValue(one.channel, None, sealed.get(name), late_ms))
            else:
                values.append(_live(one.channel, read, late_ms))
        choice = choose_lead(self._bank, dict(enumerate(self._wanted)))
        if choice is None:
            return LiveValues(self._bank.name, tuple(values), before_ms=before_ms)
        names = [one.channel.name for one in choice.amps]
        amps = _together(choice.amps[0].channel, [one for one in values if one.channel.name in names])
        phase = None
        if amps.value is not None and amps.at_ms is not None:
            limits = thresholds(self._bank, choice.current_scale(amps.at_ms))
            phase = _KINDS[label_one(round(amps.value * _FINE), limits.high, limits.low, 0)]
        return LiveValues(self._bank.name, tuple(values), amps, phase, before_ms)


def _key(stored: StoredSeries) -> tuple[str, str, str, str, float]:
    return (stored.device, stored.bank, stored.channel.name, stored.place, stored.resolution)


def _tails(sessions: Iterable[Session], look_ms: int) -> list[tuple[int, int]]:
    """Sessions with readings in the last `look_ms` of the record, and from where in each."""
    ends = [
        (one.last_mono_ms + one.last_wall_minus_mono_ms, one.id, one.last_mono_ms)
        for one in sessions
        if one.last_mono_ms is not None and one.last_wall_minus_mono_ms is not None
    ]
    newest = max((end for end, _, _ in ends), default=0)
    return [(session, last - look_ms + newest - end) for end, session, last in ends if newest - end < look_ms]


def _take(block: ScanBlock, axis: SessionAxis, series: Mapping[int, Series], newest: dict[str, _Read]) -> None:
    for number, column in zip(block.series, block.counts, strict=True):
        known = _last_known(column)
        one = series.get(number)
        if known is None or one is None:
            continue
        at_ms = block.mono_ms[known : known + 1] + axis.offset_ms
        shown_ms = int(at_ms[0]) + axis.correction_ms
        before = newest.get(one.channel.name)
        if before is None or shown_ms >= before.at_ms:
            fine = int(to_fine(column[known : known + 1], at_ms, one.scales)[0])
            newest[one.channel.name] = _Read(fine, shown_ms, one)


def _last_known(column: Integers) -> int | None:
    """Index of the last value that is there."""
    known = (column != MISSING).nonzero()[0]
    return int(known[-1]) if len(known) else None


def _live(channel: Channel, read: _Read, late_ms: int) -> LiveValue:
    low, high = scale_at(read.series.scales, read.at_ms).valid
    return LiveValue(channel, read.fine / _FINE, read.at_ms, late_ms, not low <= read.fine <= high)


def _together(channel: Channel, parts: list[LiveValue]) -> LiveValue:
    """A current of several instruments: known where each is, as old as the oldest."""
    if len(parts) == 1:
        return parts[0]
    known = [one.value for one in parts if one.value is not None]
    total = sum(known) if parts and len(known) == len(parts) else None
    at_ms = min((one.at_ms for one in parts if one.at_ms is not None), default=None)
    late_ms = max((one.late_ms for one in parts), default=0)
    return LiveValue(channel, total, at_ms, late_ms, any(one.doubted for one in parts))
