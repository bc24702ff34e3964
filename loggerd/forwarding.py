"""Sends ledger rows to the configured time-series server, from a cursor over the record."""

from __future__ import annotations

import os
from pathlib import Path

from loggerd.errors import DeliveryError, DeliveryRefused
from loggerd.model.ledger import LedgerName
from loggerd.outputs.time_series import SinkEntry, TimeSeriesServer, TimeSeriesSink
from loggerd.settings.site import SiteSettings, TimeSeriesSettings
from loggerd.store.record import RecordReader

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
    """How far entries of a bank and ledger have been sent: a small file beside the record, written after each batch.

    It may be lost: what is sent again only overwrites itself.
    """

    def __init__(self, record: Path) -> None:
        self._path = record.with_name(record.name + ".sent")
        self._sent: dict[str, int] = {}
        if self._path.exists():
            for line in self._path.read_text(encoding="utf-8").splitlines():
                key, _, number = line.rpartition(" ")
                if number.isdigit():
                    self._sent[key] = int(number)

    def get(self, key: str) -> int:
        return self._sent.get(key, 0)

    def set(self, key: str, number: int) -> None:
        self._sent[key] = number
        partial = self._path.with_name(self._path.name + ".partial")
        partial.write_text("".join(f"{k} {n}\n" for k, n in sorted(self._sent.items())), encoding="utf-8")
        partial.replace(self._path)


def forward(settings: SiteSettings) -> int:
    """Send what has not been sent; returns the number of entries. Raises DeliveryError, StoreError."""
    chosen = settings.time_series
    if chosen is None:
        raise DeliveryError("the settings name no time-series server: expected a table [time_series]")
    sink = TimeSeriesSink(
        TimeSeriesServer(chosen.url, chosen.org, chosen.bucket, read_token(chosen), verify_tls=chosen.verify_tls)
    )
    record = Path(settings.record.path)
    reader = RecordReader.open(record)
    try:
        cursor = Cursor(record)
        return sum(
            _forward_ledger(settings.site.name, bank.name, ledger, reader, sink, cursor)
            for bank in settings.banks
            for ledger in LedgerName
        )
    finally:
        reader.close()
        sink.close()


def _forward_ledger(
    site: str, bank: str, ledger: LedgerName, reader: RecordReader, sink: TimeSeriesSink, cursor: Cursor
) -> int:
    key = f"{bank}/{ledger.value}"
    sent = 0
    batch: list[SinkEntry] = []
    last = cursor.get(key)
    for stored in reader.entries(bank, ledger):
        if stored.id <= last:
            continue
        batch.append(SinkEntry(site, bank, stored.revision, stored.id, stored.entry))
        if len(batch) == _BATCH:
            sent += _send(batch, sink, cursor, key)
            batch = []
    return sent + _send(batch, sink, cursor, key)


def _send(batch: list[SinkEntry], sink: TimeSeriesSink, cursor: Cursor, key: str) -> int:
    if batch:
        sink.send(batch)
        cursor.set(key, max(entry.ordinal for entry in batch))
    return len(batch)
