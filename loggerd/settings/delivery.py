"""[mail], [[keeper]], [webhook] and [heartbeat]: who is told what, when, and by which way."""

from __future__ import annotations

import ipaddress
import re
from datetime import time
from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from loggerd.settings.base import FilePath, Name, PlainText, Table
from loggerd.settings.secret_places import CREDENTIAL_NAME, VARIABLE_NAME, read_secret
from loggerd.settings.urls import URL_WORDS, plain_url

WEBHOOK = "webhook"
"""The name of the webhook among those who are told."""
_ADDRESS = 'a mail address of plain letters, such as "anna@example.org"'
_HOST = 'the name or address of the mail server, such as "mail.example.org"'
_CLOCK = 'a time of day, such as "06:30"'
_QUIET = 'two different times of day, such as ["22:00", "06:30"]: when quiet begins and ends'
_ADDRESS_FORM = re.compile(r"[A-Za-z0-9.!#$%&'*+/=?^_{|}~-]{1,64}@([A-Za-z0-9-]{1,63}\.)*[A-Za-z0-9-]{1,63}")


def _mail_address(text: str) -> str:
    if not _ADDRESS_FORM.fullmatch(text) or ".." in text or text.startswith(".") or ".@" in text:
        raise ValueError(_ADDRESS)
    return text


def _clock(text: str) -> str:
    if not re.fullmatch(r"([01][0-9]|2[0-3]):[0-5][0-9]", text):
        raise ValueError(_CLOCK)
    return text


def _quiet(times: tuple[str, ...]) -> tuple[str, ...]:
    if len(times) != 2 or times[0] == times[1]:
        raise ValueError(_QUIET)
    for one in times:
        _clock(one)
    return times


MailAddress = Annotated[str, AfterValidator(_mail_address)]
ClockTime = Annotated[str, AfterValidator(_clock)]
PriorityName = Literal["low", "medium", "high", "critical"]


class MailSettings(Table):
    """[mail]: the server that takes our mails. The password stands elsewhere, never in this file."""

    server: PlainText = Field(pattern=r"^[A-Za-z0-9.:_-]+$", min_length=1, max_length=253, description=_HOST)
    port: int | None = Field(
        default=None,
        ge=1,
        le=65535,
        description="a whole number from 1 to 65535; without it 587, with tls 465, without encryption 25",
    )
    security: Literal["starttls", "tls", "none"] = Field(
        default="starttls",
        description='"starttls", "tls", or "none" for a mail server on this machine; the certificate is checked',
    )
    user: PlainText = Field(default="", max_length=200, description="the name to sign in with, if the server wants one")
    password_file: FilePath | None = Field(
        default=None, description="the path of a file that holds the password and nothing else"
    )
    password_env: str | None = Field(
        default=None,
        pattern=VARIABLE_NAME,
        description="the name, in capitals, of an environment variable with the password; not the password itself",
    )
    password_credential: str | None = Field(
        default=None,
        pattern=CREDENTIAL_NAME,
        description="the name of a systemd credential that holds the password; not the password itself",
    )
    sender: MailAddress = Field(alias="from", description=f"{_ADDRESS}: whom the mails come from")
    ca_file: FilePath | None = Field(
        default=None, description="the path of a file of certificates to trust instead of the system's"
    )
    timeout_seconds: float = Field(
        default=60, ge=1, le=600, description="a number from 1 to 600: seconds that handing in one mail may take"
    )

    @property
    def used_port(self) -> int:
        return self.port or {"starttls": 587, "tls": 465, "none": 25}[self.security]

    @property
    def on_this_machine(self) -> bool:
        try:
            return ipaddress.ip_address(self.server).is_loopback
        except ValueError:
            return self.server == "localhost"


