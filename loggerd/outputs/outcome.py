"""How a try to send ended."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum


class Trouble(Enum):
    """Why something was not sent, by what helps."""

    LINK = "link"
    """Nobody answered, or not to the end: time helps."""
    BUSY = "busy"
    """The server says: not now."""
    SETUP = "set-up"
    """Name, password, certificate or permission: somebody has to look at the settings or the server."""


@dataclass(frozen=True)
class Outcome:
    """`accepted`: the server has taken it. `refused`: it will not take this one. Otherwise it is tried again.

    `answer`: what was said, in words for a keeper; no secret is in it.
    """

    answer: str
    accepted: bool = False
    refused: bool = False
    trouble: Trouble = Trouble.LINK
