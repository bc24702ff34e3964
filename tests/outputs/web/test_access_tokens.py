"""Programs show a token: what it may do, where it counts, and what becomes of wrong ones."""

from __future__ import annotations

from pathlib import Path

import pytest
from access_site import Pages, pages

from loggerd.access.doors import hash_of
from loggerd.model.access import Scope

DEVICE_WORDS = "too many wrong tries"


@pytest.fixture
def site(tmp_path: Path) -> Pages:
    return pages(tmp_path)


def bearer(token: str) -> dict[str, str]:
    return {"Authorization": f"Bearer {token}"}


def program(site: Pages, address: str = "10.0.0.9") -> object:
    """Something that sends none of a browser's headers."""
    client = site.browser(address)
    for name in ("Origin", "Sec-Fetch-Site"):
        del client.headers[name]
    return client


def test_scopes_decide_what_may_be_done(site: Pages) -> None:
    client = program(site)
    found = {}
    for scope in Scope:
        headers = bearer(site.token(scope.value, scope))
        look, enter = client.get("/api/v1/look", headers=headers), client.post("/api/v1/enter", headers=headers)
        found[scope] = (look.status_code, enter.status_code)
        assert look.json()["name"] == f"{scope.value} (program)"
        assert look.json()["by_token"] is True
    assert found == {Scope.READ: (200, 403), Scope.ENTER: (200, 200)}


def test_pages_take_no_token(site: Pages) -> None:
    client, headers = program(site), bearer(site.token("garage", Scope.ENTER))
    assert client.get("/look", headers=headers).status_code == 303
    assert client.post("/enter", headers=headers).status_code == 303
    assert client.get("/account", headers=headers).status_code == 303


def test_a_token_in_the_place_of_a_cookie_is_worth_nothing(site: Pages) -> None:
    token = site.token("garage", Scope.ENTER)
    client = program(site)
    client.cookies.set("loggerd", token)
    assert client.get("/look").status_code == 303
    assert client.get("/api/v1/look").status_code == 401


def test_a_session_in_the_place_of_a_token_is_worth_nothing(site: Pages) -> None:
    session = site.signed_in().cookies["loggerd"]
    assert program(site).get("/api/v1/look", headers=bearer(session)).status_code == 401


def test_scripts_of_our_pages_ask_the_interface_by_their_session(site: Pages) -> None:
    client = site.signed_in("ben")
    assert client.get("/api/v1/look").json()["name"] == "ben"
    assert client.post("/api/v1/enter").status_code == 403
    keeper = site.signed_in("anna")
    assert keeper.post("/api/v1/enter").status_code == 200
    foreign = {"Origin": "https://evil.test", "Sec-Fetch-Site": "cross-site"}
    assert keeper.post("/api/v1/enter", headers=foreign).status_code == 403


def test_where_a_token_is_shown_the_session_beside_it_does_not_count(site: Pages) -> None:
    client = site.signed_in("anna")
    for shown in ("Bearer wrong", "Basic YW5uYTpwYXNz", "wrong"):
        assert client.get("/api/v1/look", headers={"Authorization": shown}).status_code == 401
    reading = bearer(site.token("garage", Scope.READ))
    assert client.post("/api/v1/enter", headers=reading).status_code == 403


def test_a_word_that_looks_like_a_token_does_not_open_the_way_for_a_foreign_form(site: Pages) -> None:
    client = site.signed_in("anna")
    headers = {**bearer("x"), "Origin": "https://evil.test", "Sec-Fetch-Site": "cross-site"}
    assert client.post("/enter", headers=headers).status_code == 403


def test_a_revoked_token_is_out_at_once(site: Pages) -> None:
    client, headers = program(site), bearer(site.token("garage", Scope.READ))
    assert client.get("/api/v1/look", headers=headers).status_code == 200
    site.access.store.revoke_token("garage", site.access.line("test", "", "revoked"))
    assert client.get("/api/v1/look", headers=headers).status_code == 401


def test_the_stored_hash_of_a_token_is_no_token(site: Pages) -> None:
    token = site.token("garage", Scope.READ)
    assert token.encode() not in site.access.store.path.read_bytes()
    for stolen in (hash_of(token).hex(), hash_of(token).hex().upper()):
        assert program(site).get("/api/v1/look", headers=bearer(stolen)).status_code == 401


def test_wrong_tokens_are_slowed_down_by_address_and_a_right_one_is_not(site: Pages) -> None:
    client, right = program(site), bearer(site.token("garage", Scope.READ))
    found = [client.get("/api/v1/look", headers=bearer(f"wrong {number}")) for number in range(8)]
    assert [one.status_code for one in found] == [401] * 5 + [429] * 3
    assert found[-1].headers["retry-after"] == "5"
    assert DEVICE_WORDS in found[-1].json()["fault"]
    assert client.get("/api/v1/look", headers=right).status_code == 200
    assert program(site, "10.0.0.10").get("/api/v1/look", headers=bearer("wrong")).status_code == 401
    assert site.trail().count(": wrong token") == 6
    site.clock.pass_by(5_000)
    assert client.get("/api/v1/look", headers=bearer("wrong")).status_code == 401
    assert client.get("/api/v1/look", headers=bearer("wrong")).headers["retry-after"] == "10"


def test_wrong_tokens_do_not_hold_up_who_signs_in_from_the_same_address(site: Pages) -> None:
    for number in range(9):
        program(site, "10.0.0.7").get("/api/v1/look", headers=bearer(f"wrong {number}"))
    assert site.signed_in("anna", "10.0.0.7").get("/look").status_code == 200


def test_use_of_a_token_is_noted_to_five_minutes(site: Pages) -> None:
    client, headers = program(site), bearer(site.token("garage", Scope.READ))
    used = []
    for wait_ms in (0, 299_999, 1):
        site.clock.pass_by(wait_ms)
        client.get("/api/v1/look", headers=headers)
        used.append(site.access.store.tokens()[0].used_ms)
    assert [one - used[0] for one in used] == [0, 0, 300_000]


def test_an_odd_token_is_only_wrong(site: Pages) -> None:
    client = program(site)
    for odd in ("Bearer ", "Bearer", "Bearer \xff\xfe", "Bearer " + "x" * 10_000):
        answer = client.get("/api/v1/look", headers={"Authorization": odd.encode("latin-1")})
        assert answer.status_code == 401
        assert answer.headers["www-authenticate"] == "Bearer"
