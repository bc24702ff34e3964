"""Loads the settings of a watcher, or says everything that is wrong with them."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from pydantic import ValidationError

from loggerd.errors import SettingsError, SettingsFault
from loggerd.settings.base import Table
from loggerd.settings.checks.delivery import check_keepers, check_secrets, check_security
from loggerd.settings.delivery import KeeperSettings, MailSettings
from loggerd.settings.document import Document, read_document
from loggerd.settings.draft import draft_of
from loggerd.settings.faults import Fault, in_words, value_at
from loggerd.settings.key_lines import KeyPath
from loggerd.settings.model_faults import Form, model_faults
from loggerd.settings.watch import (
    MEANT_FOR_SITES,
    ListenSettings,
    MailboxSettings,
    WatchedSite,
    WatcherTable,
    WatchSettings,
)

_SECRET_KEYS = ("secret_file", "secret_env", "secret_credential")
_FORM = Form(
    {
        (): WatchSettings,
        ("watcher",): WatcherTable,
        ("site",): WatchedSite,
        ("listen",): ListenSettings,
        ("mailbox",): MailboxSettings,
        ("mail",): MailSettings,
        ("keeper",): KeeperSettings,
    },
    {"site": ("secret",), "mail": ("password",)},
)


def load_watch_settings(path: Path) -> WatchSettings:
    """The settings in a file, paths made absolute (they are relative to it). Opens nothing but the file.

    Raises SettingsError with every fault found.
    """
    document = read_document(path)
    faults: list[Fault] = []
    settings: WatchSettings | None = None
    try:
        settings = WatchSettings.model_validate(document.raw)
    except ValidationError as error:
        faults += model_faults(error, document.raw, _FORM)
    faults += _cross_faults(document.raw)
    if faults or settings is None:
        raise SettingsError(_rendered(faults, document))
    return _with_absolute_paths(settings, path.parent.absolute())


def _rendered(faults: list[Fault], document: Document) -> list[SettingsFault]:
    first: dict[KeyPath, Fault] = {}
    for fault in faults:
        first.setdefault(fault.path, fault)
    located = sorted(first.values(), key=lambda fault: document.line(fault.path))
    return [_render(fault, document) for fault in located]


def _render(fault: Fault, document: Document) -> SettingsFault:
    found = fault.found
    if fault.other is not None:
        found += f" (see {_where(fault.other, document)})"
    return SettingsFault(_where(fault.path, document), found, fault.expected)


def _where(path: KeyPath, document: Document) -> str:
    return f"{document.shown}, line {document.line(path)}, {in_words(document.raw, path)}"


def _cross_faults(raw: dict[str, object]) -> Iterator[Fault]:
    """Keys that cannot be true at once; of tables that are faulty in themselves, what can be said all the same."""
    yield from _site_faults(raw)
    draft = draft_of(raw, set())
    for path, _ in draft.keepers:
        for key in MEANT_FOR_SITES:
            if value_at(raw, (*path, key)) is not None:
                yield Fault((*path, key), "a key that means nothing to a watcher", "this key left out")
    for check in (check_secrets, check_security, check_keepers):
        yield from check(draft)
    if "listen" not in raw and "mailbox" not in raw:
        expected = "a table [listen] for webhooks, [mailbox] for mails, or both"
        yield Fault(("watcher",), "no way by which a sign of life could arrive", expected)


def _site_faults(raw: dict[str, object]) -> Iterator[Fault]:
    entries = raw.get("site")
    seen: dict[str, int] = {}
    for index, entry in enumerate(entries if isinstance(entries, list) else []):
        if not isinstance(entry, dict):
            continue
        name = entry.get("name")
        if isinstance(name, str):
            if name in seen:
                other = ("site", seen[name], "name")
                yield Fault(("site", index, "name"), f'the name "{name}" again', "a name that is not taken", other)
            seen.setdefault(name, index)
        given = [key for key in _SECRET_KEYS if key in entry]
        for key in given[1:]:
            other = ("site", index, given[0])
            words = f"only one of {', '.join(_SECRET_KEYS)}"
            yield Fault(("site", index, key), f'"{given[0]}" beside it', words, other)
        if not given and "mailbox" not in raw:
            words = f"one of {', '.join(_SECRET_KEYS)}: of webhooks, only what is signed counts"
            yield Fault(("site", index), "no secret", words)


def _with_absolute_paths(settings: WatchSettings, folder: Path) -> WatchSettings:
    changed: dict[str, object] = {
        "watcher": _absolute(settings.watcher, folder, "state"),
        "sites": tuple(_absolute(site, folder, "secret_file") for site in settings.sites),
    }
    if settings.mailbox is not None:
        changed["mailbox"] = _absolute(settings.mailbox, folder, "folder")
    if settings.mail is not None:
        changed["mail"] = _absolute(settings.mail, folder, "password_file", "ca_file")
    return settings.model_copy(update=changed)


def _absolute(table: Table, folder: Path, *keys: str) -> Table:
    paths = {key: path for key in keys if (path := getattr(table, key)) is not None}
    return table.model_copy(update={key: str(folder / path) for key, path in paths.items()})
