"""Doors of one site without pages: tries at once, names, what a full disk may not do."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable
from pathlib import Path

import pytest
from hand_recording import HandClock

from loggerd.access.doors import Access, NameRefused, TryLater, Visitor, checked_name, hash_of
from loggerd.access.limits import address_key
from loggerd.access.links import link_key
from loggerd.access.passwords import Cost, Passwords, TooBusy
from loggerd.errors import StoreError, StoreFull
from loggerd.model.access import Role, Scope
from loggerd.model.scan import ClockState
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


# -- the clock --

DAY_MS = 86_400_000


def test_a_session_begun_while_the_clock_was_ahead_lasts_no_longer_for_it(access: Access) -> None:
    clock = access.clock
    assert isinstance(clock, HandClock)
    clock.step(365 * DAY_MS)
    begun = access.sign_in("anna", PASSWORD, Visitor("10.0.0.7"))
    assert begun is not None
    clock.step(-365 * DAY_MS)
    days = 0
    while access.person_of(begun.session) is not None and days < 400:
        clock.pass_by(DAY_MS)
        days += 1
    assert days == access.session_days


def test_a_clock_that_says_it_is_not_set_ends_no_session(access: Access) -> None:
    """A board without a clock chip begins in the past."""
    clock = access.clock
    assert isinstance(clock, HandClock)
    begun = access.sign_in("anna", PASSWORD, Visitor("10.0.0.7"))
    assert begun is not None
    clock.step(-365 * DAY_MS)
    clock.said = ClockState.NOT_SET
    assert access.person_of(begun.session) is not None
    clock.step(365 * DAY_MS)
    assert access.person_of(begun.session) is not None


# -- what somebody may have planted --


def test_what_a_proxy_says_of_an_address_is_shown_as_text(access: Access) -> None:
    access.sign_in("anna", "wrong", Visitor("\x1b[2J\x9b1m" + "x" * 5000))
    (last,) = access.store.audit(1)
    assert last.what == "wrong password"
    assert last.address.isprintable()
    assert len(last.address) <= 200


@pytest.mark.parametrize("ending", [".access", ".linkkey"])
@pytest.mark.parametrize("there", [True, False])
def test_a_planted_link_leads_nobody_elsewhere(tmp_path: Path, ending: str, there: bool) -> None:
    """Commands are run by root, too: who may write into the folder must not make root write or open other files."""
    record, elsewhere = tmp_path / "record.sqlite", tmp_path / "elsewhere"
    if there:
        elsewhere.write_bytes(b"k" * 32)
        elsewhere.chmod(0o644)
    (tmp_path / f"record.sqlite{ending}").symlink_to(elsewhere)
    with pytest.raises(StoreError, match="link"):
        AccessStore(record) if ending == ".access" else link_key(record)
    assert elsewhere.exists() is there
    assert not there or (elsewhere.stat().st_mode & 0o777, elsewhere.read_bytes()) == (0o644, b"k" * 32)


@pytest.mark.parametrize("ending", [".access", ".linkkey"])
def test_a_planted_pipe_holds_up_nobody(tmp_path: Path, ending: str) -> None:
    record = tmp_path / "record.sqlite"
    os.mkfifo(tmp_path / f"record.sqlite{ending}", 0o600)
    with pytest.raises(StoreError, match="plain file"):
        AccessStore(record) if ending == ".access" else link_key(record)


def test_a_file_that_is_taken_away_is_not_made_anew_for_all_to_read(access: Access) -> None:
    before = os.umask(0)
    try:
        access.store.path.unlink()
        with pytest.raises(StoreError):
            access.sign_in("anna", PASSWORD, Visitor("10.0.0.7"))
        assert not access.store.path.exists()
    finally:
        os.umask(before)


@pytest.mark.parametrize("make", [AccessStore, link_key])
def test_files_are_for_their_owner_alone_whatever_the_mask(tmp_path: Path, make: Callable[[Path], object]) -> None:
    before = os.umask(0)
    try:
        make(tmp_path / "record.sqlite")
    finally:
        os.umask(before)
    assert [one.stat().st_mode & 0o777 for one in tmp_path.iterdir()] == [0o600]
