"""The command line: finds the verb and hands over. Verbs import what they need when they run."""

from __future__ import annotations

import argparse
import os
import sys

from loggerd import __version__
from loggerd.cli import VERBS
from loggerd.cli.arguments import WordsError
from loggerd.errors import LoggerdError, SettingsError

_DESCRIPTION = "Reads the instruments of lead-acid banks and keeps the ledger of their cycles. It only ever reads."


def build_parser() -> argparse.ArgumentParser:
    """The parser with all verbs."""
    parser = argparse.ArgumentParser(prog="loggerd", description=_DESCRIPTION)
    parser.add_argument("--version", action="version", version=f"loggerd {__version__}")
    subparsers = parser.add_subparsers(dest="verb", metavar="VERB", required=True)
    for verb in VERBS:
        verb.add_parser(subparsers)
    return parser


def parse(arguments: list[str] | None) -> argparse.Namespace:
    """The words of a command line. Leaves with code 2 where they are wrong.

    Before Python 3.13 argparse counts an optional word as left out if an option stands before it. A verb that has one
    names it as `late_word`; one that takes any number of words, as `late_words`.
    """
    parser = build_parser()
    chosen, rest = parser.parse_known_args(arguments)
    late: str | None = getattr(chosen, "late_word", None)
    if late is not None and getattr(chosen, late) is None and len(rest) == 1 and (rest == ["-"] or rest[0][:1] != "-"):
        setattr(chosen, late, rest.pop())
    many: str | None = getattr(chosen, "late_words", None)
    if many is not None and not any(word.startswith("-") for word in rest):
        setattr(chosen, many, [*getattr(chosen, many), *rest])
        rest = []
    if rest:
        parser.error(f"unrecognized arguments: {' '.join(rest)}")
    return chosen


def main(arguments: list[str] | None = None) -> int:
    """Run the command line. Exit codes: 0 done, 1 it could not be done, 2 settings or words are wrong."""
    chosen = parse(arguments)
    try:
        code: int = chosen.run(chosen)
        sys.stdout.flush()
    except LoggerdError as error:
        print(f"loggerd {chosen.verb}: {error}", file=sys.stderr)
        return 2 if isinstance(error, SettingsError | WordsError) else 1
    except KeyboardInterrupt:
        print("stopped", file=sys.stderr)
        return 130
    except BrokenPipeError:
        # Whoever read our output has gone (a pager that was left): nothing is wrong here. What is still to be
        # written at exit goes nowhere, instead of failing again.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    return code


if __name__ == "__main__":
    sys.exit(main())
