"""A bank drawn as it stands: strings of blocks in their real order, and how each block stands to its peers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from loggerd.analysis.compared_blocks import LEAST_DEPTH, BlockPhase, BlocksByPhase
from loggerd.analysis.findings.blocks_rows import deviations
from loggerd.model.bank import Bank
from loggerd.wording.ages import signed
from loggerd.wording.block_to_watch import BlockToWatch
from loggerd.wording.reader import Reader

_PHASES = {
    BlockPhase.END_OF_CHARGE: "Charge, end",
    BlockPhase.REST: "Rest",
    BlockPhase.EARLY: "Dis\u00adcharge, early",
    BlockPhase.END: "Dis\u00adcharge, end",
}
_MILLI = 1000.0
_LEAST_SCALE = 30.0
_STEP_OF_SCALE = 10.0
HALF_BAR = 28
"""Length of the longest bar, on either side of its centre line."""


@dataclass(frozen=True)
class Deviation:
    """A block against the median of its peers, in mV per cell: signed number, and the length of its bar to the left
    (below) or right (above) of the centre line. `text` is "" where it is not known."""

    text: str = ""
    length: int = 0


@dataclass(frozen=True)
class BlockBox:
    """One block. `volts`: "" where none was read lately. `watch`: the one to watch; `amiss`: what is amiss with it."""

    number: int
    volts: str
    now: Deviation
    watch: bool
    amiss: tuple[str, ...]


@dataclass(frozen=True)
class StringRow:
    """Blocks of one string from its positive to its negative end. `amps`: "" where they are not read."""

    number: int
    boxes: tuple[BlockBox, ...]
    amps: str = ""


@dataclass(frozen=True)
class BlockRow:
    """A block in all phases, in the order of the columns."""

    number: int
    string: int
    cells: tuple[Deviation, ...]
    watch: bool


@dataclass(frozen=True)
class Drawing:
    """`scale`: mV per cell of the longest bar. `columns`: phases with how many discharges show them; `span`: from when
    they are, or why there are none. `read`: whether any voltage of a block is measured. `cells`: of a block."""

    strings: tuple[StringRow, ...]
    scale: int
    columns: tuple[str, ...]
    rows: tuple[BlockRow, ...]
    span: str
    read: bool
    cells: int


@dataclass(frozen=True)
class BlocksNow:
    """Newest voltages by block [V] and currents by string [A], of those that are live."""

    volts: Mapping[int, float]
    amps: Mapping[int, float]


def groups_of(bank: Bank) -> tuple[range, ...]:
    """Blocks (from 0) of each string."""
    per = bank.blocks_per_string
    return tuple(range(per * number, per * (number + 1)) for number in range(bank.strings))


def deviations_now(bank: Bank, volts: Mapping[int, float]) -> list[float | None]:
    """By block (from 0), against its peers of the same string [mV per cell]."""
    known = [volts.get(number) for number in range(1, bank.blocks + 1)]
    row = [None if one is None else one * _MILLI / bank.cells_per_block for one in known]
    return deviations(row, groups_of(bank))


def drawing_of(
    bank: Bank,
    now: BlocksNow,
    compared: BlocksByPhase | None,
    watch: BlockToWatch,
    reader: Reader,
    read: bool,
) -> Drawing:
    """The bank in one person's words. `read`: whether the settings name voltages of blocks."""
    apart = deviations_now(bank, now.volts)
    phases = _by_phase(compared, bank)
    scale = scale_for([apart, *phases.values()])
    boxes = [
        BlockBox(
            number,
            reader.amount(now.volts[number], "V", 2) if number in now.volts else "",
            deviation(reader, apart[number - 1], scale),
            number == watch.number,
            watch.amiss.get(number, ()),
        )
        for number in range(1, bank.blocks + 1)
    ]
    strings = tuple(
        StringRow(
            number,
            tuple(boxes[block] for block in group),
            reader.amount(now.amps[number], "A", 1) if number in now.amps else "",
        )
        for number, group in enumerate(groups_of(bank), 1)
    )
    rows = tuple(
        BlockRow(
            box.number,
            bank.string_of_block(box.number),
            tuple(deviation(reader, row[box.number - 1], scale) for row in phases.values()),
            box.watch,
        )
        for box in boxes
    )
    return Drawing(
        strings,
        round(scale),
        tuple(_PHASES[phase] for phase in phases),
        rows if phases else (),
        _span(compared, reader),
        read,
        bank.cells_per_block,
    )


def deviation(reader: Reader, value: float | None, scale: float) -> Deviation:
    """A number in mV per cell, and its bar."""
    if value is None:
        return Deviation()
    return Deviation(signed(reader, value), round(max(-1.0, min(1.0, value / scale)) * HALF_BAR))


def scale_for(rows: Sequence[Sequence[float | None]]) -> float:
    """The longest bar [mV per cell]: room for the largest deviation, and never so little that noise looks large."""
    largest = max((abs(one) for row in rows for one in row if one is not None), default=0.0)
    return max(_LEAST_SCALE, -(-largest // _STEP_OF_SCALE) * _STEP_OF_SCALE)


def _by_phase(compared: BlocksByPhase | None, bank: Bank) -> dict[BlockPhase, list[float | None]]:
    if compared is None:
        return {}
    found = {one.phase: one.by_block for one in compared.phases if len(one.by_block) == bank.blocks}
    return {
        phase: [None if one is None else one * _MILLI for one in found[phase]] for phase in _PHASES if phase in found
    }


def _span(compared: BlocksByPhase | None, reader: Reader) -> str:
    if compared is None:
        least = reader.amount(100.0 * LEAST_DEPTH, "%", 0)
        return f"No discharge was compared yet: that takes one of {least} of the rated Ah or more, and its charge."
    start, end = (reader.instant(at) for at in (compared.start_ms, compared.end_ms))
    if compared.discharges == 1:
        return f"From the last discharge that was compared: {start} to {end}."
    return f"Medians of the last {compared.discharges} discharges that were compared: {start} to {end}."
