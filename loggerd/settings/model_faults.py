"""Turns what pydantic finds into faults in a keeper's words."""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import ValidationError
from pydantic.fields import FieldInfo

from loggerd.settings.bank import BankSettings
from loggerd.settings.base import Table
from loggerd.settings.channel import AccuracySettings, ChannelSettings, CorrectionSettings, ShuntSettings
from loggerd.settings.connection import KIND_WORDS, KINDS, connection_tag
from loggerd.settings.delivery import HeartbeatSettings, KeeperSettings, MailSettings, WebhookSettings
from loggerd.settings.device import DeviceSettings, LinesSettings
from loggerd.settings.faults import Fault, key_path, show, value_at
from loggerd.settings.key_lines import KeyPath
from loggerd.settings.limits import LimitSettings
from loggerd.settings.site import RecordSettings, SiteSettings, SiteTable, TimeSeriesSettings
from loggerd.settings.web import WebSettings

_TABLES: dict[tuple[str, ...], type[Table]] = {
    (): SiteSettings,
    ("site",): SiteTable,
    ("record",): RecordSettings,
    ("time_series",): TimeSeriesSettings,
    ("mail",): MailSettings,
    ("keeper",): KeeperSettings,
    ("webhook",): WebhookSettings,
    ("heartbeat",): HeartbeatSettings,
    ("web",): WebSettings,
    ("bank",): BankSettings,
    ("bank", "limit"): LimitSettings,
    ("device",): DeviceSettings,
    ("device", "lines"): LinesSettings,
    ("device", "channel"): ChannelSettings,
    ("device", "channel", "shunt"): ShuntSettings,
    ("device", "channel", "accuracy"): AccuracySettings,
    ("device", "channel", "correction"): CorrectionSettings,
    ("device", "channel", "correction", "shunt"): ShuntSettings,
    ("device", "channel", "correction", "accuracy"): AccuracySettings,
}
_HIDDEN = "a value that is not shown, because it may be a secret"
_SECRETS = {
    "time_series": ("token", "url"),
    "mail": ("password",),
    "webhook": ("secret", "url"),
    "heartbeat": ("secret",),
}
"""Beginnings of keys that stand beside or for a secret, by table."""


@dataclass(frozen=True)
class Form:
    """What a file of settings consists of: tables by where they stand, and beginnings of secret keys by table."""

    tables: Mapping[tuple[str, ...], type[Table]]
    secrets: Mapping[str, tuple[str, ...]]


SITE_FORM = Form(_TABLES, _SECRETS)
_SECRET_WORDS = ("token", "password", "secret")
_ABSENT = "nothing"


def model_faults(error: ValidationError, raw: object, form: Form = SITE_FORM) -> list[Fault]:
    """Every fault of the settings as pydantic found them, one for each key."""
    faults: dict[KeyPath, Fault] = {}
    for detail in error.errors(include_url=False, include_input=False):
        if detail["type"] == "default_factory_not_called":
            continue  # only says that another key of the same table is wrong
        path = _own_path(detail["loc"])
        if detail["type"] == "too_short" and value_at(raw, path):
            continue  # pydantic counts only the entries that are right; those that are not have faults of their own
        fault = _fault(detail["type"], path, detail.get("ctx", {}), raw, form)
        faults.setdefault(fault.path, fault)
    return list(faults.values())


def is_hidden(path: KeyPath, form: Form = SITE_FORM) -> bool:
    """Whether the value at a path may be a secret that somebody has put in the wrong place."""
    words = _words_only(path)
    return len(words) > 1 and words[1].startswith(form.secrets.get(words[0], ()))


def known_keys(table: type[Table]) -> list[str]:
    """The keys of a table as they stand in the file."""
    return [field.alias or name for name, field in table.model_fields.items()]


def unknown_key(path: KeyPath, known: list[str], form: Form = SITE_FORM) -> Fault:
    """The fault of a key that does not exist, with the nearest one that does."""
    key = str(path[-1])
    if str(path[0]) in form.secrets and any(word in key for word in _SECRET_WORDS):
        return Fault(path, "an unknown key (its value is not shown)", _elsewhere(form.secrets[str(path[0])][0]))
    near = difflib.get_close_matches(key, known, 1, 0.5)
    if near:
        return Fault(path, "an unknown key", f'a known key; did you mean "{near[0]}"?')
    return Fault(path, "an unknown key", f"one of the keys {', '.join(known)}")


def _elsewhere(word: str) -> str:
    return f'no {word} in this file: name where it stands with "{word}_file", "{word}_env" or "{word}_credential"'


def _own_path(location: tuple[int | str, ...]) -> KeyPath:
    """pydantic's location without the name of the union's member, which no keeper has written."""
    path: KeyPath = tuple(location)
    if path[:1] == ("device",) and path[2:3] == ("connection",):
        path = (*path[:3], *path[4:])
    return path


def _fault(kind: str, path: KeyPath, context: dict[str, Any], raw: object, form: Form) -> Fault:
    if kind in {"union_tag_not_found", "union_tag_invalid"}:
        table = value_at(raw, path)
        if not isinstance(table, dict):
            return Fault(path, show(table), _expected(path, raw, form))
        path = (*path, "kind")
        return Fault(path, show(value_at(raw, path)), KIND_WORDS)
    if kind == "extra_forbidden":
        table_of = _table_at(_words_only(path)[:-1], raw, path, form)
        return unknown_key(path, known_keys(table_of) if table_of else [], form)
    if kind == "missing" and isinstance(path[-1], str):
        return Fault(path, _ABSENT, _expected(path, raw, form))
    key = key_path(path)
    found = _HIDDEN if is_hidden(key, form) else show(value_at(raw, key))
    if kind == "value_error":
        return Fault(key, found, str(context["error"]))
    return Fault(key, found, _expected(key, raw, form))


def _words_only(path: KeyPath) -> tuple[str, ...]:
    return tuple(step for step in path if isinstance(step, str))


def _table_at(words: tuple[str, ...], raw: object, path: KeyPath, form: Form) -> type[Table] | None:
    if words == ("device", "connection"):
        tag = connection_tag(value_at(raw, path[:3])) or ""
        return KINDS.get(tag)
    return form.tables.get(words)


def _expected(path: KeyPath, raw: object, form: Form) -> str:
    """The description of the key, or of the nearest table around it."""
    words = _words_only(path)
    for length in range(len(words), 0, -1):
        table = _table_at(words[: length - 1], raw, path, form)
        field = _field(table, words[length - 1]) if table else None
        if field is not None and field.description:
            return field.description
    return "a table of settings"


def _field(table: type[Table], key: str) -> FieldInfo | None:
    for name, field in table.model_fields.items():
        if (field.alias or name) == key:
            return field
    return None
