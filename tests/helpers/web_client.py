"""The pages without a network: a client that is let in as whoever a test wants."""

from __future__ import annotations

import warnings
from collections.abc import Iterable
from dataclasses import dataclass

from seeded_site import END_MS

from loggerd.clock import AcceleratedClock, Clock
from loggerd.model.access import Role, SignedIn
from loggerd.outputs.web.application import Application
from loggerd.outputs.web.asking import Route
from loggerd.outputs.web.gate import Facts
from loggerd.outputs.web.routes import ROUTES, STREAMS
from loggerd.outputs.web.streaming import Stream
from loggerd.settings.site import SiteSettings

with warnings.catch_warnings():
    # It would rather have httpx2 than httpx; both do.
    warnings.filterwarnings("ignore", "Using `httpx` with `starlette.testclient`")
    from starlette.testclient import TestClient

KEEPER = SignedIn("anna", Role.KEEPER)
READER = SignedIn("ben", Role.READER)
OWN = {"Origin": "http://localhost", "Sec-Fetch-Site": "same-origin"}
"""Headers of a form on one of our own pages."""


@dataclass
class LetIn:
    """A gate that takes everybody for the same one."""

    who: SignedIn | None = KEEPER

    def recognise(self, facts: Facts, *, program: bool) -> SignedIn | None:
        return self.who


def client_of(
    settings: SiteSettings,
    who: SignedIn | None = KEEPER,
    *,
    clock: Clock | None = None,
    routes: Iterable[Route] = ROUTES,
    streams: Iterable[Stream] = STREAMS,
) -> TestClient:
    """A client of all routes (or those given), signed in as `who`. The clock stands at the end of a seeded past."""
    application = Application(settings, clock or AcceleratedClock(END_MS, 1), LetIn(who), routes, streams)
    return TestClient(application.asgi(), base_url="http://localhost", follow_redirects=False)
