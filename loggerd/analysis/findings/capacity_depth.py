"""Loss of capacity in ordinary use: the loaded voltage deep in a discharge falls behind that at its beginning.

Plates that have lost material are drawn harder and are nearer to their end at the same amp-hours, so the voltage at a
given depth, current and temperature lies lower, the deeper the more. A model of the loaded voltage is fitted to the
bank's own first weeks by least squares; later, what is left at depth less what is left at the beginning of the same
discharges is the sag. A joint, or an error of the voltage sensor, is in both and cancels; risen resistance is taken
out. How many amp-hours are lost does not follow from it (own study by simulation).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from loggerd.analysis.findings.capacity_sag import Sag, Week
from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.findings.drawn_up import figures, tell
from loggerd.analysis.findings.estimators.median import median
from loggerd.analysis.findings.events import Resistance, SensorDoubt
from loggerd.analysis.findings.weekly import WEEK_MS
from loggerd.analysis.frames import DAY_MS, FRAME_MS, Frame
from loggerd.model.finding import Finding, Grade

_TERMS = 9
_OHMIC = (2, 3, 5, 6, 7)
"""Terms that scale with the resistance."""
_BINS = 10
"""Tenths of the rated amp-hours."""
_SHALLOW, _DEEP = 2, 3
"""Bins below the one are the beginning of a discharge; from the other on it is deep enough for plates to show."""
_LEAST_DEPTH = 0.05
_LEAST_AMPS = 0.01
"""Of the rated amp-hours, per hour: what is less tells nothing of plates."""
_MEMORY_HOURS = 1.0
"""Time constant of the plates' slow polarisation, about an hour (common practice, no source)."""
_MEMORY_KEPT = math.exp(-FRAME_MS / 3_600_000 / _MEMORY_HOURS)
"""What is left of it a frame later, as a share."""
_LATEST_FULL_MS = 2 * DAY_MS
"""Counted depth drifts with the current sensor's offset."""
_REFERENCE_WEEKS, _REFERENCE_DAYS, _BIN_DAYS = 8, 10, 4
_KEPT_OHMS, _RECENT_OHMS, _LEAST_OHMS = 30, 12, 3
_LEAST_RISE = 0.15
"""Season and scatter move a resistance by less: then nothing is taken out, for that would add their scatter."""
_DOUBT_MS = 7 * DAY_MS


@dataclass
class Reference:
    """Normal equations of the first weeks; once `terms` are there, the model stands still."""

    matrix: list[list[float]] = field(default_factory=lambda: [[0.0] * _TERMS for _ in range(_TERMS)])
    right: list[float] = field(default_factory=lambda: [0.0] * _TERMS)
    terms: list[float] | None = None
    week: int = -1
    """The first one."""
    days: list[int] = field(default_factory=lambda: [0] * _BINS)
    last_day: list[int] = field(default_factory=lambda: [-1] * _BINS)
    ranges: list[list[float]] = field(default_factory=list)
    """Lowest and highest current, remembered current and temperature; empty before the first frame."""
    ohms: list[float] = field(default_factory=list)

    def add(self, row: list[float], volts: float, place: int, day: int) -> None:
        """Take a frame; it may not stand still yet."""
        for number, one in enumerate(row):
            line = self.matrix[number]
            for column, other in enumerate(row):
                line[column] += one * other
            self.right[number] += one * volts
        self.ranges = self.ranges or [[value, value] for value in (row[2], row[3], row[4])]
        for bounds, value in zip(self.ranges, (row[2], row[3], row[4]), strict=True):
            bounds[0], bounds[1] = min(bounds[0], value), max(bounds[1], value)
        if self.last_day[place] != day:
            self.last_day[place], self.days[place] = day, self.days[place] + 1

    def settle(self, week: int) -> None:
        """At the end of a week: the model, once there is enough for one."""
        enough = max(self.days[_DEEP:]) >= _BIN_DAYS and max(self.days) >= _REFERENCE_DAYS
        if self.terms is None and week - self.week >= _REFERENCE_WEEKS and enough:
            found = np.linalg.lstsq(np.array(self.matrix), np.array(self.right), rcond=1e-10)[0]
            self.terms = [float(one) for one in found]

    def holds(self, row: list[float]) -> bool:
        """Whether currents like these were seen in the first weeks."""
        return all(low <= value <= high for (low, high), value in zip(self.ranges[:2], row[2:4], strict=True))


