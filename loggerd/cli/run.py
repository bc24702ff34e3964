"""loggerd run: the service."""

from __future__ import annotations

import argparse
import logging
import sys
from collections.abc import Callable
from pathlib import Path
from typing import IO

from loggerd.cli.arguments import OutputError, add_settings, verb_parser


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the verb to the command line."""
    parser = verb_parser(
        subparsers,
        "run",
        "read the instruments and keep the record, until stopped",
        "Polls every instrument of the site, keeps every reading and the ledgers. SIGTERM or Ctrl-C stops it in\n"
        "order; a power cut costs at most the readings since the last commit.",
        "loggerd run site.toml",
    )
    add_settings(parser)
    parser.add_argument(
        "--acknowledge",
        metavar="FILE",
        type=Path,
        help="write a line to this file or pipe for every commit that is safely in the record",
    )
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Run the service until it is stopped. Returns the exit code."""
    import asyncio

    from loggerd.clock import SystemClock
    from loggerd.service import run_until_signal
    from loggerd.settings.load import load_settings
    from loggerd.wiring import build_service

    logging.basicConfig(stream=sys.stderr, level=logging.WARNING, format="%(levelname)s %(message)s")
    # The library dumps frames it can't use; what matters of that reaches the keeper as an event of the device.
    logging.getLogger("pymodbus").setLevel(logging.CRITICAL)
    settings = load_settings(arguments.settings)
    if arguments.acknowledge is None:
        asyncio.run(run_until_signal(build_service(settings, SystemClock())))
        return 0
    try:
        stream = arguments.acknowledge.open("wb", buffering=0)
    except OSError as error:
        raise OutputError(f"{arguments.acknowledge} cannot be written: {error.strerror}") from error
    with stream:
        asyncio.run(run_until_signal(build_service(settings, SystemClock(), announcer(stream))))
    return 0


def announcer(stream: IO[bytes]) -> Callable[[str], None]:
    """Writes each line at once; what is written there has been stored. Nobody listening is no reason to stop."""
    gone: list[OSError] = []

    def announce(line: str) -> None:
        if gone:
            return
        try:
            stream.write(f"{line}\n".encode())
        except OSError as error:
            gone.append(error)
            logging.getLogger("loggerd").warning("acknowledgements are not taken any more (%s)", error.strerror)

    return announce
