"""What several verbs share: adding a parser, finding the bank, opening settings."""

from __future__ import annotations

import argparse
import math
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, TYPE_CHECKING
from zoneinfo import ZoneInfo

from loggerd.errors import LoggerdError

if TYPE_CHECKING:
    from loggerd.settings.site import SiteSettings

_MOST_DAYS = 3653


class WordsError(LoggerdError):
    """What was asked for does not exist: names what does."""


class OutputError(LoggerdError):
    """A file that was asked for cannot be written."""


@contextmanager
def written_to(path: Path) -> Iterator[IO[str]]:
    """A text file opened for writing. Raises OutputError."""
    try:
        with path.open("w", encoding="utf-8") as stream:
            yield stream
    except OSError as error:
        raise OutputError(f"{path} cannot be written: {error.strerror}") from error


def verb_parser(
    subparsers: argparse._SubParsersAction[argparse.ArgumentParser],
    name: str,
    summary: str,
    description: str,
    example: str,
) -> argparse.ArgumentParser:
    """A verb's parser, with its description and an example below it."""
    return subparsers.add_parser(
        name,
        help=summary,
        description=description,
        epilog=f"example: {example}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )


def add_settings(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("settings", metavar="SETTINGS", type=Path, help="the TOML file of the site")


def add_bank(parser: argparse.ArgumentParser, words: str = "the bank; not needed where the site has only one") -> None:
    parser.add_argument("--bank", metavar="NAME", help=words)


def add_span(parser: argparse.ArgumentParser) -> None:
    for name, word in (("--from", "the first"), ("--until", "the")):
        parser.add_argument(
            name,
            dest=name.strip("-") + "_time",
            metavar="TIME",
            help=f"{word} instant, such as 2026-05-01 or 2026-05-01T06:00 (local time of the site)"
            + ("" if name == "--from" else ", not included"),
        )


def positive(text: str) -> float:
    """A number above 0, for argparse."""
    try:
        number = float(text)
    except ValueError:
        number = math.nan
    if not 0 < number < math.inf:
        raise argparse.ArgumentTypeError(f"found {text}; expected a number above 0")
    return number


def whole_days(text: str) -> int:
    """A number of days, for argparse."""
    if not text.isdecimal() or int(text) > _MOST_DAYS:
        raise argparse.ArgumentTypeError(f"found {text}; expected a whole number of days from 0 to {_MOST_DAYS}")
    return int(text)


def chosen_bank(settings: SiteSettings, name: str | None) -> str:
    """The bank asked for, or the only one. Raises WordsError."""
    names = [bank.name for bank in settings.banks]
    if name is None and len(names) == 1:
        return names[0]
    if name not in names:
        found = "no bank named" if name is None else f'no bank "{name}"'
        raise WordsError(f"{found}; this site has: {', '.join(names)} (say which with --bank)")
    return name


def epoch_ms(text: str | None, timezone: str) -> int | None:
    """A time given by a keeper, local to the site unless it has an offset. Raises WordsError."""
    if text is None:
        return None
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise WordsError(f'"{text}" is no time; expected one such as 2026-05-01 or 2026-05-01T06:00') from None
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=ZoneInfo(timezone))
    return round(moment.timestamp() * 1000)


def local_text(at_ms: int, timezone: str) -> str:
    """Local time with its offset."""
    return datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(ZoneInfo(timezone)).isoformat(" ", "minutes")
