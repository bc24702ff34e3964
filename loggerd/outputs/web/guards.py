"""What every request and answer passes: names of this host, headers for the browser, requests of our own pages only."""

from __future__ import annotations

from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self';"
    " form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
)
_HEADERS = {
    "Content-Security-Policy": _POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
}
_SAFE = frozenset({"GET", "HEAD", "OPTIONS"})


class HeaderGuard:
    """Refuses requests for a host that is not ours (a foreign name leading here), and tells browsers to be strict."""

    def __init__(self, app: ASGIApp, hosts: frozenset[str] | None, encrypted: bool) -> None:
        self._app = app
        self._hosts = hosts
        self._headers = dict(_HEADERS)
        if encrypted:
            self._headers["Strict-Transport-Security"] = "max-age=31536000"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def marked(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in self._headers.items():
                    headers.setdefault(name, value)
                headers.setdefault("Cache-Control", "no-store")
            await send(message)

        if not self._is_ours(Headers(scope=scope).get("host", "")):
            refusal = PlainTextResponse("this is not the name of this site's pages; see address in [web]", 421)
            await refusal(scope, receive, marked)
            return
        await self._app(scope, receive, marked)

    def _is_ours(self, host: str) -> bool:
        if self._hosts is None:
            return True
        try:
            name = urlsplit(f"//{host}").hostname or ""
        except ValueError:
            return False
        return name in self._hosts


class OriginGuard:
    """Takes what changes something from our own pages only, and from programs that show a token.

    Browsers say where a request comes from: Sec-Fetch-Site, and older ones Origin (OWASP Cross-Site Request Forgery
    Prevention Cheat Sheet: Fetch Metadata headers, with Origin to fall back on).
    """

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http" or scope["method"] in _SAFE or _is_own(Headers(scope=scope)):
            await self._app(scope, receive, send)
            return
        await PlainTextResponse("this did not come from a page of this site", 403)(scope, receive, send)


def _is_own(headers: Headers) -> bool:
    if headers.get("authorization", "").lower().startswith("bearer ") and "cookie" not in headers:
        return True
    site = headers.get("sec-fetch-site")
    if site is not None:
        return site == "same-origin"
    origin = headers.get("origin")
    if origin is None:
        return False
    try:
        return bool(origin) and urlsplit(origin).netloc.lower() == headers.get("host", "").lower()
    except ValueError:
        return False
