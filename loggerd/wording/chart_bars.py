"""Paired bars as SVG text: what went out and what came in, side by side, plain and hatched."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from loggerd.wording.chart import BOTTOM, HEIGHT, LEFT, TOP, WIDTH, Axes, drawing, hatches, label
from loggerd.wording.chart_axes import decimals_of, number_step, number_ticks

_RIGHT = 62
_MOST_LABELS = 5


@dataclass(frozen=True)
class Pair:
    """Two amounts with their bounds (None where not known), under one label."""

    label: str
    first: float | None
    second: float | None
    first_band: tuple[float, float] | None = None
    second_band: tuple[float, float] | None = None


def paired_bars(axes: Axes, pairs: Sequence[Pair], second_unit: str = "", per_second: float = 1.0) -> str:
    """Bars of pairs in their order, the first plain, the second hatched, with their bands.

    `second_unit`: of an axis on the right, `per_second` units of the left one being one of the right. The times of
    the axes are not looked at.
    """
    tops = [value for pair in pairs for value in (pair.first, pair.second) if value is not None]
    tops += [band[1] for pair in pairs for band in (pair.first_band, pair.second_band) if band is not None]
    high = max([*tops, 0.0]) * 1.05 or 1.0
    bottom, right = HEIGHT - BOTTOM, WIDTH - _RIGHT

    def y(value: float) -> float:
        return bottom - (bottom - TOP) * min(max(value / high, 0.0), 1.0)

    parts = [f"<defs>{hatches(axes.identity)}</defs>", label(4, 18, axes.unit, "start", "unit")]
    decimals = decimals_of(number_step(0.0, high, 5))
    for value in number_ticks(0.0, high):
        parts.append(f'<path class="grid" d="M{LEFT} {y(value):.1f}H{right}"/>')
        parts.append(label(LEFT - 6, y(value) + 6, axes.number(value, decimals), "end"))
    if second_unit:
        parts.append(label(WIDTH - 4, 18, second_unit, "end", "unit"))
        reach = high / per_second
        decimals = decimals_of(number_step(0.0, reach, 5))
        for value in number_ticks(0.0, reach):
            at = y(value * per_second)
            parts.append(f'<path class="tick" d="M{right} {at:.1f}h6"/>')
            parts.append(label(right + 10, at + 6, axes.number(value, decimals), "start"))
    step = (right - LEFT) / max(len(pairs), 1)
    every = max(1, -(-len(pairs) // _MOST_LABELS))
    for number, pair in enumerate(pairs):
        start = LEFT + step * number
        amounts = ((pair.first, pair.first_band, "bar-first", ""), (pair.second, pair.second_band, "bar-second", "c"))
        for place, (amount, band, kind, hatch) in enumerate(amounts):
            if amount is None:
                continue
            x, wide = start + step * (0.1 + 0.4 * place), step * 0.4
            fill = f' fill="url(#{axes.identity}-{hatch})"' if hatch else ""
            parts.append(
                f'<rect class="{kind}" x="{x:.1f}" y="{y(amount):.1f}" width="{wide:.1f}"'
                f' height="{bottom - y(amount):.1f}"{fill}/>'
            )
            if band is not None and wide >= 3.0:
                parts.append(f'<path class="band" d="M{x + wide / 2:.1f} {y(band[0]):.1f}V{y(band[1]):.1f}"/>')
        if number % every == 0:
            parts.append(label(start + step / 2, HEIGHT - 8, pair.label, "middle" if number else "start"))
    parts.append(f'<path class="axis" d="M{LEFT} {TOP}V{bottom}H{right}"/>')
    return drawing(axes, "".join(parts))
