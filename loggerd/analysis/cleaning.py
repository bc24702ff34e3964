"""Raw blocks of one bank's devices to columns in fine units, with what intake has to say of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import groupby

import numpy as np

from loggerd.analysis.axis import SessionAxis
from loggerd.analysis.intake import ClockWatch, SpikeWatch, check_range, out_of_place, spike_limit, taps_disagree
from loggerd.analysis.lead import Hold, total
from loggerd.analysis.plan import BankPlan
from loggerd.decoding.scaling import to_fine
from loggerd.model.bank import Series
from loggerd.model.channels import MISSING
from loggerd.model.marks import Mark
from loggerd.model.scan import Integers, ScanBlock

Found = tuple[str, Mark, Integers]
"""Channel, mark, and the times of the readings that carry it."""
_VOLTS_HOLD_MS = 5_000
"""How old a bank voltage of another device may be to be held against the taps; longer where devices read slowly."""
_NOBODY: Integers = np.empty(0, dtype=np.int64)


@dataclass
class DeviceColumns:
    """Readings of one device: at_ms (n,) and columns (n,) by channel name, in fine units.

    `left_out`: times of readings kept out of the sums, one for each value. `clock_jumps`: readings at which the wall
    clock had jumped, with by how much [ms].
    """

    at_ms: Integers
    columns: dict[str, Integers]
    left_out: list[Integers] = field(default_factory=list)
    clock_jumps: list[tuple[int, int]] = field(default_factory=list)


@dataclass
class ColumnCleaner:
    """Keeps, between pushes, the last readings that spikes and clock steps are judged by, and the last bank voltage."""

    plan: BankPlan
    watches: dict[str, SpikeWatch] = field(default_factory=dict)
    clocks: dict[str, ClockWatch] = field(default_factory=dict)
    volts: Hold = field(default_factory=lambda: Hold(_VOLTS_HOLD_MS))

    def push(self, axis: SessionAxis, blocks: Sequence[ScanBlock]) -> tuple[dict[str, DeviceColumns], list[Found]]:
        """Columns by device, and marked readings. `blocks` in order of time for each device."""
        devices: dict[str, DeviceColumns] = {}
        found: list[Found] = []
        for device, group in groupby(sorted(blocks, key=lambda block: block.device), lambda block: block.device):
            parts = [block for block in group if len(block)]
            if parts:
                devices[device] = self._device(axis, parts, found)
        self._check_taps(axis, devices, found)
        return devices, found

    def _device(self, axis: SessionAxis, blocks: list[ScanBlock], found: list[Found]) -> DeviceColumns:
        at_ms = _joined([block.mono_ms for block in blocks]) + axis.offset_ms
        device = DeviceColumns(at_ms, {})
        offsets = _joined([block.wall_minus_mono_ms for block in blocks])
        clock = _joined([block.clock for block in blocks])
        name = blocks[0].device
        marked = self._clock_marks(axis, device, name, offsets, clock)
        found.extend((name, mark, when) for mark, when in marked)
        for series, counts in self._columns(blocks):
            device.columns[series.channel.name] = self._clean(series, counts, device, found, axis.by_wall)
        if axis.by_wall:
            _leave_out(device, [when for mark, when in marked if mark is Mark.BACKWARD_TIME])
        self._watch_spikes(device, found)
        return device

    def _clock_marks(
        self, axis: SessionAxis, device: DeviceColumns, name: str, offsets: Integers, clock: Integers
    ) -> list[tuple[Mark, Integers]]:
        if axis.by_wall:
            return out_of_place(device.at_ms, offsets)
        watch = self.clocks.setdefault(name, ClockWatch())
        marked = watch.push(axis.session, device.at_ms, offsets, clock)
        device.clock_jumps = watch.jumps
        return marked

    def _columns(self, blocks: list[ScanBlock]) -> list[tuple[Series, Integers]]:
        """One column for each series of the bank; MISSING in blocks that do not have it."""
        ids = dict.fromkeys(one for block in blocks for one in block.series if one in self.plan.series)
        columns = []
        for one in ids:
            parts = [
                block.counts[block.series.index(one)]
                if one in block.series
                else np.full(len(block), MISSING, dtype=np.int64)
                for block in blocks
            ]
            columns.append((self.plan.series[one], _joined(parts)))
        return columns

    def _clean(
        self, series: Series, counts: Integers, device: DeviceColumns, found: list[Found], by_wall: bool
    ) -> Integers:
        values = to_fine(counts, device.at_ms, series.scales)
        name = series.channel.name
        cleaned = []
        for valid, low, high in _valid_ranges(series, device.at_ms):
            checked = check_range(values[low:high], device.at_ms[low:high], valid)
            # An empty cell of a file is no failure of an instrument: other instruments' rows leave it so.
            found.extend((name, mark, when) for mark, when in checked.marked if not by_wall or mark != Mark.UNREADABLE)
            device.left_out.extend(when for mark, when in checked.marked if mark is Mark.OUT_OF_RANGE)
            cleaned.append(checked.values)
        merged = _joined(cleaned)
        earlier = device.columns.get(name)
        if earlier is None:
            return merged
        return np.where(earlier == MISSING, merged, earlier)  # the channel moved to another place of the device

    def _watch_spikes(self, device: DeviceColumns, found: list[Found]) -> None:
        amps = device.columns.get("amps")
        for name, values in device.columns.items():
            watch = self._watch(name)
            if watch is None:
                continue
            when = watch.push(device.at_ms, values, amps)
            if len(when):
                found.append((name, Mark.SPIKE, when))

    def _watch(self, name: str) -> SpikeWatch | None:
        if name not in self.watches:
            channel = next(one.channel for one in self.plan.series.values() if one.channel.name == name)
            bank = self.plan.bank
            limit = spike_limit(channel, bank.cells_per_block if channel.number else bank.cells_in_series)
            if limit is None:
                return None
            self.watches[name] = SpikeWatch(limit, round(bank.rated_amp_hours * 1000 / 20))
        return self.watches[name]

    def _check_taps(self, axis: SessionAxis, devices: dict[str, DeviceColumns], found: list[Found]) -> None:
        """Mark block readings whose sum over a string disagrees with the bank voltage."""
        self.volts.limit_ms = max(_VOLTS_HOLD_MS, 2 * max(axis.interval_ms.values(), default=0))
        source = next((name for name in sorted(devices) if "volts" in devices[name].columns), None)
        checked: dict[str, list[tuple[str, Integers]]] = {
            name: sums for name, device in devices.items() if (sums := self._string_sums(device))
        }
        other = devices[source] if source else DeviceColumns(_NOBODY, {"volts": _NOBODY})
        for name, sums in checked.items():
            at_ms = devices[name].at_ms
            if source == name:
                bank_volts = devices[name].columns["volts"]
            else:
                bank_volts = self.volts.at(at_ms, other.at_ms, other.columns["volts"])
            for string, sum_of_taps in sums:
                wrong = taps_disagree(sum_of_taps, bank_volts, source == name)
                if wrong.any():
                    found.append((string, Mark.TAPS_DISAGREE, at_ms[wrong]))
        self.volts.keep(other.at_ms, other.columns["volts"])

    def _string_sums(self, device: DeviceColumns) -> list[tuple[str, Integers]]:
        bank = self.plan.bank
        sums = []
        for string in range(1, bank.strings + 1):
            first = (string - 1) * bank.blocks_per_string + 1
            names = [f"block_{number}_volts" for number in range(first, first + bank.blocks_per_string)]
            if all(name in device.columns for name in names):
                sums.append((f"taps of string {string}", total([device.columns[name] for name in names])))
        return sums

    def undecided(self) -> dict[tuple[str, Mark], int]:
        """Marks that may still be given to readings from an instant on: a spike is known by the reading after it."""
        return {(name, Mark.SPIKE): watch.kept[0][-1] for name, watch in self.watches.items() if watch.kept[0]}

    def to_plain(self) -> dict[str, object]:
        return {
            "watches": {name: watch.kept for name, watch in self.watches.items()},
            "clocks": {name: [watch.last, watch.was_set] for name, watch in self.clocks.items()},
            "volts": self.volts.to_plain(),
        }

    def load_plain(self, plain: dict[str, object]) -> None:
        watches = plain["watches"]
        assert isinstance(watches, dict)
        for name, kept in watches.items():
            watch = self._watch(name)
            if watch is not None:
                watch.kept = kept
        clocks = plain["clocks"]
        assert isinstance(clocks, dict)
        self.clocks = {name: ClockWatch(last, was_set) for name, (last, was_set) in clocks.items()}
        self.volts.load_plain(plain["volts"])  # type: ignore[arg-type]


def _leave_out(device: DeviceColumns, times: list[Integers]) -> None:
    """Keep readings at these times out of all sums: where they belong on the axis is not known."""
    for when in times:
        rows = np.isin(device.at_ms, when)
        for name, values in device.columns.items():
            device.columns[name] = np.where(rows, np.int64(MISSING), values)
        device.left_out.append(when)


def _joined(parts: list[Integers]) -> Integers:
    return parts[0] if len(parts) == 1 else np.concatenate(parts) if parts else _NOBODY


def _valid_ranges(series: Series, at_ms: Integers) -> list[tuple[tuple[int, int], int, int]]:
    """Valid range and the readings [low, high) it holds for, by the dates of the scales."""
    starts = [scale.since_ms for scale in series.scales[1:] if scale.since_ms is not None]
    cuts = [0, *np.searchsorted(at_ms, np.array(starts, dtype=np.int64), side="left").tolist(), len(at_ms)]
    return [
        (scale.valid, low, high)
        for scale, low, high in zip(series.scales, cuts[:-1], cuts[1:], strict=True)
        if high > low
    ]
