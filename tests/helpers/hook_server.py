"""A web server that notes what a webhook is told."""

from __future__ import annotations

import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any


class Called:
    """A server that notes what it is told; `status` is its answer."""

    def __init__(self) -> None:
        self.status = 204
        self.got: list[tuple[dict[str, str], bytes]] = []
        outer = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                outer.got.append(({**self.headers, ":path": self.path}, body))
                self.send_response(outer.status)
                self.send_header("Location", "/elsewhere")
                self.end_headers()

            def log_message(self, *_: Any) -> None:
                return

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.port = self.server.server_address[1]
        self._thread = threading.Thread(target=self.server.serve_forever, args=(0.01,))
        self._thread.start()

    def close(self) -> None:
        self.server.shutdown()
        self._thread.join()
        self.server.server_close()
