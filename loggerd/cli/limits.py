"""loggerd limits: by what a bank is judged, and where each limit comes from."""

from __future__ import annotations

import argparse
import json
import textwrap
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from loggerd.cli.arguments import add_bank, add_settings, chosen_bank, local_text, verb_parser

if TYPE_CHECKING:
    from loggerd.settings.bank import BankSettings
    from loggerd.settings.bank_limits import BankLimit, LimitStage

_HEADING = (
    "The maker's manual and local codes go before every limit here. A limit of your own goes into the settings, "
    "as a table [[bank.limit]] with name, value and source."
)
_WIDTH = 79


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the verb to the command line."""
    parser = verb_parser(
        subparsers,
        "limits",
        "show the limits a bank is judged by, with their sources",
        "Shows every limit of each bank: the value in force, its unit, whether it is a preset of the type of battery\n"
        "or one of the settings, and where it comes from. Values that held before or will hold later stand below.",
        "loggerd limits site.toml --bank house",
    )
    add_settings(parser)
    add_bank(parser, "only this bank")
    parser.add_argument("--json", action="store_true", help="as JSON")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Print the limits. Returns the exit code."""
    from loggerd.outputs.limits_json import limits_values
    from loggerd.settings.load import load_settings

    settings = load_settings(arguments.settings)
    tables = list(settings.banks)
    if arguments.bank is not None:
        name = chosen_bank(settings, arguments.bank)
        tables = [table for table in tables if table.name == name]
    now_ms = round(datetime.now(UTC).timestamp() * 1000)
    if arguments.json:
        content = {"note": _HEADING, "banks": [limits_values(table, now_ms) for table in tables]}
        print(json.dumps(content, ensure_ascii=False, indent=1))
        return 0
    print(textwrap.fill(_HEADING, _WIDTH))
    for table in tables:
        print("\n".join(_lines(table, now_ms, settings.site.timezone)))
    return 0


def _lines(table: BankSettings, now_ms: int, timezone: str) -> Iterator[str]:
    from loggerd.settings.bank_limits import limits_of_bank

    yield ""
    yield f'Bank "{table.name}" ({table.type.value.replace("_", " ")})'
    for limit in limits_of_bank(table):
        now = limit.in_force(now_ms)
        yield ""
        yield from _wrapped(f"{limit.name}: {_value(limit, now, timezone)}", 0)
        yield from _wrapped(now.source, 4)
        for stage in limit.stages:
            if stage is not now:
                later = stage.since_ms is not None and stage.since_ms > now_ms
                word = "later" if later else "before"
                yield from _wrapped(f"{word}: {_value(limit, stage, timezone)}: {stage.source}", 4)


def _value(limit: BankLimit, stage: LimitStage, timezone: str) -> str:
    since = "" if stage.since_ms is None else f", since {local_text(stage.since_ms, timezone)}"
    unit = "" if limit.unit == "1" else f" {limit.unit}"
    return f"{stage.value:.10g}{unit} ({'preset' if stage.preset else 'settings'}{since})"


def _wrapped(text: str, indent: int) -> list[str]:
    return textwrap.wrap(
        text, _WIDTH, initial_indent=" " * indent, subsequent_indent=" " * (indent + 2), break_on_hyphens=False
    )
