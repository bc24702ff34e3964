"""The settings of a site to who is told, and by which ways."""

from __future__ import annotations

import logging
from datetime import UTC, datetime
from typing import Any, Protocol
from zoneinfo import ZoneInfo

from loggerd.delivering import Way
from loggerd.errors import DeliveryRefused
from loggerd.model.alarm import Priority
from loggerd.model.outbox import ItemKind, Lane, OutboxMail
from loggerd.outputs.attempt import Attempt
from loggerd.outputs.bare_mail import COMPOSING_FAULTS, bare_mail
from loggerd.outputs.mail_form import mail_bytes, new_message_id
from loggerd.outputs.mail_sending import MailServer, send_mail
from loggerd.outputs.notify import Receiver
from loggerd.outputs.outcome import Outcome, Trouble
from loggerd.outputs.planning import Letter
from loggerd.outputs.quiet_hours import QuietHours
from loggerd.outputs.signing import signed_mail
from loggerd.outputs.webhook import Webhook, call_webhook, webhook_body
from loggerd.settings.delivery import WEBHOOK, KeeperSettings, MailSettings, WebhookSettings
from loggerd.settings.secret_places import read_secret
from loggerd.settings.site import SiteSettings
from loggerd.store.record import RecordReader
from loggerd.wording.mail import Mail

_log = logging.getLogger("loggerd")


class Compose(Protocol):
    """Makes the words of a letter. It may look into the record, shortly."""

    def __call__(self, letter: Letter, reader: RecordReader, /) -> Mail: ...


class Tell(Protocol):
    """What a webhook is told besides the items: of a digest or a sign of life."""

    def __call__(self, letter: Letter, reader: RecordReader, /) -> dict[str, Any]: ...


def receivers_of(settings: SiteSettings) -> tuple[Receiver, ...]:
    """All that are told of alarms: keepers in the order of the file, then the webhook."""
    zone = ZoneInfo(settings.site.timezone)
    found = [keeper_receiver(keeper, zone) for keeper in settings.keepers]
    if settings.webhook is not None:
        hook = settings.webhook
        found.append(Receiver(Lane.WEBHOOK, WEBHOOK, hook.url, None, Priority(hook.least_priority)))
    return tuple(found)


def keeper_receiver(keeper: KeeperSettings, zone: ZoneInfo) -> Receiver:
    """A keeper as one who is told."""
    times = keeper.quiet_times
    return Receiver(
        Lane.MAIL,
        keeper.name,
        keeper.mail,
        None if keeper.banks is None else frozenset(keeper.banks),
        Priority(keeper.least_priority),
        None if times is None else QuietHours(*times, zone),
        keeper.escalate_to,
        keeper.escalate_after_hours,
        keeper.repeat_after_hours,
    )


def ways_of(settings: SiteSettings, compose: Compose, tell: Tell) -> tuple[Way, ...]:
    """The ways out that the settings name."""
    found = []
    if settings.mail is not None and settings.keepers:
        found.append(mail_way(settings, settings.mail, compose))
    if settings.webhook is not None:
        found.append(_webhook_way(settings, settings.webhook, tell))
    return tuple(found)


def mail_server(mail: MailSettings) -> MailServer:
    """The server with the password read. Raises DeliveryRefused."""
    password = read_secret("password", mail.password_file, mail.password_env, mail.password_credential)
    return MailServer(
        mail.server,
        mail.used_port,
        mail.security,
        mail.sender,
        mail.user,
        password,
        mail.ca_file,
        mail.timeout_seconds,
    )


def hand_in_mail(table: MailSettings, address: str, content: bytes, attempt: Attempt) -> Outcome:
    """One try to hand a mail to the server. The password is read at each: it may be mended while the service runs."""
    try:
        server = mail_server(table)
    except DeliveryRefused as error:
        return Outcome(str(error), trouble=Trouble.SETUP)
    return send_mail(server, address, content, attempt)


def new_call_id() -> str:
    """Names a call of the webhook, as a Message-ID names a mail."""
    return new_message_id("loggerd@webhook")


def hand_in_call(table: WebhookSettings, message_id: str, content: bytes, attempt: Attempt) -> Outcome:
    """One try to tell the webhook. The secret is read at each, as the password of mail is."""
    try:
        hook = Webhook(table.url, table.secret(), table.ca_file, table.timeout_seconds)
    except DeliveryRefused as error:
        return Outcome(str(error), trouble=Trouble.SETUP)
    return call_webhook(hook, message_id, content, attempt)


def letter_bytes(settings: SiteSettings, letter: Letter, mail: Mail, message_id: str) -> bytes:
    """The mail as it is sent."""
    return site_mail_bytes(settings, letter.receiver.address, mail, message_id, letter.now_ms, urgent=letter.urgent)


def site_mail_bytes(
    settings: SiteSettings, address: str, mail: Mail, message_id: str, now_ms: int, *, urgent: bool
) -> bytes:
    """A mail of the site as it is sent, dated by its local time."""
    assert settings.mail is not None
    at = datetime.fromtimestamp(now_ms / 1000, UTC).astimezone(ZoneInfo(settings.site.timezone))
    people = settings.site.name, settings.mail.sender, address
    return mail_bytes(mail, people, message_id, at, urgent=urgent)


def mail_way(settings: SiteSettings, table: MailSettings, compose: Compose) -> Way:
    """Mail to the keepers."""

    def composed(letter: Letter, message_id: str, reader: RecordReader) -> tuple[str, bytes]:
        try:
            mail = compose(letter, reader)
        except COMPOSING_FAULTS:
            _log.exception("the words of a mail to %s cannot be made; it is sent without them", letter.receiver.name)
            mail = bare_mail(letter)
        if letter.topic == ItemKind.HEARTBEAT.value:
            mail = _signed(settings, mail)
        return mail.subject, letter_bytes(settings, letter, mail, message_id)

    def send(mail: OutboxMail, content: bytes, attempt: Attempt) -> Outcome:
        return hand_in_mail(table, mail.address, content, attempt)

    receivers = tuple(one for one in receivers_of(settings) if one.lane is Lane.MAIL)
    return Way(Lane.MAIL, receivers, composed, lambda: new_message_id(table.sender), send, table.timeout_seconds)


def _signed(settings: SiteSettings, mail: Mail) -> Mail:
    """A sign of life with its signature, where the settings name a secret. Without it, it is better sent than not."""
    table = settings.heartbeat
    if table is None or not table.signed or not mail.head:
        return mail
    try:
        return signed_mail(mail, table.secret())
    except DeliveryRefused as error:
        _log.warning("a sign of life is mailed without its signature: %s", error)
        return mail


def _webhook_way(settings: SiteSettings, table: WebhookSettings, tell: Tell) -> Way:
    def composed(letter: Letter, message_id: str, reader: RecordReader) -> tuple[str, bytes]:
        try:
            more = tell(letter, reader)
        except COMPOSING_FAULTS:
            _log.exception("what is told besides the items cannot be made; the webhook gets the items alone")
            more = {}
        return letter.topic, webhook_body(letter, settings.site.name, message_id, more)

    def send(mail: OutboxMail, content: bytes, attempt: Attempt) -> Outcome:
        return hand_in_call(table, mail.message_id, content, attempt)

    receivers = tuple(one for one in receivers_of(settings) if one.lane is Lane.WEBHOOK)
    return Way(Lane.WEBHOOK, receivers, composed, new_call_id, send, table.timeout_seconds)
