"""Passwords: the hash is scrypt's of RFC 7914, carries its costs, and says nothing to whoever steals it."""

from __future__ import annotations

import base64
import hashlib
import threading

import pytest

from loggerd.access import passwords as module
from loggerd.access.passwords import LONGEST, Cost, PasswordRefused, Passwords, TooBusy
from loggerd.errors import LoggerdError

CHEAP = Cost(4, 8, 1)
PASSWORD = "correct horse battery"


def unfilled(content: bytes) -> str:
    return base64.b64encode(content).rstrip(b"=").decode()


def test_hashes_are_those_of_the_standard() -> None:
    """RFC 7914, section 12, third and second vector; the first 32 of 64 bytes: they do not depend on the length, for
    PBKDF2-HMAC-SHA256 gives blocks of 32."""
    known = {
        Cost(14, 8, 1): (
            "pleaseletmein",
            b"SodiumChloride",
            "7023bdcb3afd7348461c06cd81fd38ebfda8fbba904f8e3ea9b543f6545da1f2",
        ),
        Cost(10, 8, 16): ("password", b"NaCl", "fdbabe1c9d3472007856e7190d01e9fe7c6ad7cbc8237830e77376634b373162"),
    }
    for cost, (password, salt, expected) in known.items():
        assert Passwords()._scrypt(password, salt, cost).hex() == expected


def test_the_cost_is_one_that_owasp_names() -> None:
    """OWASP Password Storage Cheat Sheet, scrypt: N=2^17 p=1, 2^16 p=2, 2^15 p=3, 2^14 p=5, 2^13 p=10, all with r=8
    (the list from memory)."""
    assert Cost() in {Cost(17, 8, 1), Cost(16, 8, 2), Cost(15, 8, 3), Cost(14, 8, 5), Cost(13, 8, 10)}
    stored = Passwords().hashed(PASSWORD)
    assert stored.startswith("$scrypt$ln=14,r=8,p=5$")
    assert Passwords().is_right(PASSWORD, stored)


def test_the_stored_text_is_of_the_phc_form_and_holds_what_hashlib_gives() -> None:
    stored = Passwords(CHEAP).hashed(PASSWORD)
    _, name, costs, salt_text, hash_text = stored.split("$")
    salt = base64.b64decode(salt_text + "==")

    assert (name, costs, len(salt)) == ("scrypt", "ln=4,r=8,p=1", 16)
    assert hash_text == unfilled(hashlib.scrypt(PASSWORD.encode(), salt=salt, n=16, r=8, p=1, dklen=32))


def test_right_and_wrong_passwords_are_told_apart() -> None:
    passwords = Passwords(CHEAP)
    stored = passwords.hashed(PASSWORD)

    assert passwords.is_right(PASSWORD, stored)
    for wrong in ("", PASSWORD + " ", PASSWORD[:-1], PASSWORD.upper(), stored, "\ud800", PASSWORD + "\0"):
        assert not passwords.is_right(wrong, stored)
        assert not passwords.is_right(wrong, None)


def test_the_same_password_has_another_hash_each_time() -> None:
    passwords = Passwords(CHEAP)

    assert len({passwords.hashed(PASSWORD) for _ in range(5)}) == 5


def test_a_stolen_hash_is_no_password() -> None:
    passwords = Passwords(CHEAP)
    stored = passwords.hashed(PASSWORD)

    assert not passwords.is_right(stored, stored)
    assert PASSWORD not in stored


def test_one_letter_typed_in_two_ways_is_the_same_password() -> None:
    passwords = Passwords(CHEAP)
    stored = passwords.hashed("Bl\u00e4tterteig mit Salz")

    assert passwords.is_right("Bla\u0308tterteig mit Salz", stored)
    assert not passwords.is_right("Blatterteig mit Salz", stored)


@pytest.mark.parametrize(
    ("password", "taken"),
    [
        ("123456789", False),
        ("1234567890", True),
        ("x" * LONGEST, True),
        ("x" * (LONGEST + 1), False),
        ("", False),
        ("1234567890\0", False),
    ],
)
def test_length_is_what_counts(password: str, taken: bool) -> None:
    if taken:
        passwords = Passwords(CHEAP)
        assert passwords.is_right(password, passwords.hashed(password))
    else:
        with pytest.raises(PasswordRefused, match="characters"):
            Passwords(CHEAP).hashed(password)


def test_what_is_longer_than_a_password_is_wrong_also_where_it_begins_right() -> None:
    passwords = Passwords(CHEAP)

    assert not passwords.is_right("x" * (LONGEST + 1), passwords.hashed("x" * LONGEST))


def test_a_hash_of_other_costs_is_still_right_and_known_to_be_made_anew() -> None:
    older = Passwords(Cost(3, 8, 1)).hashed(PASSWORD)
    today = Passwords(CHEAP)

    assert today.is_right(PASSWORD, older)
    assert today.is_cheap(older)
    assert not today.is_cheap(today.hashed(PASSWORD))


@pytest.mark.parametrize(
    "garbled",
    [
        "plain text",
        "$scrypt$ln=30,r=8,p=5$" + "A" * 22 + "$" + "A" * 43,
        "$scrypt$ln=4,r=99,p=1$" + "A" * 22 + "$" + "A" * 43,
    ],
)
def test_a_garbled_hash_is_told_and_takes_no_memory(garbled: str) -> None:
    with pytest.raises(LoggerdError, match="set the password anew"):
        Passwords(CHEAP).is_right(PASSWORD, garbled)


def test_nobody_of_that_name_costs_one_hashing_like_somebody(monkeypatch: pytest.MonkeyPatch) -> None:
    """Counted, not timed: the same costs are paid for a name that does not exist."""
    paid: list[tuple[int, int, int]] = []
    real = hashlib.scrypt

    def counted(password: bytes, **costs: int) -> bytes:
        paid.append((costs["n"], costs["r"], costs["p"]))
        return real(password, **costs)

    monkeypatch.setattr(module.hashlib, "scrypt", counted)
    passwords = Passwords(CHEAP)
    stored = passwords.hashed(PASSWORD)
    paid.clear()
    passwords.is_right("wrong password", stored)
    somebody = list(paid)
    paid.clear()
    assert not passwords.is_right("wrong password", None)
    assert paid == somebody == [(16, 8, 1)]


def test_one_at_a_time_and_who_waits_too_long_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "_PATIENCE_SECONDS", 0.05)
    passwords = Passwords(CHEAP)
    stored = passwords.hashed(PASSWORD)
    with passwords._one:
        refused = []

        def look() -> None:
            try:
                passwords.is_right(PASSWORD, stored)
            except TooBusy as busy:
                refused.append(str(busy))

        thread = threading.Thread(target=look)
        thread.start()
        thread.join()
        assert len(refused) == 1
    assert passwords.is_right(PASSWORD, stored)
