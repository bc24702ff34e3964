"""A parallel string that comes and goes: its current falls to nothing while the other strings carry the load on.

A load that is switched takes the current of all strings away at once. Where one string gave its part and nothing within
five minutes in which the others never gave nothing, something in it parts. Own method.
"""

from __future__ import annotations

from math import isnan
from typing import Any

from loggerd.analysis.findings.blocks_specs import INTERRUPTED
from loggerd.analysis.findings.catalogue import Ground
from loggerd.analysis.findings.drawn_up import figures, tell
from loggerd.analysis.frames import DAY_MS, FRAME_MS, Frame
from loggerd.model.finding import Finding, Grade

_LOAD = 0.02
"""Share of the rated amp-hours per hour that must be drawn, so that offsets of the sensors are small against it."""
_NOTHING, _TAKES, _CARRIES = 0.2, 0.05, 0.7
"""Of an equal part: less than the first is next to nothing, more than the second in the other direction is taken from
the others, and the third is what the others never go below, and the string itself has at another instant."""
_STANDS = 0.8
"""Of its mean the bank's current never goes below this share, nor above its inverse."""
_SUM = 0.15
"""The strings' currents must add up to that of the bank so closely, else a sensor is off and not a string."""
_APART_MS = 1_800_000
_OCCASIONS = 3
_FORGOTTEN_MS = 30 * DAY_MS
_SOUND_FRAMES = 120
"""Ten hours of carrying its part, so that a string that is open for good, or without a load, is not called steady."""
_UNREAD_MS = 7 * DAY_MS


class Interrupted:
    """Counts occasions by string; told from the third in a month on, and over after a month of carrying without any."""

    def __init__(self, ground: Ground) -> None:
        self._least = _LOAD * ground.bank.rated_amp_hours
        self._seen: list[list[int]] = [[] for _ in range(ground.bank.strings)]
        """By string: when, the latest ones [ms]."""
        self._told: list[bool] = [False] * ground.bank.strings
        self._carried: list[bool] = [False] * ground.bank.strings
        """Which of them carried its part in the frame before."""
        self._sound: list[int] = [0] * ground.bank.strings
        """Frames in which it carried its part since the last occasion."""
        self._read_ms = 0

    def push(self, frame: Frame) -> list[Finding]:
        """What this frame settles."""
        amps = frame.mean_list[frame.layout.string_amps]
        if isnan(frame.amps) or any(isnan(one) for one in amps):
            self._carried = [False] * len(self._seen)
            return self._unread(frame)
        self._read_ms = frame.end_ms
        parted = self._parted(frame)
        # A string with less charge comes in late, when the others have come down to it; one that parts goes out.
        if parted is not None and (frame.missed or not self._carried[parted]):
            parted = None
        part = frame.amps / len(self._seen)
        self._carried = [frame.amps < -self._least and one < _CARRIES * part for one in amps]
        found = self._count(frame, parted) if parted is not None else []
        return found + self._over(frame)

    def _count(self, frame: Frame, string: int) -> list[Finding]:
        seen = self._seen[string]
        self._sound[string] = 0
        if seen and frame.end_ms - seen[-1] < _APART_MS:
            return []
        seen.append(frame.end_ms)
        del seen[:-_OCCASIONS]
        # When a string is back it is the fuller one, and the others rest: that is its doing, not theirs.
        if len(seen) < _OCCASIONS or seen[-1] - seen[0] > _FORGOTTEN_MS or any(self._told):
            return []
        self._told[string] = True
        return [self._tell(frame, string)]

    def _over(self, frame: Frame) -> list[Finding]:
        """Strings that have carried on for long enough."""
        found = []
        for string, told in enumerate(self._told):
            if not told:
                continue
            self._sound[string] += self._carried[string]
            if self._sound[string] >= _SOUND_FRAMES and frame.end_ms - self._seen[string][-1] > _FORGOTTEN_MS:
                self._told[string], self._seen[string] = False, []
                reason = f"for {_FORGOTTEN_MS // DAY_MS} days it has carried its part under load without a break"
                found.append(tell(frame, INTERRUPTED.name, "steady", reason, subject=f"string {string + 1}"))
        return found

    def _unread(self, frame: Frame) -> list[Finding]:
        """What was told of strings whose current has not been read for a week no longer holds."""
        if not any(self._told) or frame.end_ms - self._read_ms < _UNREAD_MS:
            return []
        gone = [string for string, told in enumerate(self._told) if told]
        for string in gone:
            self._told[string], self._seen[string] = False, []
        reason = "the currents of the strings, or that of the bank, have not been read for a week"
        return [
            tell(frame, INTERRUPTED.name, "cannot_tell", reason, subject=f"string {one + 1}", grade=Grade.CANNOT_TELL)
            for one in gone
        ]

    def _parted(self, frame: Frame) -> int | None:
        """The string that gave nothing at some instant of the frame, while all the others carried on."""
        amps, columns = frame.amps, frame.layout.string_amps
        if amps > -self._least:
            return None
        if not abs(sum(frame.mean_list[columns]) - amps) < -_SUM * amps:
            return None
        # A string with less charge gives its part of a large load and nothing of a small one: the load must stand.
        if frame.high_list[0] > _STANDS * amps or frame.low_list[0] < amps / _STANDS:
            return None
        highs, lows, part = frame.high_list[columns], frame.low_list[columns], amps / len(self._seen)
        string = max(range(len(highs)), key=highs.__getitem__)
        others = [one for number, one in enumerate(highs) if number != string]
        # The others must have taken the load over, else it is the sensor that drops out and not the string.
        took_over = sum(low for number, low in enumerate(lows) if number != string) <= _STANDS * amps
        carried = took_over and max(others) < _CARRIES * part
        # A string with less charge or a cell less takes current from the others, and gives little in between.
        parted = _NOTHING * part < highs[string] < -_TAKES * part and lows[string] < _CARRIES * part
        return string if parted and carried else None

    def _tell(self, frame: Frame, string: int) -> Finding:
        seen = self._seen[string]
        days = (seen[-1] - seen[0]) / DAY_MS
        return tell(
            frame, INTERRUPTED.name, "comes_and_goes",
            f"{_OCCASIONS} times in {days:.1f} days it gave nothing under load while the other strings carried on; the "
            "currents of the strings add up to that of the bank, so it is no sensor",
            subject=f"string {string + 1}", since_ms=seen[0], spans=tuple((one - FRAME_MS, one) for one in seen),
            details=figures(occasions=float(_OCCASIONS)),
        )  # fmt: skip

    def to_plain(self) -> dict[str, Any]:
        return {
            "seen": self._seen,
            "told": self._told,
            "carried": self._carried,
            "sound": self._sound,
            "read_ms": self._read_ms,
        }

    def load_plain(self, plain: dict[str, Any]) -> None:
        self._seen, self._told, self._carried = plain["seen"], plain["told"], plain["carried"]
        self._sound, self._read_ms = plain["sound"], plain["read_ms"]
