"""Ledger entries to a time-series server, in line protocol through influxdb-client.

Each entry is one point: measurement `loggerd_<ledger>`, tags site, bank, kind and revision, its figures as
fields (`name`, `name_low`, `name_high`), its start as time. The same entry sent again is the same point, so
sending is at least once, from a cursor over the record that the caller moves after `send` has returned.
(VictoriaMetrics joins equal points only when started with -dedup.minScrapeInterval=1ms.)
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlsplit

from loggerd.errors import DeliveryLater, DeliveryRefused
from loggerd.model.ledger import Entry, Figure

_BAD_ROWS = {400, 422}
_TOO_LARGE = 413
_LATER = {408, 425, 429}
_NOT_SET_UP = {
    401: "the token is not accepted",
    403: "the token may not write there",
    404: "the organisation, the bucket or the address does not exist",
}
_FIRST_PLAUSIBLE_MS = 946_684_800_000
"""The year 2000. Earlier times come from a clock that was not set; servers drop them without a word."""

_TAG_ESCAPES = str.maketrans({",": r"\,", "=": r"\=", " ": r"\ ", "\n": r"\ ", "\r": r"\ ", "\\": "/"})


@dataclass(frozen=True)
class TimeSeriesServer:
    """Where to send. `token` is never shown; `timeout_seconds` is for one request."""

    url: str
    org: str
    bucket: str
    token: str
    timeout_seconds: float = 10.0
    verify_tls: bool = True

    def __repr__(self) -> str:
        return f"TimeSeriesServer({self.url!r}, {self.org!r}, {self.bucket!r})"


@dataclass(frozen=True)
class SinkEntry:
    """One stored ledger entry. `ordinal` is its place in the record, `revision` of the settings it was made
    with.
    """

    site: str
    bank: str
    revision: int
    ordinal: int
    entry: Entry


@dataclass(frozen=True)
class ParkedEntry:
    """An entry that the server will not take, and why. Sending it again does not help."""

    entry: SinkEntry
    why: str


class ServerBusy(DeliveryLater):
    """Try again, `retry_after_seconds` from now if the server said so."""

    def __init__(self, text: str, retry_after_seconds: float | None = None) -> None:
        self.retry_after_seconds = retry_after_seconds
        super().__init__(text)


class TimeSeriesSink:
    """Sends ledger entries to one server. Nothing is opened before the first `send`; blocking, for a
    thread.
    """

    def __init__(self, server: TimeSeriesServer) -> None:
        self._server = server
        self._client: Any = None
        self._writer: Any = None

    def send(self, entries: Sequence[SinkEntry]) -> tuple[ParkedEntry, ...]:
        """Send all entries; returns those that the server will never take, found by halving.

        Unfinished entries are passed over: they come again, with other figures, when they are complete.
        Raises DeliveryLater (ServerBusy) when nothing or only a part got through and trying again helps,
        DeliveryRefused when somebody must mend the settings or the server first.
        """
        parked = []
        rows = []
        for entry in entries:
            if not entry.entry.complete:
                continue
            if entry.entry.start.at_ms < _FIRST_PLAUSIBLE_MS:
                parked.append(ParkedEntry(entry, "its time is from a clock that was not set"))
            else:
                rows.append(entry)
        if rows:
            self._open()
            self._send_or_halve(rows, parked)
        return tuple(parked)

    def close(self) -> None:
        """Close the connection."""
        if self._client is not None:
            self._writer.close()
            self._client.close()
            self._client = self._writer = None

    def _send_or_halve(self, rows: list[SinkEntry], parked: list[ParkedEntry]) -> None:
        refusal = self._post(rows)
        if refusal is None:
            return
        if len(rows) == 1:
            parked.append(ParkedEntry(rows[0], refusal))
            return
        middle = len(rows) // 2
        self._send_or_halve(rows[:middle], parked)
        self._send_or_halve(rows[middle:], parked)

    def _post(self, rows: list[SinkEntry]) -> str | None:
        """Send rows in one request; returns why the server found fault with these rows, None when it took
        them.
        """
        from influxdb_client.rest import ApiException
        from urllib3.exceptions import HTTPError

        try:
            self._writer.write(
                bucket=self._server.bucket,
                org=self._server.org,
                record="\n".join(line_of(row) for row in rows),
                write_precision="ms",
            )
        except ApiException as error:
            return self._judge(error)
        except (HTTPError, OSError) as error:
            raise ServerBusy(f"{self._server.url} cannot be reached: {error}") from error
        return None

    def _judge(self, error: Any) -> str:
        status = error.status
        said = str(error.message or error.reason or "")[:200]
        if status in _BAD_ROWS or status == _TOO_LARGE:
            return f"{status} {said}"
        if status in _LATER or status >= 500:
            raise ServerBusy(f"{self._server.url} answers {status} {said}", _seconds(error.retry_after)) from error
        why = _NOT_SET_UP.get(status, "this was not expected")
        raise DeliveryRefused(f"{self._server.url} answers {status} {said}: {why}") from error

    def _open(self) -> None:
        if self._client is not None:
            return
        _check_address(self._server.url)
        try:
            from influxdb_client.client.influxdb_client import InfluxDBClient
            from influxdb_client.client.write_api import SYNCHRONOUS
        except ImportError as error:
            raise DeliveryRefused(
                "sending to a time-series server needs a part that is not installed: pip install loggerd[time-series]"
            ) from error
        self._client = InfluxDBClient(
            url=self._server.url,
            token=self._server.token,
            org=self._server.org,
            timeout=int(self._server.timeout_seconds * 1000),
            enable_gzip=True,
            verify_ssl=self._server.verify_tls,
        )
        # Not the batching writer: it drops rows after its retries and holds them only in memory.
        self._writer = self._client.write_api(write_options=SYNCHRONOUS)


def _check_address(url: str) -> None:
    try:
        parts = urlsplit(url)
    except ValueError:
        parts = urlsplit("")
    if parts.scheme not in {"http", "https"} or not parts.hostname:
        raise DeliveryRefused(f"{url!r} is not an address such as http://192.168.1.10:8428")


def line_of(row: SinkEntry) -> str:
    """The entry as one line of line protocol, time in milliseconds. All fields are floats; unknown ones are
    left out.
    """
    entry = row.entry
    tags = {"site": row.site, "bank": row.bank, "kind": entry.kind, "revision": str(row.revision)}
    written = ",".join(f"{name}={_tag(value)}" for name, value in tags.items() if value)
    fields = {"duration_seconds": (entry.end.at_ms - entry.start.at_ms) / 1000}
    for figure in entry.figures:
        fields.update(_fields(figure))
    numbers = ",".join(f"{name}={value!r}" for name, value in fields.items())
    return f"loggerd_{entry.ledger.value},{written} {numbers} {entry.start.at_ms}"


def _fields(figure: Figure) -> dict[str, float]:
    parts = {figure.name: figure.value, f"{figure.name}_low": figure.low, f"{figure.name}_high": figure.high}
    return {name: float(value) for name, value in parts.items() if value is not None and math.isfinite(value)}


def _tag(value: str) -> str:
    """A tag value, escaped; a backslash cannot be (it would escape what follows), so it becomes a slash."""
    return value.translate(_TAG_ESCAPES)


def _seconds(written: object) -> float | None:
    """Seconds of a Retry-After header; None when it is absent or a date."""
    try:
        seconds = float(str(written))
    except ValueError:
        return None
    return seconds if math.isfinite(seconds) and seconds >= 0 else None
