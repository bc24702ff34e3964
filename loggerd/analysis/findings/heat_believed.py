"""Which temperatures of the blocks can be believed: no probe's error value, and no leap that a heavy block cannot make.

The topic of the meter needs hours to call a probe dead; until then a leap is left out. A block of lead and acid of some
kilograms warms by a few kelvin in an hour, by a kelvin in a minute at the worst (own estimate, from memory).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import isnan, nan
from typing import Any

from loggerd.analysis.findings.events import DoubtEnded, Event, SensorDoubt, open_doubts
from loggerd.analysis.frames import CLIMBED_CELSIUS, COLDEST_CELSIUS, FRAME_MS, HOTTEST_CELSIUS, Frame

_LEAP_KELVIN = 15.0
"""More than this from one frame to the next is no block's doing."""
_BELIEVED_AFTER_MS = 6 * 3_600_000
"""A value that has stayed after its leap, and that nobody doubts by then, is taken."""


class Believed:
    """Remembers the last temperature of each block that was believed, and what is doubted."""

    def __init__(self, channels: Mapping[str, int]) -> None:
        """`channels`: number of the block by the name of its probe's channel."""
        self._channels = channels
        self.doubted: dict[int, list[str]] = {}
        """By block, the findings that say so."""
        self._last: list[float | None] = [None] * len(channels)
        self._leapt: dict[int, int] = {}
        """By block, since when its values are too far from what they were."""

    def hear(self, events: Sequence[Event]) -> None:
        """Doubts stand until the check that has them lets them go."""
        for event in events:
            if not isinstance(event, SensorDoubt | DoubtEnded) or event.channel not in self._channels:
                continue
            block = self._channels[event.channel]
            if standing := open_doubts(self.doubted.pop(block, []), (event,), event.channel):
                self.doubted[block] = standing

    def look(self, frame: Frame) -> list[float]:
        """Temperatures by block (b,), NaN where not read or not believed."""
        found = frame.mean_list[frame.layout.block_celsius]
        reach = nan if frame.after_unknown else _LEAP_KELVIN * (1 + frame.missed)
        leapt, kept = self._leapt, self._last
        for one, value in enumerate(found):
            if isnan(value):
                continue
            last = kept[one]
            # Nearly always it is near to what it was, which is told cheaply.
            if (
                last is not None
                and not leapt
                and -reach <= value - last <= reach
                and COLDEST_CELSIUS <= value <= HOTTEST_CELSIUS
            ):
                kept[one] = value
            elif not COLDEST_CELSIUS <= value <= HOTTEST_CELSIUS or self._leaps(one, value, reach, frame):
                found[one] = nan
            else:
                self._last[one] = value
        return found

    def _leaps(self, one: int, value: float, reach: float, frame: Frame) -> bool:
        last = self._last[one]
        # After a pause, of which nobody knows how long it was, a hot value was climbed to by nothing that was seen.
        leap = last is None or not abs(value - last) <= reach
        if value > CLIMBED_CELSIUS and leap:
            return True
        if last is None or not abs(value - last) > reach:
            self._leapt.pop(one, None)
            return False
        since = self._leapt.setdefault(one, frame.start_ms)
        if frame.start_ms - since + FRAME_MS < _BELIEVED_AFTER_MS:
            return True
        del self._leapt[one]
        return False

    def to_plain(self) -> dict[str, Any]:
        return {
            "doubted": [[block, whats] for block, whats in self.doubted.items()],
            "last": self._last,
            "leapt": [[one, at] for one, at in self._leapt.items()],
        }

    def load_plain(self, plain: dict[str, Any]) -> None:
        self.doubted = {block: list(whats) for block, whats in plain["doubted"]}
        self._last, self._leapt = list(plain["last"]), dict(plain["leapt"])
