"""The settings of a watcher: which sites it waits for, where their signs of life arrive, and who is told."""

from __future__ import annotations

from pydantic import Field

from loggerd.settings.base import FilePath, PlainText, Table
from loggerd.settings.delivery import KeeperSettings, MailSettings, SecretTable
from loggerd.settings.site import SiteTable

MEANT_FOR_SITES = ("banks", "escalate_to", "escalate_after_hours", "digest", "digest_at")
"""Keys of a keeper that a watcher can do nothing with."""


class WatcherTable(SiteTable):
    """[watcher]"""

    name: PlainText = Field(
        min_length=1, max_length=80, description="the name of the watcher, 1 to 80 characters, as mails tell it"
    )
    state: FilePath = Field(
        default="watch-state.json", description="the path of the file in which the watcher keeps what it knows"
    )


class WatchedSite(SecretTable):
    """[[site]]: a site whose sign of life is waited for. The secret stands elsewhere, never in this file."""

    name: PlainText = Field(
        min_length=1, max_length=80, description="the name of the site, exactly as its own settings have it"
    )
    grace_minutes: float = Field(
        default=120, ge=0, le=20160, description="a number from 0 to 20160: minutes that a sign of life may be late"
    )
    secret_file: FilePath | None = Field(
        default=None, description="the path of a file that holds the secret of the signatures and nothing else"
    )


class ListenSettings(Table):
    """[listen]: where webhooks of the sites arrive."""

    host: PlainText = Field(
        default="127.0.0.1",
        pattern=r"^[A-Za-z0-9.:_-]+$",
        max_length=253,
        description="the address to listen at; 127.0.0.1 for this machine alone",
    )
    port: int = Field(ge=1, le=65535, description="a whole number from 1 to 65535: the port to listen at")


class MailboxSettings(Table):
    """[mailbox]: where mails of the sites arrive, as files."""

    folder: FilePath = Field(description="the path of a folder into which a mail server puts mails, a file for each")


class WatchSettings(Table):
    """All settings of a watcher."""

    watcher: WatcherTable = Field(description="the table [watcher] with name and timezone")
    sites: tuple[WatchedSite, ...] = Field(
        alias="site", min_length=1, max_length=100, strict=False, description="at least one table headed [[site]]"
    )
    listen: ListenSettings | None = Field(default=None, description="the table [listen]")
    mailbox: MailboxSettings | None = Field(default=None, description="the table [mailbox]")
    mail: MailSettings | None = Field(default=None, description="the table [mail]")
    keepers: tuple[KeeperSettings, ...] = Field(
        default=(), alias="keeper", strict=False, max_length=20, description="tables headed [[keeper]]"
    )
