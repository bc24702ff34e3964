"""The whole file, and its tables [site], [record] and [time_series]; others have files of their own."""

from __future__ import annotations

import difflib
from typing import Annotated
from zoneinfo import ZoneInfo, available_timezones

from pydantic import AfterValidator, Field

from loggerd.settings.bank import BankSettings
from loggerd.settings.base import FilePath, PlainText, Table
from loggerd.settings.delivery import HeartbeatSettings, KeeperSettings, MailSettings, WebhookSettings
from loggerd.settings.device import DeviceSettings
from loggerd.settings.secret_places import CREDENTIAL_NAME, VARIABLE_NAME
from loggerd.settings.urls import URL_WORDS, plain_url
from loggerd.settings.web import WebSettings


def _known_timezone(name: str) -> str:
    try:
        ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        near = difflib.get_close_matches(name, sorted(available_timezones()), 1)
        hint = f'; did you mean "{near[0]}"?' if near else ""
        raise ValueError(f'the name of a time zone, such as "Europe/Vienna" or "UTC"{hint}') from None
    return name


class SiteTable(Table):
    """[site]"""

    name: PlainText = Field(
        min_length=1, max_length=80, description="the name of the site, 1 to 80 characters, as it is shown"
    )
    timezone: Annotated[str, AfterValidator(_known_timezone)] = Field(
        max_length=100, description='the name of a time zone, such as "Europe/Vienna" or "UTC"'
    )


class RecordSettings(Table):
    """[record]: where readings are kept, and how long."""

    path: FilePath = Field(default="record.sqlite", description="the path of the record, relative to the settings file")
    commit_seconds: float = Field(
        default=10,
        ge=0.1,
        le=3600,
        description="a number from 0.1 to 3600: seconds of readings that a power cut may cost; 60 spares the card",
    )
    raw_days: int = Field(
        default=1095, ge=1, le=36500, description="a whole number from 1 to 36500: days that single readings are kept"
    )
    minute_days: int = Field(
        default=1826,
        ge=1,
        le=36500,
        description="a whole number from 1 to 36500: days that minute summaries are kept",
    )
    backup_path: FilePath | None = Field(
        default=None, description="the path of a folder for the nightly copy, best on another disk"
    )


class TimeSeriesSettings(Table):
    """[time_series]: a server that takes ledger rows. The token stands elsewhere, never in this file."""

    url: Annotated[str, AfterValidator(plain_url)] = Field(max_length=500, description=URL_WORDS)
    org: PlainText = Field(
        default="", max_length=200, description="text: the organisation on the server, if it has any"
    )
    bucket: PlainText = Field(min_length=1, max_length=200, description="text: the bucket or database on the server")
    token_file: FilePath | None = Field(
        default=None, description="the path of a file that holds the token and nothing else"
    )
    token_env: str | None = Field(
        default=None,
        pattern=VARIABLE_NAME,
        description="the name, in capitals, of an environment variable that holds the token; not the token itself",
    )
    token_credential: str | None = Field(
        default=None,
        pattern=CREDENTIAL_NAME,
        description="the name of a systemd credential that holds the token; not the token itself",
    )
    verify_tls: bool = Field(
        default=True, description="true, or false where the server's certificate cannot be checked"
    )


class SiteSettings(Table):
    """All settings of one site. A site without devices can replay files of past readings."""

    site: SiteTable = Field(description="the table [site] with name and timezone")
    record: RecordSettings = Field(default=RecordSettings(), description="the table [record]")
    banks: tuple[BankSettings, ...] = Field(
        alias="bank", min_length=1, max_length=100, strict=False, description="at least one table headed [[bank]]"
    )
    devices: tuple[DeviceSettings, ...] = Field(
        default=(), alias="device", strict=False, max_length=1000, description="tables headed [[device]]"
    )
    time_series: TimeSeriesSettings | None = Field(default=None, description="the table [time_series]")
    mail: MailSettings | None = Field(default=None, description="the table [mail]")
    keepers: tuple[KeeperSettings, ...] = Field(
        default=(), alias="keeper", strict=False, max_length=20, description="tables headed [[keeper]]"
    )
    webhook: WebhookSettings | None = Field(default=None, description="the table [webhook]")
    heartbeat: HeartbeatSettings | None = Field(default=None, description="the table [heartbeat]")
    web: WebSettings = Field(default=WebSettings(), description="the table [web]")
