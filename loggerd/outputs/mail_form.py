"""A composed mail as the bytes that are sent: RFC 5322 with plain text first, the same at every try."""

from __future__ import annotations

import secrets
from datetime import datetime
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime

from loggerd.wording.mail import Mail


def new_message_id(sender: str) -> str:
    """A name that no other mail has, under the domain of the sender."""
    return f"<{secrets.token_hex(12)}.loggerd@{sender.rpartition('@')[2]}>"


def mail_bytes(mail: Mail, people: tuple[str, str, str], message_id: str, at: datetime, *, urgent: bool) -> bytes:
    """The whole mail. `people`: name of the site, address of the sender, address of the receiver. 7-bit throughout."""
    site, sender, receiver = people
    message = EmailMessage(policy=SMTP.clone(cte_type="7bit"))
    message["From"] = Address(display_name=f"loggerd {site}", addr_spec=sender)
    message["To"] = Address(addr_spec=receiver)
    message["Subject"] = mail.subject
    message["Date"] = format_datetime(at)
    message["Message-ID"] = message_id
    # RFC 3834: no out-of-office answers to a machine.
    message["Auto-Submitted"] = "auto-generated"
    if urgent:
        message["Importance"] = "high"
    for name, text in mail.head:
        message[name] = text
    message.set_content(mail.plain, cte=None if mail.plain.isascii() else "quoted-printable")
    if mail.html:
        message.add_alternative(mail.html, subtype="html", cte="quoted-printable")
    for one in mail.attachments:
        _attach(message, one.name, one.media_type, one.content, one.content_id)
    return message.as_bytes()


def _attach(message: EmailMessage, name: str, media_type: str, content: bytes, content_id: str) -> None:
    """What the HTML shows goes with the HTML, everything else beside it."""
    main, _, sub = media_type.partition("/")
    shown_by = message.get_body(("html",)) if content_id else None
    if isinstance(shown_by, EmailMessage):
        shown_by.add_related(content, main, sub, cid=f"<{content_id}>", filename=name, disposition="inline")
    else:
        message.add_attachment(content, main, sub, filename=name)
