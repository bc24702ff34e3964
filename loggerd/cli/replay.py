"""loggerd replay: a file of past readings to ledgers, without a record."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

from loggerd.cli.arguments import add_bank, chosen_bank, verb_parser, written_to


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the verb to the command line."""
    parser = verb_parser(
        subparsers,
        "replay",
        "read a CSV file of past readings and show its ledgers",
        "Reads past readings (header: time and channel names; charge positive) and segments them as the service\n"
        "would. Nothing is stored. Times are ISO-8601 or epoch seconds; ; and decimal comma are understood.",
        "loggerd replay --settings site.toml --bank house readings.csv --json ledger.json",
    )
    parser.add_argument("--settings", required=True, type=Path, help="the TOML file of the site")
    add_bank(parser)
    parser.add_argument("readings", metavar="READINGS", help="the CSV file, or - for standard input")
    parser.add_argument("--json", metavar="OUT", help="write everything as JSON to this file, or - for standard output")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Replay and print. Returns the exit code."""
    from loggerd.analysis.findings import newest
    from loggerd.cli.tables import cycle_table
    from loggerd.outputs.findings_json import findings_document
    from loggerd.outputs.ledger_json import ledger_document
    from loggerd.replaying import replay_file, report_lines
    from loggerd.settings.load import load_settings

    settings = load_settings(arguments.settings)
    bank = chosen_bank(settings, arguments.bank)
    replayed = replay_file(settings, bank, arguments.readings)
    for line in (*report_lines(replayed.report), *replayed.notes):
        print(line, file=sys.stderr)
    if arguments.json is None:
        print("\n".join(cycle_table(replayed.entries, settings.site.timezone)))
        return 0
    document = ledger_document(bank, replayed.entries, replayed.marks)
    document["findings"] = findings_document(bank, newest(replayed.findings))["findings"]
    text = json.dumps(document, ensure_ascii=False, indent=1)
    if arguments.json == "-":
        print(text)
    else:
        with written_to(Path(arguments.json)) as stream:
            stream.write(text + "\n")
        print(f"written to {arguments.json}", file=sys.stderr)
    return 0
