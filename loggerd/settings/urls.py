"""Addresses of servers as they may stand in the settings."""

from __future__ import annotations

from urllib.parse import urlsplit

URL_WORDS = 'an address such as "https://server.example:8086", without a user name or password in it'


def plain_url(url: str) -> str:
    """The address itself. Raises ValueError where it has a secret in it, or cannot be called."""
    try:
        parts = urlsplit(url)
        right = parts.scheme in {"http", "https"} and bool(parts.hostname) and (parts.port or 1) > 0
    except ValueError:
        right = False
    if not right or "@" in url or parts.query or parts.fragment or not url.isascii() or " " in url:
        raise ValueError(URL_WORDS)
    return url
