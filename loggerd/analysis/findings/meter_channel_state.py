"""What is kept of one channel while it is watched, and what its name says."""

from __future__ import annotations

from dataclasses import dataclass

from loggerd.analysis.findings.meter_common import FRAMES_PER_DAY

_OFTEN, _DAYS_HELD = 2, 10
"""From so many times on that a channel was told noisy, so many days without noise take it back (own choice)."""


@dataclass
class Channel:
    """Of one channel: `flat` frames at `value`, in which the other voltages moved between `low` and `high` (per cell)
    by `path` in all; `silent` frames, and the longest ordinary pause; `noisy`: frames with more noise than
    stated; `beyond`: frames out of range, fading; `good`: frames in a row with readings; `heard`: 1 once it was;
    `times`: how often it was told noisy."""

    value: float | None = None
    flat: int = 0
    flat_since: int = 0
    low: float | None = None
    high: float | None = None
    path: float = 0.0
    last: float | None = None
    silent: int = 0
    pause: int = 1
    noisy: int = 0
    beyond: float = 0.0
    good: int = 0
    heard: int = 0
    times: int = 0

    @property
    def noisy_hold(self) -> int:
        """Frames without noise after which it is taken back: a day's; for one that came back before, those of days."""
        return FRAMES_PER_DAY * (1 if self.times < _OFTEN else _DAYS_HELD)


@dataclass(frozen=True, slots=True)
class Column:
    """What a channel's name says: its `column`; whether it is a temperature, or a current; the `fine` width that its
    noise and digits explain; a `wide` one, above which it is looked at; its `cells`, 0 of a current."""

    name: str
    column: int
    thermal: bool
    current: bool
    fine: float
    wide: float
    cells: int