class KeeperSettings(Table):
    """[[keeper]]: somebody who looks after the site."""

    name: Name = Field(description='the name of the keeper: 1 to 60 characters without ", \\ and /, used by no other')
    mail: MailAddress = Field(description=_ADDRESS)
    language: Literal["en", "de"] = Field(default="en", description='"en" or "de": the language of the mails')
    units: Literal["celsius", "fahrenheit"] = Field(default="celsius", description='"celsius" or "fahrenheit"')
    banks: tuple[str, ...] | None = Field(
        default=None,
        strict=False,
        min_length=1,
        max_length=100,
        description="a list of names of banks of this site; without it all banks",
    )
    least_priority: PriorityName = Field(
        default="low", description='"low", "medium", "high" or "critical": the least that is told'
    )
    quiet: Annotated[tuple[str, ...], AfterValidator(_quiet)] | None = Field(
        default=None,
        strict=False,
        description=_QUIET + " (local time of the site; danger to people is told all the same)",
    )
    escalate_to: str | None = Field(
        default=None, description="the name of another keeper, who is told when nobody has acknowledged"
    )
    escalate_after_hours: float = Field(
        default=24, ge=0.1, le=720, description="a number from 0.1 to 720: hours until the other keeper is told"
    )
    repeat_after_hours: float = Field(
        default=24,
        ge=0,
        le=720,
        description="a number from 0 to 720: hours until a grave alarm is told again; 0 for never",
    )
    digest: Literal["daily", "weekly", "none"] = Field(
        default="weekly", description='"daily", "weekly" (on Monday) or "none": how often a summary is sent'
    )
    digest_at: ClockTime = Field(default="07:30", description=f"{_CLOCK}: when the summary is sent, local time")

    @property
    def quiet_times(self) -> tuple[time, time] | None:
        return None if self.quiet is None else (time.fromisoformat(self.quiet[0]), time.fromisoformat(self.quiet[1]))


class SecretTable(Table):
    """A table with a secret for signatures, which stands elsewhere, never in this file."""

    secret_file: FilePath | None = Field(
        default=None, description="the path of a file that holds the secret and nothing else"
    )
    secret_env: str | None = Field(
        default=None,
        pattern=VARIABLE_NAME,
        description="the name, in capitals, of an environment variable that holds the secret; not the secret itself",
    )
    secret_credential: str | None = Field(
        default=None,
        pattern=CREDENTIAL_NAME,
        description="the name of a systemd credential that holds the secret; not the secret itself",
    )

    @property
    def signed(self) -> bool:
        """Whether what is sent carries a signature, or only what is signed counts."""
        return bool(self.secret_file or self.secret_env or self.secret_credential)

    def secret(self) -> bytes:
        """Read anew, as it may be mended while the service runs; empty where there is none. Raises DeliveryRefused."""
        return read_secret("secret", self.secret_file, self.secret_env, self.secret_credential).encode()


class WebhookSettings(SecretTable):
    """[webhook]: a program that is told by JSON. The secret stands elsewhere, never in this file."""

    url: Annotated[str, AfterValidator(plain_url)] = Field(max_length=500, description=URL_WORDS)
    secret_file: FilePath | None = Field(
        default=None, description="the path of a file that holds the secret for the signature and nothing else"
    )
    least_priority: PriorityName = Field(
        default="low", description='"low", "medium", "high" or "critical": the least that is told'
    )
    ca_file: FilePath | None = Field(
        default=None, description="the path of a file of certificates to trust instead of the system's"
    )
    timeout_seconds: float = Field(
        default=60, ge=1, le=600, description="a number from 1 to 600: seconds that one call may take"
    )


class HeartbeatSettings(SecretTable):
    """[heartbeat]: a sign of life every day, whose absence can be noticed elsewhere."""

    at: ClockTime = Field(default="06:00", description=f"{_CLOCK}: when it is sent, local time of the site")
    to: tuple[str, ...] = Field(
        strict=False,
        min_length=1,
        max_length=20,
        description='a list of names of keepers, or "webhook": who gets the sign of life',
    )
    secret_file: FilePath | None = Field(
        default=None,
        description="the path of a file that holds the secret for the signature of mailed ones and nothing else",
    )
