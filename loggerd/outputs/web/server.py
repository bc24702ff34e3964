"""Serves the application until it is stopped."""

from __future__ import annotations

import contextlib
import socket
from collections.abc import Iterator

import uvicorn

from loggerd.errors import LoggerdError
from loggerd.outputs.web.application import Application
from loggerd.outputs.web.patience import PROXIES, PatientProtocol
from loggerd.settings.web import WebSettings
from loggerd.supervisor import stop_on_signals

_GRACE_SECONDS = 2
_WAITING = 100


class CannotListen(LoggerdError):  # noqa: N818 - the family name is in the base class
    """The pages cannot be served at their address."""


class _Quiet(uvicorn.Server):
    """Leaves signals to whoever runs it."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield


class PagesServer:
    """The pages at their address. `port` is known once it listens."""

    def __init__(self, application: Application) -> None:
        self._application = application
        self._web: WebSettings = application.site.web
        self._socket: socket.socket | None = None
        self._server: _Quiet | None = None
        self._stopping = False

    def listen(self) -> int:
        """Take the address; returns the port. Raises CannotListen."""
        family = socket.AF_INET6 if ":" in self._web.listen else socket.AF_INET
        taken = socket.socket(family, socket.SOCK_STREAM)
        try:
            taken.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            taken.bind((self._web.listen, self._web.port))
            # At once: until then another process could take the same address.
            taken.listen(_WAITING)
        except OSError as error:
            taken.close()
            where = f"{self._web.listen} port {self._web.port}"
            raise CannotListen(
                f"{where}: the pages cannot be served there ({error.strerror or error}); see [web] listen and port"
            ) from error
        self._socket = taken
        return int(taken.getsockname()[1])

    async def serve(self) -> None:
        """Serve until `stop`. Raises CannotListen."""
        if self._socket is None:
            self.listen()
        assert self._socket is not None
        try:
            self._server = _Quiet(self._config())
            self._server.should_exit = self._stopping
            await self._server.serve([self._socket])
        except OSError as error:
            raise CannotListen(f"the certificate or its key cannot be used ({error.strerror or error})") from error
        finally:
            self._socket.close()

    def _config(self) -> uvicorn.Config:
        web = self._web
        return uvicorn.Config(
            self._application.asgi(),
            http=PatientProtocol,
            loop="asyncio",
            ws="none",
            lifespan="off",
            access_log=False,
            log_config=None,
            # Its warnings are of requests that are no HTTP, or too many: strangers could fill the card with them.
            log_level="error",
            server_header=False,
            date_header=True,
            limit_concurrency=100,
            timeout_keep_alive=20,
            timeout_graceful_shutdown=_GRACE_SECONDS,
            # Whose address it is decides who is slowed down after wrong passwords: a proxy on this machine may say it.
            proxy_headers=web.on_this_machine,
            forwarded_allow_ips=",".join(PROXIES),
            ssl_certfile=None if web.certificate_file is None else str(web.certificate_file),
            ssl_keyfile=None if web.key_file is None else str(web.key_file),
        )

    def stop(self) -> None:
        """End streams and answers that are under way, then `serve` returns."""
        self._application.streaming.stop()
        self._stopping = True
        if self._server is not None:
            self._server.should_exit = True


async def serve_until_signal(server: PagesServer) -> None:
    """Serve until SIGTERM or SIGINT."""
    stop_on_signals(server.stop)
    await server.serve()
