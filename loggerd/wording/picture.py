"""The small picture of a digest: amp-hours in (up) and out (down) by day, and the days on which full was proven."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from loggerd.wording.digest_figures import DayAmpHours

WIDTH, HEIGHT = 600, 220
_TOP, _BOTTOM, _LEFT, _RIGHT = 26, 24, 56, 8
_SCALE = 2
_WHITE, _INK, _GREY = (255, 255, 255), (40, 40, 40), (200, 200, 200)
_OUT, _IN, _FULL = (60, 70, 90), (120, 175, 220), (30, 120, 60)
_GLYPHS = {
    "0": "01110100011001110101110011000101110", "1": "00100011000010000100001000010001110",
    "2": "01110100010000100010001000100011111", "3": "11111000100010000010000011000101110",
    "4": "00010001100101010010111110001000010", "5": "11111100001111000001000011000101110",
    "6": "00110010001000011110100011000101110", "7": "11111000010001000100010000100001000",
    "8": "01110100011000101110100011000101110", "9": "01110100011000101111000010001001100",
    "A": "01110100011000111111100011000110001", "h": "10000100001011011001100011000110001",
    "+": "00000001000010011111001000010000000", "-": "00000000000000011111000000000000000",
    ".": "00000000000000000000000000110001100", " ": "0" * 35,
}  # fmt: skip
"""Letters of 5 by 7 points, row by row: as much as the axes need."""

_LEAST_AMP_HOURS = 0.05
"""Less than this in all is nothing."""

Canvas = npt.NDArray[np.uint8]
"""(height, width, 3), red, green and blue."""


@dataclass(frozen=True)
class _Frame:
    """Where things are: the zero line, points for an amp-hour, and the width of a day."""

    zero: int
    per_amp_hour: float
    step: float


def bar_chart(days: Sequence[DayAmpHours], labels: Sequence[str]) -> Canvas:
    """The picture. Up and down share one scale, to the largest value of each. `labels`: of the days, digits only."""
    canvas = np.full((HEIGHT, WIDTH, 3), 255, np.uint8)
    if not days:
        return canvas
    frame = _frame(days)
    _axes(canvas, days, labels, frame)
    for number, day in enumerate(days):
        left = round(_LEFT + frame.step * (number + 0.15))
        right = max(round(_LEFT + frame.step * (number + 0.85)), left + 1)
        up, down = (round(frame.per_amp_hour * amp_hours) for amp_hours in (day.into, day.out))
        canvas[frame.zero - up : frame.zero, left:right] = _IN
        canvas[frame.zero + 1 : frame.zero + 1 + down, left:right] = _OUT
        if day.full:
            middle = (left + right) // 2
            canvas[_TOP - 18 : _TOP - 8, middle - 5 : middle + 5] = _FULL
    return canvas


def most(days: Sequence[DayAmpHours]) -> float:
    """The largest amount of a day, in or out."""
    return max((max(day.into, day.out) for day in days), default=0.0)


def _frame(days: Sequence[DayAmpHours]) -> _Frame:
    up, down = max(day.into for day in days), max(day.out for day in days)
    room = HEIGHT - _TOP - _BOTTOM
    per_amp_hour = room / (up + down) if up + down >= _LEAST_AMP_HOURS else 0.0
    zero = _TOP + (round(per_amp_hour * up) if per_amp_hour else room // 2)
    return _Frame(zero, per_amp_hour, (WIDTH - _LEFT - _RIGHT) / len(days))


def _axes(canvas: Canvas, days: Sequence[DayAmpHours], labels: Sequence[str], frame: _Frame) -> None:
    canvas[frame.zero, _LEFT : WIDTH - _RIGHT] = _INK
    canvas[_TOP : HEIGHT - _BOTTOM, _LEFT] = _GREY
    _write(canvas, "Ah", 4, 6)
    up, down = max(day.into for day in days), max(day.out for day in days)
    if up > 0.0:
        _write(canvas, f"{up:.0f}", 4, _TOP)
    if down > 0.0:
        _write(canvas, f"-{down:.0f}", 4, HEIGHT - _BOTTOM - 14)
    every = max(1, -(-len(days) // 10))
    for number in range(0, len(days), every):
        text = labels[number]
        _write(canvas, text, round(_LEFT + frame.step * (number + 0.5)) - 6 * len(text), HEIGHT - 18)


def _write(canvas: Canvas, text: str, left: int, top: int) -> None:
    for sign in text:
        points = np.array([one == "1" for one in _GLYPHS[sign]]).reshape(7, 5)
        large = np.kron(points, np.ones((_SCALE, _SCALE), bool)).astype(bool)
        place = canvas[top : top + 7 * _SCALE, left : left + 5 * _SCALE]
        place[large[: place.shape[0], : place.shape[1]]] = _INK
        left += 6 * _SCALE