class CapacityAtDepth:
    """Follows the loaded voltage of discharges from a proven full; compares once a week."""

    def __init__(self, ground: Ground) -> None:
        self._bank = ground.bank
        self._reference = Reference()
        self._memory = 0.0
        self._week_number = -1
        self._week = Week.empty(_BINS)
        self._sag = Sag()
        self._ohms: list[float] = []
        self._doubted_ms = -_DOUBT_MS
        self._told: list[Any] = ["", 0.0]

    def push(self, moment: Moment) -> list[Finding]:
        frame = moment.frame
        found = self._take(moment) if moment.events or moment.entries else []
        week = frame.start_ms // WEEK_MS
        if week != self._week_number:
            found += self._close(moment)
            self._week_number = week
            self._reference.week = week if self._reference.week < 0 else self._reference.week
        amps = frame.amps / self._bank.rated_amp_hours
        if frame.after_unknown or math.isnan(amps):
            self._memory = 0.0
            return found
        # Through a gap the memory fades; what flowed meanwhile is not known.
        self._memory = self._memory * _MEMORY_KEPT ** (1 + frame.missed) - amps * (1.0 - _MEMORY_KEPT)
        depth = self._depth(moment)
        if depth is not None and -amps >= _LEAST_AMPS and self._memory >= _LEAST_AMPS / 2:
            self._use(frame, depth, -amps)
        return found

    def _take(self, moment: Moment) -> list[Finding]:
        swapped = bool(moment.entries) and any(entry.kind == "block_swapped" for entry in moment.entries)
        if swapped:
            self._reference, self._sag, self._ohms, self._week = Reference(), Sag(), [], Week.empty(_BINS)
        for event in moment.events:
            if isinstance(event, Resistance) and event.bank_ohms is not None:
                kept = self._ohms if self._reference.terms is not None else self._reference.ohms
                kept.append(event.bank_ohms)
                del kept[:-_KEPT_OHMS]
            elif isinstance(event, SensorDoubt) and event.channel in {"amps", "volts"}:
                self._doubted_ms = event.at_ms
        return self._anew(moment.frame) if swapped else []

    def _anew(self, frame: Frame) -> list[Finding]:
        """What was told of the blocks as they were no longer holds."""
        if self._told[0] in {"", "cannot_tell"}:
            return []
        self._told = ["cannot_tell", 0.0]
        reason = "A block was changed, so the first weeks are being gathered anew."
        return [tell(frame, "capacity.at_depth", "cannot_tell", reason, grade=Grade.CANNOT_TELL)]

    def _depth(self, moment: Moment) -> float | None:
        """Share of the rated amp-hours drawn since a proven full of late; None where it is not known so well."""
        since, frame = moment.since_full, moment.frame
        fit = since is not None and since.proven and not since.block_behind and not since.gap_ms
        if since is None or not fit or frame.end_ms - since.at_ms > _LATEST_FULL_MS:
            return None
        depth = since.net_out_amp_hours / self._bank.rated_amp_hours
        return depth if _LEAST_DEPTH <= depth < 1.0 else None

    def _use(self, frame: Frame, depth: float, amps: float) -> None:
        volts = frame.volts / self._bank.cells_in_series
        if math.isnan(volts) or math.isnan(frame.celsius) or frame.missed:
            return
        slow, warm = self._memory, (frame.celsius - 25.0) / 10.0
        row = [1.0, depth, amps, slow, warm, warm * amps, depth * amps, depth * slow, depth * depth]
        place = int(depth * _BINS)
        if self._reference.terms is None:
            self._reference.add(row, volts, place, frame.start_ms // DAY_MS)
        elif self._reference.holds(row):
            terms = self._reference.terms
            expected = sum(term * one for term, one in zip(terms, row, strict=True))
            ohmic = sum(terms[number] * row[number] for number in _OHMIC)
            self._week.add(place, volts - expected - (self._ohms_share() - 1.0) * ohmic, warm)

    def _ohms_share(self) -> float:
        """Resistance now as a share of that of the first weeks; 1 where it is not known."""
        before, now = self._reference.ohms, self._ohms[-_RECENT_OHMS:]
        if len(before) < _LEAST_OHMS or len(now) < _LEAST_OHMS:
            return 1.0
        share = median(now) / median(before)
        return min(share, 3.0) if share > 1.0 + _LEAST_RISE else 1.0

    def _close(self, moment: Moment) -> list[Finding]:
        """A week is over."""
        over, self._week = self._week, Week.empty(_BINS)
        if self._reference.terms is None:
            self._reference.settle(self._week_number)
            return []
        if moment.frame.end_ms - self._doubted_ms > _DOUBT_MS:
            known = [place for place in range(_DEEP, _BINS) if self._reference.days[place] >= _BIN_DAYS]
            middle = sum(self._reference.ranges[2]) / 2.0
            self._sag.close(over, known, _SHALLOW, middle)
        return self._judge(moment)

    def _judge(self, moment: Moment) -> list[Finding]:
        seen = self._sag.judge()
        if seen is None:
            return []
        before, shown = self._told
        if seen.verdict == before and abs(seen.millivolts - shown) < max(2.0, 0.25 * abs(shown)):
            return []
        self._told = [seen.verdict, seen.millivolts]
        share = self._ohms_share()
        ohms = f"; resistance {share * 100:.0f} % of that of the first weeks, taken out" if share > 1.0 else ""
        reason = (
            f"At {seen.depth * 100:.0f} % of the rated amp-hours and under load, less what the beginning of the same "
            f"discharges shows{ohms}. {seen.why}"
        ).strip()
        half = seen.half_millivolts
        return [
            tell(
                moment.frame, "capacity.at_depth", seen.verdict, reason, grade=Grade.INFERRED, value=seen.millivolts,
                band=(seen.millivolts - half, seen.millivolts + half),
                details=figures(depth=seen.depth, weeks=float(seen.weeks)),
            )
        ]  # fmt: skip

    def to_plain(self) -> dict[str, Any]:
        return {
            "reference": vars(self._reference).copy(),
            "memory": self._memory,
            "week_number": self._week_number,
            "week": self._week.to_plain(),
            "sag": self._sag.to_plain(),
            "ohms": self._ohms,
            "doubted_ms": self._doubted_ms,
            "told": self._told,
        }

    def load_plain(self, plain: dict[str, Any]) -> None:
        self._reference = Reference(**plain["reference"])
        self._memory, self._week_number = plain["memory"], plain["week_number"]
        self._week = Week.from_plain(plain["week"])
        self._sag = Sag.from_plain(plain["sag"])
        self._ohms, self._doubted_ms, self._told = plain["ohms"], plain["doubted_ms"], plain["told"]
