"""A file that is made while it is sent: one part at a time, in a thread, until it is whole or nobody takes it."""

from __future__ import annotations

import logging
import re
import threading
from collections.abc import Callable, Generator
from typing import TypeAlias
from urllib.parse import quote

from anyio import CancelScope, create_task_group, to_thread
from starlette.responses import JSONResponse, Response
from starlette.types import Receive, Scope, Send

from loggerd.errors import LoggerdError, StoreError

_log = logging.getLogger("loggerd")

MOST_AT_ONCE = 2
"""Downloads at a time: each reads and reckons all the while."""
_slots = threading.BoundedSemaphore(MOST_AT_ONCE)
_COME_AGAIN_SECONDS = "30"

Parts: TypeAlias = Callable[[threading.Event], Generator[bytes, None, None]]
"""Gives the file in parts, each soon enough; is closed, whatever happens. The event: nobody takes it any more."""


class Download(Response):
    """The first part is made before anything is sent, so that a fault in it can still be told in words. A fault later
    breaks the connection: half a file must not look like a whole one."""

    def __init__(self, parts: Parts, kind: str, name: str) -> None:
        self._parts = parts
        self.status_code = 200
        self.media_type = kind
        self.background = None
        self.init_headers({"Content-Disposition": attachment(name)})

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["method"] == "HEAD":
            await self._begin(send)
            await send({"type": "http.response.body", "body": b""})
        elif not _slots.acquire(blocking=False):
            words = f"{MOST_AT_ONCE} downloads are under way; come again when one is done"
            again = {"Retry-After": _COME_AGAIN_SECONDS}
            await JSONResponse({"fault": words}, 503, again)(scope, receive, send)
        else:
            try:
                await self._watched(scope, receive, send)
            finally:
                _slots.release()

    async def _watched(self, scope: Scope, receive: Receive, send: Send) -> None:
        gone = threading.Event()
        refused: Response | None = None

        async def watch() -> None:
            while (await receive())["type"] != "http.disconnect":
                pass
            gone.set()
            group.cancel_scope.cancel()

        try:
            async with create_task_group() as group:
                group.start_soon(watch)
                refused = await self._send(send, gone)
                group.cancel_scope.cancel()
        finally:
            gone.set()
        if refused is not None:
            await refused(scope, receive, send)

    async def _send(self, send: Send, gone: threading.Event) -> Response | None:
        """The file; or what to answer instead."""
        made = self._parts(gone)
        try:
            try:
                part = await to_thread.run_sync(next, made, None)
            except LoggerdError as error:
                _log.warning("a download cannot be made: %s", error)
                return JSONResponse({"fault": str(error)}, 503 if isinstance(error, StoreError) else 422)
            await self._begin(send)
            while part is not None:
                await send({"type": "http.response.body", "body": part, "more_body": True})
                part = await to_thread.run_sync(next, made, None)
            await send({"type": "http.response.body", "body": b""})
        finally:
            with CancelScope(shield=True):
                await to_thread.run_sync(made.close)
        return None

    async def _begin(self, send: Send) -> None:
        await send({"type": "http.response.start", "status": self.status_code, "headers": self.raw_headers})


def attachment(name: str) -> str:
    """Content-Disposition of a file to be kept, by RFC 6266: a plain name, and the whole one by RFC 8187.

    Nothing in the name can end the header, leave the folder or be an order to somebody's shell.
    """
    whole = re.sub(r'[\x00-\x1f\x7f"\\/:*?<>|]', "_", name).strip(". ") or "file"
    plain = re.sub(r"[^A-Za-z0-9._ -]", "_", whole)
    return f"attachment; filename=\"{plain}\"; filename*=UTF-8''{quote(whole, safe='', errors='replace')}"
