"""What every request passes: too large bodies, forms of too many fields, hosts and methods that are not ours."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from access_site import Pages, pages_of
from hand_recording import HandClock
from quick_site import bank, settings_of, write_site
from starlette.responses import Response
from web_client import OWN, READER, client_of

from loggerd.errors import RequestRefused
from loggerd.model.access import Need
from loggerd.outputs.web.access_routes import access_routes
from loggerd.outputs.web.application import MOST_BYTES, Application
from loggerd.outputs.web.asking import Ask, Route
from loggerd.outputs.web.keeping import Keeper
from loggerd.outputs.web.routes import ROUTES, STREAMS

if TYPE_CHECKING:
    from starlette.testclient import TestClient

FORM = {**OWN, "Content-Type": "application/x-www-form-urlencoded"}


@pytest.fixture
def client(tmp_path: Path) -> TestClient:
    """Of a site that has no record yet."""
    return client_of(settings_of(write_site(tmp_path, bank("house"))))


def test_a_body_that_is_too_large_is_refused(client: TestClient) -> None:
    answer = client.post("/alarms/act", content=b"a" * (MOST_BYTES + 1), headers=FORM)

    assert answer.status_code == 413
    assert str(MOST_BYTES) in answer.text


def test_a_form_of_too_many_fields_is_refused_in_words(client: TestClient) -> None:
    answer = client.post("/alarms/act", content="&".join(f"a{n}=1" for n in range(600)), headers=FORM)

    assert answer.status_code in (400, 503)
    assert answer.status_code == 503 or "fields" in answer.text


def test_without_a_record_the_page_says_so(client: TestClient) -> None:
    answer = client.get("/")

    assert answer.status_code == 503
    assert "record" in answer.text


def test_foreign_names_of_this_host_are_refused(client: TestClient) -> None:
    assert client.get("/", headers={"Host": "evil.example"}).status_code == 421
    assert client.get("/", headers={"Host": "localhost:8460"}).status_code == 503


def test_what_a_page_does_not_take_is_told_as_a_page(client: TestClient) -> None:
    assert client.get("/nowhere").status_code == 404
    assert "there is no such page" in client.get("/nowhere").text
    assert client.post("/", headers=OWN).status_code == 405
    assert client.get("/api/v1/nowhere").json() == {"fault": "there is no such page"}


@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"Origin": "https://elsewhere.example"},
        {"Origin": "null"},
        {"Sec-Fetch-Site": "cross-site", "Origin": "http://localhost"},
        {"Sec-Fetch-Site": "same-site", "Origin": "http://localhost"},
        {"Origin": "http://localhost.elsewhere.example"},
    ],
)
def test_what_does_not_come_from_our_own_page_changes_nothing(client: TestClient, headers: dict[str, str]) -> None:
    assert client.post("/alarms/act", data={}, headers=headers).status_code == 403


def test_browsers_are_told_to_be_strict(client: TestClient) -> None:
    headers = client.get("/nowhere").headers

    assert "default-src 'none'" in headers["content-security-policy"]
    assert "unsafe" not in headers["content-security-policy"]
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["cache-control"] == "no-store"


@pytest.mark.parametrize("path", ["../site.toml", "..%2fsite.toml", "style.css/../../base.html", "%00", ""])
def test_only_carried_files_are_carried(client: TestClient, path: str) -> None:
    assert client.get(f"/static/{path}").status_code == 404
    assert client.get("/static/style.css").status_code == 200


# -- what strangers are told of faults of ours --


def doors_of(folder: Path) -> Pages:
    """All pages of a site that has no record yet, behind the real gate."""
    site = pages_of(settings_of(write_site(folder, bank("house"))), HandClock())
    routes = (*ROUTES, *access_routes(site.access))
    site.application = Application(site.settings, site.clock, Keeper(site.access, site.settings.web), routes, STREAMS)
    return site


@pytest.mark.parametrize("address", ["/sign-in", "/", "/account", "/api/v1/site", "/live/house", "/acknowledge/abc"])
def test_strangers_are_not_told_where_files_are(tmp_path: Path, address: str) -> None:
    """Of no record, and of a file of who may look that is damaged. Somebody who is signed in sees the reason."""
    site = doors_of(tmp_path)
    damaged = Path(site.access.store.path)
    if address != "/acknowledge/abc":
        damaged.write_bytes(b"no database" * 1000)
    client = site.browser()
    client.cookies.set("loggerd", "something")
    answer = client.get(address)

    assert answer.status_code == 503
    assert str(tmp_path) not in answer.text
    assert "moment" in answer.text


def test_strangers_are_not_told_where_what_they_entered_did_not_go(tmp_path: Path) -> None:
    site = doors_of(tmp_path)
    place = tmp_path / "record.sqlite.inbox"
    route = Route("/tell", _refused, Need.NOTHING, "POST", without_record=True)
    told = [client_of(site.settings, who, routes=(route,)).post("/tell", headers=OWN).text for who in (None, READER)]

    assert str(place) not in told[0]
    assert "inbox" in told[1]


def _refused(ask: Ask) -> Response:
    raise RequestRefused(f"{ask.site.record.path}.inbox: nothing can be put in")
