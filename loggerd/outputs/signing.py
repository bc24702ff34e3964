"""Signatures on what is told: "sha256=" and the hexadecimal HMAC-SHA256 (RFC 2104) of it."""

from __future__ import annotations

import hashlib
import hmac
from dataclasses import replace

from loggerd.wording.heartbeat import NEXT_HEAD, NUMBER_HEAD, SENT_HEAD, SITE_HEAD
from loggerd.wording.mail import Mail

SIGNATURE = "Loggerd-Signature"
MAIL_SIGNATURE = f"X-{SIGNATURE}"
SIGNED_HEADS = (SITE_HEAD, SENT_HEAD, NEXT_HEAD, NUMBER_HEAD)
"""Lines of a mail's head that its signature is about: what they say, in this order, a line each."""


def signature_of(secret: bytes, content: bytes) -> str:
    """The signature of some content."""
    return "sha256=" + hmac.new(secret, content, hashlib.sha256).hexdigest()


def is_right(secret: bytes, content: bytes, signature: str) -> bool:
    """Whether a signature is that of the content. Takes as long whatever is wrong with it."""
    return hmac.compare_digest(signature_of(secret, content).encode(), signature.encode("utf-8", "replace"))


def signed_content(heads: dict[str, str]) -> bytes:
    """What the signature of a mail is about. Raises KeyError where a line is missing."""
    return "".join(f"{heads[name]}\n" for name in SIGNED_HEADS).encode()


def signed_mail(mail: Mail, secret: bytes) -> Mail:
    """A sign of life with its signature in the head."""
    signature = signature_of(secret, signed_content(dict(mail.head)))
    return replace(mail, head=(*mail.head, (MAIL_SIGNATURE, signature)))
