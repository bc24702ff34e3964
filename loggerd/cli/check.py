"""loggerd check: look at the settings without starting anything or opening a port."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from loggerd.errors import SettingsError

if TYPE_CHECKING:
    from argparse import _SubParsersAction

OK = 0
FAULTS = 2

_DESCRIPTION = """\
Reads the settings and says everything that is wrong with them, with file, line and key; or sums up what they mean:
banks, devices, channels and how each raw number becomes volts, amps, degrees or amp-hours. Opens no port.
Exit codes: 0 the settings can be used, 2 they cannot."""


def add_parser(subparsers: _SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the verb to the command line."""
    parser = subparsers.add_parser(
        "check",
        help="look at the settings without starting anything",
        description=_DESCRIPTION,
        epilog="example: loggerd check site.toml",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("settings", metavar="SETTINGS", nargs="?", type=Path, help="the TOML file of the site")
    parser.add_argument("--schema", action="store_true", help="print a JSON Schema of the file for editors, and stop")
    parser.add_argument("--json", action="store_true", help="print the result as JSON")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Print the faults, the summary or the schema. Returns the exit code."""
    if arguments.schema:
        from loggerd.settings.schema import site_schema

        print(json.dumps(site_schema(), indent=2, ensure_ascii=False))
        return OK
    if arguments.settings is None:
        print("loggerd check: name a settings file, such as site.toml (or ask for --schema)", file=sys.stderr)
        return FAULTS
    return _check(arguments.settings, arguments.json)


def _check(path: Path, as_json: bool) -> int:
    from loggerd.settings.load import load_settings
    from loggerd.settings.summary import summary, summary_lines

    try:
        settings = load_settings(path)
    except SettingsError as error:
        if as_json:
            faults = [{"where": f.where, "found": f.found, "expected": f.expected} for f in error.faults]
            print(json.dumps({"settings": str(path), "ok": False, "faults": faults}, indent=2, ensure_ascii=False))
        else:
            print(error)
            print(f"{_counted(len(error.faults))} in the settings.", file=sys.stderr)
        return FAULTS
    if as_json:
        content = {"settings": str(path), "ok": True, **summary(settings)}
        print(json.dumps(content, indent=2, ensure_ascii=False))
    else:
        print("\n".join(summary_lines(settings)))
    return OK


def _counted(faults: int) -> str:
    return "1 fault" if faults == 1 else f"{faults} faults"
