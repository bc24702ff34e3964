from __future__ import annotations

import gzip
import http.server
import json
import socket
import sys
import threading
import time
import urllib.parse
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from victoria import RealServer, needs_server

from loggerd.errors import DeliveryLater, DeliveryRefused
from loggerd.model.ledger import Entry, Figure, Instant, LedgerName
from loggerd.outputs.time_series import ServerBusy, SinkEntry, TimeSeriesServer, TimeSeriesSink, line_of

START_MS = 1_777_636_800_000  # 2026-05-01T12:00:00Z
HOUR_MS = 3_600_000


def make_entry(number: int, start_ms: int | None = None, complete: bool = True, site: str = "Hut") -> SinkEntry:
    start = START_MS + number * HOUR_MS if start_ms is None else start_ms
    entry = Entry(
        LedgerName.CYCLES,
        "pair",
        Instant(1, start),
        Instant(1, start + HOUR_MS // 2),
        complete,
        (
            Figure("discharge_amp_hours", 40.0 + number, 39.5 + number, 40.5 + number),
            Figure("charge_factor", None, reason="no current channel"),
            Figure("depth_of_discharge", 0.25),
        ),
    )
    return SinkEntry(site, "house", 1, number, entry)


def test_an_entry_is_one_line_with_its_figures_and_bands() -> None:
    assert line_of(make_entry(0)) == (
        "loggerd_cycles,site=Hut,bank=house,kind=pair,revision=1 "
        "duration_seconds=1800.0,discharge_amp_hours=40.0,discharge_amp_hours_low=39.5,"
        f"discharge_amp_hours_high=40.5,depth_of_discharge=0.25 {START_MS}"
    )


def test_what_is_not_a_number_is_left_out_and_names_are_escaped() -> None:
    entry = Entry(
        LedgerName.PHASES,
        "rest",
        Instant(1, START_MS),
        Instant(1, START_MS),
        True,
        (Figure("amp_hours", float("nan"), float("-inf"), 3),),
    )

    line = line_of(SinkEntry("My hut, by=the\nlake\\", "", 2, 1, entry))

    assert line == (
        rf"loggerd_phases,site=My\ hut\,\ by\=the\ lake/,kind=rest,revision=2 "
        rf"duration_seconds=0.0,amp_hours_high=3.0 {START_MS}"
    )


def test_without_the_library_the_error_names_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    loaded = [name for name in sys.modules if name.split(".")[0] == "influxdb_client"]
    for name in {"influxdb_client", "influxdb_client.client.influxdb_client", *loaded}:
        monkeypatch.setitem(sys.modules, name, None)
    sink = TimeSeriesSink(TimeSeriesServer("http://127.0.0.1:1", "", "", ""))

    with pytest.raises(DeliveryRefused, match=r"pip install loggerd\[time-series\]"):
        sink.send([make_entry(0)])


def test_the_token_is_not_shown() -> None:
    assert "secret" not in repr(TimeSeriesServer("http://127.0.0.1:1", "o", "b", "secret"))


# -- a server that answers as told --


class Answering(http.server.ThreadingHTTPServer):
    """Keeps the bodies it was sent, and answers each with what `answer` says."""

    daemon_threads = True

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), _Handler)
        self.bodies: list[list[str]] = []
        self.taken: list[str] = []
        self.requests: list[tuple[str, str | None]] = []
        self.answer: Callable[[list[str]], tuple[int, dict[str, str]]] = lambda _: (204, {})


class _Handler(http.server.BaseHTTPRequestHandler):
    server: Answering

    def do_POST(self) -> None:
        raw = self.rfile.read(int(self.headers["Content-Length"]))
        assert self.headers["Content-Encoding"] == "gzip"
        lines = gzip.decompress(raw).decode().split("\n")
        self.server.bodies.append(lines)
        self.server.requests.append((self.path, self.headers["Authorization"]))
        status, headers = self.server.answer(lines)
        if status == 204:
            self.server.taken.extend(lines)
        self.send_response(status)
        for name, value in headers.items():
            self.send_header(name, value)
        body = b"" if status == 204 else json.dumps({"code": "x", "message": "told so"}).encode()
        self.send_header("Content-Length", str(len(body)))
        self.send_header("Content-Type", "application/json")
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, format: str, *args: Any) -> None:
        pass


@pytest.fixture
def answering() -> Iterator[Answering]:
    with Answering() as server:
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
        thread.start()
        yield server
        server.shutdown()
        thread.join()


@contextmanager
def sink_to(url: str) -> Iterator[TimeSeriesSink]:
    sink = TimeSeriesSink(TimeSeriesServer(url, "an org", "a bucket", "secret", timeout_seconds=5))
    yield sink
    sink.close()


@pytest.fixture
def sink(answering: Answering) -> Iterator[TimeSeriesSink]:
    with sink_to(f"http://127.0.0.1:{answering.server_port}") as sink:
        yield sink


def test_all_entries_go_in_one_compressed_request(sink: TimeSeriesSink, answering: Answering) -> None:
    rows = [make_entry(number) for number in range(100)]

    assert sink.send(rows) == ()

    assert answering.bodies == [[line_of(row) for row in rows]]
    path, token = answering.requests[0]
    query = urllib.parse.parse_qs(urllib.parse.urlsplit(path).query)
    assert query == {"org": ["an org"], "bucket": ["a bucket"], "precision": ["ms"]}
    assert token == "Token secret"


