"""loggerd export: readings of a bank as CSV that `loggerd replay` and any spreadsheet can read."""

from __future__ import annotations

import argparse
import sys

from loggerd.cli.arguments import add_bank, add_settings, add_span, chosen_bank, epoch_ms, verb_parser


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the verb to the command line."""
    parser = verb_parser(
        subparsers,
        "export",
        "write the readings of a bank as CSV",
        "Writes every reading as it is understood now: a row for each scan of a device, times in UTC, charge\n"
        "positive. Doubtful readings are there too: the column `marks` says what can be seen on a reading itself (out\n"
        "of range, no value, clock); spikes, gaps and stuck channels are spans, in `loggerd cycles --json`. --raw\n"
        "writes the numbers as the device sent them instead.",
        "loggerd export site.toml --bank house --from 2026-05-01 --until 2026-05-08 > week.csv",
    )
    add_settings(parser)
    add_bank(parser)
    add_span(parser)
    parser.add_argument("--raw", action="store_true", help="raw counts as recorded, before any scale")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Write CSV to standard output. Returns the exit code."""
    from loggerd.outputs.export import export_readings
    from loggerd.settings.load import load_settings

    settings = load_settings(arguments.settings)
    bank = chosen_bank(settings, arguments.bank)
    zone = settings.site.timezone
    span = (epoch_ms(arguments.from_time, zone), epoch_ms(arguments.until_time, zone))
    export_readings(settings, bank, span, arguments.raw, sys.stdout)
    return 0
