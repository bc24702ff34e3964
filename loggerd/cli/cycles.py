"""loggerd cycles: the ledger of a bank, as a table, CSV or JSON."""

from __future__ import annotations

import argparse
import csv
import json
import sys
from typing import TYPE_CHECKING

from loggerd.cli.arguments import add_bank, add_settings, add_span, chosen_bank, epoch_ms, verb_parser

if TYPE_CHECKING:
    from loggerd.ledger_view import LedgerView


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the verb to the command line."""
    parser = verb_parser(
        subparsers,
        "cycles",
        "show the ledger of a bank",
        "Shows the cycles of a bank (a discharge and the charge that answers it) with the band of each figure, also\n"
        "while the service runs. JSON holds all ledgers: phases, cycles, full_to_full, depth_bands and marks.",
        "loggerd cycles site.toml --bank house --from 2026-05-01",
    )
    add_settings(parser)
    add_bank(parser)
    add_span(parser)
    shape = parser.add_mutually_exclusive_group()
    shape.add_argument("--json", action="store_true", help="all ledgers as JSON")
    shape.add_argument("--csv", metavar="LEDGER", choices=_LEDGERS, help=f"one ledger as CSV: {', '.join(_LEDGERS)}")
    parser.add_argument("--revision", type=int, metavar="N", help="as an earlier revision told it")
    parser.add_argument("--revisions", action="store_true", help="list the revisions of the ledger, and stop")
    parser.set_defaults(run=run)


_LEDGERS = ("phases", "cycles", "full_to_full", "depth_bands")


def run(arguments: argparse.Namespace) -> int:
    """Print the ledger. Returns the exit code."""
    from loggerd.ledger_view import view_ledger
    from loggerd.outputs.ledger_json import ledger_document
    from loggerd.settings.load import load_settings

    settings = load_settings(arguments.settings)
    bank = chosen_bank(settings, arguments.bank)
    zone = settings.site.timezone
    view = view_ledger(
        settings, bank, epoch_ms(arguments.from_time, zone), epoch_ms(arguments.until_time, zone), arguments.revision
    )
    for note in view.notes:
        print(f"note: {note}", file=sys.stderr)
    if arguments.revisions:
        print("\n".join(_revision_lines(view, zone)))
        return 0
    document = ledger_document(bank, view.entries, view.marks, view.text)
    if arguments.json:
        print(json.dumps(document, ensure_ascii=False, indent=1))
    elif arguments.csv is not None:
        _write_csv(document[arguments.csv])
    else:
        _print_table(view, zone)
    return 0


def _print_table(view: LedgerView, zone: str) -> None:
    from loggerd.cli.tables import cycle_table

    print(f"bank {view.bank}, {len(view.revisions)} revision(s); ± is the 95 % band")
    print("\n".join(cycle_table(view.entries, zone, view.shown_ms)))
    if view.kept_only:
        print(f"{view.kept_only} entries are older than the readings kept and can't be recomputed any more")


def _revision_lines(view: LedgerView, zone: str) -> list[str]:
    from loggerd.cli.arguments import local_text
    from loggerd.cli.tables import aligned

    if not view.revisions:
        return ["no ledger yet"]
    rows = [["revision", "begun", "why", "settings"]]
    rows += [
        [str(one.id), local_text(one.created_wall_ms, zone), one.reason, one.fingerprint[:12]] for one in view.revisions
    ]
    return aligned(rows)


def _write_csv(rows: list[dict[str, object]]) -> None:
    """One row an entry; a band takes two columns."""
    from loggerd.outputs.ledger_csv import columns_of, flat_row

    flat = [flat_row(row) for row in rows]
    writer = csv.DictWriter(sys.stdout, columns_of(flat), lineterminator="\n")
    writer.writeheader()
    writer.writerows(flat)