@pytest.mark.parametrize("status", [400, 422])
def test_bad_rows_are_found_by_halving_and_parked(sink: TimeSeriesSink, answering: Answering, status: int) -> None:
    rows = [make_entry(number) for number in range(64)]
    bad = {line_of(rows[number]) for number in (5, 40)}
    answering.answer = lambda lines: (status, {}) if bad & set(lines) else (204, {})

    parked = sink.send(rows)

    assert [one.entry.ordinal for one in parked] == [5, 40]
    assert parked[0].why.startswith(f"{status} ")
    assert "told so" in parked[0].why
    assert sorted(answering.taken) == sorted(line_of(row) for row in rows if line_of(row) not in bad)
    assert len(answering.bodies) < 30


def test_a_request_that_is_too_large_is_halved(sink: TimeSeriesSink, answering: Answering) -> None:
    answering.answer = lambda lines: (413, {}) if len(lines) > 10 else (204, {})

    assert sink.send([make_entry(number) for number in range(64)]) == ()
    assert len(answering.taken) == 64


@pytest.mark.parametrize(
    ("status", "words"), [(401, "token"), (403, "may not write"), (404, "does not exist"), (418, "not expected")]
)
def test_a_wrong_set_up_is_refused(sink: TimeSeriesSink, answering: Answering, status: int, words: str) -> None:
    answering.answer = lambda _: (status, {})

    with pytest.raises(DeliveryRefused, match=words) as caught:
        sink.send([make_entry(number) for number in range(4)])
    assert len(answering.bodies) == 1
    assert "secret" not in str(caught.value)


@pytest.mark.parametrize(
    ("status", "header", "seconds"),
    [(429, "7", 7.0), (503, "1.5", 1.5), (500, None, None), (503, "Fri, 01 May 2026 12:00:00 GMT", None)],
)
def test_a_busy_server_is_for_later(
    sink: TimeSeriesSink, answering: Answering, status: int, header: str | None, seconds: float | None
) -> None:
    answering.answer = lambda _: (status, {"Retry-After": header} if header else {})

    with pytest.raises(ServerBusy, match=str(status)) as caught:
        sink.send([make_entry(0), make_entry(1)])
    assert isinstance(caught.value, DeliveryLater)
    assert caught.value.retry_after_seconds == seconds
    assert len(answering.bodies) == 1


def test_a_server_that_hangs_is_for_later() -> None:
    with socket.create_server(("127.0.0.1", 0)) as listening:
        url = f"http://127.0.0.1:{listening.getsockname()[1]}"
        sink = TimeSeriesSink(TimeSeriesServer(url, "o", "b", "t", timeout_seconds=0.2))
        with pytest.raises(ServerBusy, match="cannot be reached"):
            sink.send([make_entry(0)])
        sink.close()


@pytest.mark.parametrize("url", ["nonsense", "http://", "http://[::1"])
def test_an_address_that_is_none_is_refused(url: str) -> None:
    with sink_to(url) as sink, pytest.raises(DeliveryRefused, match="is not an address"):
        sink.send([make_entry(0)])


def test_unfinished_entries_wait_and_unset_clocks_are_parked(sink: TimeSeriesSink, answering: Answering) -> None:
    parked = sink.send([make_entry(0, complete=False), make_entry(1, start_ms=5_000), make_entry(2)])

    assert [one.entry.ordinal for one in parked] == [1]
    assert "clock" in parked[0].why
    assert answering.taken == [line_of(make_entry(2))]
    assert sink.send([]) == ()
    assert len(answering.bodies) == 1


# -- a real server --


@needs_server
def test_entries_arrive_once_however_often_they_are_sent(real_server: RealServer) -> None:
    # Times must not lie ahead of the server's clock, so this ledger ends an hour ago.
    newest = int(time.time() * 1000) - HOUR_MS
    rows = [make_entry(number, start_ms=newest - (49 - number) * HOUR_MS) for number in range(50)]
    wanted = {row.entry.start.at_ms: 40.0 + row.ordinal for row in rows}
    with sink_to(real_server.url) as sink:
        for _ in range(3):
            assert sink.send(rows) == ()

        assert real_server.points("loggerd_cycles_discharge_amp_hours") == wanted
        assert real_server.points("loggerd_cycles_depth_of_discharge") == dict.fromkeys(wanted, 0.25)
        low = real_server.points("loggerd_cycles_discharge_amp_hours_low")
        assert low == {at: value - 0.5 for at, value in wanted.items()}
        assert real_server.points("loggerd_cycles_charge_factor") == {}


@needs_server
def test_a_server_that_is_down_is_for_later_and_sending_goes_on_after_its_restart(real_server: RealServer) -> None:
    newest = int(time.time() * 1000) - HOUR_MS
    rows = [make_entry(number, start_ms=newest - (9 - number) * HOUR_MS) for number in range(10)]
    with sink_to(real_server.url) as sink:
        sink.send(rows[:5])
        real_server.stop()
        with pytest.raises(DeliveryLater, match="cannot be reached"):
            sink.send(rows[5:])
        real_server.start()
        sink.send(rows[5:])

    assert len(real_server.points("loggerd_cycles_discharge_amp_hours")) == 10
