"""Figures of a counted range of depth."""

from __future__ import annotations

from loggerd.analysis.depth_bands import DepthCount
from loggerd.analysis.figures.catalogue import Context, FigureSpec, told
from loggerd.model.ledger import Figure


def _depth(count: DepthCount, context: Context) -> Figure:
    return told(count.depth / context.plan.bank.rated_amp_hours)


DEPTH_FIGURES: tuple[FigureSpec[DepthCount], ...] = (
    FigureSpec("depth", "", 3, "Range of depth, as a share of the rated amp-hours.", "ASTM E1049-85, 5.4.4", _depth),
    FigureSpec(
        "cycles", "", 1, "One cycle, or half of one.", "ASTM E1049-85, 5.4.4", lambda count, _context: told(count.count)
    ),
)
