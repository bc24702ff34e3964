"""Sends ledger rows to the configured time-series server, from a cursor over the record."""

from __future__ import annotations

import logging
import os
from pathlib import Path

from loggerd.errors import DeliveryError, DeliveryRefused
from loggerd.outputs.time_series import SinkEntry, TimeSeriesServer, TimeSeriesSink
from loggerd.settings.site import SiteSettings, TimeSeriesSettings
from loggerd.store.record import RecordReader

_log = logging.getLogger("loggerd")
_BATCH = 500


def read_token(settings: TimeSeriesSettings) -> str:
    """The token, from a file, a systemd credential or the environment. Raises DeliveryError, never showing it."""
    if settings.token_credential is not None:
        folder = os.environ.get("CREDENTIALS_DIRECTORY")
        if not folder:
            raise DeliveryRefused(f'no systemd credentials here, so none named "{settings.token_credential}"')
        return _token_in(Path(folder) / settings.token_credential)
    if settings.token_file is not None:
        return _token_in(Path(settings.token_file))
    if settings.token_env is not None:
        token = os.environ.get(settings.token_env, "")
        if not token:
            raise DeliveryRefused(f"the environment has no {settings.token_env} with the token in it")
        return token
    return ""


def _token_in(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8").strip()
    except OSError as error:
        raise DeliveryRefused(f"the token cannot be read from {path}: {error.strerror}") from error


class Cursor:
    """How far entries have been sent: a small file beside the record, written after each batch.

    It may be lost: what is sent again only overwrites itself.
    """

    def __init__(self, record: Path) -> None:
        self._path = record.with_name(record.name + ".sent")
        text = self._path.read_text(encoding="utf-8").strip() if self._path.exists() else ""
        self.sent = int(text) if text.isdigit() else 0

    def move(self, identity: int) -> None:
        self.sent = identity
        partial = self._path.with_name(self._path.name + ".partial")
        partial.write_text(f"{identity}\n", encoding="utf-8")
        partial.replace(self._path)


def forward(settings: SiteSettings) -> int:
    """Send the entries that have not been sent; returns their number. Raises DeliveryError, StoreError."""
    chosen = settings.time_series
    if chosen is None:
        raise DeliveryError("the settings name no time-series server: expected a table [time_series]")
    server = TimeSeriesServer(chosen.url, chosen.org, chosen.bucket, read_token(chosen), verify_tls=chosen.verify_tls)
    record = Path(settings.record.path)
    cursor = Cursor(record)
    sink = TimeSeriesSink(server)
    reader = RecordReader.open(record)
    count = 0
    try:
        while rows := reader.entries_after(cursor.sent, _BATCH):
            parked = sink.send(
                [SinkEntry(settings.site.name, bank, one.revision, one.id, one.entry) for bank, one in rows]
            )
            for entry in parked:
                _log.warning("time-series server takes no entry %s: %s", entry.entry.ordinal, entry.why)
            cursor.move(rows[-1][1].id)
            count += len(rows)
    finally:
        reader.close()
        sink.close()
    return count
