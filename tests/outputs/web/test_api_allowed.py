"""Who may do what: every address of the pages and of the interface, asked by everybody there is, at the real gate."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from access_site import CHEAP, PASSWORD, line
from hand_recording import HandClock
from seeded_site import weak_cabin
from web_doors import Told, knock

from loggerd.access.doors import Access, Visitor, hash_of, new_token
from loggerd.access.passwords import Passwords
from loggerd.model.access import Need, Role, Scope
from loggerd.outputs.web.access_routes import access_routes
from loggerd.outputs.web.application import Application
from loggerd.outputs.web.asking import Route
from loggerd.outputs.web.keeping import Keeper, session_cookie
from loggerd.outputs.web.routes import ROUTES, STREAMS
from loggerd.outputs.web.streaming import Stream
from loggerd.store.access import AccessStore

OWN = {"origin": "http://localhost", "sec-fetch-site": "same-origin"}
WHO: dict[str, tuple[Role | None, bool]] = {
    "nobody": (None, False),
    "reader": (Role.READER, False),
    "keeper": (Role.KEEPER, False),
    "read token": (Role.READER, True),
    "enter token": (Role.KEEPER, True),
}
"""What each may do by the table of roles, and whether a token shows it."""
PLACES = {"bank": "house", "entry": "1", "token": "no-such-token"}
SHORT = "?from=2026-09-21T13:00Z"


@dataclass
class House:
    """The application with two people and two tokens."""

    app: Any
    access: Access
    cookie: str
    tokens: dict[str, str]
    routes: tuple[Route | Stream, ...]

    def headers(self, name: str) -> Mapping[str, str]:
        """Of a new session, since signing out is among what is asked; or of the token."""
        if name in self.tokens:
            return {"authorization": f"Bearer {self.tokens[name]}"}
        if name == "nobody":
            return OWN
        begun = self.access.sign_in(name, PASSWORD, Visitor("192.0.2.7"))
        assert begun is not None
        return {**OWN, "cookie": f"{self.cookie}={begun.session}"}


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> House:
    site = weak_cabin(Path(tmp_path_factory.mktemp("allowed")))
    clock = HandClock()
    store = AccessStore(Path(site.record.path))
    access = Access(store, clock, site.web.session_days, Passwords(CHEAP))
    for name, role in (("reader", Role.READER), ("keeper", Role.KEEPER)):
        store.add_person(name, role, access.passwords.hashed(PASSWORD), line(clock))
    tokens = {"read token": new_token(), "enter token": new_token()}
    for (name, token), scope in zip(tokens.items(), (Scope.READ, Scope.ENTER), strict=True):
        assert store.add_token(name, hash_of(token), scope, line(clock))
    routes = (*ROUTES, *access_routes(access))
    app = Application(site, clock, Keeper(access, site.web), routes, STREAMS).asgi()
    return House(app, access, session_cookie(site.web), tokens, (*routes, *STREAMS))


def method_of(one: Route | Stream) -> str:
    return one.method if isinstance(one, Route) else "GET"


def address_of(path: str) -> str:
    return path.format(**PLACES) + (SHORT if path.startswith("/export/") else "")


def expected(one: Route | Stream, name: str) -> str:
    """What Need says: allowed, or how it is refused."""
    role, by_token = WHO[name]
    program = isinstance(one, Route) and one.program
    known = role if program or not by_token else None
    if one.need.met_by(known):
        return "allowed"
    if isinstance(one, Stream):
        return "401"
    if known is not None:
        return "403"
    return "401" if program else "sign in"


def seen(one: Route | Stream, told: Told) -> str:
    """What happened. A page itself may say 403 of what was typed into it, such as a wrong password."""
    if one.need is Need.NOTHING:
        return "allowed"
    if told.status == 303 and told.headers["location"].partition("?")[0] == "/sign-in":
        return "sign in"
    said_by_the_page = told.headers["content-type"].startswith("text/html")
    return str(told.status) if told.status in (401, 403) and not said_by_the_page else "allowed"


async def test_each_may_what_the_table_says_and_no_more(house: House) -> None:
    """What is posted is an empty form or body: it is refused in words, or does nothing."""
    rows, wrong = [], []
    for one in house.routes:
        cells = []
        for name in WHO:
            told = await knock(house.app, method_of(one), address_of(one.path), house.headers(name))
            answer = seen(one, told)
            cells.append(f"{answer} {told.status}" if answer == "allowed" else answer)
            if answer != expected(one, name) or told.status >= 500:
                wrong.append(f"{name}: {method_of(one)} {one.path}: {told.status}, expected {expected(one, name)}")
        rows.append([f"{method_of(one)} {one.path}", one.need.value, *cells])
    print(f"\n{'address':48} {'need':8} " + " ".join(f"{name:12}" for name in WHO))
    for address, need, *cells in rows:
        print(f"{address:48} {need:8} " + " ".join(f"{cell:12}" for cell in cells))
    assert wrong == []


async def test_a_wrong_token_is_nobody_even_beside_a_session(house: House) -> None:
    headers = {**house.headers("keeper"), "authorization": "Bearer guessed"}
    told = await knock(house.app, "GET", "/api/v1/site", headers)
    assert (told.status, told.headers["www-authenticate"]) == (401, "Bearer")


async def test_a_cookie_that_was_made_up_opens_nothing(house: House) -> None:
    for address in ("/api/v1/site", "/export/house.csv"):
        told = await knock(house.app, "GET", address, {"cookie": f"{house.cookie}=made-up"})
        assert told.status == 401


async def test_another_site_cannot_make_a_browser_tell_something(house: House) -> None:
    """A keeper's cookie goes along with a foreign page's request: it is refused for where it comes from."""
    session = house.headers("keeper")["cookie"]
    for foreign in ({"sec-fetch-site": "cross-site"}, {"origin": "https://elsewhere.test"}, {}):
        headers = {"cookie": session, "content-type": "application/json", **foreign}
        told = await knock(house.app, "POST", "/api/v1/log", headers, b"{}")
        assert told.status == 403


def test_whatever_a_program_tells_needs_the_scope_to_enter() -> None:
    """The table above is made from Need; that Need itself is right is said here once."""
    told = {(one.path, one.need) for one in ROUTES if one.program and one.method != "GET"}
    assert told == {("/api/v1/log", Need.KEEPER), ("/api/v1/alarms/act", Need.KEEPER)}
    assert {one.need for one in ROUTES if one.program and one.method == "GET"} == {Need.READER}
