"""All models of the settings file, for those who use them. `load.load_settings` is what fills them."""

from __future__ import annotations

from loggerd.settings.bank import BankSettings
from loggerd.settings.channel import (
    AccuracySettings,
    ChannelSettings,
    CorrectionSettings,
    InForce,
    ShuntSettings,
)
from loggerd.settings.connection import (
    Connection,
    CsvFile,
    ModbusRtu,
    ModbusTcp,
    SerialLines,
    SunspecSerial,
    SunspecTcp,
)
from loggerd.settings.delivery import HeartbeatSettings, KeeperSettings, MailSettings, WebhookSettings
from loggerd.settings.device import DeviceSettings, LinesSettings, MapFile
from loggerd.settings.limits import LimitSettings
from loggerd.settings.site import RecordSettings, SiteSettings, SiteTable, TimeSeriesSettings
from loggerd.settings.web import WebSettings

__all__ = [
    "AccuracySettings",
    "BankSettings",
    "ChannelSettings",
    "Connection",
    "CorrectionSettings",
    "CsvFile",
    "DeviceSettings",
    "HeartbeatSettings",
    "InForce",
    "KeeperSettings",
    "LimitSettings",
    "LinesSettings",
    "MailSettings",
    "MapFile",
    "ModbusRtu",
    "ModbusTcp",
    "RecordSettings",
    "SerialLines",
    "ShuntSettings",
    "SiteSettings",
    "SiteTable",
    "SunspecSerial",
    "SunspecTcp",
    "TimeSeriesSettings",
    "WebSettings",
    "WebhookSettings",
]
