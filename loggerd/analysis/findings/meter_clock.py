"""Is the clock of the logger right? Amp-hours go by the clock that counts on; only dates go by the one on the wall.

A wall clock that is set and then jumps against the one that counts on was wrong before the jump, or is wrong since.
Which of both, the readings cannot say. A first setting, a small correction and summer time (times are in UTC) are none.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.findings.meter_common import FRAMES_PER_DAY, Facts, Look, Teller, Told
from loggerd.analysis.frames import FRAME_MS
from loggerd.model.finding import Finding, Grade
from loggerd.model.marks import Mark

_HOUR_MS = 3_600_000
_AGAIN_MS = _HOUR_MS
_ALIKE_MS = 60_000
"""Each device sees the same jump at its next reading: within so long, and alike within so much."""
_UNDONE_MS = 600_000
"""A clock that has come back within this of where it was is right again: no less is told as a jump."""
_STANDS_FRAMES = 90 * FRAMES_PER_DAY
"""So long a jump stands if nothing comes after it (own choice: a quarter of a year is looked at together)."""


@dataclass
class _State:
    """`unset`, `set`: frames in a row; `net_ms`: how far the clock stands from where it stood when it was set or the
    `session` began; `frame`: of the last jump, by `last_ms`, -1 without one."""

    unset: int = 0
    set: int = 0
    session: int = -1
    net_ms: int = 0
    frame: int = -1
    last_ms: int = 0


class Clock:
    """See the module. `value`: how far the clock stands from where it stood [h], forward positive."""

    def __init__(self, ground: Ground) -> None:
        del ground
        self._teller = Teller("meter.clock", {})
        self._state = _State()

    def push(self, look: Look, moment: Moment, facts: Facts) -> list[Finding]:
        del facts
        state, frame = self._state, look.frame
        if frame.marks and any(mark is Mark.CLOCK_NOT_SET for _, mark in frame.marks):
            state.unset, state.set = min(state.unset + 1, FRAMES_PER_DAY), 0
        else:
            state.unset = 0
            if state.set < FRAMES_PER_DAY:
                state.set += 1
        said = self._teller.verdict()
        same = state.session == frame.session and state.frame < 0 and not state.unset
        if same and said == "right" and not frame.clock_jump_ms:
            return []  # nearly always
        ended = self._ended(look, said)
        if frame.clock_jump_ms and self._is_new(look):
            return self._jumped(look, moment)
        if state.unset >= 2:
            words = "readings carry a time that no set clock gave; amp-hours count on, dates are guessed"
            return self._teller.tell(look, moment, Told("not_set", words, since_ms=look.at_ms - 2 * FRAME_MS))
        if state.set >= 2 and (ended or said not in {"right", "jumped"}):
            return self._teller.tell(look, moment, Told("right", ended or "the clock is set"))
        return []

    def _ended(self, look: Look, said: str) -> str:
        """Why a jump is told no longer; "" where there is none, or where it stands."""
        state, number = self._state, look.frame.number
        if state.session == -1:
            state.session = look.frame.session
        began_ms, another = state.net_ms, look.frame.session != state.session
        old = state.frame >= 0 and number - state.frame >= _STANDS_FRAMES
        if (another or old) and state.set < 2 and state.unset < 2:
            return ""
        if another or state.unset >= 2 or old:
            state.session, state.net_ms, state.frame = look.frame.session, 0, -1
        if state.net_ms or said != "jumped":
            return ""
        how = (
            "the logger was started anew since" if another else f"it ran on for {_STANDS_FRAMES // FRAMES_PER_DAY} days"
        )
        return f"the clock had jumped by {began_ms / _HOUR_MS:+.1f} h; {how}"

    def _is_new(self, look: Look) -> bool:
        state, frame = self._state, look.frame
        known = state.frame >= 0 and (frame.number - state.frame) * FRAME_MS <= _AGAIN_MS
        return not known or abs(frame.clock_jump_ms - state.last_ms) > _ALIKE_MS

    def _jumped(self, look: Look, moment: Moment) -> list[Finding]:
        state, frame = self._state, look.frame
        jump_ms = frame.clock_jump_ms
        state.net_ms, state.last_ms, state.frame = state.net_ms + jump_ms, jump_ms, frame.number
        if abs(state.net_ms) < _UNDONE_MS:
            state.net_ms = 0
            words = f"the clock jumped back by {jump_ms / _HOUR_MS:+.1f} h to where it had been"
            return self._teller.tell(look, moment, Told("right", words))
        words = (
            f"the clock jumped by {jump_ms / _HOUR_MS:+.1f} h while the logger ran, though it was said to be set before"
            " and after: it was wrong until then, or is wrong since; amp-hours are not touched by it, dates are"
        )
        self._teller.said.clear()  # another jump is told again
        hours = state.net_ms / _HOUR_MS
        told = Told("jumped", words, (), "bank", frame.start_ms, hours, hours, hours, grade=Grade.OBSERVED)
        return self._teller.tell(look, moment, told)

    def to_plain(self) -> dict[str, Any]:
        return {"said": dict(self._teller.said), "state": dict(vars(self._state))}

    def load_plain(self, plain: dict[str, Any]) -> None:
        self._teller.said = dict(plain["said"])
        self._state = _State(**plain["state"])
