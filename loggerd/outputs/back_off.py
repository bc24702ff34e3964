"""How long to wait before a mail is tried again: from a minute to an hour, and then hourly for as long as it takes.

RFC 5321 (4.5.4.1, from memory) asks for half an hour between tries in general, and sooner ones in the first hour; an
alarm cannot wait for half an hour after a link that came back.
"""

from __future__ import annotations

from loggerd.outputs.outcome import Outcome, Trouble

MINUTE_MS = 60_000
_STEPS = {
    Trouble.LINK: (1, 2, 5, 10, 15, 30, 60),
    Trouble.BUSY: (5, 5, 10, 15, 30, 60),
    Trouble.SETUP: (5, 15, 60),
}
_URGENT_MOST = 15


def wait_ms(outcome: Outcome, tries: int, *, urgent: bool) -> int:
    """Milliseconds to wait after that many tries (1 after the first)."""
    steps = _STEPS[outcome.trouble]
    minutes = steps[min(max(tries, 1), len(steps)) - 1]
    return MINUTE_MS * (min(minutes, _URGENT_MOST) if urgent else minutes)
