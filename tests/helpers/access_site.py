"""Pages behind the real gate, with a clock that a test sets and hashing that costs little."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from cli_files import SITE
from hand_recording import HandClock
from starlette.responses import Response
from web_client import TestClient

from loggerd.access.doors import Access, hash_of, new_token
from loggerd.access.passwords import Cost, Passwords
from loggerd.model.access import Need, Role, Scope
from loggerd.outputs.web.access_routes import access_routes
from loggerd.outputs.web.application import Application
from loggerd.outputs.web.asking import Ask, Route
from loggerd.outputs.web.keeping import Keeper
from loggerd.settings.load import load_settings
from loggerd.settings.site import SiteSettings
from loggerd.store.access import AccessStore
from loggerd.store.access_shapes import AuditLine

PASSWORD = "correct horse battery"
CHEAP = Cost(4, 8, 1)
TLS_WEB = '[web]\naddress = "https://hut.test"\n'


@dataclass
class Pages:
    """One site with two people, and pages that say who is seen."""

    settings: SiteSettings
    access: Access
    clock: HandClock
    application: Application

    def browser(self, address: str = "10.0.0.7", agent: str = "Testing 1.0") -> TestClient:
        """A browser of its own, that sends forms as one of our pages does."""
        web = self.settings.web
        base = "https://hut.test" if web.encrypted else "http://localhost"
        client = TestClient(self.application.asgi(), base_url=base, follow_redirects=False, client=(address, 50_000))
        client.headers.update({"User-Agent": agent, "Origin": base, "Sec-Fetch-Site": "same-origin"})
        return client

    def signed_in(self, name: str = "anna", address: str = "10.0.0.7") -> TestClient:
        client = self.browser(address)
        answer = sign_in(client, name)
        assert answer.status_code == 303, answer.text
        return client

    def token(self, name: str, scope: Scope) -> str:
        token = new_token()
        assert self.access.store.add_token(name, hash_of(token), scope, line(self.clock))
        return token

    def trail(self) -> list[str]:
        """What was done, the oldest first."""
        return [f"{one.who}: {one.what}" for one in reversed(self.access.store.audit(1000))]


def line(clock: HandClock, what: str = "made") -> AuditLine:
    return AuditLine(clock.wall_ms(), "test", "", what)


def sign_in(client: TestClient, name: str = "anna", password: str = PASSWORD, place: str = "/") -> Response:
    return client.post("/sign-in", data={"name": name, "password": password, "next": place})


def _who(ask: Ask) -> Response:
    return ask.json({"name": ask.who.name, "role": ask.who.role.value, "by_token": ask.who.by_token} if ask.who else {})


SHOWN = (
    Route("/look", _who, Need.READER, without_record=True),
    Route("/enter", _who, Need.KEEPER, "POST", without_record=True),
    Route("/api/v1/look", _who, Need.READER, program=True, without_record=True),
    Route("/api/v1/enter", _who, Need.KEEPER, "POST", program=True, without_record=True),
)
"""Addresses that say who is seen."""


def pages(folder: Path, web: str = "", people: bool = True) -> Pages:
    """Pages of a small site. `web`: its table [web]."""
    path = folder / "site.toml"
    path.write_text(SITE + web, encoding="utf-8")
    settings, clock = load_settings(path), HandClock()
    return pages_of(settings, clock, people)


def pages_of(settings: SiteSettings, clock: HandClock, people: bool = True) -> Pages:
    store = AccessStore(Path(settings.record.path))
    access = Access(store, clock, settings.web.session_days, Passwords(CHEAP))
    if people:
        for name, role in (("anna", Role.KEEPER), ("ben", Role.READER)):
            store.add_person(name, role, access.passwords.hashed(PASSWORD), line(clock))
    routes = (*access_routes(access), *SHOWN)
    gate = Keeper(access, settings.web)
    return Pages(settings, access, clock, Application(settings, clock, gate, routes))
