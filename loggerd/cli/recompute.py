"""loggerd recompute: fold the record anew after a corrected setting."""

from __future__ import annotations

import argparse
import sys
import time

from loggerd.cli.arguments import add_settings, verb_parser


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the verb to the command line."""
    parser = verb_parser(
        subparsers,
        "recompute",
        "bring the ledgers up to the settings in force",
        "Folds all readings of the record with the settings as they are now, as a new revision; the former one stays\n"
        "and can be shown with `loggerd cycles --revision`. Readings are never changed. Not while the service runs: a\n"
        "restart of the service does the same by itself.",
        'loggerd recompute site.toml --because "the shunt is a 75 mV type"',
    )
    add_settings(parser)
    parser.add_argument("--because", default="settings changed", metavar="TEXT", help="why, kept with the revision")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Recompute and say what was done. Returns the exit code."""
    from pathlib import Path

    from loggerd.errors import StoreError
    from loggerd.folding import Follower
    from loggerd.settings.load import load_settings
    from loggerd.store.record import RecordWriter

    settings = load_settings(arguments.settings)
    path = Path(settings.record.path)
    if not path.exists():
        raise StoreError(f"{path}: there is no record here; the service begins one when it starts")
    writer = RecordWriter.open(path)
    try:
        follower = Follower(settings, path, writer, time.time_ns() // 1_000_000, arguments.because)
        follower.catch_up(_progress)
        if sys.stderr.isatty():
            print(file=sys.stderr)
        for bank in follower.banks:
            print(f'bank "{bank.name}": revision {bank.revision} is up to date')
    finally:
        writer.close()
    return 0


def _progress(bank: str, hours: int) -> None:
    if sys.stderr.isatty():
        print(f"\r{bank}: {hours / 24:.0f} days folded ", end="", file=sys.stderr, flush=True)
