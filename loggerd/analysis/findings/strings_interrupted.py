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
from loggerd.analysis.frames import DAY_MS, Frame
from loggerd.model.finding import Finding

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


class Interrupted:
    """Counts occasions by string; told from the third on, and over after a month without any."""

    def __init__(self, ground: Ground) -> None:
        self._least = _LOAD * ground.bank.rated_amp_hours
        self._seen: list[list[int]] = [[] for _ in range(ground.bank.strings)]
        """By string: when, the latest ones [ms]."""
        self._told: list[bool] = [False] * ground.bank.strings
        self._carried: list[bool] = [False] * ground.bank.strings
        """Which of them carried its part in the frame before."""

    def push(self, frame: Frame) -> list[Finding]:
        """What this frame settles. The strings' currents and that of the bank must be trusted."""
        found = []
        parted = self._parted(frame)
        # A string with less charge comes in late, when the others have come down to it; one that parts goes out.
        if parted is not None and (frame.missed or not self._carried[parted]):
            parted = None
        part = frame.amps / len(self._seen)
        self._carried = [part < 0.0 and one < _CARRIES * part for one in frame.mean_list[frame.layout.string_amps]]
        for string, seen in enumerate(self._seen):
            if string == parted and (not seen or frame.end_ms - seen[-1] >= _APART_MS):
                seen.append(frame.end_ms)
                del seen[:-_OCCASIONS]
                # When a string is back it is the fuller one, and the others rest: that is its doing, not theirs.
                if len(seen) == _OCCASIONS and not any(self._told):
                    self._told[string] = True
                    found.append(self._tell(frame, string))
            elif seen and frame.end_ms - seen[-1] > _FORGOTTEN_MS:
                seen.clear()
                if self._told[string]:
                    self._told[string] = False
                    reason = f"for {_FORGOTTEN_MS // DAY_MS} days its current went and came with that of the others"
                    found.append(tell(frame, INTERRUPTED.name, "steady", reason, subject=f"string {string + 1}"))
        return found

    def _parted(self, frame: Frame) -> int | None:
        """The string that gave nothing at some instant of the frame, while all the others carried on."""
        amps, columns = frame.amps, frame.layout.string_amps
        if isnan(amps) or amps > -self._least:
            return None
        if not abs(sum(frame.mean_list[columns]) - amps) < -_SUM * amps:
            return None
        # A string with less charge gives its part of a large load and nothing of a small one: the load must stand.
        if frame.high_list[0] > _STANDS * amps or frame.low_list[0] < amps / _STANDS:
            return None
        highs, lows, part = frame.high_list[columns], frame.low_list[columns], amps / len(self._seen)
        string = max(range(len(highs)), key=highs.__getitem__)
        others = [one for number, one in enumerate(highs) if number != string]
        carried = bool(others) and max(others) < _CARRIES * part
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
            subject=f"string {string + 1}", since_ms=seen[0], spans=tuple((one - 300_000, one) for one in seen),
            details=figures(occasions=float(_OCCASIONS)),
        )  # fmt: skip

    def to_plain(self) -> dict[str, Any]:
        return {"seen": self._seen, "told": self._told, "carried": self._carried}

    def load_plain(self, plain: dict[str, Any]) -> None:
        self._seen, self._told, self._carried = plain["seen"], plain["told"], plain["carried"]
