"""The record of one site. This is the only door: everything else in loggerd uses these names.

One process writes (RecordWriter, one thread at a time); any number read beside it (RecordReader, one for each
thread). What a commit stored is there after a power cut; what it did not store is not there in part.
"""

from loggerd.store.care import backup, set_aside
from loggerd.store.connection import sync_folder
from loggerd.store.export_file import ExportFile, too_large_words
from loggerd.store.newest import PageWish
from loggerd.store.reader import RecordReader
from loggerd.store.salvage import SalvageReport, salvage
from loggerd.store.shapes import (
    HOUR_MS,
    BankResults,
    Commit,
    DamagedBlock,
    EntryPage,
    EntrySpan,
    EntryWish,
    FindingPoint,
    Health,
    Position,
    RecordEvent,
    Retained,
    Revision,
    ScanWindow,
    Session,
    StoredAlarmChange,
    StoredEntry,
    StoredFinding,
    StoredMark,
    StoredSeries,
    SummaryColumns,
    TakenIn,
)
from loggerd.store.tables import Column as ExportColumn
from loggerd.store.tables import Table as ExportTable
from loggerd.store.writer import RecordWriter

__all__ = [
    "HOUR_MS",
    "BankResults",
    "Commit",
    "DamagedBlock",
    "EntryPage",
    "EntrySpan",
    "EntryWish",
    "ExportColumn",
    "ExportFile",
    "ExportTable",
    "FindingPoint",
    "Health",
    "PageWish",
    "Position",
    "RecordEvent",
    "RecordReader",
    "RecordWriter",
    "Retained",
    "Revision",
    "SalvageReport",
    "ScanWindow",
    "Session",
    "StoredAlarmChange",
    "StoredEntry",
    "StoredFinding",
    "StoredMark",
    "StoredSeries",
    "SummaryColumns",
    "TakenIn",
    "backup",
    "salvage",
    "set_aside",
    "sync_folder",
    "too_large_words",
]
