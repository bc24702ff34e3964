"""Reads files of past readings into the record, as a session of their own."""

from __future__ import annotations

from contextlib import closing
from dataclasses import dataclass, replace
from itertools import chain
from zoneinfo import ZoneInfo

from loggerd.errors import ReadingsFileError
from loggerd.model.bank import Series
from loggerd.model.scan import ClockState
from loggerd.outputs.ledger_json import utc_text
from loggerd.plans import SessionNote, bank_named
from loggerd.replaying import check_columns, judge_file, read_head
from loggerd.settings.connection import CsvFile
from loggerd.settings.domain import series_of
from loggerd.settings.site import SiteSettings
from loggerd.sources.files import FileReport, ReadingsFile
from loggerd.store.record import RecordWriter


@dataclass(frozen=True)
class Imported:
    """What was read in."""

    session: int
    scans: int
    report: FileReport


def import_file(
    settings: SiteSettings, bank: str, path: str, device: str | None, writer: RecordWriter, now_ms: int
) -> Imported:
    """Read a CSV file into the record of a bank; `device`: the device of kind csv whose map describes its columns.

    Raises ReadingsFileError, StoreError (nothing is kept then), KeyError.
    """
    file, series = _open(settings, bank, path, device)
    with closing(file):
        check_columns(series, bank_named(settings, bank)[0], path)
        blocks = file.blocks()
        head = read_head(blocks, path)
        character = judge_file(head, series)
        first_ms = int(head[0].mono_ms[0])
        name = device or f"{file.device} from {utc_text(first_ms)}"
        note = SessionNote(file.device, {name: character.interval_ms}, character.noise_amps)
        session = writer.begin_session("import", now_ms, first_ms, note.text(), ClockState.SET)
        ids = writer.register_series([replace(one, device=name) for one in series])
        scans = writer.import_blocks(
            session, (replace(block, device=name, boot=session, series=ids) for block in chain(head, blocks))
        )
    return Imported(session, scans, file.report)


def csv_path(settings: SiteSettings, device: str | None) -> str:
    """The file that a device of kind csv names in the settings. Raises ReadingsFileError."""
    for one in settings.devices:
        if one.name == device and isinstance(one.connection, CsvFile):
            return one.connection.path
    raise ReadingsFileError('which file? Name it, or a device of kind "csv" of the settings with --device')


def _open(settings: SiteSettings, bank: str, path: str, device: str | None) -> tuple[ReadingsFile, tuple[Series, ...]]:
    zone = ZoneInfo(settings.site.timezone)
    if device is None:
        file = ReadingsFile(path, zone)
        return file, file.series(bank)
    found = next((one for one in settings.devices if one.name == device), None)
    if found is None or not isinstance(found.connection, CsvFile):
        names = ", ".join(one.name for one in settings.devices if isinstance(one.connection, CsvFile))
        raise ReadingsFileError(f'no device "{device}" of kind "csv" in the settings; there are: {names or "none"}')
    columns = {
        channel.field or channel.channel: (channel.channel, channel.count_size)
        for channel in found.channels
        if (channel.bank or found.bank) == bank
    }
    columns[found.connection.time_field] = ("time", 1.0)
    file = ReadingsFile(path, zone, columns)
    by_channel = {one.channel.name: one for one in series_of(settings)[device] if one.bank == bank}
    return file, tuple(by_channel[one.channel.name] for one in file.series(bank))
