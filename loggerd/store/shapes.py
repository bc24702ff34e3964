"""What goes into the record and what comes out of it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, TypeAlias

import numpy as np
import numpy.typing as npt

from loggerd.model.alarm import AlarmChange, AlarmResults
from loggerd.model.channels import Channel
from loggerd.model.finding import Finding
from loggerd.model.ledger import Entry, Instant, LedgerName, MarkSpan
from loggerd.model.log_book import LogEntry
from loggerd.model.outbox import NewItem
from loggerd.model.results import FoldResults
from loggerd.model.scan import ClockState, Integers, ScanBlock

SessionKind: TypeAlias = Literal["live", "import"]
Floats: TypeAlias = npt.NDArray[np.float64]

HOUR_MS = 3_600_000
"""Length of a window: the stretch of a session's monotonic clock that one sealed block of a device covers."""


@dataclass(frozen=True)
class Position:
    """The last scan that a fold has taken in.

    Scans are folded session by session (in the order of `Session.fold_order`), within a session by `mono_ms`,
    which is strictly rising over all devices of the session.
    """

    session: int
    mono_ms: int


@dataclass(frozen=True)
class BankResults:
    """What a fold of one bank produced, and its state after it; stored in one transaction with the readings."""

    bank: str
    revision: int
    results: FoldResults
    position: Position
    state: bytes


@dataclass(frozen=True)
class RecordEvent:
    """Something that happened to the service, its clock or an instrument."""

    session: int
    mono_ms: int
    wall_ms: int
    kind: str
    subject: str
    text: str


@dataclass(frozen=True)
class TakenIn:
    """An entry of the log book with where in the record it was taken in. `id` is 0 before it is stored.

    `entry.entered` is not set here: the axis of the session gives it.
    """

    entry: LogEntry
    session: int
    mono_ms: int
    wall_ms: int
    id: int = 0


@dataclass(frozen=True)
class Commit:
    """All that is stored together or not at all. `readings` hold ids from register_series; boot is the session."""

    readings: tuple[ScanBlock, ...] = ()
    results: tuple[BankResults, ...] = ()
    events: tuple[RecordEvent, ...] = ()
    log: tuple[TakenIn, ...] = ()
    alarms: AlarmResults = field(default_factory=AlarmResults)
    outbox: tuple[NewItem, ...] = ()


@dataclass(frozen=True)
class StoredSeries:
    """A series as the record knows it. First and last use are brought up to date when an hour is sealed."""

    id: int
    device: str
    bank: str
    channel: Channel
    place: str
    resolution: float
    unit: str
    first_wall_ms: int | None
    last_wall_ms: int | None


@dataclass(frozen=True)
class Session:
    """A run of the service on one monotonic clock, or one imported file.

    `fold_order` counts from 0: live sessions in the order they began, each file after the live session that began
    before its first reading.
    `first_wall_ms` is the time of the first reading. The `last_` values are those of the last reading stored, None
    where there is none.
    """

    id: int
    kind: SessionKind
    fold_order: int
    began_wall_ms: int
    began_mono_ms: int
    began_clock: ClockState
    note: str
    first_wall_ms: int | None
    last_mono_ms: int | None
    last_wall_minus_mono_ms: int | None
    last_clock: ClockState | None


@dataclass(frozen=True)
class Revision:
    """One way of reading a bank's record: its settings, by their fingerprint.

    `raw_from_ms` is the time of the first reading that was still there when the revision began: what came before
    stays as an earlier revision told it.
    """

    id: int
    bank: str
    fingerprint: str
    settings_json: str
    reason: str
    created_wall_ms: int
    raw_from_ms: int


@dataclass(frozen=True)
class DamagedBlock:
    """A stretch of readings that failed its check sum. It is left out, as a gap; nothing of it is shown."""

    session: int
    device: str
    first_mono_ms: int
    last_mono_ms: int
    text: str


@dataclass(frozen=True)
class ScanWindow:
    """All scans of the devices of one bank in one hour of one session.

    Blocks hold only the bank's series. They are complete up to `until_mono_ms`: no later window of the same
    iteration has a scan at or before it.
    """

    session: int
    blocks: tuple[ScanBlock, ...]
    until_mono_ms: int
    damaged: tuple[DamagedBlock, ...] = ()


@dataclass(frozen=True)
class StoredEntry:
    """A ledger entry with its place in the record.

    `recomputable` is False where the readings it was made from are no longer there.
    """

    id: int
    revision: int
    recomputable: bool
    entry: Entry


@dataclass(frozen=True)
class EntryWish:
    """Which entries of a ledger: those that lie at least partly in [from, until) epoch ms.

    `least`: name of a figure, and what it must be at least.
    """

    bank: str
    ledger: LedgerName
    from_ms: int = -(2**63)
    until_ms: int = 2**63 - 1
    least: tuple[str, float] | None = None


@dataclass(frozen=True)
class EntryPage:
    """Entries, the newest first. `older`: id by which to ask for those before; None when there are none."""

    entries: tuple[StoredEntry, ...]
    older: int | None


@dataclass(frozen=True)
class StoredMark:
    """A span of marked values with its place in the record."""

    id: int
    revision: int
    span: MarkSpan


@dataclass(frozen=True)
class StoredFinding:
    """A finding with its place in the record."""

    id: int
    revision: int
    finding: Finding


@dataclass(frozen=True)
class FindingPoint:
    """What a finding said at one instant, without details. `basis_from_ms`, `basis_until_ms`: of its first evidence."""

    at_session: int
    at_ms: int
    subject: str
    verdict: str
    grade: str
    value: float | None
    low: float | None
    high: float | None
    reason: str
    basis_from_ms: int | None
    basis_until_ms: int | None


@dataclass(frozen=True)
class EntrySpan:
    """When an entry began and ended, and of what kind it is."""

    kind: str
    start: Instant
    end: Instant


@dataclass(frozen=True)
class StoredAlarmChange:
    """A change of an alarm with its place in the record."""

    id: int
    change: AlarmChange


@dataclass(frozen=True)
class SummaryColumns:
    """Summaries of one series, by minutes, quarter-hours or four hours, as columns of equal length, in raw counts.

    `start_ms` are epoch milliseconds of the bucket's beginning; buckets without a reading are left out.
    """

    series: int
    channel: Channel
    start_ms: Integers
    minimum: Integers
    maximum: Integers
    mean: Floats
    count: Integers


@dataclass(frozen=True)
class Retained:
    """What one run of retention took away."""

    blocks: int = 0
    readings: int = 0
    minute_rows: int = 0


@dataclass(frozen=True)
class Health:
    """Sizes and counts for a status page. `sealed_blocks` is a little too high where blocks in between were deleted."""

    schema_version: int
    file_bytes: int
    wal_bytes: int
    free_bytes_in_file: int
    disk_free_bytes: int
    ballast_bytes: int
    hot_chunks: int
    sealed_blocks: int
    sessions: int
    last_reading_wall_ms: int | None
