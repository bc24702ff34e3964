"""Streams of readings of many banks at once, with the truth beside them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from simulators.judging.chemistry import LAYOUTS, Floats, Layout
from simulators.judging.effects import apply
from simulators.judging.faults import Fault
from simulators.judging.rating import rated_capacity
from simulators.judging.sensors import Readings, Sensors, clock_error_ms
from simulators.judging.site import DayRecord, Sites

DAY_MS = 86_400_000
FULL_FILL = 0.985
START_MS = 1_767_225_600_000
"""1 January 2026, UTC; the sites keep this clock."""


@dataclass(frozen=True)
class Case:
    """One bank to be judged. `season`: day of the year on which it starts."""

    layout: str
    seed: int
    days: int
    season: int = 100
    fault: Fault | None = None


@dataclass
class Truth:
    """What truly was in one bank. Daily rows (at the day's end): `capacity_amp_hours` at the rated rate and 25 °C,
    `ohms` at 90 % fill with links, `sulfate` (share locked), `fill`; shapes (days, strings, blocks)."""

    case: Case
    begin_ms: int | None
    """Instant at which the fault began; None for a healthy bank."""
    capacity_amp_hours: list[Floats] = field(default_factory=list)
    ohms: list[Floats] = field(default_factory=list)
    sulfate: list[Floats] = field(default_factory=list)
    fill: list[Floats] = field(default_factory=list)
    highest_fill: list[float] = field(default_factory=list)
    """Each day's highest fill of the emptiest block."""
    lowest_fill: list[float] = field(default_factory=list)
    """Each day's lowest fill of the emptiest block."""
    full_ms: list[int] = field(default_factory=list)
    """Instants at which the emptiest block became full, once a day at most."""

    @property
    def deepest(self) -> float:
        """How deep the emptiest block was ever drawn since the fault began, as a share of what it held when full."""
        return 1.0 - min(self.lowest_fill[self.case.fault.begin_day :]) if self.case.fault else 0.0

    @property
    def cause(self) -> str:
        return self.case.fault.cause if self.case.fault else "healthy"

    @property
    def subject(self) -> str:
        return self.case.fault.subject if self.case.fault else ""


@dataclass(frozen=True)
class Chunk:
    """Readings of one bank over some whole days: `times_ms` UTC as the logger stamps them, each 60 s."""

    case: Case
    times_ms: npt.NDArray[np.int64]
    channels: Readings


class Streams:
    """Banks of one layout, simulated together until the last one is done. See `run`."""

    def __init__(self, cases: list[Case]) -> None:
        """Raises ValueError if the cases are not of one layout."""
        if len({case.layout for case in cases}) != 1:
            raise ValueError("cases of one batch have one layout")
        self.cases = cases
        self.layout: Layout = LAYOUTS[cases[0].layout]
        self._sites = Sites(self.layout, [case.seed for case in cases], [case.season for case in cases])
        self._sensors = [Sensors(self.layout, case.seed, case.fault) for case in cases]
        self.truths = [Truth(case, _begin_ms(case)) for case in cases]
        self.record: DayRecord | None = None
        """What truly happened on the day whose chunks were given last."""

    @property
    def sites(self) -> Sites:
        return self._sites

    def run(self) -> Iterator[list[Chunk]]:
        """Day after day, the chunks of the banks that are still watched; `truths` grow along."""
        for day in range(max(case.days for case in self.cases)):
            extra = apply([case.fault for case in self.cases], self._sites, day)
            self.record = record = self._sites.run_day(day, extra)
            yield [self._chunk(bank, day, record) for bank, case in enumerate(self.cases) if day < case.days]

    def _chunk(self, bank: int, day: int, record: DayRecord) -> Chunk:
        case = self.cases[bank]
        start = START_MS + case.season * DAY_MS + day * DAY_MS
        times = start + 60_000 * np.arange(1, len(record.volts) + 1, dtype=np.int64)
        self._tell(bank, record, times)
        shown = times + clock_error_ms(case.fault, day)
        return Chunk(case, shown, self._sensors[bank].read(record, bank, day))

    def _tell(self, bank: int, record: DayRecord, times: npt.NDArray[np.int64]) -> None:
        cells, truth = self._sites.cells, self.truths[bank]
        truth.capacity_amp_hours.append(rated_capacity(cells)[bank])
        truth.ohms.append(cells.ohms()[bank])
        truth.sulfate.append(cells.sulfate[bank].copy())
        truth.fill.append(cells.fill[bank].copy())
        least = record.least_fill[:, bank]
        truth.highest_fill.append(float(least.max()))
        truth.lowest_fill.append(float(least.min()))
        if least.max() >= FULL_FILL:
            truth.full_ms.append(int(times[int((least >= FULL_FILL).argmax())]))


def _begin_ms(case: Case) -> int | None:
    return None if case.fault is None else START_MS + (case.season + case.fault.begin_day) * DAY_MS


def whole_stream(case: Case) -> tuple[Chunk, Truth]:
    """All readings of one case in one chunk, and its truth."""
    streams = Streams([case])
    chunks = [chunks[0] for chunks in streams.run()]
    times = np.concatenate([chunk.times_ms for chunk in chunks])
    channels = {name: np.concatenate([chunk.channels[name] for chunk in chunks]) for name in chunks[0].channels}
    return Chunk(case, times, channels), streams.truths[0]
