"""Signing in and out as a browser does it, and what strangers try instead."""

from __future__ import annotations

from pathlib import Path

import pytest
from access_site import PASSWORD, TLS_WEB, Pages, pages, sign_in

from loggerd.access.doors import IDLE_DAYS, hash_of
from loggerd.access.passwords import Cost, Passwords
from loggerd.model.access import Role, Scope
from loggerd.outputs.web.sign_in import own_place

DAY_MS = 86_400_000
MINUTE_MS = 60_000
WRONG = "not the password"


@pytest.fixture
def site(tmp_path: Path) -> Pages:
    return pages(tmp_path)


# -- in and out --


def test_who_signs_in_is_seen_until_they_sign_out(site: Pages) -> None:
    client = site.browser()
    kept_out = client.get("/look?a=1")
    assert (kept_out.status_code, kept_out.headers["location"]) == (303, "/sign-in?next=%2Flook%3Fa%3D1")
    form = client.get("/sign-in?next=%2Flook%3Fa%3D1")
    assert 'value="/look?a=1"' in form.text

    answer = sign_in(client, "Anna", place="/look?a=1")

    assert (answer.status_code, answer.headers["location"]) == (303, "/look?a=1")
    assert client.get("/look").json() == {"name": "anna", "role": "keeper", "by_token": False}
    assert client.get("/sign-in?next=/look").headers["location"] == "/look"
    left = client.post("/sign-out")
    assert (left.status_code, left.headers["location"]) == (303, "/sign-in")
    assert "loggerd" not in client.cookies
    assert client.get("/look").status_code == 303
    assert site.trail()[-2:] == ["anna: signed in", "anna: signed out"]


def test_the_cookie_of_who_signed_out_is_worth_nothing(site: Pages) -> None:
    client = site.signed_in()
    stolen = client.cookies["loggerd"]
    client.post("/sign-out")
    thief = site.browser("10.9.9.9")
    thief.cookies.set("loggerd", stolen)
    assert thief.get("/look").status_code == 303


def test_roles_decide_what_may_be_done(site: Pages) -> None:
    """Rows: who; columns: look, enter."""
    table = {"nobody": site.browser(), "ben": site.signed_in("ben"), "anna": site.signed_in("anna")}
    found = {name: (one.get("/look").status_code, one.post("/enter").status_code) for name, one in table.items()}
    assert found == {"nobody": (303, 303), "ben": (200, 403), "anna": (200, 200)}


def test_a_role_that_is_taken_away_is_gone_at_once(site: Pages) -> None:
    client = site.signed_in("anna")
    person = site.access.store.person("anna")
    assert person is not None
    site.access.store.set_role(person.id, Role.READER, site.access.line("test", "", "role"))
    assert client.post("/enter").status_code == 403


def test_before_anybody_is_added_the_page_says_which_command_to_run(tmp_path: Path) -> None:
    site = pages(tmp_path, people=False)
    client = site.browser()
    for answer in (client.get("/sign-in"), sign_in(client, "admin", "admin"), sign_in(client, "", "")):
        assert "loggerd access site.toml add YOUR-NAME --role keeper" in answer.text
        assert 'type="password"' not in answer.text
        assert "set-cookie" not in answer.headers


# -- cookies --


def cookies_of(answer: object) -> dict[str, set[str]]:
    """Name of each cookie that an answer sets: its attributes."""
    found = {}
    for text in answer.headers.get_list("set-cookie"):  # type: ignore[attr-defined]
        first, *rest = text.split("; ")
        found[first.partition("=")[0]] = {one for one in rest if not one.startswith("expires")}
    return found


def test_cookies_over_an_open_line_on_this_machine(site: Pages) -> None:
    answer = sign_in(site.browser())
    assert cookies_of(answer) == {
        "loggerd": {"HttpOnly", "Max-Age=2592000", "Path=/", "SameSite=lax"},
        "loggerd-device": {"HttpOnly", "Max-Age=34560000", "Path=/", "SameSite=strict"},
    }


def test_cookies_over_tls_stay_on_this_host(tmp_path: Path) -> None:
    """RFC 6265bis: __Host- wants Secure, Path=/ and no Domain."""
    site = pages(tmp_path, TLS_WEB + "session_days = 7\n")
    client = site.browser()
    found = cookies_of(sign_in(client))
    assert found == {
        "__Host-loggerd": {"HttpOnly", "Max-Age=604800", "Path=/", "SameSite=lax", "Secure"},
        "__Host-loggerd-device": {"HttpOnly", "Max-Age=34560000", "Path=/", "SameSite=strict", "Secure"},
    }
    assert client.get("/look").status_code == 200
    assert cookies_of(client.post("/sign-out")) == {
        "__Host-loggerd": {"HttpOnly", "Max-Age=0", "Path=/", "SameSite=lax", "Secure"}
    }


