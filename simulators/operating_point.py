"""Where a charger and a bank meet: the total current at which the set volts or the current limit is reached."""

from __future__ import annotations


class OperatingPoint:
    """Newton steps for the total current, kept between what is known to be too little and too much.

    The bank's volts rise with the current, steeply at first and then, when it gasses, less and less; there is a
    kink at zero. Plain Newton steps would jump to and fro. `least` is the current with the charger at nothing, `most`
    that with it at its limit.
    """

    def __init__(self, least: float, most: float, held_volts: float) -> None:
        self._low, self._high = least, most
        self._most = most
        self._held = held_volts

    def begin(self, total: float) -> float:
        """The nearest possible current to the last one."""
        return min(max(total, self._low), self._high)

    def next_total(self, total: float, volts: float, siemens: float) -> float:
        """A better current, given the volts at `total` and how it grows with them; `total` itself if it is right."""
        if volts > self._held:
            if total <= self._low:
                return total
            self._high = min(self._high, total)
        else:
            if total >= self._most:
                return total
            self._low = max(self._low, total)
        wanted = total + (self._held - volts) * siemens
        if self._low < wanted < self._high:
            return wanted
        if wanted >= self._high == self._most and total < self._most:
            return self._most
        return 0.5 * (self._low + self._high)
