"""The page of whoever is signed in: how they read, where they are signed in, their password, the trail."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from access_site import PASSWORD, Pages, pages, sign_in

NEW = "a new and longer one"


@pytest.fixture
def site(tmp_path: Path) -> Pages:
    return pages(tmp_path)


def change(client: object, former: str, new: str, again: str | None = None) -> object:
    data = {"former": former, "new": new, "again": new if again is None else again}
    return client.post("/account/password", data=data)  # type: ignore[attr-defined]


def test_language_and_units_are_kept_and_used(site: Pages) -> None:
    client = site.signed_in("ben")
    answer = client.post("/account/reading", data={"language": "de", "units": "fahrenheit"})
    assert answer.headers["location"] == "/account?done=reading"
    text = client.get("/account?done=reading").text
    assert re.search(r'<option value="de"[^>]* selected', text)
    assert re.search(r'<option value="fahrenheit" selected', text)
    assert "Language and units are changed." in text
    assert "Ortsvorschriften" in text or "Vorschriften" in text  # the foot of the page is in the reader's language
    seen = site.access.person_of(client.cookies["loggerd"])
    assert seen is not None
    assert (seen.language, seen.fahrenheit) == ("de", True)


@pytest.mark.parametrize("data", [{"language": "fr", "units": "celsius"}, {"language": "en", "units": "kelvin"}, {}])
def test_what_is_not_in_the_lists_is_refused(site: Pages, data: dict[str, str]) -> None:
    assert site.signed_in().post("/account/reading", data=data).status_code == 400


def test_one_sees_and_ends_ones_own_sessions_only(site: Pages) -> None:
    here, there = site.signed_in("anna"), site.signed_in("anna", "10.5.5.5")
    other = site.signed_in("ben", "10.4.4.4")
    text = here.get("/account").text
    assert ("10.5.5.5" in text, "This one." in text) == (True, True)
    listed = text.split("Where you are signed in")[1].split("Change your password")[0]
    assert "10.4.4.4" not in listed
    ids = {one.address: one.id for one in site.access.store.sessions()}

    foreign = here.post("/account/end-session", data={"session": ids["10.4.4.4"]})
    assert foreign.status_code == 404
    assert other.get("/look").status_code == 200
    ended = here.post("/account/end-session", data={"session": ids["10.5.5.5"]})
    assert ended.headers["location"] == "/account?done=session"
    assert there.get("/look").status_code == 303
    assert here.get("/look").status_code == 200
    last = here.post("/account/end-session", data={"session": ids["10.0.0.7"]})
    assert last.headers["location"] == "/sign-in"
    assert here.get("/look").status_code == 303


@pytest.mark.parametrize("text", ["", "0", "-1", "1e3", "x", "9" * 30, "\u0661", "1 OR 1=1"])
def test_an_odd_number_of_a_session_ends_none(site: Pages, text: str) -> None:
    client = site.signed_in()
    assert client.post("/account/end-session", data={"session": text}).status_code == 404
    assert client.get("/look").status_code == 200


def test_a_changed_password_signs_out_everywhere_else(site: Pages) -> None:
    here, there = site.signed_in("anna"), site.signed_in("anna", "10.5.5.5")
    former = here.cookies["loggerd"]

    answer = change(here, PASSWORD, NEW)

    assert (answer.status_code, answer.headers["location"]) == (303, "/account?done=password")
    assert here.cookies["loggerd"] != former
    assert here.get("/look").status_code == 200
    assert there.get("/look").status_code == 303
    assert sign_in(site.browser(), "anna", PASSWORD).status_code == 403
    assert sign_in(site.browser(), "anna", NEW).status_code == 303
    assert "anna: password changed" in site.trail()


def test_a_password_is_changed_by_who_knows_it_only(site: Pages) -> None:
    client = site.signed_in("anna")
    found = [change(client, "a guess of mine", NEW).status_code for _ in range(7)]
    assert found == [403] * 5 + [429] * 2
    assert sign_in(site.browser("10.3.3.3"), "anna", NEW).status_code == 403


@pytest.mark.parametrize(
    ("new", "again", "words"),
    [
        ("short", "short", "at least 10"),
        (NEW, NEW + "x", "not the same both times"),
        ("x" * 201, "x" * 201, "at most 200"),
    ],
)
def test_a_new_password_that_cannot_be_taken_is_told_and_nothing_is_changed(
    site: Pages, new: str, again: str, words: str
) -> None:
    client = site.signed_in("anna")
    answer = change(client, PASSWORD, new, again)
    assert answer.status_code == 400
    assert words in answer.text
    assert client.get("/look").status_code == 200
    assert sign_in(site.browser(), "anna", PASSWORD).status_code == 303


def test_only_keepers_see_the_trail(site: Pages) -> None:
    sign_in(site.browser("10.6.6.6"), "anna", "wrong password")
    assert "What was done about access" not in site.signed_in("ben").get("/account").text
    text = site.signed_in("anna").get("/account").text
    assert "What was done about access" in text
    assert "wrong password" in text
    assert "10.6.6.6" in text


def test_what_a_browser_says_of_itself_is_escaped(site: Pages) -> None:
    client = site.browser(agent="<script>alert(1)</script>")
    sign_in(client, "anna")
    text = client.get("/account").text
    assert "<script>alert" not in text
    assert "&lt;script&gt;alert(1)" in text


def test_who_is_removed_is_out_at_once(site: Pages) -> None:
    client = site.signed_in("ben")
    person = site.access.store.person("ben")
    assert person is not None
    site.access.store.remove_person(person.id, site.access.line("test", "", "removed"))
    assert client.get("/account").status_code == 303
    assert (
        client.post("/account/reading", data={"language": "en", "units": "celsius"}).headers["location"] == "/sign-in"
    )
