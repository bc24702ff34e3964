"""loggerd mail: try whether mail arrives, and see what waits."""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

from loggerd.cli.arguments import WordsError, add_settings, local_text, verb_parser

if TYPE_CHECKING:
    from loggerd.model.outbox import OutboxItem, OutboxMail
    from loggerd.outputs.outcome import Outcome
    from loggerd.settings.delivery import KeeperSettings
    from loggerd.settings.site import SiteSettings
    from loggerd.wording.mail import Mail

_LAST = 10


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the verb to the command line."""
    parser = verb_parser(
        subparsers,
        "mail",
        "send a test mail, or show what waits to be sent",
        "With --test, hands a mail for each keeper to the mail server of the settings, now, and says every step.\n"
        "With --queue, shows what waits to be told, which mails are on their way, and why.",
        "loggerd mail site.toml --test --keeper anna",
    )
    add_settings(parser)
    chosen = parser.add_mutually_exclusive_group(required=True)
    chosen.add_argument("--test", action="store_true", help="send a test mail now")
    chosen.add_argument("--queue", action="store_true", help="show what waits, and why")
    parser.add_argument("--keeper", metavar="NAME", help="only to this keeper")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Returns the exit code: 1 where a test mail was not taken."""
    from loggerd.settings.load import load_settings

    settings = load_settings(arguments.settings)
    keepers = mailed_keepers(settings, arguments.keeper)
    if arguments.test:
        taken = [hand_over(settings, keeper, "test", _test_mail(settings, keeper)) for keeper in keepers]
        return 0 if all(taken) else 1
    _print_queue(settings, arguments.keeper)
    return 0


def mailed_keepers(settings: SiteSettings, name: str | None) -> list[KeeperSettings]:
    """The keeper of that name, or all. Raises WordsError where there is none, or no mail server."""
    if settings.mail is None or not settings.keepers:
        raise WordsError("the settings name no mail server or no keeper: expected tables [mail] and [[keeper]]")
    found = [keeper for keeper in settings.keepers if name in (None, keeper.name)]
    if not found:
        raise WordsError(f'no keeper "{name}"; there are: {", ".join(keeper.name for keeper in settings.keepers)}')
    return found


def hand_over(settings: SiteSettings, keeper: KeeperSettings, topic: str, mail: Mail) -> bool:
    """Hand a mail to the server now, saying each step. Returns whether it was taken. Raises DeliveryRefused."""
    from loggerd.mailing import letter_bytes, mail_server, receivers_of
    from loggerd.outputs.attempt import Attempt, Runner
    from loggerd.outputs.mail_form import new_message_id
    from loggerd.outputs.mail_sending import send_mail
    from loggerd.outputs.planning import Letter

    assert settings.mail is not None
    print(f"{keeper.name}, {keeper.mail}")
    server = mail_server(settings.mail)
    receiver = next(one for one in receivers_of(settings) if one.name == keeper.name)
    letter = Letter(receiver, topic, (), {}, round(time.time() * 1000))
    message_id = new_message_id(server.sender)
    content = letter_bytes(settings, letter, mail, message_id)
    attempt = Attempt(server.timeout_seconds, lambda text: print(f"  {text}"))
    outcome = Runner().run(attempt, lambda running: send_mail(server, keeper.mail, content, running))
    print(f"  {outcome.answer}")
    print(f"  {_verdict(outcome)} (Message-ID {message_id})")
    return outcome.accepted


def _test_mail(settings: SiteSettings, keeper: KeeperSettings) -> Mail:
    from zoneinfo import ZoneInfo

    from loggerd.settings.texts import load_texts
    from loggerd.wording.heartbeat import compose_test
    from loggerd.wording.mail import Site
    from loggerd.wording.reader import Reader

    reader = Reader(load_texts(keeper.language), ZoneInfo(settings.site.timezone), keeper.units == "fahrenheit")
    return compose_test(Site(settings.site.name), reader)


def _verdict(outcome: Outcome) -> str:
    from loggerd.outputs.outcome import Trouble

    if outcome.accepted:
        return "the mail was taken; look into the mailbox whether it arrives, and not among the unwanted mail"
    if outcome.refused:
        return "the mail was refused, and will be again: look at the address"
    if outcome.trouble is Trouble.SETUP:
        return "the mail was not taken: something in the table [mail], on the server, or the clock is not right"
    return "the mail was not taken this time; the service would try again"


def _print_queue(settings: SiteSettings, keeper: str | None) -> None:
    from loggerd.model.outbox import Lane
    from loggerd.store.record import RecordReader

    zone = settings.site.timezone
    reader = RecordReader.open(Path(settings.record.path))
    try:
        looks = [reader.outbox(lane, 0) for lane in Lane]
        last = reader.last_mails(_LAST)
    finally:
        reader.close()
    mails = [mail for look in looks for mail in look.mails if keeper in (None, mail.receiver)]
    items = [item for look in looks for item in look.items if keeper in (None, item.receiver)]
    print("On their way" if mails else "No mail is on its way.")
    for mail in mails:
        _print_mail(mail, zone)
    print("Waiting for the next mail" if items else "Nothing waits to be told.")
    for item in items:
        print(f"- {_item_words(item)}, not before {local_text(item.due_ms, zone)}")
    done = [mail for mail in last if mail.done_ms is not None and keeper in (None, mail.receiver)]
    if done:
        print("Last ones done")
    for mail in done:
        _print_mail(mail, zone)
    sys.stdout.flush()


def _item_words(item: OutboxItem) -> str:
    change = item.change
    if change is None:
        return f"to {item.receiver}: {item.kind.value}"
    where = f"{change.key.subject}, bank {change.key.bank}" if change.key.bank else change.key.subject
    condition = change.key.condition.replace("_", " ")
    what = f"{condition} ({where}) {change.event.value}"
    return f"to {item.receiver}: {item.kind.value}: {what}{', with any mail before' if item.rides else ''}"


def _print_mail(mail: OutboxMail, zone: str) -> None:
    print(f"- to {mail.receiver}: {mail.subject} ({mail.items} told), made {local_text(mail.composed_ms, zone)}")
    if mail.done_ms is not None:
        print(f"  {mail.state.value} {local_text(mail.done_ms, zone)}: {mail.answer}")
        return
    tries = "not tried yet" if not mail.tries else f"tried {mail.tries} times" if mail.tries > 1 else "tried once"
    print(f"  {mail.state.value}, {tries}; next try {local_text(mail.next_try_ms, zone)}")
    if mail.answer:
        print(f"  last answer: {mail.answer}")
