"""loggerd import: a file of past readings into the record."""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

from loggerd.cli.arguments import add_bank, add_settings, chosen_bank, verb_parser


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the verb to the command line."""
    parser = verb_parser(
        subparsers,
        "import",
        "read a CSV file of past readings into the record",
        "Reads old logs in once, so that the ledgers begin with them. They must not overlap with readings that are in\n"
        "the record already. Not while the service runs.",
        "loggerd import site.toml --bank house old-log.csv",
    )
    add_settings(parser)
    add_bank(parser)
    parser.add_argument("--device", metavar="NAME", help='a device of kind "csv" whose map describes the columns')
    parser.add_argument(
        "readings",
        metavar="READINGS",
        nargs="?",
        help="the CSV file, or - for standard input; left out: the file that --device names in the settings",
    )
    parser.set_defaults(run=run, late_word="readings")


def run(arguments: argparse.Namespace) -> int:
    """Import, then bring the ledgers up to date. Returns the exit code."""
    from loggerd.errors import ReadingsFileError
    from loggerd.folding import Follower
    from loggerd.importing_files import csv_path, import_file
    from loggerd.replaying import report_lines
    from loggerd.settings.load import load_settings
    from loggerd.store.record import RecordWriter

    settings = load_settings(arguments.settings)
    bank = chosen_bank(settings, arguments.bank)
    readings = arguments.readings or csv_path(settings, arguments.device)
    if readings != "-" and not Path(readings).is_file():
        raise ReadingsFileError(f"{readings}: no such file")
    path = Path(settings.record.path)
    now_ms = time.time_ns() // 1_000_000
    writer = RecordWriter.open(path)
    try:
        imported = import_file(settings, bank, readings, arguments.device, writer, now_ms)
        for line in report_lines(imported.report):
            print(line, file=sys.stderr)
        print(f"{imported.scans} scans read in as session {imported.session}")
        Follower(settings, path, writer, now_ms, f"readings of {imported.report.path} read in").catch_up()
    finally:
        writer.close()
    return 0
