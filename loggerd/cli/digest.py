"""loggerd digest: what a keeper is mailed every day or week, now and to look at."""

from __future__ import annotations

import argparse
import json
import time
from pathlib import Path
from typing import TYPE_CHECKING

from loggerd.cli.arguments import WordsError, add_settings, verb_parser, written_to

if TYPE_CHECKING:
    from loggerd.outputs.notify import Receiver
    from loggerd.settings.delivery import KeeperSettings
    from loggerd.settings.site import SiteSettings
    from loggerd.wording.digest import Digest
    from loggerd.wording.mail import Mail

_MOST_DAYS = 92


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the verb to the command line."""
    parser = verb_parser(
        subparsers,
        "digest",
        "show the digest of the last day or week as it is mailed",
        "Prints the digest that would be mailed now: whole days up to last midnight, local time of the site. Works\n"
        "beside a running service and changes nothing. With --send it is mailed to a keeper at once, every step said.",
        "loggerd digest site.toml --keeper anna --html digest.html",
    )
    add_settings(parser)
    parser.add_argument(
        "--keeper", metavar="NAME", help="as this keeper gets it; else the only keeper, or all banks in English"
    )
    parser.add_argument(
        "--days", type=_days, metavar="N", help=f"of N days, 1 to {_MOST_DAYS}; else as the keeper has it, or 7"
    )
    parser.add_argument("--html", metavar="FILE", type=Path, help="write it as a page to look at in a browser")
    parser.add_argument("--json", action="store_true", help="print it as JSON, times in UTC")
    parser.add_argument("--send", action="store_true", help="mail it to the keeper now")
    parser.set_defaults(run=run)


def _days(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= _MOST_DAYS:
        raise argparse.ArgumentTypeError(f"found {text}; expected a whole number of days from 1 to {_MOST_DAYS}")
    return int(text)


def run(arguments: argparse.Namespace) -> int:
    """Returns the exit code: 1 where the mail was not taken."""
    from loggerd.cli.mail import hand_over
    from loggerd.model.outbox import ItemKind
    from loggerd.outputs.digest_json import digest_document
    from loggerd.settings.load import load_settings

    settings = load_settings(arguments.settings)
    keeper = _keeper(settings, arguments.keeper, must=arguments.send)
    digest, mail = _made(settings, keeper, arguments.days)
    if arguments.html is not None:
        with written_to(arguments.html) as stream:
            stream.write(_page(mail))
    if arguments.json:
        print(json.dumps(digest_document(digest, settings.site.name), ensure_ascii=False, indent=1))
    elif arguments.html is None and not arguments.send:
        print(f"{mail.subject}\n\n{mail.plain}", end="")
    if not arguments.send:
        return 0
    assert keeper is not None
    return 0 if hand_over(settings, keeper, ItemKind.DIGEST.value, mail) else 1


def _keeper(settings: SiteSettings, name: str | None, *, must: bool) -> KeeperSettings | None:
    """The keeper asked for, or the only one. Raises WordsError for a name that there is not, or where one is needed."""
    from loggerd.cli.mail import mailed_keepers

    if name is None and not must:
        return settings.keepers[0] if len(settings.keepers) == 1 else None
    found = mailed_keepers(settings, name)
    if len(found) > 1:
        raise WordsError(f"say whom to mail it to, with --keeper: {', '.join(keeper.name for keeper in found)}")
    return found[0]


def _made(settings: SiteSettings, keeper: KeeperSettings | None, days: int | None) -> tuple[Digest, Mail]:
    """The digest and its mail, by the same way as the service makes them."""
    from loggerd.letters import Letters
    from loggerd.model.outbox import ItemKind
    from loggerd.outputs.picture import png
    from loggerd.outputs.planning import Letter
    from loggerd.store.record import RecordReader
    from loggerd.wording.digest import compose_digest

    letters = Letters(settings)
    receiver = _receiver(settings, keeper)
    reader = RecordReader.open(Path(settings.record.path))
    try:
        alarms = {alarm.key: alarm for alarm in reader.alarms()}
        letter = Letter(receiver, ItemKind.DIGEST.value, (), alarms, round(time.time() * 1000))
        digest = letters.digest(letter, reader, days)
        return digest, compose_digest(digest, letters.site(reader), letters.words(receiver.name), png)
    finally:
        reader.close()


def _receiver(settings: SiteSettings, keeper: KeeperSettings | None) -> Receiver:
    """The keeper as a receiver; without one, a reader of all banks."""
    from loggerd.mailing import receivers_of
    from loggerd.model.outbox import Lane
    from loggerd.outputs.notify import Receiver

    if keeper is None:
        return Receiver(Lane.MAIL, "", "")
    return next(one for one in receivers_of(settings) if one.name == keeper.name)


def _page(mail: Mail) -> str:
    """The HTML of the mail, with its pictures inside instead of beside it."""
    import base64

    page = mail.html
    for one in mail.attachments:
        data = base64.b64encode(one.content).decode("ascii")
        page = page.replace(f"cid:{one.content_id}", f"data:{one.media_type};base64,{data}")
    return page
