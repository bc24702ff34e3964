"""What the file of who may look holds, as frozen types. All times are epoch ms."""

from __future__ import annotations

from dataclasses import dataclass, field

from loggerd.model.access import Role, Scope


@dataclass(frozen=True)
class Person:
    """Somebody who may sign in. `password`: the hash, never shown."""

    id: int
    name: str
    role: Role
    password: str = field(repr=False)
    language: str
    fahrenheit: bool
    created_ms: int


@dataclass(frozen=True)
class StoredSession:
    """A browser that is signed in."""

    id: int
    person: Person
    began_ms: int
    seen_ms: int
    ends_ms: int
    agent: str
    address: str


@dataclass(frozen=True)
class NewSession:
    """A session to be begun. `password`: the hash that was found right; it begins only while that still holds."""

    hash: bytes = field(repr=False)
    device: bytes = field(repr=False)
    person: int
    password: str = field(repr=False)
    ends_ms: int
    agent: str
    address: str


@dataclass(frozen=True)
class Token:
    """A program that may ask."""

    id: int
    name: str
    scope: Scope
    created_ms: int
    used_ms: int | None
    revoked_ms: int | None


@dataclass(frozen=True)
class AuditLine:
    """Something that was done about access. `words` never hold a secret."""

    at_ms: int
    who: str
    address: str
    what: str
    words: str = ""
