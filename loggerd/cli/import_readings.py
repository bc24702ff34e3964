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
    parser.add_argument("readings", metavar="READINGS", help="the CSV file, or - for standard input")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Import, then bring the ledgers up to date. Returns the exit code."""
    from loggerd.folding import Follower
    from loggerd.importing_files import import_file
    from loggerd.replaying import report_lines
    from loggerd.settings.load import load_settings
    from loggerd.store.record import RecordWriter

    settings = load_settings(arguments.settings)
    bank = chosen_bank(settings, arguments.bank)
    path = Path(settings.record.path)
    now_ms = time.time_ns() // 1_000_000
    writer = RecordWriter.open(path)
    try:
        imported = import_file(settings, bank, arguments.readings, arguments.device, writer, now_ms)
        for line in report_lines(imported.report):
            print(line, file=sys.stderr)
        print(f"{imported.scans} scans read in as session {imported.session}")
        Follower(settings, path, writer, now_ms, f"readings of {imported.report.path} read in").catch_up()
    finally:
        writer.close()
    return 0
