"""loggerd demo: a simulated site over real Modbus, with history, and the service on it."""

from __future__ import annotations

import argparse
import asyncio
import logging
import shutil
import sys
import tempfile
import time
from pathlib import Path

from loggerd.cli.arguments import OutputError, positive, verb_parser, whole_days

SCENARIO_NAMES = ("cabin", "forklift", "golf")
FAULT_NAMES = (
    *("weak_block", "shorted_cell", "high_resistance_link", "low_set_point", "charger_ends_early"),
    *("stuck", "noise", "offset", "spike", "swapped_taps", "sign_flip", "wrong_scale", "dead_device"),
)
"""Written here, since the simulators take long to load and are needed by this verb only when it runs."""


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the verb to the command line."""
    parser = verb_parser(
        subparsers,
        "demo",
        "run the whole job on a simulated site",
        "Starts an invented site (batteries, instruments on real Modbus TCP, RTU and serial lines), writes months of\n"
        "its history into a record, and runs the service on it. All of it lives in one folder and stops with Ctrl-C.",
        "loggerd demo --days 60 --speed 60",
    )
    parser.add_argument("--scenario", choices=SCENARIO_NAMES, default="cabin", help="which site (default: cabin)")
    parser.add_argument("--folder", type=Path, help="where to keep it (default: a new temporary folder)")
    parser.add_argument("--days", type=whole_days, default=60, help="days of history (default: 60)")
    parser.add_argument("--speed", type=positive, default=60.0, help="times as fast as the clock (default: 60)")
    parser.add_argument("--seed", type=int, default=1, help="another seed gives another weather (default: 1)")
    parser.add_argument(
        "--fault",
        choices=FAULT_NAMES,
        help="a fault in a bank or a sensor, a third into the history (default: none)",
    )
    parser.add_argument("--modbus-port", type=int, default=0, help="of the Modbus TCP server (default: a free one)")
    parser.add_argument("--pages-port", type=int, default=0, help="of the pages (default: a free one)")
    parser.add_argument("--seconds", type=positive, help="stop by itself after so many seconds")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Run the demonstration. Returns the exit code."""
    from loggerd.demonstration import DemoChoice

    logging.basicConfig(stream=sys.stderr, level=logging.WARNING, format="%(levelname)s %(message)s")
    logging.getLogger("pymodbus").setLevel(logging.CRITICAL)
    folder = arguments.folder or Path(tempfile.mkdtemp(prefix="loggerd-demo-"))
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"{folder} cannot be used as a folder: {error.strerror}") from error
    choice = DemoChoice(
        arguments.scenario,
        folder,
        arguments.days,
        arguments.speed,
        arguments.seed,
        arguments.modbus_port,
        arguments.seconds,
        "loggerd" if shutil.which("loggerd") else f"{Path(sys.executable).with_name('loggerd')}",
        arguments.pages_port,
        arguments.fault,
    )
    asyncio.run(_demonstrate(choice))
    return _show_end(folder)


async def _demonstrate(choice: object) -> None:
    from loggerd.demonstration import DemoChoice, demonstrate
    from loggerd.supervisor import stop_on_signals

    assert isinstance(choice, DemoChoice)
    stop = asyncio.Event()
    stop_on_signals(stop.set)
    _say(f'simulated site "{choice.scenario}" in {choice.folder}')
    await demonstrate(choice, time.time_ns() // 1_000_000, _say, stop)


def _show_end(folder: Path) -> int:
    """The last cycles, as `loggerd cycles` shows them."""
    from loggerd.cli.tables import cycle_table
    from loggerd.ledger_view import view_ledger
    from loggerd.settings.load import load_settings

    settings = load_settings(folder / "site.toml")
    for bank in settings.banks:
        view = view_ledger(settings, bank.name)
        table = cycle_table(view.entries, settings.site.timezone, view.shown_ms)
        print(f'bank "{bank.name}": {max(0, len(table) - 1)} cycles, the last ones (± is the 95 % band):')
        print("\n".join([table[0], *table[1:][-5:]]))
    print(f"everything is in {folder}")
    return 0


def _say(text: str) -> None:
    print(text, flush=True)
