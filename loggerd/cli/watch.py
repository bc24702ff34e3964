"""loggerd watch: on another machine, wait for the signs of life of sites, and tell when one stays out."""

from __future__ import annotations

import argparse
import logging
import signal
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from loggerd.cli.arguments import WordsError, local_text, verb_parser

if TYPE_CHECKING:
    from loggerd.settings.watch import WatchSettings
    from loggerd.watching import SiteNow

_HOUR_MS = 3_600_000


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the verb to the command line."""
    parser = verb_parser(
        subparsers,
        "watch",
        "on another machine: tell when a site's sign of life stays out",
        "Waits for the signs of life that sites send ([heartbeat] of their settings), by webhook or as mails in a\n"
        "folder, and mails the keepers when one is overdue, daily while it lasts, and when it is back. Runs until\n"
        "stopped. A mail alone proves nothing of who has sent it: name a secret, on both sides, where that matters.\n"
        "Webhooks count only with the right signature; what they say is not encrypted by the watcher itself.\n"
        "With --once it looks once, says how each site stands, and mails nothing; beside a running watcher it only\n"
        "shows what that one knows. Exit codes: 0 all is well, 1 a site is overdue, 2 the settings are wrong.",
        "loggerd watch watch.toml --once",
    )
    parser.add_argument("settings", metavar="WATCH.toml", type=Path, help="the TOML file of the watcher")
    parser.add_argument("--once", action="store_true", help="look once, and say how each site stands")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Watch until stopped, or look once. Returns the exit code."""
    from loggerd.settings.watch_load import load_watch_settings

    logging.basicConfig(stream=sys.stderr, level=logging.WARNING, format="%(levelname)s %(message)s")
    settings = load_watch_settings(arguments.settings)
    return _look_once(settings) if arguments.once else _watch(settings)


def _watch(settings: WatchSettings) -> int:
    from loggerd.clock import SystemClock
    from loggerd.watch_service import WatchService
    from loggerd.watching import Watcher

    if not settings.keepers:
        raise WordsError("the settings name nobody to tell: expected tables [mail] and [[keeper]]; or look with --once")
    service = WatchService(settings, Watcher(settings, SystemClock()))
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: service.stop())
    service.run()
    return 0


def _look_once(settings: WatchSettings) -> int:
    from loggerd.clock import SystemClock
    from loggerd.errors import StoreHeld
    from loggerd.watching import Watcher

    watcher = Watcher(settings, SystemClock())
    try:
        watcher.open()
    except StoreHeld:
        # A watcher runs: what it knows is shown, and nothing changed.
        watcher.open(hold=False)
    else:
        watcher.look(tell=False)
    sites = watcher.sites()
    watcher.close()
    for site in sites:
        print(_words(site, settings.watcher.timezone))
    return 1 if any(site.overdue_ms > 0 for site in sites) else 0


def _words(site: SiteNow, timezone: str) -> str:
    heard = "never heard of" if site.heard_ms is None else f"last heard of {local_text(site.heard_ms, timezone)}"
    if site.overdue_ms > 0:
        since = f"{site.overdue_ms / _HOUR_MS:.1f} h"
        return f'"{site.name}": OVERDUE for {since}, {heard}. Call somebody there; look after the logger.'
    if site.heard_ms is None:
        until = local_text(site.now_ms - site.overdue_ms, timezone)
        return f'"{site.name}": not heard of yet, and waited for until {until}'
    return f'"{site.name}": as it should be, {heard}; the next sign of life is due {local_text(site.next_ms, timezone)}'
