"""Links in mails by which an alarm can be acknowledged once, without signing in.

A link carries what it is for, signed with HMAC-SHA256 by a key that lies beside the record: only this site can have
made it, and nothing in it can be changed. It names one alarm, the change by which it was raised (not a later raising of
the same) and the keeper it was sent to, and ends after a week.
"""

from __future__ import annotations

import base64
import binascii
import hmac
import json
import secrets
from dataclasses import dataclass
from pathlib import Path

from loggerd.errors import LoggerdError, StoreError
from loggerd.model.alarm import AlarmKey, AlarmState
from loggerd.settings.site import SiteSettings
from loggerd.store.access_file import make_private

CAN_BE_ACKNOWLEDGED = (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED)
LASTS_MS = 7 * 86_400_000
LONGEST = 2000
"""Characters of a token."""
_ENDING = ".linkkey"
_KEY_BYTES = 32
_PURPOSE = b"loggerd acknowledge 1\0"


class LinkRefused(LoggerdError):  # noqa: N818 - the family name is in the base class
    """A link that was not made here, or has been changed on the way."""


@dataclass(frozen=True)
class AlarmLink:
    """What a link is for. `raised_by`: number of the stored change that had raised the alarm; `ends_ms`: epoch ms."""

    key: AlarmKey
    raised_by: int
    keeper: str
    ends_ms: int


def acknowledge_link(settings: SiteSettings, key: AlarmKey, raised_by: int, keeper: str, now_ms: int) -> str | None:
    """The address that a keeper may open; None where the settings want none. Raises StoreError.

    `raised_by`: number of the stored change that raised the alarm; `keeper`: the name of whom the mail is for.
    """
    web = settings.web
    if not web.links_in_mails or web.address is None:
        return None
    token = token_of(AlarmLink(key, raised_by, keeper, now_ms + LASTS_MS), link_key(Path(settings.record.path)))
    return f"{web.address.rstrip('/')}/acknowledge/{token}"


def token_of(link: AlarmLink, secret: bytes) -> str:
    """What stands in the address."""
    key = link.key
    plain = [key.bank, key.condition, key.subject, link.raised_by, link.keeper, link.ends_ms]
    content = json.dumps(plain, ensure_ascii=False, separators=(",", ":")).encode()
    return f"{_base64(content)}.{_base64(_signature(content, secret))}"


def read_token(token: str, secret: bytes) -> AlarmLink:
    """What a link is for; whether its time is over is for the caller to see. Raises LinkRefused."""
    refused = LinkRefused("this link was not made by this site, or a part of it was lost on the way")
    content_text, dot, signature_text = token.partition(".")
    if len(token) > LONGEST or not dot:
        raise refused
    try:
        content, signature = (_bytes(one) for one in (content_text, signature_text))
    except (binascii.Error, ValueError) as error:
        raise refused from error
    if not hmac.compare_digest(signature, _signature(content, secret)):
        raise refused
    bank, condition, subject, raised_by, keeper, ends_ms = json.loads(content)
    return AlarmLink(AlarmKey(bank, condition, subject), raised_by, keeper, ends_ms)


def link_key(record: Path) -> bytes:
    """The key that signs, made where there is none. Raises StoreError."""
    path = record.with_name(record.name + _ENDING)
    try:
        make_private(path, secrets.token_bytes(_KEY_BYTES))
        content = path.read_bytes()
    except OSError as error:
        raise StoreError(f"{path}: the key of links in mails cannot be used ({error.strerror or error})") from error
    if len(content) != _KEY_BYTES:
        raise StoreError(f"{path}: this is no key of links in mails; delete it, and a new one is made")
    return content


def _signature(content: bytes, secret: bytes) -> bytes:
    return hmac.digest(secret, _PURPOSE + content, "sha256")


def _base64(content: bytes) -> str:
    return base64.urlsafe_b64encode(content).rstrip(b"=").decode("ascii")


def _bytes(text: str) -> bytes:
    """Only the one way to write it: what is left over in the last letter would make two links of one."""
    content = base64.b64decode(text + "=" * (-len(text) % 4), altchars=b"-_", validate=True)
    if _base64(content) != text:
        raise ValueError("written another way")
    return content
