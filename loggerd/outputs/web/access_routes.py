"""Addresses that need the file of who may look: added to ROUTES by whoever puts the application together."""

from __future__ import annotations

from loggerd.access.doors import Access
from loggerd.outputs.web.account import AccountPages
from loggerd.outputs.web.acknowledging import AcknowledgePages
from loggerd.outputs.web.asking import Route
from loggerd.outputs.web.sign_in import SignInPages


def access_routes(access: Access) -> tuple[Route, ...]:
    """All of them."""
    return (*SignInPages(access).routes(), *AccountPages(access).routes(), *AcknowledgePages(access).routes())
