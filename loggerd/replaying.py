"""Replays a file of past readings through the fold, without a record."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, replace
from itertools import chain
from zoneinfo import ZoneInfo

import numpy as np

from loggerd.analysis.axis import SessionAxis
from loggerd.analysis.fold import BankFold
from loggerd.analysis.lead import NO_CURRENT
from loggerd.analysis.plan import BankPlan
from loggerd.decoding.inference import reading_noise, usual_interval_ms
from loggerd.errors import ReadingsFileError
from loggerd.model.bank import Bank, Series
from loggerd.model.channels import MISSING
from loggerd.model.finding import Finding
from loggerd.model.ledger import Entry, MarkSpan
from loggerd.model.results import joined
from loggerd.model.scan import ScanBlock
from loggerd.plans import bank_named, file_scale, limits_of, rules_of
from loggerd.settings.site import SiteSettings
from loggerd.sources.files import FileReport, ReadingsFile

_SAMPLE = 500_000
"""Readings from which the noise and interval of a file are judged."""


@dataclass(frozen=True)
class Replayed:
    """The ledgers that a file gives, and what was found in the file. `notes` are for the keeper."""

    entries: tuple[Entry, ...]
    marks: tuple[MarkSpan, ...]
    findings: tuple[Finding, ...]
    report: FileReport
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class FileCharacter:
    """What a file's readings say of the sensors behind it."""

    interval_ms: int
    noise_amps: float


def judge_file(blocks: list[ScanBlock], series: tuple[Series, ...]) -> FileCharacter:
    """Interval and noise of the current, from the first readings of a file."""
    at_ms = np.concatenate([block.mono_ms for block in blocks])
    names = [one.channel.name for one in series]
    lead = next((name for name in ("mean_amps", "amps", "string_1_amps") if name in names), None)
    if lead is None:
        return FileCharacter(usual_interval_ms(at_ms), 0.0)
    position = names.index(lead)
    counts = np.concatenate([block.counts[position] for block in blocks])
    # Rows without a current are those of other instruments.
    interval = usual_interval_ms(at_ms[counts != MISSING])
    return FileCharacter(interval, reading_noise(counts) * series[position].resolution)


def read_head(blocks: Iterator[ScanBlock], path: str) -> list[ScanBlock]:
    """The first blocks of a file, enough to judge it by. Raises ReadingsFileError for a file without readings."""
    head: list[ScanBlock] = []
    for block in blocks:
        head.append(block)
        if sum(len(one) for one in head) >= _SAMPLE:
            break
    if not head:
        raise ReadingsFileError(f"{path}: no readings in it; expected a header line and lines of readings")
    return head


def check_columns(series: tuple[Series, ...], bank: Bank, path: str) -> None:
    """Raises ReadingsFileError for a column of a block or string that the bank does not have."""
    for one in series:
        kind = one.channel.name.split("_")[0]
        most = {"block": bank.blocks, "string": bank.strings}.get(kind, 0)
        if one.channel.number > most:
            raise ReadingsFileError(
                f'{path}: found a column for {one.channel.name}; expected at most {most}: bank "{bank.name}" has'
                f" {bank.strings} string(s) of {bank.blocks_per_string} blocks"
            )


def replay_file(settings: SiteSettings, bank_name: str, path: str) -> Replayed:
    """Fold a CSV file of readings as the ledger of a bank. Raises KeyError, ReadingsFileError."""
    with closing(ReadingsFile(path, ZoneInfo(settings.site.timezone))) as file:
        return _replay(settings, bank_name, file)


def _replay(settings: SiteSettings, bank_name: str, file: ReadingsFile) -> Replayed:
    bank, table = bank_named(settings, bank_name)
    series = file.series(bank_name)
    check_columns(series, bank, file.path)
    blocks = file.blocks()
    head = read_head(blocks, file.path)
    character = judge_file(head, series)
    by_id = {number: scaled(one, character, bank) for number, one in enumerate(series)}
    fold = BankFold(BankPlan(bank, by_id, rules_of(table), limits_of(table)))
    axis = SessionAxis(0, 0, interval_ms={file.device: character.interval_ms}, by_wall=True)
    parts = [fold.push(axis, [block]) for block in chain(head, blocks)]
    found = joined([*parts, fold.view()])
    notes = () if fold.choice is not None else (NO_CURRENT,)
    return Replayed(found.entries, found.marks, found.findings, file.report, notes)


def scaled(series: Series, character: FileCharacter, bank: Bank) -> Series:
    """A column of a file with the scale that it is folded by."""
    return replace(series, scales=(file_scale(series.channel, series.resolution, character.noise_amps, bank),))


def report_lines(report: FileReport) -> list[str]:
    """What a keeper should know of a file."""
    name = "standard input" if report.path == "-" else report.path
    lines = [f"{name}: {report.kept} of {report.rows} rows are in order, channels {', '.join(report.channels)}"]
    if report.ignored_columns:
        lines.append(f"columns that are no channel, left out: {', '.join(report.ignored_columns)}")
    for count, what, at in (
        (report.repeated, "repeat the time of the row before", report.repeated_lines),
        (report.backward, "go back in time", report.backward_lines),
    ):
        if count:
            lines.append(f"{count} rows {what}, marked (first lines: {', '.join(map(str, at[:5]))})")
    if report.ambiguous:
        lines.append(f"{report.ambiguous} rows lie in an autumn hour that comes twice, taken as its first pass")
    if report.bad_rows or report.bad_cells:
        lines.append(f"{report.bad_rows} rows and {report.bad_cells} values cannot be read")
    lines.extend(f"  line {fault.line}: {fault.why}" for fault in report.faults[:5])
    return lines
