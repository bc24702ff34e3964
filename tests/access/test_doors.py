"""Doors of one site without pages: tries at once, names, what a full disk may not do."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest
from hand_recording import HandClock

from loggerd.access.doors import Access, NameRefused, TryLater, Visitor, checked_name, hash_of
from loggerd.access.limits import address_key
from loggerd.access.passwords import Cost, Passwords, TooBusy
from loggerd.errors import StoreFull
from loggerd.model.access import Role, Scope
from loggerd.store.access import AccessStore
from loggerd.store.access_shapes import AuditLine

PASSWORD = "correct horse battery"


@pytest.fixture
def access(tmp_path: Path) -> Access:
    made = Access(AccessStore(tmp_path / "record.sqlite"), HandClock(), passwords=Passwords(Cost(4, 8, 1)))
    made.store.add_person("anna", Role.KEEPER, made.passwords.hashed(PASSWORD), made.line("test", "", "added"))
    return made


def test_tries_that_come_all_at_once_gain_nothing(access: Access) -> None:
    """Twenty at the same moment: five are looked at, as if they had come one after the other."""
    begin, outcomes = threading.Barrier(20), []

    def guess(number: int) -> None:
        begin.wait()
        try:
            outcomes.append(access.sign_in("anna", f"guess {number}", Visitor("10.0.0.1")))
        except TryLater:
            outcomes.append("later")

    threads = [threading.Thread(target=guess, args=(number,)) for number in range(20)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert (outcomes.count(None), outcomes.count("later")) == (5, 15)


def test_a_try_that_could_not_be_looked_at_does_not_count(access: Access, monkeypatch: pytest.MonkeyPatch) -> None:
    def busy(self: Passwords, password: str, stored: str | None) -> bool:
        raise TooBusy("busy")

    with monkeypatch.context() as patched:
        patched.setattr(Passwords, "is_right", busy)
        for _ in range(20):
            with pytest.raises(TooBusy):
                access.sign_in("anna", PASSWORD, Visitor("10.0.0.1"))
    assert access.sign_in("anna", PASSWORD, Visitor("10.0.0.1")) is not None


def test_a_password_changed_while_the_old_one_is_looked_at_lets_nobody_in(
    access: Access, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = Passwords.is_right

    def meanwhile(self: Passwords, password: str, stored: str | None) -> bool:
        right = real(self, password, stored)
        person = access.store.person("anna")
        assert person is not None
        access.store.set_password(person.id, self.hashed("another password"), access.line("test", "", "set"))
        return right

    monkeypatch.setattr(Passwords, "is_right", meanwhile)
    assert access.sign_in("anna", PASSWORD, Visitor("10.0.0.1")) is None
    assert access.store.sessions() == []


def test_a_full_disk_keeps_out_nobody_who_is_in(access: Access, monkeypatch: pytest.MonkeyPatch) -> None:
    begun = access.sign_in("anna", PASSWORD, Visitor("10.0.0.1"))
    assert begun is not None
    access.store.add_token("garage", hash_of("t"), Scope.READ, AuditLine(0, "", "", ""))

    def full(*_: object) -> None:
        raise StoreFull("no space")

    monkeypatch.setattr(AccessStore, "saw_session", full)
    monkeypatch.setattr(AccessStore, "saw_token", full)
    assert access.person_of(begun.session) is not None
    assert access.program_of("t", "10.0.0.1") is not None


@pytest.mark.parametrize(
    "text", ["", "  ", "a" * 61, "a/b", 'a"b', "a\\b", "<b>", "a\nb", "a\x1bb", "LoggerD", "\u202ea"]
)
def test_names_that_would_mislead_are_refused(text: str) -> None:
    with pytest.raises(NameRefused):
        checked_name(text)


@pytest.mark.parametrize(
    ("text", "name"), [(" Anna ", "Anna"), ("J\u00f6rg", "J\u00f6rg"), ("Jo\u0308rg", "J\u00f6rg"), ("a b", "a b")]
)
def test_names_are_taken_in_one_form(text: str, name: str) -> None:
    assert checked_name(text) == name


@pytest.mark.parametrize(
    ("address", "key"),
    [
        ("10.0.0.1", "10.0.0.1"),
        ("::ffff:10.0.0.1", "10.0.0.1"),
        ("2001:db8:1:2:3:4:5:6", "2001:db8:1:2::/64"),
        ("fe80::1%eth0", "fe80::/64"),
        ("", "unknown"),
        ("testclient", "unknown"),
    ],
)
def test_what_counts_as_one_address(address: str, key: str) -> None:
    assert address_key(address) == key
