"""Passwords to hashes that are of no use to whoever steals them.

scrypt (RFC 7914) with N = 2^14, r = 8, p = 5: one of the settings that the OWASP Password Storage Cheat Sheet lists as
equal to N = 2^17, r = 8, p = 1; this one needs 16 MiB instead of 128, which a small board has. The hash is written as
the PHC string format has it: $scrypt$ln=14,r=8,p=5$salt$hash, both in base64 without filling.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import re
import secrets
import threading
import unicodedata
from dataclasses import dataclass
from functools import cached_property

from loggerd.errors import LoggerdError

SHORTEST, LONGEST = 10, 200
"""Characters. Length is what counts; no rules about kinds of characters (NIST SP 800-63B)."""
_FORM = re.compile(r"\$scrypt\$ln=(\d{1,2}),r=(\d{1,2}),p=(\d{1,2})\$([A-Za-z0-9+/]{16,88})\$([A-Za-z0-9+/]{43})")
_SALT_BYTES, _HASH_BYTES = 16, 32
_PATIENCE_SECONDS = 5.0


class PasswordRefused(LoggerdError):  # noqa: N818 - the family name is in the base class
    """A password that cannot be taken."""


class TooBusy(LoggerdError):  # noqa: N818
    """Too many passwords are being looked at."""


@dataclass(frozen=True)
class Cost:
    """What a try costs: N = 2^log2_n, block size r, parallelism p."""

    log2_n: int = 14
    r: int = 8
    p: int = 5

    @property
    def can_be_paid(self) -> bool:
        """Whether it is within what a hash of ours would ever ask: a garbled one must not take all the memory."""
        return 1 <= self.log2_n <= 18 and 1 <= self.r <= 16 and 1 <= self.p <= 32


class Passwords:
    """Hashes and compares, one at a time: each takes memory and a core. Thread-safe."""

    def __init__(self, cost: Cost | None = None) -> None:
        self.cost = cost or Cost()
        self._one = threading.Lock()

    def hashed(self, password: str) -> str:
        """The hash of a password that somebody chooses. Raises PasswordRefused, TooBusy."""
        return self.made_anew(accepted(password))

    def made_anew(self, password: str) -> str:
        """The hash, at today's cost, of a password that was taken before. Raises TooBusy."""
        salt = secrets.token_bytes(_SALT_BYTES)
        cost = self.cost
        found = self._scrypt(normal(password), salt, cost)
        return f"$scrypt$ln={cost.log2_n},r={cost.r},p={cost.p}${_base64(salt)}${_base64(found)}"

    def is_right(self, password: str, stored: str | None) -> bool:
        """Whether it is the password of this hash. None, for nobody of that name, takes as long as a wrong one.

        Raises TooBusy.
        """
        cost, salt, known = _parts(stored or self._nobody)
        found = self._scrypt(normal(password[:LONGEST]), salt, cost)
        same = secrets.compare_digest(found, known)
        return same and stored is not None and len(password) <= LONGEST and "\0" not in password

    def is_cheap(self, stored: str) -> bool:
        """Whether the hash was made at another cost than today's, so that it should be made anew."""
        return _parts(stored)[0] != self.cost

    @cached_property
    def _nobody(self) -> str:
        cost = self.cost
        salt, found = secrets.token_bytes(_SALT_BYTES), secrets.token_bytes(_HASH_BYTES)
        return f"$scrypt$ln={cost.log2_n},r={cost.r},p={cost.p}${_base64(salt)}${_base64(found)}"

    def _scrypt(self, password: str, salt: bytes, cost: Cost) -> bytes:
        if not self._one.acquire(timeout=_PATIENCE_SECONDS):
            raise TooBusy("too many people are signing in at the moment; try again in a few seconds")
        try:
            n, r, p = 1 << cost.log2_n, cost.r, cost.p
            most = 128 * r * (n + p + 2) + 1_048_576
            return hashlib.scrypt(
                password.encode("utf-8", "surrogatepass"), salt=salt, n=n, r=r, p=p, maxmem=most, dklen=_HASH_BYTES
            )
        finally:
            self._one.release()


def normal(password: str) -> str:
    """The same password from every keyboard: composed and decomposed letters become one (Unicode NFKC)."""
    return unicodedata.normalize("NFKC", password)


def accepted(password: str) -> str:
    """The password as it is hashed. Raises PasswordRefused."""
    if len(password) > LONGEST:
        raise PasswordRefused(f"a password has at most {LONGEST} characters")
    if "\0" in password:
        # HMAC fills its keys up with zeros: with or without them at its end, the hash would be the same.
        raise PasswordRefused("a password has no zero characters")
    same = normal(password)
    if min(len(password), len(same)) < SHORTEST:
        raise PasswordRefused(f"a password has at least {SHORTEST} characters; several words are easy to remember")
    return same


def _parts(stored: str) -> tuple[Cost, bytes, bytes]:
    """Raises LoggerdError for what is no hash of ours."""
    match = _FORM.fullmatch(stored)
    if match is not None:
        cost = Cost(*(int(one) for one in match.groups()[:3]))
        try:
            salt, known = (base64.b64decode(one + "=" * (-len(one) % 4), validate=True) for one in match.groups()[3:])
        except binascii.Error:
            salt = known = b""
        if cost.can_be_paid and len(known) == _HASH_BYTES:
            return cost, salt, known
    raise LoggerdError("the stored hash of this password is garbled; set the password anew with loggerd access")


def _base64(content: bytes) -> str:
    return base64.b64encode(content).rstrip(b"=").decode("ascii")