def test_over_tls_a_cookie_that_another_host_can_plant_is_not_looked_at(tmp_path: Path) -> None:
    site = pages(tmp_path, TLS_WEB)
    session = site.signed_in().cookies["__Host-loggerd"]
    client = site.browser()
    client.cookies.set("loggerd", session)
    assert client.get("/look").status_code == 303


def test_a_planted_session_id_is_not_taken_up(site: Pages) -> None:
    """Session fixation: the id after signing in is another than before, and the former one is ended."""
    client = site.signed_in("ben")
    planted = client.cookies["loggerd"]
    sign_in(client, "anna")
    assert client.cookies["loggerd"] != planted
    thief = site.browser()
    thief.cookies.set("loggerd", planted)
    assert thief.get("/look").status_code == 303
    made_up = site.browser()
    made_up.cookies.set("loggerd", "chosen-by-the-attacker")
    sign_in(made_up, "anna")
    assert site.access.session("chosen-by-the-attacker") is None


def test_ids_are_long_random_and_never_stored_as_they_are(site: Pages) -> None:
    session = site.signed_in().cookies["loggerd"]
    assert len(session) == 43  # 32 bytes in base64url
    content = site.access.store.path.read_bytes()
    assert session.encode() not in content
    assert hash_of(session) in content
    assert PASSWORD.encode() not in content


def test_what_lies_in_the_file_lets_nobody_in(site: Pages) -> None:
    """A stolen file: neither hash of password nor of session is a password or a session."""
    session = site.signed_in().cookies["loggerd"]
    person = site.access.store.person("anna")
    assert person is not None
    for stolen in (hash_of(session).hex(), hash_of(session).decode("latin-1")):
        assert site.access.person_of(stolen) is None
    assert sign_in(site.browser(), "anna", person.password).status_code == 403


# -- time --


def test_a_session_ends_when_nobody_uses_it(tmp_path: Path) -> None:
    site = pages(tmp_path, "[web]\nsession_days = 365\n")
    client = site.signed_in()
    site.clock.pass_by(IDLE_DAYS * DAY_MS - MINUTE_MS)
    assert client.get("/look").status_code == 200
    site.clock.pass_by(IDLE_DAYS * DAY_MS - MINUTE_MS)
    assert client.get("/look").status_code == 200
    site.clock.pass_by(IDLE_DAYS * DAY_MS)
    assert client.get("/look").status_code == 303


def test_a_session_ends_however_much_it_is_used(site: Pages) -> None:
    client = site.signed_in()
    days = 0
    while client.get("/look").status_code == 200 and days < 100:
        site.clock.pass_by(DAY_MS)
        days += 1
    assert days == 30


def test_a_wall_clock_that_is_set_back_keeps_nobody_out(site: Pages) -> None:
    client = site.signed_in()
    site.clock.step(-400 * DAY_MS)
    assert client.get("/look").status_code == 200


# -- guessing --


def test_an_unknown_name_takes_the_same_path_as_a_wrong_password(site: Pages, monkeypatch: pytest.MonkeyPatch) -> None:
    looked: list[bool] = []
    real = Passwords.is_right

    def seen(self: Passwords, password: str, stored: str | None) -> bool:
        looked.append(stored is not None)
        return real(self, password, stored)

    monkeypatch.setattr(Passwords, "is_right", seen)
    answers = {}
    for name in ("anna", "nobody"):
        client = site.browser(f"10.0.1.{len(name)}")
        answers[name] = [
            (one.status_code, one.text.split("<main")[1].split("<footer")[0], one.headers.get("retry-after"))
            for one in (sign_in(client, name, WRONG) for _ in range(7))
        ]
    assert answers["anna"] == answers["nobody"]
    assert [status for status, _, _ in answers["anna"]] == [403] * 5 + [429] * 2
    assert looked == [True] * 5 + [False] * 5


def test_after_five_wrong_tries_one_waits_and_the_waits_double(site: Pages) -> None:
    client = site.browser()
    waits = []
    for _ in range(4):
        assert sign_in(client, "anna", WRONG).status_code == 403
    for _ in range(3):
        assert sign_in(client, "anna", WRONG).status_code == 403
        answer = sign_in(client, "anna", PASSWORD)
        assert answer.status_code == 429
        assert "set-cookie" not in answer.headers
        waits.append(int(answer.headers["retry-after"]))
        assert f"Try again in {waits[-1]} s" in answer.text
        site.clock.pass_by(waits[-1] * 1000)
    assert waits == [5, 10, 20]
    assert sign_in(client, "anna", PASSWORD).status_code == 303
    assert sign_in(client, "anna", WRONG).status_code == 403


