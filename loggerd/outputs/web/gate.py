"""Who asks: what every request passes before anything is looked up."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Protocol

from starlette.requests import Request

from loggerd.model.access import SignedIn


@dataclass(frozen=True)
class Facts:
    """What is known of a request before it is answered. Names of headers are in small letters."""

    method: str
    path: str
    headers: Mapping[str, str] = field(default_factory=dict)
    cookies: Mapping[str, str] = field(default_factory=dict)
    address: str = ""


def facts_of(request: Request) -> Facts:
    """What is known of a request of the server."""
    headers = {name.lower(): value for name, value in request.headers.items()}
    address = request.client.host if request.client else ""
    return Facts(request.method, request.url.path, headers, dict(request.cookies), address)


class Gate(Protocol):
    """Recognises who asks. Called from several threads."""

    def recognise(self, facts: Facts, *, program: bool) -> SignedIn | None:
        """The person of a session, or, on the interface for programs, also the program of a token; None for nobody.

        Raises TooMuch where somebody tries tokens.
        """
        ...
