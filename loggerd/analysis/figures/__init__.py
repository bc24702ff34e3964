"""The catalogues of figures. Store, export and tables loop over these and know no figure by name."""

from loggerd.analysis.figures.catalogue import FigureSpec
from loggerd.analysis.figures.cycle import CYCLE_FIGURES, FULL_TO_FULL_FIGURES
from loggerd.analysis.figures.depth import DEPTH_FIGURES
from loggerd.analysis.figures.phase import PHASE_FIGURES

__all__ = ["CYCLE_FIGURES", "DEPTH_FIGURES", "FULL_TO_FULL_FIGURES", "PHASE_FIGURES", "FigureSpec"]
