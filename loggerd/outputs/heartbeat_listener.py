"""Listens for webhooks with signs of life: one POST, a bounded body, an answer. What is in it is judged elsewhere."""

from __future__ import annotations

import contextlib
import logging
import socket
import socketserver
import sys
import threading
import time
from collections.abc import Callable
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any, TypeAlias

from loggerd.outputs.signing import SIGNATURE

MOST_BYTES = 1_000_000
"""Of a body: a flood of alarms comes in one call."""
MOST_CALLS = 16
"""At the same time; others are turned away, and come again."""
CALL_SECONDS = 30.0
"""That one call may take, to its end."""
_log = logging.getLogger("loggerd")

Judge: TypeAlias = Callable[[bytes, str], HTTPStatus]
"""What is answered to a body with its signature."""


class HeartbeatListener(ThreadingHTTPServer):
    """Listens from its making on; answers once `start` is called. Raises OSError where it cannot listen."""

    daemon_threads = True
    block_on_close = False
    request_queue_size = 64

    def __init__(self, host: str, port: int, judge: Judge) -> None:
        self.judge = judge
        self._room = threading.Semaphore(MOST_CALLS)
        if ":" in host:
            self.address_family = socket.AF_INET6
        super().__init__((host, port), _Call)
        self._thread = threading.Thread(target=self.serve_forever, args=(0.2,), name="listening", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        """Take no more calls."""
        if self._thread.is_alive():
            self.shutdown()
            self._thread.join()
        self.server_close()

    def alive(self) -> bool:
        return self._thread.is_alive()

    def server_bind(self) -> None:
        # HTTPServer's own looks for the name of the machine, which can hang where there is no resolver.
        socketserver.TCPServer.server_bind(self)
        self.server_name, self.server_port = str(self.server_address[0]), int(self.server_address[1])

    def process_request(self, request: Any, client_address: Any) -> None:
        if not self._room.acquire(blocking=False):
            self.shutdown_request(request)
            return
        super().process_request(request, client_address)

    def process_request_thread(self, request: Any, client_address: Any) -> None:
        over = threading.Timer(CALL_SECONDS, _shut, (request,))
        over.daemon = True
        over.start()
        try:
            super().process_request_thread(request, client_address)
        finally:
            over.cancel()
            self._room.release()

    def handle_error(self, request: Any, client_address: Any) -> None:
        """Whoever hangs up in the middle is no fault of ours; anything else is told, and the next call is taken."""
        if not isinstance(sys.exc_info()[1], OSError):
            _log.exception("a call from %s has failed", client_address[0])


def _shut(request: socket.socket) -> None:
    with contextlib.suppress(OSError):
        request.shutdown(socket.SHUT_RDWR)


class _Call(BaseHTTPRequestHandler):
    """One call."""

    server: HeartbeatListener
    timeout = CALL_SECONDS
    server_version = "loggerd"
    sys_version = ""

    def do_POST(self) -> None:
        length = self.headers.get("Content-Length", "")
        if "Transfer-Encoding" in self.headers or not length:
            self._answer(HTTPStatus.LENGTH_REQUIRED)
        elif not (length.isascii() and length.isdecimal() and len(length) < 20):
            self._answer(HTTPStatus.BAD_REQUEST)
        elif int(length) > MOST_BYTES:
            self._answer(HTTPStatus.REQUEST_ENTITY_TOO_LARGE)
        else:
            body = self._body(int(length))
            if body is None:
                self._answer(HTTPStatus.BAD_REQUEST)
            else:
                self._answer(self.server.judge(body, self.headers.get(SIGNATURE, "")))

    def _body(self, length: int) -> bytes | None:
        """None where less comes than was promised, or too slowly."""
        until = time.monotonic() + CALL_SECONDS
        parts: list[bytes] = []
        while length and time.monotonic() < until:
            part = self.rfile.read1(min(length, 65_536))
            if not part:
                return None
            parts.append(part)
            length -= len(part)
        return None if length else b"".join(parts)

    def _answer(self, status: HTTPStatus) -> None:
        self.close_connection = True
        self.send_response(status)
        self.send_header("Content-Length", "0")
        self.end_headers()

    def log_message(self, *_: Any) -> None:
        """Nothing: anybody who can reach the port could fill the log."""
