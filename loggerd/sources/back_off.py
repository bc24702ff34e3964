"""How long a device that fails is left alone, so that it cannot take the line from the others."""

from __future__ import annotations

LADDER_MS = (1_000, 2_000, 5_000, 10_000, 30_000)
"""After the first, second ... failure in a row; the last step stays."""
_SHARE = 20
"""A failing device may cost the devices that answer one part in so many of the line's time, beyond its first
failure.
"""


class BackOff:
    """Back-off of one device.

    The ladder alone is not enough: on a serial line a failure costs the timeout and the silence after it, and
    a device that fails now and then never climbs. So each failure's cost becomes a debt that is paid off
    slowly, and while more than one failure is owed the device is not tried. A single failure once in a while
    costs no waiting.
    """

    def __init__(self) -> None:
        self.failures = 0
        self._debt_ms = 0.0
        self._debt_at_ms = 0

    def failed(self, now_ms: int, cost_ms: int, others_answer: bool) -> int:
        """Note a failure that held the line for `cost_ms`; return when the device may be tried again.

        `others_answer` says whether there is another device on the line that would suffer.
        """
        self.failures += 1
        paid_ms = (now_ms - self._debt_at_ms) / _SHARE
        self._debt_ms = max(0.0, self._debt_ms - paid_ms) + cost_ms
        self._debt_at_ms = now_ms
        wait_ms = LADDER_MS[min(self.failures, len(LADDER_MS)) - 1]
        if others_answer:
            wait_ms = max(wait_ms, round((self._debt_ms - cost_ms) * _SHARE))
        return now_ms + wait_ms

    def succeeded(self) -> None:
        """Begin the ladder anew. The debt stays: a device that fails every other time is to be bounded too."""
        self.failures = 0
