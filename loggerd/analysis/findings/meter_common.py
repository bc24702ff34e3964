"""What the checks of the measuring share: a frame in plain numbers, and who remembers what has been said."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from math import isnan
from typing import Any, Protocol

from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.findings.events import DoubtEnded, SensorDoubt
from loggerd.analysis.findings.meter_ohms import DayOhms
from loggerd.analysis.frames import Frame
from loggerd.model.finding import Finding, Grade
from loggerd.model.ledger import Figure, Instant

FRAMES_PER_HOUR = 12
FRAMES_PER_DAY = 288
RIGHT = ("right", "cannot_tell")
"""Verdicts after which nothing is doubted."""


def known(value: float) -> float | None:
    """None for NaN."""
    return None if isnan(value) else value


@dataclass(slots=True)
class Look:
    """A frame in the numbers that the checks ask for, each made once; nobody changes one.

    `means`, `lows`, `highs`, `counts` by column of the layout; `rate` is the mean current and `spread` the width of
    its readings, as shares of the rated amp-hours (NaN without a current); `volts` per cell, the median of the blocks
    where at least three are read (one bad block or tap does not move it), else the bank's; NaN without. `source`
    tells which: frames of different sources are not compared. `follows`: the frame before it is its neighbour.
    `judged`: both current and voltage are known. `at_ms`: the end of the frame. `ranked`: volts of the blocks that are
    read, rising.
    """

    frame: Frame
    means: list[float]
    lows: list[float]
    highs: list[float]
    counts: list[int]
    rate: float
    spread: float
    volts: float
    source: int
    follows: bool
    judged: bool
    at_ms: int
    ranked: list[float]

    @property
    def at(self) -> Instant:
        return Instant(self.frame.session, self.at_ms)


class Looker:
    """Makes Looks of frames. Remembers the last frame's number and source."""

    def __init__(self, ground: Ground) -> None:
        bank = ground.bank
        self._rated = bank.rated_amp_hours
        self._cells, self._block_cells = bank.cells_in_series, bank.cells_per_block
        self._blocks = ground.layout.block_volts
        self._last, self._source = -2, -1

    def look(self, frame: Frame) -> Look:
        means, lows, highs = frame.mean_list, frame.low_list, frame.high_list
        ranked = means[self._blocks]
        if isnan(sum(ranked)):
            ranked = [one for one in ranked if not isnan(one)]
        ranked.sort()
        source = len(ranked)
        if source >= 3:
            middle = source // 2
            pair = ranked[middle] + ranked[middle if source % 2 else middle - 1]
            volts = pair / (2 * self._block_cells)
        else:
            volts, source = means[1] / self._cells, 0
        number = frame.number
        follows = number == self._last + 1 and not frame.after_unknown and source == self._source
        self._last, self._source = number, source
        rate = means[0] / self._rated
        return Look(
            frame,
            means,
            lows,
            highs,
            frame.count_list,
            rate,
            (highs[0] - lows[0]) / self._rated,
            volts,
            source,
            follows,
            not isnan(rate + volts),
            frame.end_ms,
            ranked,
        )

    def to_plain(self) -> list[int]:
        return [self._last, self._source]

    def load_plain(self, plain: list[int]) -> None:
        self._last, self._source = plain


_NO_DAYS = DayOhms()


@dataclass(slots=True)
class Facts:
    """What earlier checks of this frame found and later ones ask for."""

    sign: str = ""
    right_ms: int = 0
    """When a change of the current last spoke for its sign."""
    slope: float | None = None
    """Ohms of a cell times the rated amp-hours, from changes between frames; None where they do not go together."""
    changes: float = 0.0
    """How many changes of the voltage that rests on."""
    days: DayOhms = field(default_factory=lambda: _NO_DAYS)
    """The same, day by day. Looked at only: without any, all have the same empty one."""
    bypass: str = ""
    scale: str = ""
    bad: frozenset[str] = frozenset()
    """Channels that are stuck, noisy or silent."""


class Part(Protocol):
    """One check of the measuring."""

    def push(self, look: Look, moment: Moment, facts: Facts) -> list[Finding]: ...

    def to_plain(self) -> dict[str, Any]: ...

    def load_plain(self, plain: dict[str, Any]) -> None: ...


@dataclass
class Teller:
    """Makes findings of one name, and lets through those that say something new. `said`: verdict by subject."""

    name: str
    said: dict[str, str]

    def verdict(self, subject: str = "bank") -> str:
        return self.said.get(subject, "")

    def tell(self, look: Look, moment: Moment, told: Told) -> list[Finding]:
        """The finding, if its verdict is another than the last one of its subject; doubts go with it."""
        before = self.said.get(told.subject, "")
        if before == told.verdict:
            return []
        self.said[told.subject] = told.verdict
        finding = told.finding(self.name, look)
        since = finding.since or finding.at
        for channel in told.channels:
            if told.verdict not in RIGHT:
                moment.events.append(SensorDoubt(look.at_ms, channel, f"{self.name} {told.verdict}", since.at_ms))
            elif before and before not in RIGHT:
                moment.events.append(DoubtEnded(look.at_ms, channel, self.name))
        return [finding]


@dataclass(frozen=True)
class Told:
    """What a check has to say. `channels`: those that are doubted, or no longer."""

    verdict: str
    reason: str
    channels: tuple[str, ...] = ()
    subject: str = "bank"
    since_ms: int | None = None
    value: float | None = None
    low: float | None = None
    high: float | None = None
    details: tuple[Figure, ...] = ()
    grade: Grade = Grade.INFERRED

    def about(self, subject: str) -> Told:
        return replace(self, subject=subject)

    def finding(self, name: str, look: Look) -> Finding:
        session, at_ms = look.frame.session, look.at_ms
        since = None if self.since_ms is None else Instant(session, self.since_ms)
        evidence = ((since, look.at),) if since is not None else ()
        return Finding(
            name,
            self.subject,
            self.verdict,
            Grade.CANNOT_TELL if self.verdict == "cannot_tell" else self.grade,
            self.reason,
            Instant(session, at_ms),
            self.value,
            self.low,
            self.high,
            since,
            evidence,
            self.details,
        )


def correction(since_ms: int | None, line: str) -> str:
    """The words for a dated correction that would mend a channel's numbers."""
    del since_ms
    return f"[[device.channel.correction]] with since = the instant from which it was wrong, and {line}"