def test_a_right_password_makes_former_wrong_ones_forgotten(site: Pages) -> None:
    """Of this person at this address; those for the address stay, and right ones do not count there."""
    for _ in range(2):
        found = [sign_in(site.browser(), "anna", WRONG).status_code for _ in range(4)]
        assert [*found, sign_in(site.browser(), "anna").status_code] == [403] * 4 + [303]
    assert [sign_in(site.browser(), "ben").status_code for _ in range(12)] == [303] * 12
    assert [sign_in(site.browser(), "carl", WRONG).status_code for _ in range(3)] == [403, 403, 429]


def test_waits_survive_a_restart(site: Pages, tmp_path: Path) -> None:
    client = site.browser()
    for _ in range(5):
        sign_in(client, "anna", WRONG)
    again = pages(tmp_path, people=False)
    again.clock.step(site.clock.wall_ms() - again.clock.wall_ms())
    assert sign_in(again.browser(), "anna").status_code == 429


def test_many_names_from_one_address_are_slowed_down_too(site: Pages) -> None:
    client = site.browser("10.6.6.6")
    found = [sign_in(client, f"name {number}", WRONG).status_code for number in range(11)]
    assert found == [403] * 10 + [429]
    assert sign_in(site.browser("10.6.6.7"), "anna").status_code == 303


def test_all_addresses_of_one_network_of_ipv6_are_one(site: Pages) -> None:
    found = [
        sign_in(site.browser(f"2001:db8:1:2::{number:x}"), f"name {number}", WRONG).status_code
        for number in range(1, 12)
    ]
    assert found == [403] * 10 + [429]
    assert sign_in(site.browser("2001:db8:1:3::1"), "ben").status_code == 303


def test_one_name_from_many_addresses_is_slowed_down_but_gently(site: Pages) -> None:
    found = [sign_in(site.browser(f"10.1.0.{number}"), "anna", WRONG) for number in range(40)]
    assert [one.status_code for one in found] == [403] * 20 + [429] * 20
    assert int(found[-1].headers["retry-after"]) == 2
    for number in range(40, 60):
        site.clock.pass_by(60_000)
        sign_in(site.browser(f"10.1.0.{number}"), "anna", WRONG)
    assert int(sign_in(site.browser("10.2.0.1"), "anna", WRONG).headers["retry-after"]) == 60


def test_a_stranger_cannot_lock_out_who_has_signed_in_from_this_browser_before(site: Pages) -> None:
    own = site.signed_in("anna", "10.0.0.7")
    own.post("/sign-out")
    for number in range(30):
        # From elsewhere, and even from the same address.
        sign_in(site.browser(f"10.1.0.{number}"), "anna", WRONG)
        sign_in(site.browser("10.0.0.7"), "anna", WRONG)
    assert sign_in(site.browser("10.0.0.7"), "anna").status_code == 429
    assert sign_in(own, "anna").status_code == 303


def test_a_browser_known_of_one_person_is_nothing_special_for_another(site: Pages) -> None:
    client = site.signed_in("ben")
    found = [sign_in(client, "anna", WRONG).status_code for _ in range(6)]
    assert found == [403] * 5 + [429]


def test_a_known_browser_is_slowed_down_like_any_other(site: Pages) -> None:
    client = site.signed_in("anna")
    found = [sign_in(client, "anna", WRONG).status_code for _ in range(6)]
    assert found == [403] * 5 + [429]
    assert sign_in(site.browser("10.0.0.8"), "anna").status_code == 303


def test_a_hash_made_at_a_lower_cost_is_made_anew_when_its_owner_signs_in(site: Pages) -> None:
    person = site.access.store.person("anna")
    assert person is not None
    weak = Passwords(Cost(2, 8, 1)).made_anew(PASSWORD)
    site.access.store.set_password(person.id, weak, site.access.line("test", "", "set"))
    client = site.signed_in("anna")
    after = site.access.store.person("anna")
    assert after is not None
    assert after.password.startswith("$scrypt$ln=4,")
    assert client.get("/look").status_code == 200
    assert sign_in(site.browser()).status_code == 303


