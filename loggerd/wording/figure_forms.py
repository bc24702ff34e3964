"""Figures that alarms carry beside those of the findings' catalogue: unit and decimals. Others are not shown."""

from __future__ import annotations

from dataclasses import dataclass

from loggerd.analysis.findings import FINDINGS


@dataclass(frozen=True)
class FigureForm:
    """How a figure is written: its unit, as in [units] of the texts, and its decimals."""

    unit: str
    decimals: int


FIGURE_FORMS: dict[str, FigureForm] = {
    "hours_left": FigureForm("h", 1),
    "lowest_volts": FigureForm("V", 1),
    "lowest_amps": FigureForm("A", 0),
    "added_milliohms": FigureForm("mΩ", 2),
    "likely_factor": FigureForm("", 2),
    "percent_of_rated": FigureForm("%", 0),
    "kelvin_above_air": FigureForm("K", 1),
    "share_first_minutes": FigureForm("%", 0),
    "share_middle": FigureForm("%", 0),
    "share_end": FigureForm("%", 0),
    "silent_minutes": FigureForm("min", 0),
    "overdue_hours": FigureForm("h", 1),
    "disk_days_left": FigureForm("days", 0),
    "disk_free_percent": FigureForm("%", 0),
    "not_stored_minutes": FigureForm("min", 0),
    "waiting_hours": FigureForm("h", 0),
}

_ALL = {spec.name: FigureForm(spec.unit, spec.decimals) for spec in FINDINGS} | FIGURE_FORMS


def form_of(name: str) -> FigureForm | None:
    """How a figure of that name is written; None for one that is not shown to keepers."""
    return _ALL.get(name)
