"""[web]: the pages that `loggerd pages` serves."""

from __future__ import annotations

import ipaddress
from typing import Annotated
from urllib.parse import urlsplit

from pydantic import AfterValidator, Field

from loggerd.settings.base import FilePath, Table
from loggerd.settings.urls import URL_WORDS, plain_url

_LISTEN = 'the address to listen at: "127.0.0.1" for this machine only, "0.0.0.0" for every network it is on'


def _listening_address(text: str) -> str:
    try:
        ipaddress.ip_address(text)
    except ValueError:
        raise ValueError(_LISTEN) from None
    return text


class WebSettings(Table):
    """[web]. Who may look is not told here but by `loggerd access`."""

    listen: Annotated[str, AfterValidator(_listening_address)] = Field(
        default="127.0.0.1", max_length=45, description=_LISTEN
    )
    port: int = Field(default=8460, ge=0, le=65535, description="a whole number from 1 to 65535; 0 for any free one")
    address: Annotated[str, AfterValidator(plain_url)] | None = Field(
        default=None,
        max_length=500,
        description=URL_WORDS + ": the address by which keepers reach the pages, as behind a reverse proxy",
    )
    certificate_file: FilePath | None = Field(
        default=None, description="the path of a file with the certificate, for pages without a proxy before them"
    )
    key_file: FilePath | None = Field(default=None, description="the path of a file with the certificate's key")
    links_in_mails: bool = Field(
        default=False,
        description="true to put a link into mails by which an alarm can be acknowledged without signing in",
    )
    session_days: float = Field(
        default=30, ge=0.01, le=365, description="a number from 0.01 to 365: days that somebody stays signed in"
    )

    @property
    def on_this_machine(self) -> bool:
        return ipaddress.ip_address(self.listen).is_loopback

    @property
    def encrypted(self) -> bool:
        """Whether keepers reach the pages over TLS: by their own certificate, or by that of a proxy."""
        return self.certificate_file is not None or (self.address or "").startswith("https:")

    @property
    def hosts(self) -> frozenset[str] | None:
        """The names by which the pages may be asked for; None for any."""
        named = {"localhost", "127.0.0.1", "::1"}
        if self.address is not None:
            named.add((urlsplit(self.address).hostname or "").lower())
        elif not self.on_this_machine:
            return None
        return frozenset(named)
