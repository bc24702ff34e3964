"""loggerd salvage: what can still be read of a damaged record, into a new one."""

from __future__ import annotations

import argparse
from pathlib import Path

from loggerd.cli.arguments import verb_parser


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the verb to the command line."""
    parser = verb_parser(
        subparsers,
        "salvage",
        "save what can be read of a damaged record",
        "Copies every row that can still be read into a new record; the damaged one is left as it is. A nightly copy\n"
        "(backup_path in the settings), if there is one, is usually the better way back.",
        "loggerd salvage record.sqlite.damaged-20260501T041500Z saved.sqlite",
    )
    parser.add_argument("damaged", metavar="DAMAGED", type=Path, help="the damaged record")
    parser.add_argument("new", metavar="NEW", type=Path, help="where to put what is saved; must not exist")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Salvage and say what was saved. Returns the exit code."""
    from loggerd.store.record import salvage

    report = salvage(arguments.damaged, arguments.new)
    print(report)
    return 1 if report.incomplete else 0
