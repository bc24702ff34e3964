"""What the settings mean for who is told what, in plain words. No secret is in them, nor the place of one."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any
from urllib.parse import urlsplit

from loggerd.settings.delivery import (
    WEBHOOK,
    HeartbeatSettings,
    KeeperSettings,
    MailSettings,
    WebhookSettings,
)
from loggerd.settings.site import SiteSettings
from loggerd.settings.web import WebSettings

_LANGUAGES = {"en": "English", "de": "German"}
_SECURITY = {
    "starttls": "encrypted (STARTTLS)",
    "tls": "encrypted (TLS)",
    "none": "not encrypted, which is for a server on this machine",
}
_LEAST = {
    "low": "all alarms",
    "medium": "alarms of medium, high and critical priority",
    "high": "alarms of high and critical priority",
    "critical": "only critical alarms, which are danger to people",
}
_DIGESTS = {"daily": "a digest every day at {at}", "weekly": "a digest every Monday at {at}", "none": "no digest"}


def telling(settings: SiteSettings) -> dict[str, Any]:
    """Mail, keepers, webhook and sign of life, as plain values for JSON; None for what there is not."""
    return {
        "mail": None if settings.mail is None else _mail(settings.mail),
        "keepers": [_keeper(keeper) for keeper in settings.keepers],
        "webhook": None if settings.webhook is None else _webhook(settings.webhook),
        "heartbeat": None if settings.heartbeat is None else _heartbeat(settings.heartbeat, settings),
        "pages": _pages(settings.web),
    }


def telling_lines(content: dict[str, Any]) -> Iterator[str]:
    """The same for people."""
    if content["mail"] is not None:
        yield f"Mail: {content['mail']['words']}"
    for keeper in content["keepers"]:
        yield f'Keeper "{keeper["name"]}": {keeper["words"][0]}'
        yield from (f"  {line}" for line in keeper["words"][1:])
    if content["webhook"] is not None:
        yield f"Webhook: {content['webhook']['words']}"
    if not content["keepers"] and content["webhook"] is None:
        yield "Nobody is told of alarms: there is neither a [[keeper]] with [mail] nor a [webhook]."
    elif content["heartbeat"] is None:
        yield "No sign of life is sent ([heartbeat]): if this logger dies, nobody is told."
    if content["heartbeat"] is not None:
        yield f"Sign of life: {content['heartbeat']['words']}"
    yield f"Pages: {content['pages']['words']}"


def _pages(web: WebSettings) -> dict[str, Any]:
    where = web.address or f"{web.listen}, port {web.port}"
    reach = "over TLS" if web.encrypted else "on this machine only"
    words = f"`loggerd pages` serves them at {where}, {reach}; `loggerd access` says who may sign in"
    if web.links_in_mails:
        words += "; mails have a link to acknowledge an alarm"
    return {"listen": web.listen, "port": web.port, "address": web.address, "words": words}


def _mail(mail: MailSettings) -> dict[str, Any]:
    signed_in = f"signed in as {mail.user}" if mail.user else "without signing in"
    words = f"from {mail.sender} by {mail.server}, port {mail.used_port}, {_SECURITY[mail.security]}, {signed_in}"
    return {"server": mail.server, "port": mail.used_port, "security": mail.security, "words": words}


def _keeper(keeper: KeeperSettings) -> dict[str, Any]:
    banks = "all banks" if keeper.banks is None else f"bank {', '.join(keeper.banks)}"
    units = "°F" if keeper.units == "fahrenheit" else "°C"
    words = [
        f"mails to {keeper.mail} in {_LANGUAGES[keeper.language]}, with {units}",
        f"gets {_LEAST[keeper.least_priority]} of {banks}, and those of instruments and logger",
    ]
    if keeper.quiet is not None:
        begin, end = keeper.quiet
        words.append(f"quiet from {begin} to {end}, local time: what comes then waits, but not danger to people")
    if keeper.repeat_after_hours:
        hours = f"{keeper.repeat_after_hours:g} h"
        words.append(f"is told again of high and critical alarms after {hours} without acknowledgement")
    if keeper.escalate_to is not None:
        hours = f"{keeper.escalate_after_hours:g} h"
        words.append(f"after {hours} without acknowledgement, {keeper.escalate_to} is told as well")
    words.append(f"gets {_DIGESTS[keeper.digest].format(at=keeper.digest_at)}")
    return {"name": keeper.name, "mail": keeper.mail, "words": words}


def _webhook(hook: WebhookSettings) -> dict[str, Any]:
    # The path of the address may be as good as a password.
    parts = urlsplit(hook.url)
    address = f"{parts.scheme}://{parts.netloc}"
    signed = "signed" if hook.signed else "NOT signed: whoever listens there cannot tell who calls"
    words = f"{_LEAST[hook.least_priority]} are told to {address} (its path is not shown), {signed}"
    return {"address": address, "signed": hook.signed, "words": words}


def _heartbeat(beat: HeartbeatSettings, settings: SiteSettings) -> dict[str, Any]:
    names = ["the webhook" if name == WEBHOOK else name for name in beat.to]
    words = f"every day at {beat.at}, local time, to {', '.join(names)}"
    mailed = any(name != WEBHOOK for name in beat.to)
    if mailed and beat.signed:
        words += "; mailed ones carry a signature"
    if WEBHOOK in beat.to and settings.webhook is not None and not _webhook(settings.webhook)["signed"]:
        words += "; a watcher takes no webhook without a signature"
    return {"at": beat.at, "to": list(beat.to), "signed_mail": mailed and beat.signed, "words": words}
