"""Who may look at the pages, and who may tell something by them."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum


class Role(Enum):
    """What somebody may do. A keeper may do all that a reader may."""

    READER = "reader"
    KEEPER = "keeper"


class Need(Enum):
    """What a page asks of whoever opens it."""

    NOTHING = "nothing"
    READER = "reader"
    KEEPER = "keeper"

    def met_by(self, role: Role | None) -> bool:
        """Whether somebody in this role, or not signed in at all (None), may open it."""
        if self is Need.NOTHING:
            return True
        return role is Role.KEEPER or (self is Need.READER and role is Role.READER)


class Scope(Enum):
    """What the program behind a token may do."""

    READ = "read"
    ENTER = "enter"

    @property
    def role(self) -> Role:
        return Role.KEEPER if self is Scope.ENTER else Role.READER


@dataclass(frozen=True)
class SignedIn:
    """Somebody who is known: a person with a session, or a program with a token.

    `by_token`: a program. `language` and `fahrenheit`: how this person reads.
    """

    name: str
    role: Role
    by_token: bool = False
    language: str = "en"
    fahrenheit: bool = False