# -- other sites --


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "https://evil.test", "Sec-Fetch-Site": "cross-site"},
        {"Origin": "http://localhost", "Sec-Fetch-Site": "cross-site"},
        {"Origin": "http://localhost", "Sec-Fetch-Site": "same-site"},
        {"Origin": "http://localhost", "Sec-Fetch-Site": "none"},
        {"Origin": "http://evil.test"},
        {"Origin": "null"},
        {"Origin": "http://localhost:8460"},
        {},
    ],
)
@pytest.mark.parametrize("path", ["/sign-in", "/sign-out", "/enter", "/account/reading", "/account/end-session"])
def test_forms_of_other_sites_are_refused(site: Pages, path: str, headers: dict[str, str]) -> None:
    client = site.signed_in()
    for name in ("Origin", "Sec-Fetch-Site"):
        del client.headers[name]
    before = site.trail()
    answer = client.post(path, data={"name": "ben", "password": PASSWORD, "language": "de"}, headers=headers)
    assert answer.status_code == 403
    assert "set-cookie" not in answer.headers
    assert site.trail() == before
    assert client.get("/look").status_code == 200


def test_signing_out_by_a_link_is_not_possible(site: Pages) -> None:
    client = site.signed_in()
    assert client.get("/sign-out").status_code == 405
    assert client.get("/look").status_code == 200


@pytest.mark.parametrize(
    "place",
    [
        "https://evil.test/",
        "//evil.test/",
        "///evil.test/",
        "/\\evil.test/",
        "\\\\evil.test/",
        "/\t/evil.test/",
        "/\n/evil.test/",
        "\t//evil.test/",
        " //evil.test",
        "javascript:alert(1)",
        "evil.test",
        "",
        "/a\r\nSet-Cookie: loggerd=x",
        "/\x00",
        "/" + "a" * 1000,
    ],
)
def test_nobody_is_led_to_another_site(site: Pages, place: str) -> None:
    client = site.browser()
    assert sign_in(client, place=place).headers["location"] == "/"
    again = client.get("/sign-in", params={"next": place})
    assert again.headers["location"] == "/"
    assert "evil" not in site.browser().get("/sign-in", params={"next": place}).text


@pytest.mark.parametrize("place", ["/", "/bank/my%20house/cycles?from=1&until=2#x", "/a//b", "/bank/Gr\u00fcn"])
def test_pages_of_this_site_are_led_to(place: str) -> None:
    assert own_place(place) == place


def test_no_line_of_the_head_can_be_made_by_what_is_sent(site: Pages) -> None:
    evil = "x\r\nSet-Cookie: loggerd=planted"
    client = site.browser(agent="y")
    for name in (evil, evil + "\x00", "a" * 5000, "\ud800".encode("utf-8", "surrogatepass").decode("latin-1")):
        answer = sign_in(client, name, evil, place=f"/{evil}")
        assert answer.status_code in {403, 429}
        assert "set-cookie" not in answer.headers
        site.clock.pass_by(900_000)


def test_what_a_page_shows_of_what_was_sent_is_escaped(site: Pages) -> None:
    text = site.browser().get("/sign-in", params={"next": '/"><script>alert(1)</script>'}).text
    assert "<script>alert" not in text
    assert "&lt;script&gt;alert(1)" in text


# -- the trail --


def test_the_trail_tells_what_was_done_and_no_secret(site: Pages) -> None:
    client = site.browser()
    sign_in(client, "anna", "a wrong secret 1")
    sign_in(client, "a password typed as a name", "a wrong secret 2")
    site.clock.pass_by(900_000)
    sign_in(client, "anna")
    token = site.token("garage", Scope.READ)
    client.get("/api/v1/look", headers={"Authorization": "Bearer wrong-token-secret"})
    lines = site.access.store.audit(100)
    assert [(one.who, one.what, one.address) for one in reversed(lines)][2:] == [
        ("anna", "wrong password", "10.0.0.7"),
        ("", "unknown name", "10.0.0.7"),
        ("anna", "signed in", "10.0.0.7"),
        ("test", "made", ""),
        ("", "wrong token", "10.0.0.7"),
    ]
    content = site.access.store.path.read_bytes()
    secrets = ("a wrong secret", "typed as a name", PASSWORD, "wrong-token-secret", token, client.cookies["loggerd"])
    assert [one for one in secrets if one.encode() in content] == []


def test_pages_of_access_are_kept_by_no_cache(site: Pages) -> None:
    client = site.signed_in()
    for path in ("/sign-in", "/account", "/look"):
        assert client.get(path).headers["cache-control"] == "no-store"
